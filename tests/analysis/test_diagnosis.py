"""Causes as found, where nothing limits the creep: what carried it over a limit."""

from __future__ import annotations

import pytest

from analysis.diagnosis import suspects
from records.errors import Reason
from records.judgement import FINDINGS, Finding, Outcome, ResolvedLimit
from records.measure import Measured

INCH = 248.84
MOST = 12.65
SEAT = ("seat_debris", "seat_nicked", "seat_worn")
STEM = ("stem_friction", "seat_worn")


def found(id: str, step: str, inches: float, *, limited: bool = False) -> Finding:
    kind, value, u = FINDINGS[id], inches * INCH, 2.0
    fails = limited and inches > MOST
    return Finding(
        id=id,
        step=step,
        channel="outlet",
        measured=Measured(value, u, kind.kind, kind.reference),
        interval=(value - 2.0 * u, value + 2.0 * u),
        limit=ResolvedLimit(min=None, max=MOST * INCH, source="x") if limited else None,
        outcome=Outcome.FAIL if fails else Outcome.NO_LIMIT,
        why=(Reason.of("outside_limit"),) if fails else (),
    )


def as_found(first: float, level: float, crept: float) -> list[Finding]:
    """Return a first closing, a closing after a flow, and a hold that crept, inches."""
    return [
        found("lockup_highest", "as-received", first, limited=True),
        found("lockup_highest", "flow-closed", level + 0.3 * crept, limited=True),
        found("lockup_pressure", "flow-closed", level),
        found("creep_rate", "creep-hold", crept / 180.0),
        found("creep_total", "creep-hold", crept),
        found("lockup_highest", "creep-hold", level + crept, limited=True),
    ]


@pytest.mark.parametrize(
    ("first", "level", "crept", "group"),
    [
        (13.6, 11.9, 5.2, SEAT),  # it crept on in each hold, the earlier ones too
        (12.0, 11.9, 1.5, SEAT),  # only the last hold was long enough
        (13.6, 13.4, 0.1, STEM),  # it locked up too high and stayed there
        (13.6, 13.4, 5.0, STEM),  # beyond the limit before it crept
    ],
)
def test_what_crept_over_the_limit_as_found_is_the_seat(
    first: float, level: float, crept: float, group: tuple[str, ...]
) -> None:
    groups = [s.fault_group for s in suspects(as_found(first, level, crept))]
    assert groups == [group]


def test_a_creep_that_was_not_told_blames_no_seat() -> None:
    told = [f for f in as_found(13.6, 11.9, 5.2) if f.id != "creep_total"]
    assert [s.fault_group for s in suspects(told)] == [STEM]
