"""What would have decided a finding whose uncertainty reaches across its limit.

A finding left open by its width says what would close it: a longer hold, another
method, a better transducer, more repeats. It decides nothing and changes no number.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from records.errors import Reason
from records.judgement import ACROSS_IDS, BudgetLine, Outcome, ResolvedLimit

from .budget import coverage_factor, shares
from .early import hold_needed
from .estimate import Estimate

# What is said of one that its width leaves open.
WHAT_DECIDES = frozenset(
    {
        "hold_would_decide",
        "no_hold_would_decide",
        "method_would_decide",
        "transducer_would_decide",
        "reading_would_decide",
        "repeats_would_decide",
        "limit_would_decide",
        "measuring_would_decide",
        "too_near_to_decide",
    }
)
LEAST_SHARE = 0.1  # nearer to its limit than this share of its uncertainty: too near
_TRANSDUCER = ("calibration_", "resolution", "gauge_steps", "conductance")
_REPEATS = ("repeats", "scatter")
_READING = ("noise", "definition", "slope", "levels", "steps", "shut_off")
_REMEDIES = (
    ("transducer_would_decide", _TRANSDUCER),
    ("repeats_would_decide", _REPEATS),
    ("reading_would_decide", _READING),
)
_RULES = 0.5  # share of the variance from which one cause is most of it


def with_what_decides(
    found: Estimate, outcome: Outcome, limit: ResolvedLimit, why: Sequence[Reason]
) -> Estimate:
    """Return the estimate, with what would have decided it where its width did not.

    Args:
        found: the estimate.
        outcome: how it stands against its limit.
        limit: that limit.
        why: reasons of the outcome.
    """
    by_width = any(w.id in ACROSS_IDS for w in why)
    if outcome is not Outcome.INCONCLUSIVE or not by_width or found.trouble:
        return found
    told = what_decides(found, limit)
    notes = (*found.evidence.notes, *told)
    return dataclasses.replace(
        found, evidence=dataclasses.replace(found.evidence, notes=notes)
    )


def what_decides(found: Estimate, limit: ResolvedLimit) -> tuple[Reason, ...]:
    """Return what would have decided a finding that lies across its limit."""
    hold = hold_needed(found, limit)
    if hold is not None and hold.id == "hold_would_decide":
        return (hold,)
    if hold is not None:
        return hold, Reason.of("method_would_decide")
    share = share_needed(found, limit)
    if share < LEAST_SHARE:
        return (Reason.of("too_near_to_decide"),)
    told = f"{100.0 * share:.0f} %"
    return (Reason.of(_remedy(found, limit), share=told),)


def share_needed(found: Estimate, limit: ResolvedLimit) -> float:
    """Return to what share of itself the uncertainty would have to shrink, 0 to 1.

    The value stays where it is: each end of the limit that the interval reaches across
    has to be cleared; where the value lies beyond one end, that one alone.
    """
    assert found.value is not None
    assert found.interval is not None
    k_u = coverage_factor(found.dof) * limit.u
    low, high = found.value - found.interval[0], found.interval[1] - found.value
    ends = (
        (True, limit.max, high, low),
        (False, limit.min, low, high),
    )
    inside: list[float] = []
    for above, end, towards, back in ends:
        if end is None:
            continue
        beyond = found.value > end if above else found.value < end
        half = max(0.0, back if beyond else towards)
        whole = (half * half + k_u * k_u) ** 0.5
        share = abs(end - found.value) / whole if whole > 0.0 else 1.0
        if beyond:
            return min(1.0, share)
        inside.append(share)
    return min(1.0, *inside) if inside else 1.0


def _remedy(found: Estimate, limit: ResolvedLimit) -> str:
    """Return the id of what makes most of the uncertainty smaller."""
    if limit.u > found.u:
        return "limit_would_decide"
    for id, sources in _REMEDIES:
        if _share_of(found.lines, sources) >= _RULES:
            return id
    return "measuring_would_decide"


def _share_of(lines: Sequence[BudgetLine], sources: tuple[str, ...]) -> float:
    """Return what lines of some sources bring, as a share of the variance."""
    each = zip(lines, shares(lines), strict=True)
    return sum(share for line, share in each if line.source.startswith(sources))
