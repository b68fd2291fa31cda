"""Kept runs judged anew: what would change, and what is kept beside the old."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from analysis.version import ANALYSIS_VERSION
from proofstand.display import as_judged
from proofstand.keeping import rejudge
from proofstand.keeping.boundaries import (
    Moved,
    boundary_of,
    seconds_of,
    steps_held,
    time_text,
    with_boundaries,
)
from proofstand.keeping.checked import check_archive
from proofstand.keeping.keep import add, judgement_item, put_items
from proofstand.signoff.heads import SigningKey
from proofstand.signoff.keys import load_key
from records.archive.chain import Archive
from records.planfile import builtin_plan
from records.run import Run
from records.runfile import read_sealed

from .conftest import SealedRun
from .shop import HAND, LEAD, PINS, SECOND, SIGNER, real
from .shops import Call, call

__all__ = ["call"]

REJUDGE = ("records", "rejudge")


@pytest.fixture(scope="session")
def two(
    sealed_run: SealedRun, bench_key: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Return an archive with a run that passes and one that fails."""
    archive = Archive(tmp_path_factory.mktemp("two") / "archive")
    key = SigningKey(load_key(bench_key))
    for name, faults in (("good", ()), ("stuck", ("stem_friction",))):

        def named(run: Run, name: str = name) -> Run:
            run = real(run)
            job = run.header.job
            regulator = replace(job.regulator, serial=f"SN {name}")
            header = replace(
                run.header, id=f"r-{name}", job=replace(job, regulator=regulator)
            )
            return replace(run, header=header, truth=None)

        path = sealed_run(*faults, key=bench_key, change=named)
        add(archive, [path], key=key, who=SIGNER)
    return archive.folder


@pytest.fixture
def kept(two: Path, tmp_path: Path, shop: Path) -> Archive:
    """Return a copy that a test may change, in a shop with people and their PINs."""
    folder = tmp_path / "archive"
    shutil.copytree(two, folder)
    return Archive(folder)


@pytest.fixture
def by(tmp_path: Path) -> Callable[[str], list[object]]:
    def of(name: str) -> list[object]:
        path = tmp_path / "pin.txt"
        path.write_text(PINS[name], "utf-8")
        return ["--by", name, "--pin-from", path]

    return of


def judgements(archive: Archive, name: str) -> list[Path]:
    return sorted(archive.folder.glob(f"2026/r-{name}/judgement-*.json"))


def judged_before(
    archive: Archive, key: Path, name: str, change: Callable[[dict[str, Any]], None]
) -> Path:
    """Keep a judgement as an earlier version of the analysis had made it."""
    (first,) = judgements(archive, name)
    document = json.loads(first.read_bytes())
    (told,) = document["judgements"]
    told["analysis_version"] = ANALYSIS_VERSION - 1
    change(told)
    data = json.dumps(document).encode()
    run = read_sealed(first.parent / "run.h5")
    made = archive.stage(data, "judgement")
    item = judgement_item(run, data, made)
    put_items(archive, [item], SigningKey(load_key(key)), SIGNER, lambda: 1)
    return judgements(archive, name)[-1]


def failing(told: dict[str, Any]) -> None:
    told["verdict"] = "fail"
    (finding,) = (f for f in told["findings"] if f["id"] == "set_pressure")
    finding["outcome"] = "fail"


def run_option(archive: Archive) -> list[object]:
    return ["--archive", archive.folder, "--json"]


# --- looking -------------------------------------------------------------------------


def test_the_same_version_says_the_same(kept: Archive, call: Call) -> None:
    code, out, _ = call(*REJUDGE, "--all", *run_option(kept))
    assert code == 0
    runs = {run["serial"]: run for run in json.loads(out)["runs"]}
    assert {(s, r["before"], r["after"], r["same"]) for s, r in runs.items()} == {
        ("SN good", "pass", "pass", True),
        ("SN stuck", "fail", "fail", True),
    }
    assert all(run["findings"] == [] for run in runs.values())
    _, said, _ = call(*REJUDGE, "--all", "--archive", kept.folder)
    assert "0 verdicts come out another" in said
    assert "Nothing was written" in said


def test_another_version_of_the_analysis_is_told(
    kept: Archive, bench_key: Path, call: Call
) -> None:
    judged_before(kept, bench_key, "good", failing)
    before = sorted(kept.folder.rglob("*.json"))
    code, out, _ = call(*REJUDGE, "--serial", "SN good", *run_option(kept))
    assert code == 0
    (run,) = json.loads(out)["runs"]
    assert (run["before"], run["after"], run["same"]) == ("fail", "pass", False)
    assert run["kept_version"] == ANALYSIS_VERSION - 1
    assert [(f["id"], f["before"], f["after"]) for f in run["findings"]] == [
        ("set_pressure", "fail", "pass")
    ]
    assert sorted(kept.folder.rglob("*.json")) == before


def test_another_plan_version_and_another_rule_are_looked_at(
    kept: Archive, call: Call, tmp_path: Path
) -> None:
    text = builtin_plan("low-pressure")[1]
    plan = tmp_path / "strict.toml"
    plan.write_text(_tight(text), "utf-8")
    code, out, _ = call(*REJUDGE, "r-good", "--with", plan, *run_option(kept))
    assert code == 0
    (run,) = json.loads(out)["runs"]
    assert (run["before"], run["after"]) == ("pass", "fail")
    assert {f["id"] for f in run["findings"]} == {"lockup_rise"}
    code, out, _ = call(*REJUDGE, "--real", "--rule", "simple", *run_option(kept))
    assert code == 0
    assert len(json.loads(out)["runs"]) == 2
    other = tmp_path / "other.toml"
    other.write_text(builtin_plan("line")[1], "utf-8")
    code, out, _ = call(*REJUDGE, "--all", "--with", other, *run_option(kept))
    assert {t["id"] for t in json.loads(out)["troubles"]} == {"plan_not_a_version"}


def _tight(text: str) -> str:
    """Return the plan with lockup rise limited to 1 % of set, as version 99."""
    assert "15 % of set_pressure" in text
    tight = text.replace("15 % of set_pressure", "1 % of set_pressure")
    head, version, rest = tight.partition("\nversion = ")
    assert version
    return f"{head}{version}99\n{rest.split(chr(10), 1)[1]}"


@pytest.mark.parametrize(
    "options",
    [
        (),
        ("--all", "--rule", "simple", "--keep", "--by", LEAD),
        ("--all", "--by", LEAD),
    ],
)
def test_what_makes_no_sense_is_refused(
    options: tuple[str, ...], kept: Archive, call: Call
) -> None:
    code, out, _ = call(*REJUDGE, *options, *run_option(kept))
    assert (code, json.loads(out)["id"]) == (2, "usage")


def test_a_damaged_run_is_named_and_the_others_are_judged(
    kept: Archive, call: Call
) -> None:
    run = kept.folder / "2026" / "r-good" / "run.h5"
    data = bytearray(run.read_bytes())
    data[len(data) // 2] ^= 1
    run.chmod(0o644)
    run.write_bytes(data)
    code, out, _ = call(*REJUDGE, "--all", *run_option(kept))
    assert code == 5
    told = json.loads(out)
    assert [t["id"] for t in told["troubles"]] == ["run_changed"]
    assert {r["serial"]: r["after"] for r in told["runs"]} == {
        "SN good": None,
        "SN stuck": "fail",
    }


def test_a_run_file_that_is_missing_is_told_as_that(kept: Archive, call: Call) -> None:
    run = kept.folder / "2026" / "r-good" / "run.h5"
    run.unlink()
    moved = (*BOUNDARY, "--step", "creep-hold", "--begin", "8:30", "--why", WHY)
    code, out, _ = call(*moved, "--by", SIGNER, *run_option(kept))
    assert (code, json.loads(out)["id"]) == (5, "archive_file_missing")
    assert json.loads(out)["where"] == str(run)
    code, out, _ = call(*REJUDGE, "r-good", *run_option(kept))
    assert code == 5
    assert [t["id"] for t in json.loads(out)["troubles"]] == ["archive_file_missing"]
    # the judgement alone missing: the same
    (judgement,) = judgements(kept, "stuck")
    judgement.unlink()
    code, out, _ = call(*REJUDGE, "--all", *run_option(kept))
    assert code == 5
    assert [t["id"] for t in json.loads(out)["troubles"]] == [
        "archive_file_missing",
        "archive_file_missing",
    ]


# --- keeping -------------------------------------------------------------------------


def test_a_new_judgement_is_kept_beside_the_old(
    kept: Archive,
    bench_key: Path,
    call: Call,
    tmp_path: Path,
    by: Callable[[str], list[object]],
) -> None:
    plan = tmp_path / "tight.toml"
    plan.write_text(_tight(builtin_plan("low-pressure")[1]), "utf-8")
    (old,) = judgements(kept, "good")
    was = old.read_bytes()
    given = (*REJUDGE, "r-good", "--with", plan, "--keep")
    code, out, _ = call(*given, *by(SIGNER), *run_option(kept))
    assert code == 0
    (run,) = json.loads(out)["runs"]
    _, new = judgements(kept, "good")
    assert run["new"] == str(new)
    assert old.read_bytes() == was
    (told,) = json.loads(new.read_bytes())["judgements"]
    assert (told["verdict"], told["plan"]["version"]) == ("fail", 99)
    assert told["by"] == SIGNER
    entries = {e.path: e for e in kept.entries() if e.path}
    assert told["supersedes"] == entries["2026/r-good/judgement-001.json"].sha256
    assert check_archive(kept, [bench_key]).troubles == ()
    # found by the new one; what was kept is compared by its own plan, which is kept
    _, out, _ = call("records", "find", "--serial", "SN good", *run_option(kept))
    assert json.loads(out)["runs"][0]["verdict"] == "fail"
    _, out, _ = call(*REJUDGE, "r-good", *run_option(kept))
    assert json.loads(out)["runs"][0]["same"]
    # again: nothing more
    assert call(*given, *by(SIGNER), *run_option(kept))[0] == 0
    assert len(judgements(kept, "good")) == 2


def test_a_fail_becomes_a_pass_by_a_second_person_only(
    kept: Archive, bench_key: Path, call: Call, by: Callable[[str], list[object]]
) -> None:
    judged_before(kept, bench_key, "good", failing)
    given = (*REJUDGE, "--all", "--keep")
    code, out, _ = call(*given, *by(SIGNER), *run_option(kept))
    assert code == 6
    refused = {r["serial"]: r["refused"] for r in json.loads(out)["runs"]}
    assert refused["SN good"]["id"] == "role_wanted"
    assert refused["SN stuck"] is None
    assert len(judgements(kept, "good")) == 2
    code, out, _ = call(*given, *by(SIGNER), "--archive", kept.folder)
    assert "NOT kept" in out
    code, out, _ = call(*given, *by(HAND), *run_option(kept))
    assert (code, json.loads(out)["id"]) == (6, "role_wanted")
    code, out, _ = call(*given, *by(SECOND), *run_option(kept))
    assert code == 0
    assert len(judgements(kept, "good")) == 3
    assert check_archive(kept, [bench_key]).troubles == ()


def test_who_recorded_the_run_is_no_second_person(
    kept: Archive,
    bench_key: Path,
    call: Call,
    by: Callable[[str], list[object]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    judged_before(kept, bench_key, "good", failing)

    def recorded_by_the_lead(path: Path) -> Run:
        run = read_sealed(path)
        return replace(run, header=replace(run.header, by=LEAD.upper()))

    monkeypatch.setattr(rejudge, "read_sealed", recorded_by_the_lead)
    given = (*REJUDGE, "r-good", "--keep", *run_option(kept))
    code, out, _ = call(*given, *by(LEAD))
    assert code == 6
    assert json.loads(out)["runs"][0]["refused"]["id"] == "second_person_same"
    assert call(*given, *by(SECOND))[0] == 0


def test_who_is_interrupted_goes_on_where_it_ended(
    kept: Archive,
    bench_key: Path,
    call: Call,
    by: Callable[[str], list[object]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for name in ("good", "stuck"):
        judged_before(kept, bench_key, name, lambda told: None)
    given = (*REJUDGE, "--all", "--keep", *by(SIGNER), *run_option(kept))
    real_keep, calls = rejudge._keep, 0

    def stopping(*a: Any) -> Path:
        nonlocal calls
        calls += 1
        if calls == 2:
            raise KeyboardInterrupt
        return real_keep(*a)

    with monkeypatch.context() as patched:
        patched.setattr(rejudge, "_keep", stopping)
        assert call(*given)[0] == 130
    counts = {name: len(judgements(kept, name)) for name in ("good", "stuck")}
    assert sorted(counts.values()) == [2, 3]
    code, out, _ = call(*given)
    assert code == 0
    assert sum(run["new"] is not None for run in json.loads(out)["runs"]) == 1
    assert check_archive(kept, [bench_key]).troubles == ()


# --- boundaries moved by hand --------------------------------------------------------

BOUNDARY = ("records", "boundary", "r-good")
WHY = "the outlet was touched at first (invented)"


def hold_of(archive: Archive, step: str) -> tuple[float, float]:
    run = read_sealed(archive.folder / "2026" / "r-good" / "run.h5")
    times = [m.t_s for m in run.marks if m.step == step and "hold" in m.kind.value]
    return times[-2], times[-1]


def findings_of(told: dict[str, Any], step: str) -> dict[str, float | None]:
    return {f["id"]: f["value"] for f in told["findings"] if f["step"] == step}


def test_a_boundary_moved_by_hand_is_a_new_judgement_with_its_author(
    kept: Archive, bench_key: Path, call: Call, by: Callable[[str], list[object]]
) -> None:
    begin, end = hold_of(kept, "creep-hold")
    (old,) = judgements(kept, "good")
    was = old.read_bytes()
    given = (*BOUNDARY, "--step", "creep-hold", "--begin", begin + 60.0, "--why", WHY)
    code, out, _ = call(*given, "--by", SIGNER, *run_option(kept))
    assert code == 0
    told = json.loads(out)
    assert {c["id"] for c in told["runs"][0]["findings"]} >= {"creep_rate", "seat_leak"}
    assert judgements(kept, "good") == [old]
    (first,) = json.loads(was)["judgements"]
    found = {(f["step"], f["id"], f["channel"]): f for f in first["findings"]}
    read = {key: as_judged(finding) for key, finding in found.items()}
    shown = {
        change["was"]: read[change["step"], change["id"], change["channel"]]
        for change in told["runs"][0]["findings"]
    }
    assert [was for was, said in shown.items() if was != said.line] == []
    assert any(said.skew and "±" not in said.line for said in shown.values())
    code, out, _ = call(*given, "--keep", *by(SIGNER), *run_option(kept))
    assert code == 0
    _, new = judgements(kept, "good")
    assert old.read_bytes() == was
    document = json.loads(new.read_bytes())
    schema = Path(__file__).parents[2] / "docs" / "schemas" / "judgements-1.json"
    jsonschema.validate(document, json.loads(schema.read_text("utf-8")))
    (judged,) = document["judgements"]
    (moved,) = judged["boundaries"]
    assert (moved["by"], moved["why"]) == (SIGNER, WHY)
    assert (moved["was_begin_s"], moved["was_end_s"]) == (begin, end)
    assert (moved["begin_s"], moved["end_s"]) == (begin + 60.0, end)
    assert judged["by"] == SIGNER
    (warning,) = (w for w in judged["warnings"] if w["id"] == "boundary_moved")
    assert SIGNER in warning["message"]
    assert WHY in warning["message"]
    (before,) = json.loads(was)["judgements"]
    for step in ("lockup-1", "body-hold"):
        assert findings_of(judged, step) == findings_of(before, step)
    assert findings_of(judged, "creep-hold") != findings_of(before, "creep-hold")
    assert check_archive(kept, [bench_key]).troubles == ()
    # who looks at the run is told by whom and why
    _, said, _ = call("records", "show", "r-good", "--archive", kept.folder)
    (line,) = (line for line in said.splitlines() if "moved by hand" in line)
    assert all(each in line for each in (SIGNER, WHY, time_text(begin + 60.0)))
    _, out, _ = call("records", "show", "r-good", *run_option(kept))
    schema = Path(__file__).parents[2] / "docs" / "schemas" / "records-shown-1.json"
    jsonschema.validate(json.loads(out), json.loads(schema.read_text("utf-8")))
    told_of = [f.get("boundaries") for f in json.loads(out)["runs"][0]["files"]]
    assert [each for each in told_of if each] == [judged["boundaries"]]
    # the same again is nothing new; an edge that is not named stays where it was put
    code, out, _ = call(*given, "--keep", *by(SIGNER), *run_option(kept))
    assert (code, json.loads(out)["id"]) == (2, "boundary_unmoved")
    assert len(judgements(kept, "good")) == 2
    other = (*BOUNDARY, "--step", "creep-hold", "--why", WHY, "--by", SIGNER)
    _, out, _ = call(*other, "--end", end - 20.0, *run_option(kept))
    (again,) = json.loads(out)["boundaries"]
    assert (again["begin_s"], again["end_s"]) == (begin + 60.0, end - 20.0)
    assert (again["was_begin_s"], again["was_end_s"]) == (begin, end)
    # and it may go back to where it was recorded, which says what the first one said
    code, out, _ = call(*other, "--begin", begin, *run_option(kept))
    assert code == 0
    (back,) = json.loads(out)["boundaries"]
    assert (back["begin_s"], back["end_s"]) == (begin, end)
    now = {
        (c["step"], c["id"]): c["now"] for c in json.loads(out)["runs"][0]["findings"]
    }
    assert now == {key[:2]: said.line for key, said in read.items() if key[:2] in now}
    # who judges it anew judges what the lead left; another step's joins it
    _, out, _ = call(*REJUDGE, "r-good", *run_option(kept))
    assert json.loads(out)["runs"][0]["same"]
    closed, _ = hold_of(kept, "lockup-1")
    more = (*BOUNDARY, "--step", "lockup-1", "--begin", closed + 2.0, "--why", WHY)
    _, out, _ = call(*more, "--by", SIGNER, *run_option(kept))
    steps = [each["step"] for each in json.loads(out)["boundaries"]]
    assert steps == ["creep-hold", "lockup-1"]
    assert {c["step"] for c in json.loads(out)["runs"][0]["findings"]} == {"lockup-1"}


@pytest.mark.parametrize(
    ("step", "begin", "end", "id"),
    [
        ("creep-hold", None, None, "usage"),
        ("lockup-9", 300.0, None, "boundary_no_hold"),
        ("exercise", 300.0, None, "boundary_no_hold"),
        ("creep-hold", 1.0, None, "boundary_outside"),
        ("creep-hold", None, 1e6, "boundary_outside"),
        ("creep-hold", 500.0, 490.0, "boundary_outside"),
        ("lockup-1", None, None, "boundary_short"),
        ("lockup-1", None, None, "boundary_unmoved"),
        ("creep-hold", "8;30", None, "value_wrong"),
        ("creep-hold", "8:75", None, "value_wrong"),
    ],
)
def test_what_may_not_be_moved_is_refused_in_words(
    kept: Archive,
    call: Call,
    step: str,
    begin: float | str | None,
    end: float | None,
    id: str,
) -> None:
    if id == "boundary_short":
        begin = hold_of(kept, step)[1] - 3.0
    elif id == "boundary_unmoved":
        begin, end = hold_of(kept, step)
    edges = [("--begin", begin), ("--end", end)]
    given = [part for name, at in edges if at is not None for part in (name, at)]
    code, out, _ = call(
        *(*BOUNDARY, "--step", step, *given, "--why", WHY, "--by", SIGNER),
        *run_option(kept),
    )
    assert (code, json.loads(out)["id"]) == (2, id)
    assert len(judgements(kept, "good")) == 1


@pytest.mark.parametrize(
    ("typed", "seconds"),
    [("512.5", 512.5), ("8:32,5", 512.5), ("8:5", 485.0), ("0:59.9", 59.9)],
)
def test_a_time_is_seconds_or_minutes_and_seconds(typed: str, seconds: float) -> None:
    assert seconds_of(typed, "--begin") == pytest.approx(seconds)
    assert seconds_of(time_text(seconds), "--begin") == pytest.approx(seconds)


def test_what_may_not_be_moved_is_told_in_the_times_that_are_typed(
    kept: Archive, call: Call
) -> None:
    begin, end = hold_of(kept, "creep-hold")
    given = (*BOUNDARY, "--step", "creep-hold", "--why", WHY, "--by", SIGNER)
    _, out, _ = call(*given, "--end", end + 900.0, *run_option(kept))
    told = json.loads(out)
    assert f"from {time_text(begin)} to {time_text(end + 900.0)} min" in told["what"]
    most = told["do"].split(" and ")[1].split(" min")[0]
    assert seconds_of(most, "--end") <= end + 0.1
    _, out, _ = call(*given, "--begin", end - 3.0, *run_option(kept))
    assert "only 0:03.0 min" in json.loads(out)["what"]


def test_nobody_moves_a_boundary_also_where_nothing_is_written(
    kept: Archive, call: Call
) -> None:
    given = (*BOUNDARY, "--step", "creep-hold", "--begin", "8:30", "--why", WHY)
    code, out, _ = call(*given, "--by", " ", *run_option(kept))
    assert (code, json.loads(out)["id"]) == (6, "person_wanted")


def test_a_technician_moves_no_boundary_for_good(
    kept: Archive, call: Call, by: Callable[[str], list[object]]
) -> None:
    begin, _ = hold_of(kept, "creep-hold")
    given = (*BOUNDARY, "--step", "creep-hold", "--begin", begin + 30.0, "--why", WHY)
    code, out, _ = call(*given, "--keep", *by(HAND), *run_option(kept))
    assert (code, json.loads(out)["id"]) == (6, "role_wanted")
    assert len(judgements(kept, "good")) == 1


def test_a_moved_boundary_leaves_the_record_as_it_is(kept: Archive) -> None:
    run = read_sealed(kept.folder / "2026" / "r-good" / "run.h5")
    begin, end = hold_of(kept, "lockup-2")
    moved = Moved(
        step="lockup-2", begin_s=begin + 1.0, end_s=None, by=LEAD, why=WHY, utc_ns=1
    )
    read = with_boundaries(run, [boundary_of(run, moved)])
    assert read.samples is run.samples
    changed = [
        (old, new) for old, new in zip(run.marks, read.marks, strict=True) if old != new
    ]
    assert {new.kind.value for _, new in changed} == {"hold_begin", "seen"}
    assert all(replace(new, t_s=old.t_s) == old for old, new in changed)
    assert hold_of(kept, "lockup-2") == (begin, end)
    assert "lockup-2" in steps_held(run)
