"""What failed passes after work on the regulator, never by being tried again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analysis.judge import judge
from analysis.marks import given_up
from proofstand.signoff.asheld import repeats
from records.judgement import Finding, Outcome, Verdict
from records.run import RIG_CAUSE, Mark, MarkKind, Run

from .led import LOCKUP, led
from .test_led_orders import HIGHEST

BY = "P. Quill"
STEP = "lockup-1"


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> tuple[Run, Run]:
    """One that fails its lockup, and one that passes it, by the same plan."""
    bad, good = (
        led(tmp_path_factory.mktemp(name), LOCKUP + HIGHEST, *faults)
        for name, faults in (("bad", ("stem_friction",)), ("good", ()))
    )
    assert highest(bad).outcome is Outcome.FAIL
    assert highest(good).outcome is Outcome.PASS
    return bad, good


def highest(run: Run) -> Finding:
    return next(f for f in judge(run).findings if f.id == "lockup_highest")


def tried_again(
    first: Run, then: Run, by: str = BY, why: str = "bumped it", rig: bool = False
) -> Run:
    """Return a run whose first hold was given up near its end, and done again."""
    begin = next(
        m for m in first.marks if m.step == STEP and m.kind is MarkKind.HOLD_BEGIN
    )
    given_up_s = begin.t_s + 14.0
    before = [m for m in first.marks if m.t_s < given_up_s]
    again = Mark(
        part=1,
        t_s=given_up_s,
        kind=MarkKind.STEP_REPEAT,
        step=STEP,
        data={"why": why, **({RIG_CAUSE: "yes"} if rig else {})},
        by=by,
    )
    from_here = next(
        i
        for i, m in enumerate(then.marks)
        if m.step == STEP and m.kind is MarkKind.STEP_BEGIN
    )
    after = [replace(m, part=2) for m in then.marks[from_here:]]
    second = {(2, id): samples for (_, id), samples in then.samples.items()}
    return replace(
        then,
        parts=(first.parts[0], replace(then.parts[0], number=2)),
        samples={**first.samples, **second},
        marks=(*before, again, *after),
    )


def test_a_fail_is_not_tried_away(runs: tuple[Run, Run]) -> None:
    found = tried_again(*runs)
    finding, alone = highest(found), highest(runs[0])
    assert finding.outcome is Outcome.FAIL
    assert finding.why[0].id == "worst_repeat_stands"
    assert dict(finding.why[0].facts) == {"step": STEP, "attempt": "1", "attempts": "2"}
    assert finding.measured is not None
    assert alone.measured is not None
    assert finding.measured.value == pytest.approx(alone.measured.value, rel=0.01)
    assert judge(found).verdict is Verdict.FAIL
    assert "stands where it failed" in repeats(found, found.header.plan)[0]


def test_an_interruption_tries_nothing_away_either(runs: tuple[Run, Run]) -> None:
    found = tried_again(*runs, by="recorder", why="interrupted")
    assert highest(found).outcome is Outcome.FAIL


def test_what_passed_before_changes_nothing(runs: tuple[Run, Run]) -> None:
    bad, good = runs
    assert highest(tried_again(good, bad)).why == highest(bad).why
    found = highest(tried_again(good, good))
    assert found.outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("by", "rig"), [("trace", False), (BY, True)], ids=["spoilt", "rig"]
)
def test_what_was_spoilt_or_the_rig_s_fault_is_void(
    runs: tuple[Run, Run], by: str, rig: bool
) -> None:
    found = tried_again(*runs, by=by, why="hose came off", rig=rig)
    assert highest(found).outcome is Outcome.PASS
    assert "is void" in repeats(found, found.header.plan)[0]


@pytest.mark.parametrize("kind", [MarkKind.ADJUSTED, MarkKind.OPENED])
def test_work_on_the_regulator_ends_what_failed(
    runs: tuple[Run, Run], kind: MarkKind
) -> None:
    found = tried_again(*runs)
    number = next(
        i for i, m in enumerate(found.marks) if m.kind is MarkKind.STEP_REPEAT
    )
    t_s = found.marks[number].t_s
    data = {"act": "stem cleaned", "declared": "yes"}
    work = Mark(part=1, t_s=t_s, kind=kind, step=STEP, data=data, by=BY)
    marks = (*found.marks[: number + 1], work, *found.marks[number + 1 :])
    assert highest(replace(found, marks=marks)).outcome is Outcome.PASS


def test_the_attempt_that_is_on_is_not_given_up(runs: tuple[Run, Run]) -> None:
    bad = runs[0]
    until = next(
        m.t_s for m in bad.marks if m.step == STEP and m.kind is MarkKind.HOLD_BEGIN
    )
    cut = replace(bad, marks=tuple(m for m in bad.marks if m.t_s <= until))
    assert given_up(cut, cut.header.plan) == ()
    assert given_up(bad, bad.header.plan) == ()


def test_a_plan_s_repeats_each_count_for_themselves(tmp_path: Path) -> None:
    twice = (LOCKUP + HIGHEST) + (LOCKUP + HIGHEST).replace(STEP, "lockup-2")
    found = judge(led(tmp_path, twice, "stem_friction")).findings
    failed = [f.step for f in found if f.outcome is Outcome.FAIL]
    assert failed == [STEP, "lockup-2"]
