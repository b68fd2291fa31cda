"""Drills: drawn, run blind, scored against what was true of the gas, put together."""

from __future__ import annotations

import csv
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from analysis.judge import judge
from proofstand.review.drills import HEALTHY, Called, drawn, score, worst_of
from records.drill import DIFFICULTIES, DrillAnswer
from records.drillfile import answer_of, folded_truth, read_drill, truth_of
from records.errors import InputError, IntegrityError
from records.faults import CATALOGUE, revealed_by
from records.measure import Kind, Quantity, Reference
from records.runfile import read_sealed

from .shops import Call, call

__all__ = ["call"]

ROOT = Path(__file__).parents[2]
GOOD = ROOT / "sample_runs" / "second-stage-good.h5"
NICKED = ROOT / "sample_runs" / "second-stage-seat-nicked.h5"
# What the sample run of the healthy regulator truly did, read off its truth.
RIGHT = {
    "--set": "11.0 in. w.c. gauge",
    "--lockup": "0.63 in. w.c. difference",
    "--verdict": "pass",
    "--cause": "none",
}


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a drill of the sample run of a healthy regulator."""
    from proofstand.commands.main import main

    out = tmp_path_factory.mktemp("drill") / "d.toml"
    assert main(["drill", "make", "--of", str(GOOD), "--out", str(out)]) == 0
    return out


def scored(call: Call, drill: Path, run: Path, *more: object) -> dict[str, Any]:
    code, out, err = call("drill", "score", drill, run, "--by", "A", *more, "--json")
    assert code == 0, err
    found: dict[str, Any] = json.loads(out)
    schema = ROOT / "docs" / "schemas" / "drill-score-1.json"
    jsonschema.validate(found, json.loads(schema.read_text("utf-8")))
    return found


def said(right: dict[str, str]) -> list[str]:
    return [word for pair in right.items() for word in pair]


def points(found: dict[str, Any]) -> dict[str, float]:
    return {item["what"]: item["points"] for item in found["items"]}


def test_who_reads_it_right_gets_all(call: Call, stored: Path) -> None:
    truth = read_sealed(GOOD).truth
    assert truth is not None
    true = {(f["id"], f["step"]): f["value"] for f in truth["findings"]}
    creep = true["creep_rate", "creep-hold"]
    leak = true["external_leak", "body-hold"]
    exact = {
        "--creep": f"{creep * 60.0 / 249.08891:.9f} in. w.c./min",
        "--leak": f"{leak:.12g} Pa.m3/s",
    }
    found = scored(call, stored, GOOD, *said(RIGHT), *said(exact))
    assert found["points"] == found["of"] == 8.0
    assert (found["fault"], found["verdict_by_truth"]) == (HEALTHY, "pass")
    (set_,) = (i for i in found["items"] if i["what"] == "set_pressure")
    assert set_["true"] == pytest.approx(true["set_pressure", "set"])
    assert set_["unit"] == "Pa"


def test_wrong_missing_and_nearly_right(call: Call, stored: Path) -> None:
    given = {**RIGHT, "--set": "11.1 in. w.c. gauge", "--verdict": "fail"}
    del given["--lockup"]
    given["--cause"] = "seat_nicked"
    found = points(scored(call, stored, GOOD, *said(given)))
    assert found == {
        "set_pressure": 0.5,
        "lockup_rise": 0.0,
        "creep_rate": 0.0,
        "external_leak": 0.0,
        "verdict": 0.0,
        "cause": 0.0,
    }
    code, out, _ = call("drill", "score", stored, GOOD, "--by", "A", *said(RIGHT))
    assert code == 0
    assert "Nothing was wrong with it." in out
    assert "SIMULATED RIG" in out
    assert "in. w.c. gauge (right within" in out


@pytest.mark.parametrize("name", ["good", "stem-sticks"])
def test_a_creep_near_zero_is_right_as_cursors_read_it(name: str) -> None:
    run = read_sealed(ROOT / "sample_runs" / f"second-stage-{name}.h5")
    outlet = next(c for c in run.header.rig.channels if c.role == "outlet")
    read = run.trace(outlet, 1).between(450.0, 605.0)
    slope = float(np.polyfit(read.t_s - read.t_s[0], read.value, 1)[0])
    said = Quantity(slope, Kind.RATE, Reference.NONE, "")
    called = Called(values={"creep_rate": said}, verdict="", cause="")
    made = score(DrillAnswer(), run, judge(run), called)
    (item,) = (i for i in made.items if i.what == "creep_rate")
    assert item.points == 1.0
    # JCGM 100:2008, 5.1.2: a difference of two readings, each 1 Pa by the channel's
    # calibration and half a step of 0.2 Pa, over the 170 s that were read, at 95 %
    each = np.hypot(1.0, 0.2 / np.sqrt(12.0))
    assert item.near is not None
    assert item.near >= 1.96 * np.sqrt(2.0) * each / 170.2
    assert item.near < 0.1  # Pa/s: a leaking seat's is a call of its own


def test_a_drill_is_made_run_blind_and_scored(call: Call, tmp_path: Path) -> None:
    drill, run, picture = (tmp_path / name for name in ("d.toml", "r.h5", "t.svg"))
    code, out, err = call(
        *("drill", "make", "--fault", "seat_nicked", "--seed", 4, "--out", drill),
    )
    assert code == 0, err
    text = drill.read_text("utf-8")
    for telling in ("seat", "nick", "severity"):
        assert telling not in text + out
    assert answer_of(read_drill(drill)).faults == ("seat_nicked:1",)
    code, out, err = call("drill", "run", drill, "--out", run, "--picture", picture)
    assert code == 0, err
    assert "seat" not in out
    assert not re.search(r"\d (s|min)\b|rig time", out + err)  # its length tells
    # nor does it stand in the file that the trainee is handed
    whole = run.read_bytes()
    assert not [word for word in (b"nicked", b"severity", b"faults") if word in whole]
    truth = truth_of(read_sealed(run))
    assert truth is not None
    assert dict(truth["faults"]) == {"seat_nicked": 1.0}
    assert "seat" not in read_sealed(run).header.id
    assert picture.read_text("utf-8").startswith(
        "<?xml"
    ) or "<svg" in picture.read_text("utf-8")
    # what the traces can't tell apart is as right as the fault itself
    found = scored(
        call,
        drill,
        run,
        "--verdict",
        "fail",
        "--cause",
        "seat_debris",
        "--out",
        tmp_path / "s.json",
    )
    assert points(found)["verdict"] == points(found)["cause"] == 2.0
    assert (found["fault"], found["severity"]) == ("seat_nicked", 1.0)
    _, out, _ = call("drill", "score", drill, run, "--by", "A", "--cause", "none")
    assert "What was wrong: The seat or its disc is nicked." in out
    assert "look the same for" in out
    # the run of one drill is none of another's
    other = tmp_path / "other.toml"
    call("drill", "make", "--fault", "seat_nicked", "--seed", 4, "--out", other)
    code, _, err = call("drill", "score", other, run, "--by", "A")
    assert (code, "is not of this drill" in err) == (2, True)


@pytest.mark.parametrize("difficulty", DIFFICULTIES)
def test_what_is_drawn_shows_and_is_as_bad_as_said(difficulty: str) -> None:
    least, most = DIFFICULTIES[difficulty]
    shown = {entry.id for entry in revealed_by("low-pressure")}
    seen: set[str] = set()
    healthy = 0
    for seed in range(400):
        faults = drawn("low-pressure", difficulty, seed)
        assert faults == drawn("low-pressure", difficulty, seed)
        healthy += not faults
        for fault in faults:
            id, _, severity = fault.partition(":")
            assert least <= float(severity) <= most
            seen.add(id)
    assert seen == shown
    assert 30 < healthy < 95
    with pytest.raises(InputError, match="drill_nothing_to_draw"):
        drawn("low-pressure", difficulty, 1, fits=())


def test_what_can_be_no_drill(call: Call, tmp_path: Path) -> None:
    out = tmp_path / "d.toml"

    def refused(*words: object) -> str:
        code, _, err = call("drill", "make", *words, "--out", out)
        assert code == 2
        assert not out.exists()
        return err

    assert "says what is wrong" in refused("--of", NICKED)
    assert "No fault is called" in refused("--fault", "seat_nickd")
    assert "severity 0 is none" in refused("--fault", "zero_drift:0")
    assert "severity 0 is none" in refused(
        *("--fault", "seat_nicked:0.5", "--fault", "zero_drift:0.0")
    )
    assert "exclude one another" in refused(
        "--fault", "seat_nicked", "--difficulty", "fair"
    )
    assert "can be drawn" in refused(
        "--family", "cylinder-1", "--difficulty", "plain", "--plan", "cylinder-flow"
    )
    assert "second-stage" in refused("--family", "third-stage")
    real = tmp_path / "real.h5"
    shutil.copy(ROOT / "sample_runs" / "expected.json", real)
    refused("--of", real)


def test_a_fault_of_no_severity_is_none() -> None:
    # as drills may hold that were made before it was refused
    assert worst_of(DrillAnswer(faults=("zero_drift:0",)), {}) == (HEALTHY, 0.0)
    two = DrillAnswer(faults=("zero_drift:0", "seat_nicked:0.2"))
    assert worst_of(two, {}) == ("seat_nicked", 0.2)


def test_what_was_true_is_read_folded_or_plain() -> None:
    run = read_sealed(GOOD)
    assert run.truth is not None
    assert truth_of(run) == run.truth  # as runs have it that were made before
    packed = folded_truth(run.truth)
    assert "findings" not in str(packed)
    assert truth_of(replace(run, truth=packed)) == run.truth
    assert truth_of(replace(run, truth=None)) is None
    for spoilt in ("no such thing", "0" * 20):
        with pytest.raises(IntegrityError, match="run_changed"):
            truth_of(replace(run, truth={"folded": spoilt}))


def test_a_drill_that_was_changed_or_is_newer(
    call: Call, stored: Path, tmp_path: Path
) -> None:
    text = stored.read_text("utf-8")
    changed = tmp_path / "changed.toml"
    changed.write_text(text.replace('by = ""', 'by = "X"'), "utf-8")
    code, _, err = call("drill", "score", changed, GOOD, "--by", "A")
    assert (code, "changed after it was made" in err) == (5, True)
    newer = tmp_path / "newer.toml"
    newer.write_text(text.replace("drill/1", "drill/9"), "utf-8")
    code, _, err = call("drill", "score", newer, GOOD, "--by", "A")
    assert (code, "proofstand.drill/9" in err) == (2, True)
    code, _, err = call("drill", "run", stored, "--out", tmp_path / "r.h5")
    assert (code, "stored run" in err) == (2, True)


@pytest.mark.parametrize(
    ("option", "value", "told"),
    [
        ("--set", "11", "unit"),
        ("--set", "11 in. w.c.", "gauge"),
        ("--set", "11 in. w.c. difference", "gauge"),
        ("--leak", "3 psi gauge", "not a"),
        ("--cause", "gremlin", "No fault is called"),
    ],
)
def test_what_a_trainee_types_wrong_is_told(
    call: Call, stored: Path, option: str, value: str, told: str
) -> None:
    code, _, err = call("drill", "score", stored, GOOD, "--by", "A", option, value)
    assert (code, told in err) == (2, True), err


def test_a_class_sheet_counts_first_tries(
    call: Call, stored: Path, tmp_path: Path
) -> None:
    base = scored(call, stored, GOOD, *said(RIGHT))

    def score(name: str, trainee: str, when: str, **more: Any) -> Path:
        path = tmp_path / f"{name}.json"
        items = json.loads(json.dumps(base["items"]))
        if more:
            items[-1] |= {"called": more["called"], "points": 0.0}
        total = sum(item["points"] for item in items)
        document = {**base, "trainee": trainee, "when": when, "items": items}
        path.write_text(json.dumps({**document, "points": total}), "utf-8")
        return path

    files = [
        score("b", "Bo", "2026-11-02T10:00:00Z"),
        score("a2", "Al", "2026-11-03T10:00:00Z"),
        score("a1", "Al", "2026-11-02T10:00:00Z", called="zero_drift"),
        stored,
    ]
    table = tmp_path / "class.csv"
    code, out, _ = call("drill", "sheet", *files, "--answers", "--out", table, "--json")
    assert code == 0
    found = json.loads(out)
    lines = {t["trainee"]: t for t in found["trainees"]}
    assert [*lines] == ["Al", "Bo"]
    assert (lines["Al"]["drills"], lines["Al"]["causes_right"]) == (1, 0)
    assert lines["Al"]["mixed_up"] == [
        {"fault": HEALTHY, "called": "zero_drift", "count": 1}
    ]
    assert lines["Bo"]["causes_right"] == 1
    assert len(found["unread"]) == 1
    rows = list(csv.DictReader(table.read_text("utf-8").splitlines()))
    assert [row["done before"] for row in rows] == ["no", "yes", "no"]
    assert {row["fault"] for row in rows} == {HEALTHY}
    _, out, _ = call("drill", "sheet", *files, "--answers")
    assert "took none for zero_drift" in out
    assert "what was wrong: none" in out
    # unasked it names no fault: who reads it may have the drill still to do
    points_only = tmp_path / "points.csv"
    _, out, _ = call("drill", "sheet", *files, "--out", points_only)
    assert "took" not in out
    assert "zero_drift" not in out + points_only.read_text("utf-8")
    assert "fault" not in points_only.read_text("utf-8")
    _, found, _ = call("drill", "sheet", *files, "--json")
    assert "zero_drift" not in found
    assert {each["fault"] for each in json.loads(found)["scores"]} == {None}
    assert "done before, not counted" in out
    assert "Left out" in out
    assert set(CATALOGUE) >= {"zero_drift"}
