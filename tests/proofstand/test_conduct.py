"""How a test was worked by hand: connected under pressure, over-pressure, a stop."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from proofstand.conduct import CONNECTED, STOPPED, Fitted, Remark, remarks_on
from records.run import Mark, MarkKind, Run
from records.runfile import read_sealed

GOOD = Path(__file__).parents[2] / "sample_runs" / "second-stage-good.h5"


@pytest.fixture(scope="module")
def run() -> Run:
    return read_sealed(GOOD)


def middle_of(run: Run, step: str) -> float:
    """Return a moment in a step's hold."""
    return next(
        m.t_s + 5.0
        for m in run.marks
        if m.kind is MarkKind.HOLD_BEGIN and m.step == step
    )


def told(remarks: tuple[Remark, ...]) -> list[tuple[str, str, str]]:
    return [(each.what, each.step, each.channel) for each in remarks]


def test_nothing_is_remarked_where_all_is_at_zero(run: Run) -> None:
    assert remarks_on(run, [Fitted(middle_of(run, "zero"), "blank")]) == ()
    assert remarks_on(run, []) == ()
    assert remarks_on(run, [Fitted(0.0, "regulator")]) == ()


def test_each_side_that_shows_pressure_is_remarked(run: Run) -> None:
    found = remarks_on(run, [Fitted(middle_of(run, "set"), "regulator")])
    assert sorted(told(found)) == [
        (CONNECTED, "set", "inlet"),
        (CONNECTED, "set", "outlet"),
    ]
    assert {each.fitted for each in found} == {"regulator"}
    read = {each.channel: each.value for each in found}
    # the plan's own: 10 psi gauge at the inlet, 11 in. w.c. gauge at the outlet
    assert read["inlet"] == pytest.approx(10.0 * 6894.757, rel=0.05)
    assert read["outlet"] == pytest.approx(11.0 * 248.84, rel=0.05)


def test_over_pressure_and_a_stop_are_remarked_in_time(run: Run) -> None:
    over = {"trouble": "over_pressure", "channel": "outlet", "value": "9000"}
    made = [
        Mark(part=1, t_s=300.0, kind=MarkKind.TROUBLE, step="set", data=over),
        Mark(part=1, t_s=290.0, kind=MarkKind.ABANDONED, step="set", by="T. Rainee"),
    ]
    marks = tuple(sorted([*run.marks, *made], key=lambda mark: mark.t_s))
    found = remarks_on(replace(run, marks=marks), [])
    assert told(found) == [(STOPPED, "set", ""), ("over_pressure", "set", "outlet")]
    assert dict(found[1].facts)["value"] == "9000"
