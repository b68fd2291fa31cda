"""An inlet valve that is said to be shut and is not: no leak is passed for it."""

from __future__ import annotations

from pathlib import Path

from analysis.judge import judge
from records.judgement import Finding, Outcome
from records.run import MarkKind, Run

from .led import LOCKUP, led

HELD = """
[[steps]]
id = "body-hold"
kind = "body-hold"
soak = "5 s"
hold = "60 s"

[[steps.limits]]
finding = "external_leak"
max = "0.5 std cm3/min"
source = "shop default"
"""


def leak_of(run: Run) -> Finding:
    return next(f for f in judge(run).findings if f.id == "external_leak")


def events(run: Run) -> list[str]:
    return [m.data["event"] for m in run.marks if m.kind is MarkKind.SEEN]


def test_a_shut_inlet_valve_is_shown_by_gas_drawn_off(tmp_path: Path) -> None:
    run = led(tmp_path, LOCKUP + HELD)
    assert "inlet_fell" in events(run)
    assert leak_of(run).outcome is Outcome.PASS


def test_a_valve_that_was_forgotten_is_noticed_and_the_hold_made_again(
    tmp_path: Path,
) -> None:
    forgotten = ("forgets-valve@body-hold",)
    run = led(tmp_path, LOCKUP + HELD, "outlet_fitting", mistakes=forgotten)
    again = [m for m in run.marks if m.kind is MarkKind.STEP_REPEAT]
    assert [(m.step, m.data["why"]) for m in again] == [("lockup-1", "inlet_supplied")]
    assert "inlet_fell" in events(run)
    assert leak_of(run).outcome is Outcome.FAIL
