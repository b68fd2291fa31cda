"""The first of two stages: what the channel between them shows of it.

Both stages flow and lock up by the same valve, so that the first one's findings are
those of the second read one channel further up, at the same moments. Two things differ.
The valve's closing is taken from the outlet. And what the second seat lets through was
let through by the first: without it, a first seat that feeds a second one as leaky
would look tight.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

from records.errors import Reason
from records.jobcard import InletActs, JobCard
from records.judgement import BudgetLine
from records.rig import Channel

from .creep import creep_findings
from .estimate import Estimate, not_measured
from .hunting import hunting_findings
from .lockup import find_shut_off, lockup_findings
from .marks import Performance
from .readings import Readings
from .set_pressure import set_pressure
from .sweep import inlet_sweep
from .volumes import Volumes

ROLE = "interstage"
_SHARED = ("gas_temperature", "gas_temperature_lag", "barometer")
_K_95 = 1.96


def pushed(job: JobCard) -> InletActs | None:
    """Return which way the inlet pushes the first seat; None where no card says."""
    return None if job.upstream is None else job.upstream.regulator.pushed


def held(
    readings: Readings, outlet: Channel, done: Performance, volumes: Volumes | None
) -> list[Estimate]:
    """Return what a creep hold shows of the seat, or of both seats.

    Args:
        readings: the run's channels.
        outlet: the outlet's channel.
        done: the creep hold.
        volumes: those that the run found itself, by role.
    """
    found = creep_findings(readings, outlet, done, volumes)
    between = readings.channel(ROLE)
    if between is None:
        return found
    last = next(e for e in found if e.id == "seat_leak")
    first = creep_findings(readings, between, done, volumes)
    return [*found, *(_fed(e, last) if e.id == "seat_leak" else e for e in first)]


def first_stage(
    readings: Readings, outlet: Channel, done: Performance
) -> list[Estimate]:
    """Return what a setting or a lockup shows of the first stage; nothing of one."""
    between = readings.channel(ROLE)
    if between is None:
        return []
    if done.step.kind == "lockup":
        closed = None if done.hold is None else find_shut_off(readings, outlet, done)
        return lockup_findings(readings, between, done, closed)
    found = [set_pressure(readings, between, done)]
    if done.hold is not None:
        found += hunting_findings(readings, between, done.part, done.hold)
    return found


def swept(readings: Readings, done: Performance, job: JobCard) -> list[Estimate]:
    """Return what an inlet sweep shows of the first stage."""
    between = readings.channel(ROLE)
    if between is None:
        return []
    return inlet_sweep(readings, between, done, pushed(job))


def not_counted(
    readings: Readings, job: JobCard, estimates: Sequence[Estimate]
) -> list[Estimate]:
    """Return a body hold's findings, doubted where gas between two stages is unread."""
    if not job.two_stages or readings.channel(ROLE) is not None:
        return list(estimates)
    why = Reason.of("interstage_not_counted")
    return [e if e.missing is not None else e.but(doubt=[why]) for e in estimates]


def _fed(first: Estimate, last: Estimate) -> Estimate:
    """Return the first seat's leak with what it passed on through the second one.

    Both are of one gas and one air: what its warming and the barometer leave open of
    them goes together, the rest does not.
    """
    if first.value is None or first.interval is None:
        return first
    if last.value is None or last.interval is None:
        why = last.missing or Reason.of("no_volume", role="outlet")
        return not_measured(first.id, first.channel, why, first.evidence)
    value = first.value + last.value
    own, other = _parts(first), _parts(last)
    shared = sum(part * other.get(source, 0.0) for source, part in own.items())

    def together(one: float, two: float) -> float:
        return math.sqrt(max(0.0, one**2 + two**2 + 2.0 * _K_95**2 * shared))

    low = together(first.value - first.interval[0], last.value - last.interval[0])
    high = together(first.interval[1] - first.value, last.interval[1] - last.value)
    line = BudgetLine(
        source="passed_on",
        u=last.u,
        value=last.value,
        correlated=tuple((s, part / last.u) for s, part in other.items() if last.u),
    )
    model = (*first.evidence.model, ("passed_on", last.value))
    return dataclasses.replace(
        first,
        value=value,
        interval=(value - low, value + high),
        u=math.sqrt(max(0.0, first.u**2 + last.u**2 + 2.0 * shared)),
        lines=(*first.lines, line),
        evidence=dataclasses.replace(first.evidence, model=model),
        trouble=tuple(dict.fromkeys((*first.trouble, *last.trouble))),
        doubt=tuple(dict.fromkeys((*first.doubt, *last.doubt))),
    )


def _parts(found: Estimate) -> dict[str, float]:
    """Return what gas and air bring to a finding's uncertainty, with its sign."""
    return {
        line.source: line.u * line.sensitivity
        for line in found.lines
        if line.source in _SHARED
    }
