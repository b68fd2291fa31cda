"""An estimate at its step, and how it stands against the limit that is its own."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

from records.errors import Reason
from records.judgement import (
    FINDINGS,
    Outcome,
)
from records.plan import ZERO_UNCERTAINTY, Limit, Plan, Step

from .decision import Decision, decide, resolve_limit
from .estimate import Estimate
from .interstage import ROLE as BETWEEN
from .readings import Readings

GAUGES = ("inlet", "outlet")
STAGES = ("outlet", BETWEEN)  # what each stage's findings are read on
SEAT = ("seat_leak", "creep_rate")
ACROSS = ("supply_pressure_effect", "repeatability")  # of several steps together
FAILS = (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)


@dataclass(frozen=True, slots=True)
class Found:
    """An estimate with the step it belongs to; ``step_id`` names a hold found."""

    step: Step
    step_id: str
    estimate: Estimate

    def with_estimate(self, estimate: Estimate) -> Found:
        """Return the same with another estimate."""
        return dataclasses.replace(self, estimate=estimate)


def limit_of(found: Found) -> Limit | None:
    """Return the limit that its step states for an estimate."""
    return next((x for x in found.step.limits if meets(x, found.estimate)), None)


def channel_of(limit: Limit) -> str:
    """Return the role of the channel that a limit is of."""
    return limit.channel or FINDINGS[limit.finding].channel


def meets(limit: Limit, estimate: Estimate) -> bool:
    """Tell whether a limit is of an estimate."""
    if limit.finding != estimate.id:
        return False
    if limit.channel is None and FINDINGS[limit.finding].channel in STAGES:
        # of two stages a limit that names no channel is the last one's
        return estimate.channel != BETWEEN
    return limit.channel in (None, estimate.channel)


def references(
    found: Found, readings: Readings, all_found: Sequence[Found]
) -> dict[str, tuple[float, float]]:
    """Return what a limit may refer to: earlier findings, the zero's uncertainty."""
    references: dict[str, tuple[float, float]] = {}
    here = found.estimate.channel
    for f in all_found:
        if f.step_id == found.step_id:
            break
        there = f.estimate.channel
        if there != here and {there, here} <= set(STAGES):
            continue  # a stage is held against its own findings
        if f.estimate.value is not None:
            references[f.estimate.id] = (f.estimate.value, f.estimate.u)
    channel = readings.channel(found.estimate.channel)
    if channel is not None and channel.calibration is not None:
        references[ZERO_UNCERTAINTY] = (2.0 * channel.calibration.u_offset(), 0.0)
    return references


def against(
    found: Found,
    readings: Readings,
    all_found: Sequence[Found],
    plan: Plan | None = None,
    interval: tuple[float, float] | None = None,
) -> Decision | Reason | None:
    """Return how an estimate stands against its limit; None without a limit."""
    limit = limit_of(found)
    estimate = found.estimate
    interval = estimate.interval if interval is None else interval
    if limit is None or estimate.value is None or interval is None:
        return None
    resolved = resolve_limit(limit, references(found, readings, all_found))
    if isinstance(resolved, Reason):
        return resolved
    rule, risk = ("guarded", None) if plan is None else plan.rule_for(limit)
    return decide(estimate.value, interval, resolved, rule, estimate.dof, risk)


def once(reasons: Sequence[Reason]) -> tuple[Reason, ...]:
    """Return the reasons, each once, in their order."""
    return tuple(dict.fromkeys(reasons))
