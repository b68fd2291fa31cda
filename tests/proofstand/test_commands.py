"""The command line: exit codes, JSON by its schema, no traceback ever."""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from proofstand.commands.main import main
from proofstand.simulated import PLANS
from records.planfile import builtin_plan
from records.runfile import BLOCK_BYTES

from .conftest import RunOf

ROOT = Path(__file__).parents[2]
SCHEMAS = ROOT / "docs" / "schemas"
Run = Callable[..., tuple[int, str, str]]


def schema(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((SCHEMAS / name).read_text("utf-8"))
    return found


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*arguments: object) -> tuple[int, str, str]:
        code = main([str(a) for a in arguments])
        told = capsys.readouterr()
        assert "Traceback" not in told.out + told.err
        return code, told.out, told.err

    return call


def judged(run: Run, *arguments: object) -> tuple[int, dict[str, Any]]:
    code, out, _ = run("judge", "--json", *arguments)
    document = json.loads(out)
    jsonschema.validate(document, schema("judgements-1.json"))
    for finding in document["judgements"][0]["findings"]:
        assert "?" not in finding["why"] + " ".join(finding["evidence"]["notes"])
    assert "?" not in str(document["judgements"][0]["warnings"])
    return code, document["judgements"][0]


def outcomes(judgement: dict[str, Any]) -> dict[tuple[str, str], str]:
    return {(f["step"], f["id"]): f["outcome"] for f in judgement["findings"]}


def test_a_healthy_regulator_passes(run: Run, run_of: RunOf) -> None:
    code, judgement = judged(run, run_of())
    assert code == 0, judgement["findings"]
    assert judgement["verdict"] == "pass"
    assert judgement["suspects"] == []
    assert "simulated_rig" in {w["id"] for w in judgement["warnings"]}
    ids = {f["id"] for f in judgement["findings"]}
    assert ids >= {
        "zero_offset",
        "rig_leak",
        "set_pressure",
        "lockup_pressure",
        "lockup_highest",
        "lockup_rise",
        "creep_rate",
        "seat_leak",
        "external_leak",
        "closing_zero_change",
    }
    for finding in judgement["findings"]:
        if finding["value"] is not None:
            assert finding["standard_uncertainty"] > 0.0
            low, high = finding["interval"]
            assert low < high
            assert finding["budget"], finding["id"]


@pytest.mark.parametrize(
    ("fault", "by", "group"),
    [
        ("diaphragm_torn", {"external_leak"}, "diaphragm_torn"),
        ("seat_nicked", {"seat_leak", "creep_rate"}, "seat_nicked"),
        ("stem_friction", {"lockup_rise"}, "stem_friction"),
    ],
)
def test_a_faulty_regulator_fails_by_what_the_fault_does(
    run: Run, run_of: RunOf, fault: str, by: set[str], group: str
) -> None:
    code, judgement = judged(run, run_of(fault))
    failed = {f["id"] for f in judgement["findings"] if f["outcome"] == "fail"}
    assert code == 10
    assert judgement["verdict"] == "fail"
    assert failed & by, failed
    groups = [s["fault_group"] for s in judgement["suspects"]]
    assert any(group in g for g in groups), groups
    assert all(0.05 <= s["probability"] <= 1.0 for s in judgement["suspects"])
    assert all(s["look_at"] for s in judgement["suspects"])
    for check in (c for s in judgement["suspects"] for c in s["separate_by"]):
        assert check["do"]
        assert check["caution"]
    code, text, _ = run("judge", run_of(fault))
    assert code == 10
    assert "probability" in text
    assert "to tell apart: " in text


def test_seat_and_outlet_leak_of_the_same_size_do_not_pass(
    run: Run, run_of: RunOf
) -> None:
    # Together they leave the outlet flat: creep alone would look perfect.
    code, judgement = judged(run, run_of("seat_nicked", "outlet_fitting"))
    found = outcomes(judgement)
    assert code != 0
    assert judgement["verdict"] != "pass"
    assert found["creep-hold", "seat_leak"] != "pass"


def test_the_same_seed_gives_the_same_bytes(run: Run, tmp_path: Path) -> None:
    text = builtin_plan("low-pressure")[1]
    head, *steps = re.split(r"(?=^\[\[steps\]\])", text, flags=re.MULTILINE)
    short = re.compile(r'kind = "(zero|vent-down|closing-zero)"')
    plan = tmp_path / "short.toml"
    plan.write_text(head + "".join(filter(short.search, steps)), "utf-8")
    made = [tmp_path / f"{n}.h5" for n in range(2)]
    for out in made:
        code, _, _ = run("simulate", "--seed", 1, "--plan", plan, "--out", out)
        assert code == 0
    assert made[0].read_bytes() == made[1].read_bytes()


@pytest.mark.slow
def test_the_same_seed_gives_the_same_bytes_of_a_whole_test(
    run: Run, run_of: RunOf, tmp_path: Path
) -> None:
    again = tmp_path / "again.h5"
    code, _, _ = run("simulate", "--seed", 1, "--out", again)
    assert code == 0
    assert again.read_bytes() == run_of().read_bytes()


def test_why_lists_model_and_budget(run: Run, run_of: RunOf) -> None:
    code, out, _ = run("judge", run_of(), "--why", "seat_leak")
    assert code == 0
    for word in ("budget", "interval", "samples used", "shop default", "combined"):
        assert word in out
    code, _, err = run("judge", run_of(), "--why", "no_such_finding")
    assert code == 2
    assert "seat_leak" in err


@pytest.mark.parametrize("finding", ["seat_leak", "lockup_rise", "set_pressure"])
def test_why_is_told_as_data_too(run: Run, run_of: RunOf, finding: str) -> None:
    code, out, _ = run("judge", run_of(), "--why", finding, "--json")
    assert code == 0
    document = json.loads(out)
    jsonschema.validate(document, schema("why-1.json"))
    (told,) = document["runs"]
    for found in told["findings"]:
        assert found["finding"] == finding
        rows = found["budget"]
        assert sum(row["share"] for row in rows) == pytest.approx(1.0)
        # what is correlated in these is one zero, twice, with opposite signs
        apart = [row["part"] ** 2 for row in rows if not row["correlated_with"]]
        assert found["u"] == pytest.approx(math.sqrt(sum(apart)))
        assert (found["coverage_factor"] is None) == found["skew"]
        if not found["skew"]:
            low, high = found["interval"]
            assert found["expanded"] == pytest.approx(0.5 * (high - low))
        units = {p["id"]: p["unit"] for p in found["model"]}
        assert all(units.values()), units
        assert all(row["input_unit"] for row in rows)
    code, out, _ = run("judge", run_of(), "--why", "no_such_finding", "--json")
    assert code == 2
    assert "seat_leak" in json.loads(out)["do"]


def test_every_shown_number_carries_its_unit(run: Run, run_of: RunOf) -> None:
    _, out, _ = run("judge", run_of())
    lines = [
        line for line in out.splitlines() if "±" in line and "U (95 %)" not in line
    ]
    assert len(lines) > 10
    units = ("in. w.c.", "psi", "std cm3/min", "in. w.c./min", " s  ", " Hz  ", " %  ")
    assert all(any(u in line for u in units) for line in lines)
    pressures = [x for x in lines if "in. w.c. " in x and "/min" not in x]
    assert all("gauge" in x or "difference" in x for x in pressures)


def test_judging_by_another_plan(run: Run, run_of: RunOf, tmp_path: Path) -> None:
    text = builtin_plan("low-pressure")[1]
    tight = tmp_path / "tight.toml"
    tight.write_text(
        text.replace('max = "15 % of set_pressure"', 'max = "2 % of set_pressure"')
    )
    code, judgement = judged(run, run_of(), "--plan", tight)
    assert code == 10
    assert outcomes(judgement)["lockup-1", "lockup_rise"] == "fail"
    code, _, err = run("judge", run_of(), "--plan", "no-such")
    assert code == 2
    assert "low-pressure" in err


def test_several_runs_take_the_worst_code(
    run: Run, run_of: RunOf, tmp_path: Path
) -> None:
    good, bad = run_of(), run_of("diaphragm_torn")
    assert run("judge", good, bad)[0] == 10
    changed = tmp_path / "changed.h5"
    data = bytearray(good.read_bytes())
    data[BLOCK_BYTES + 5000] ^= 1
    changed.write_bytes(data)
    assert run("judge", good, changed, bad)[0] == 5
    assert run("judge", good, tmp_path / "none.h5")[0] == 2


@pytest.mark.parametrize(
    ("make", "code"),
    [
        (lambda data: b"", 2),
        (lambda data: b"GIF89a" + data[6:300], 2),
        (lambda data: data[:-100], 5),
        (lambda data: data[:5000], 5),
        (lambda data: data[:20_000] + b"\x00" + data[20_001:], 5),
        (lambda data: data + b"more", 5),
    ],
)
@pytest.mark.parametrize("command", ["judge", "verify"])
def test_damaged_and_foreign_run_files(
    run: Run,
    run_of: RunOf,
    tmp_path: Path,
    make: Callable[[bytes], bytes],
    code: int,
    command: str,
) -> None:
    data = run_of().read_bytes()
    path = tmp_path / "x.h5"
    path.write_bytes(make(data))
    got, out, err = run(command, path)
    assert got == code, out + err
    assert str(path) in out + err


def test_verify_says_whether_signed(run: Run, run_of: RunOf) -> None:
    code, out, _ = run("verify", run_of())
    assert code == 0
    assert "unsigned" in out
    assert "SIMULATED RIG" in out
    code, out, _ = run("verify", "--json", run_of())
    assert json.loads(out)["files"][0]["signature"] == "unsigned"


USAGE = [
    ([], "COMMAND"),
    (["jugde"], "judge"),
    (["judge"], "RUN.h5"),
    (["simulate"], "--out"),
    (["record", "--out", "x.h5"], "--rig"),
    (["simulate", "--seed", "x", "--out", "y.h5"], "--seed"),
]


@pytest.mark.parametrize(("arguments", "names"), USAGE)
def test_wrong_usage_is_told(run: Run, arguments: list[str], names: str) -> None:
    code, out, err = run(*arguments)
    assert code == 2
    assert names in out + err


def test_an_error_as_json_follows_its_schema(run: Run, tmp_path: Path) -> None:
    for arguments in (
        ["judge", "--json", tmp_path / "none.h5"],
        ["recover", "--json", tmp_path / "none.journal", "--out", tmp_path / "o.h5"],
        ["import", "--json", tmp_path / "none.csv", "--out", tmp_path / "o.h5"],
        ["rig", "check", "--json", tmp_path / "none.toml"],
        ["plan", "check", "--json", str(tmp_path / "none.toml")],
        ["simulate", "--json", "--fault", "no_such", "--out", tmp_path / "o.h5"],
        ["simulate", "--json", "--fault", "seat_nicked:3", "--out", tmp_path / "o.h5"],
        ["simulate", "--json", "--family", "none", "--out", tmp_path / "o.h5"],
    ):
        code, out, _ = run(*arguments)
        assert code == 2, arguments
        jsonschema.validate(json.loads(out), schema("trouble-1.json"))
    assert not (tmp_path / "o.h5").exists()


def test_an_existing_output_is_never_touched(
    run: Run, run_of: RunOf, tmp_path: Path
) -> None:
    taken = tmp_path / "taken.h5"
    taken.write_text("mine")
    for arguments in (
        ["simulate", "--out", taken],
        ["import", run_of(), "--out", taken],
        ["recover", run_of(), "--out", taken],
        ["record", "--rig", "r.toml", "--job", "j.toml", "--out", taken],
    ):
        code, _, err = run(*arguments)
        assert code == 2
        assert "taken.h5" in err
    assert taken.read_text() == "mine"
    code, _, err = run("simulate", "--out", tmp_path / "no" / "such" / "x.h5")
    assert code == 2
    assert "folder" in err


def test_plans_are_listed_shown_and_checked(run: Run, tmp_path: Path) -> None:
    code, out, _ = run("plan", "list")
    assert code == 0
    assert "low-pressure" in out
    code, out, _ = run("plan", "show", "low-pressure")
    assert code == 0
    assert "does not show" in out
    assert "shop default" in out
    bad = tmp_path / "bad.toml"
    text = builtin_plan("low-pressure")[1]
    bad.write_text(text.replace('hold = "180 s"', 'hodl = "180 s"', 1))
    code, _, err = run("plan", "check", bad)
    line = text[: text.index('hold = "180 s"')].count("\n") + 1
    assert code == 2
    assert f"bad.toml:{line}" in err
    assert "did you mean hold?" in err
    assert err.count("\n") == 1


def test_faults_are_listed(run: Run) -> None:
    code, out, _ = run("simulate", "--list-faults", "--json")
    assert code == 0
    rows = json.loads(out)["faults"]
    assert {"diaphragm_torn", "seat_nicked", "stem_friction"} <= {r["id"] for r in rows}
    assert all(set(r) >= {"id", "group", "plan", "revealed"} for r in rows)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--seed", 2**63), "9223372036854775807"),
        (("--seed", -1), "9223372036854775807"),
        (("--fault", "seat_nicked:1", "--fault", "seat_nicked:0"), "once"),
        (("--fault", "seat_nicked:"), "missing"),
        (("--fault", ""), "(nothing)"),
        (("--family", "cylinder-1", "--fault", "relief_low"), "second-stage"),
    ],
)
def test_what_simulate_refuses(
    run: Run, tmp_path: Path, arguments: tuple[object, ...], says: str
) -> None:
    out = tmp_path / "run.h5"
    code, _, err = run("simulate", *arguments, "--out", out)
    assert code == 2
    assert says in err
    assert list(tmp_path.iterdir()) == []


def test_a_simulation_that_was_killed_does_not_stand_in_the_way(
    run: Run, tmp_path: Path
) -> None:
    text = builtin_plan("low-pressure")[1]
    head, *steps = re.split(r"(?=^\[\[steps\]\])", text, flags=re.MULTILINE)
    short = re.compile(r'kind = "(zero|vent-down|closing-zero)"')
    plan = tmp_path / "short.toml"
    plan.write_text(head + "".join(filter(short.search, steps)), "utf-8")
    out = tmp_path / "run.h5"
    out.with_name(".run.h5.journal").touch()
    assert run("simulate", "--plan", plan, "--out", out)[0] == 0


def test_a_family_that_no_plan_is_for(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delitem(PLANS, "line")
    code, _, err = run("simulate", "--family", "line", "--out", tmp_path / "run.h5")
    assert code == 2
    assert "no plan for the family line" in err
    assert "cylinder-1" in err


@pytest.mark.parametrize("id", ["cylinder", "oxygen"])
def test_a_plan_at_cylinder_pressure_says_what_it_takes(run: Run, id: str) -> None:
    code, out, _ = run("plan", "show", id)
    assert code == 0
    before, _, shown = out.partition("This plan does not show:")
    assert "Before the test:" in before
    assert "bubble tube" in before
    assert "slowly" in before
    assert "external leakage" in shown
    if id == "oxygen":
        assert "cleaned" in before
        assert "cleanliness" in shown


BROKEN = """
import proofstand.signoff.verify as v
def broken(*_): raise RuntimeError("no such state")
v.verify = broken
from proofstand.commands.main import main
raise SystemExit(main(["verify", "x.h5"]))
"""


def test_a_fault_of_our_own_is_one_sentence_and_a_log(own_places: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", BROKEN],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert done.returncode == 70
    assert "Traceback" not in done.stdout + done.stderr
    assert "no such state" in done.stderr
    logs = list(own_places.rglob("*.log"))
    assert len(logs) == 1
    assert str(logs[0]) in done.stderr
    assert "RuntimeError: no such state" in logs[0].read_text()
