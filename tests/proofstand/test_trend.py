"""Trends over kept runs: charts, first-pass yield, causes, and what can't be read."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from analysis.cause_groups import NONE
from proofstand.keeping.keep import add, judgement_item, put_items
from proofstand.keeping.trend import Told, causes, first_passes, series_of
from proofstand.keeping.trend_told import chart_of, series_lines
from proofstand.signoff.heads import SigningKey
from proofstand.signoff.keys import load_key
from records.archive.chain import Archive
from records.archive.found import RunFound
from records.jobcard import JobCard
from records.rebuild import Rebuild
from records.run import Run
from records.runfile import read_sealed

from .conftest import SealedRun
from .shop import SIGNER, real
from .shops import Call, call

__all__ = ["call"]

ROOT = Path(__file__).parents[2]
DAY_NS = 86_400 * 10**9
TREND = ("records", "trend")
# One set pressure that chance would hardly give, in Pa off the others.
SET_OFF = {5: 60.0}


def card(job: JobCard, number: int) -> JobCard:
    regulator = replace(job.regulator, serial=f"SN {number}")
    rebuild = Rebuild(kit="RK-1", lot="L-7" if number < 3 else "L-8")
    return replace(job, id=f"J-{number}", regulator=regulator, rebuild=rebuild)


@pytest.fixture(scope="session")
def eight(
    sealed_run: SealedRun, bench_key: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Return an archive of eight runs; what each found is set by hand."""
    archive = Archive(tmp_path_factory.mktemp("eight") / "archive")
    key = SigningKey(load_key(bench_key))
    for number in range(8):

        def named(run: Run, number: int = number) -> Run:
            run = real(run)
            header = replace(
                run.header, id=f"r-{number}", job=card(run.header.job, number)
            )
            return replace(run, header=header, truth=None)

        path = sealed_run(key=bench_key, change=named)
        if number == 0:
            add(archive, [path], key=key, who=SIGNER)
            (first,) = archive.folder.glob("*/r-0/judgement-*.json")
            document = json.loads(first.read_bytes())
        else:
            add(archive, [path], key=key, who=SIGNER)
        (last,) = sorted(archive.folder.glob(f"*/r-{number}/judgement-*.json"))
        (told,) = document["judgements"]
        told["run"] = json.loads(last.read_bytes())["judgements"][0]["run"]
        told["regulator"]["serial"] = f"SN {number}"
        for finding in told["findings"]:
            if finding["id"] == "set_pressure":
                off = 0.5 * (-1.0) ** number + SET_OFF.get(number, 0.0)
                finding["value"] = 2740.0 + off
        told["verdict"] = "fail" if number in (2, 4) else "pass"
        told["suspects"] = (
            [
                {
                    "fault_group": ["seat_nicked", "seat_debris"],
                    "probability": None,
                    "because": ["x"],
                    "look_at": ["y"],
                }
            ]
            if number == 2
            else []
        )
        run = read_sealed(last.parent / "run.h5")
        made = archive.stage(json.dumps(document).encode(), "judgement")
        item = judgement_item(run, json.dumps(document).encode(), made)
        put_items(archive, [item], key, SIGNER, lambda: 1)
    return archive.folder


def asked(call: Call, eight: Path, *more: object) -> Any:
    code, out, err = call(*TREND, *more, "--archive", eight, "--json")
    assert code == 0, err
    found = json.loads(out)
    schema = ROOT / "docs" / "schemas" / "records-trend-1.json"
    jsonschema.validate(found, json.loads(schema.read_text("utf-8")))
    return found


def test_a_finding_is_charted_over_runs(eight: Path, call: Call) -> None:
    found = asked(call, eight, "--finding", "set_pressure", "--step", "set")
    (series,) = found["series"]
    values = [point["value"] for point in series["points"]]
    assert [point["serial"] for point in series["points"]] == [
        f"SN {n}" for n in range(8)
    ]
    single, moved = series["individuals"], series["moving_ranges"]
    assert single["centre"] == pytest.approx(float(np.mean(values)))
    ranges = np.abs(np.diff(values))
    assert moved["value"] == pytest.approx(ranges.tolist())
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2
    assert single["high"][0] - single["centre"] == pytest.approx(
        3.0 * float(np.mean(ranges)) / 1.128
    )
    _, said, _ = call(*TREND, "--finding", "set_pressure", "--archive", eight)
    assert "in. w.c. gauge" in said
    assert "8 values; mean 11.0" in said


def test_what_chance_seldom_gives_is_told_and_drawn(
    eight: Path, call: Call, tmp_path: Path
) -> None:
    args = ("--finding", "set_pressure", "--archive", eight)
    _, said, _ = call(*TREND, *args)
    unusual = [line for line in said.splitlines() if "UNUSUAL" in line]
    assert ["SN 5" in line for line in unusual] == [True, False]
    assert "UNUSUAL: value, step from the one before" in unusual[0]
    assert "SN 6" in unusual[1]  # the step back
    table = tmp_path / "t.csv"
    code, _, err = call(*TREND, *args, "--out", table)
    assert code == 0, err
    rows = list(csv.DictReader(io.StringIO(table.read_text("utf-8"))))
    assert [row["serial"] for row in rows if row["unusual"]] == ["SN 5", "SN 6"]
    assert {row["unit"] for row in rows} == {"Pa"}
    for name, head in (("t.svg", b"<?xml"), ("t.png", b"\x89PNG")):
        code, _, err = call(*TREND, *args, "--out", tmp_path / name)
        assert code == 0, err
        assert (tmp_path / name).read_bytes().startswith(head)
    code, _, err = call(*TREND, *args, "--out", table)
    assert (code, "ever overwritten" in err) == (2, True)


def test_first_passes_and_causes(eight: Path, call: Call) -> None:
    (found,) = asked(call, eight, "--first-pass")["first_pass"]
    assert (found["passed"], found["of"]) == (6, 8)
    lots = asked(call, eight, "--first-pass", "--by", "lot")["first_pass"]
    assert [(lot["group"], lot["passed"], lot["of"]) for lot in lots] == [
        ("RK-1 L-7", 2, 3),
        ("RK-1 L-8", 4, 5),
    ]
    found = asked(call, eight, "--causes")["causes"]
    assert {tuple(c["fault_group"]): c["count"] for c in found} == {
        ("seat_nicked", "seat_debris"): 1,
        (): 1,
    }
    _, said, _ = call(*TREND, "--causes", "--archive", eight)
    assert "no cause was named" in said
    assert said.startswith(" times   so far  what failed tests point at first")
    one = ("--finding", "set_pressure", "--serial", "SN 1")
    _, said, _ = call(*TREND, *one, "--archive", eight)
    assert "usual from" not in said
    assert "1 value: what is usual is not told by one" in said
    (series,) = asked(call, eight, *one)["series"]
    assert series["individuals"]["low"] == series["averages"]["high"] == [None]


def test_one_that_was_changed_is_told_and_passed_over(
    eight: Path, call: Call, tmp_path: Path
) -> None:
    import shutil

    folder = tmp_path / "archive"
    shutil.copytree(eight, folder)
    (last,) = folder.glob("*/r-3/judgement-002.json")
    last.chmod(0o600)
    last.write_bytes(last.read_bytes().replace(b'"pass"', b'"fail"', 1))
    found = asked(call, folder, "--first-pass")
    assert found["unread"] == [str(last)]
    _, said, _ = call(*TREND, "--first-pass", "--archive", folder)
    assert "left out" in said
    assert "r-3" in said


def test_nothing_to_chart_and_wrong_words(
    eight: Path, call: Call, tmp_path: Path
) -> None:
    _, said, _ = call(*TREND, "--causes", "--simulated", "--archive", eight)
    assert said.startswith("No run that was judged")
    code, _, err = call(*TREND, "--finding", "set_presure", "--archive", eight)
    assert (code, "set_pressure" in err) == (2, True)
    out = tmp_path / "x.svg"
    code, _, err = call(*TREND, "--causes", "--archive", eight, "--out", out)
    assert (code, ".csv" in err) == (2, True)
    args = ("--finding", "zero_offset", "--archive", eight, "--out", out)
    code, _, err = call(*TREND, *args)
    assert (code, "one series" in err) == (2, True)
    assert not out.exists()


# --- by the functions alone -----------------------------------------------------------


def told(number: int, verdict: str, *, job: str = "", serial: str = "A") -> Told:
    run = RunFound(
        *(f"r-{number}", serial, "M", "nitrogen", "C", job, "low-pressure", 1),
        *("rig", "1", "T", number * DAY_NS, False, verdict, "", ""),
    )
    data = {
        "verdict": verdict,
        "suspects": [],
        "regulator": {"serial": serial},
        "findings": [],
    }
    return Told(run=run, serial=serial, group="", data=data)


def test_of_a_job_the_first_test_counts_and_as_found_none() -> None:
    runs = [
        told(3, "pass", job="J"),
        told(2, "fail", job="J"),
        told(4, "pass", job="K"),
        told(5, "pass", job="L", serial="B"),
    ]
    found = told(1, "pass", job="J")
    runs.append(replace(found, run=replace(found.run, plan="as-found")))
    (one,) = first_passes(runs)
    # the same serial of another model is another regulator
    namesake = replace(runs[1], run=replace(runs[1].run, model="N"))
    (more,) = first_passes([*runs, namesake])
    assert (more.passed.count, more.passed.of) == (2, 4)
    assert (one.passed.count, one.passed.of) == (2, 3)
    (cause,) = causes([*runs, told(6, "fail", job="J")])
    none = told(6, "fail", job="J")
    nobody = [{"fault_group": [NONE], "probability": 0.9}]
    none = replace(none, data={**none.data, "suspects": nobody})
    assert causes([*runs, none]) == [cause]
    assert cause.count == 1  # one regulator, tested twice in one job


def test_one_value_and_none_make_no_alarm() -> None:
    assert series_of([], "set_pressure") == []
    finding = {
        "id": "set_pressure",
        "step": "set",
        "channel": "outlet",
        "label": "Set pressure",
        "value": 2740.0,
        "unit": "Pa",
        "reference": "gauge",
        "standard_uncertainty": 2.0,
        "interval": [2736.0, 2744.0],
        "outcome": "pass",
        "limit": None,
        "display": {
            "value": "11.00",
            "uncertainty": "0.02",
            "interval": "10.98 to 11.02",
            "note": None,
            "unit": "in. w.c.",
            "reference": "gauge",
        },
    }
    one = told(1, "pass")
    one = replace(one, data={**one.data, "findings": [finding]})
    none = replace(one, data={**one.data, "findings": [{**finding, "value": None}]})
    (series,) = series_of([one, none], "set_pressure")
    assert len(series.points) == 1
    assert series.not_measured == 1
    assert not series.single.firm
    assert (
        series.single.outside == series.moved.outside == series.averaged.outside == ()
    )
    assert series.points[0].shown == "11.00 ± 0.02 in. w.c. gauge"
    assert chart_of(series, "svg").startswith(b"<?xml")
    # another model or plan is another series, told so, whatever they are told apart by
    other = replace(one, run=replace(one.run, model="N"), group="rig-1")
    third = replace(one, run=replace(one.run, plan="line"), group="line version 2")
    found = series_of([one, other, third], "set_pressure")
    assert [each.of for each in found] == [
        "M, low-pressure",
        "line version 2, M",
        "rig-1, N, low-pressure",
    ]
    assert series_lines(found[0])[0].startswith("M, low-pressure: Set pressure")
    same = replace(one, group="M")
    assert [each.of for each in series_of([same], "set_pressure")] == [
        "M, low-pressure"
    ]
    # a value off the middle of its interval is told with that, as everywhere
    skew = {**finding, "interval": [2739.0, 2760.0], "standard_uncertainty": None}
    one = replace(one, data={**one.data, "findings": [skew]})
    (point,) = series_of([one], "set_pressure")[0].points
    assert point.shown == "11.00 (10.98 to 11.02) in. w.c. gauge"
    assert (point.u, point.interval) == (None, (2739.0, 2760.0))
