"""How one finding leans on another.

The rig's leak is a gate, a seat passes only where the outlet was shown tight, a zero
that moved makes everything doubtful, and what was done later ends what was found.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from records.errors import Reason
from records.judgement import (
    ResolvedLimit,
)
from records.measure import std_cm3_min
from records.plan import Plan

from .decision import Decision, resolve_limit
from .found import FAILS, SEAT, Found, against, limit_of
from .interstage import ROLE as BETWEEN
from .marks import Performance, Skipped
from .readings import Readings
from .validity import When, ends_validity, facts_of, same_quantity

_LEVELS = (
    *("set_pressure", "lockup_pressure", "lockup_highest"),
    *("relief_opening", "relief_reseat"),
)
GATE_SHARE = 0.1  # of the tightest leak limit


def linked(found: list[Found], readings: Readings, plan: Plan) -> list[Found]:
    """Return the estimates with what other findings say of them."""
    found = _gated(found, readings)
    found = _tight(found)
    moved = [f for f in found if _outside(f, "closing_zero_change", readings, found)]
    if moved:
        roles = ", ".join(f.estimate.channel for f in moved)
        why = Reason.of("zero_moved", channel=roles)
        found = [
            f
            if f.estimate.id == "zero_offset"
            else f.with_estimate(f.estimate.but(trouble=[why]))
            for f in found
        ]
    for f in list(found):
        if _outside(f, "zero_offset", readings, found):
            why = Reason.of("zero_not_established", channel=f.estimate.channel)
            found = [
                g.with_estimate(g.estimate.but(trouble=[why]))
                if g.estimate.id in _LEVELS and g.estimate.channel == f.estimate.channel
                else g
                for g in found
            ]
    return found


def _outside(
    found: Found, id: str, readings: Readings, all_found: Sequence[Found]
) -> bool:
    if found.estimate.id != id:
        return False
    decision = against(found, readings, all_found)
    return isinstance(decision, Decision) and decision.outcome in FAILS


def _gated(found: list[Found], readings: Readings) -> list[Found]:
    """Return the leak findings, undecided where the rig leaks more than its gate."""
    rig = next((f for f in found if f.estimate.id == "rig_leak"), None)
    why: Reason | None = None
    if rig is None:
        # a leak of the rig can look like one of the regulator, or hide one
        why = Reason.of("rig_leak_unknown")
    else:
        limit = limit_of(rig)
        resolved = None if limit is None else resolve_limit(limit, {})
        estimate = rig.estimate
        if estimate.interval is None or estimate.trouble:
            why = Reason.of("rig_leak_unknown")
        else:
            upper, gate = estimate.interval[1], _gate(found, resolved)
            if gate is not None and upper > gate:
                why = Reason.of(
                    "rig_leak_above_gate",
                    upper_end=f"{std_cm3_min(upper):.3f} std cm3/min",
                    gate=f"{std_cm3_min(gate):.3f} std cm3/min",
                )
    if why is None:
        return found
    leaks = ("external_leak", "seat_leak", "rig_leak")
    return [
        f.with_estimate(f.estimate.but(trouble=[why]))
        if f.estimate.id in leaks and f.estimate.missing is None
        else f
        for f in found
    ]


def _gate(
    found: Sequence[Found], resolved: ResolvedLimit | Reason | None
) -> float | None:
    """Return how much the rig may leak, Pa·m3/s.

    The plan's own limit, and never more than a tenth of its tightest leak limit.
    """
    own = resolved.max if isinstance(resolved, ResolvedLimit) else None
    ends = [own]
    for f in found:
        if f.estimate.id in ("external_leak", "seat_leak"):
            limit = limit_of(f)
            other = None if limit is None else resolve_limit(limit, {})
            if isinstance(other, ResolvedLimit) and other.max is not None:
                ends.append(GATE_SHARE * other.max)
    return min((end for end in ends if end is not None), default=None)


def _tight(found: list[Found]) -> list[Found]:
    """Return the seat findings with the outlet loss that could hide a seat leak."""
    result = []
    for number, f in enumerate(found):
        estimate = f.estimate
        if estimate.id not in SEAT or estimate.value is None:
            result.append(f)
            continue
        later = [
            g.estimate
            for g in found[number:]
            if g.estimate.id == "external_leak" and g.estimate.interval is not None
        ]
        if later and later[-1].interval is not None:
            hidden = max(0.0, later[-1].interval[1])
            if estimate.id == "creep_rate":
                hidden += _taken(f, found)
                side = f"volume_{estimate.channel}"
                volume = dict(later[-1].evidence.model).get(side, 0.0)
                gas_k = dict(later[-1].evidence.model).get("gas_temperature_k", 293.15)
                hidden = hidden / volume * gas_k / 293.15 if volume > 0.0 else 0.0
            estimate = dataclasses.replace(estimate, hidden=hidden)
            if later[-1].trouble or later[-1].doubt:
                untold = Reason.of("outlet_not_shown_tight")
                estimate = estimate.but(doubt=[untold])
        result.append(f.with_estimate(estimate))
    return result


def _taken(creep: Found, found: Sequence[Found]) -> float:
    """Return what a second seat may take from behind the first, Pa·m3/s."""
    if creep.estimate.channel != BETWEEN:
        return 0.0
    seats = [
        f.estimate.interval[1]
        for f in found
        if (f.step_id, f.estimate.id) == (creep.step_id, "seat_leak")
        and f.estimate.channel == "outlet"
        and f.estimate.interval is not None
    ]
    return max([0.0, *seats])


def still_valid(
    found: list[Found],
    readings: Readings,
    plan: Plan,
    done: dict[str, Performance | Skipped],
    ids: Sequence[str] = (),
) -> list[Found]:
    """Return the findings, those undecided that something was done after.

    Where the test went on to find the same again, the later one decides; else it is
    open, and with it the verdict.

    Args:
        found: by every step.
        readings: of the run.
        plan: that the test went by.
        done: what was performed of it.
        ids: only these; all others that one step gives alone where there are none.
    """
    ends: dict[int, When] = {}
    for number, f in enumerate(found):
        performed = done.get(f.step.id)
        if f.estimate.value is None or not isinstance(performed, Performance):
            continue
        window = f.estimate.evidence.window_s
        end = performed.end_s if window is None else min(window[1], performed.end_s)
        ends[number] = When(performed.part, end)
    result = list(found)
    for number, until in ends.items():
        f = found[number]
        id = f.estimate.id
        if (id in ids) != bool(ids):
            continue
        mark = ends_validity(id, f.step, until, readings.run.marks, plan)
        if mark is None:
            continue
        later = [
            found[n]
            for n, when in ends.items()
            if found[n].estimate.id == id
            and found[n].estimate.channel == f.estimate.channel
            and not when.before(mark)
            and same_quantity(f.step, found[n].step)
            and (limit_of(found[n]) is not None or limit_of(f) is None)
        ]
        if later:
            why = Reason.of("found_again", again=later[-1].step_id, **facts_of(mark))
            f = dataclasses.replace(f, step=dataclasses.replace(f.step, required=False))
        else:
            why = Reason.of(f"{mark.kind.value}_since", **facts_of(mark))
        result[number] = f.with_estimate(
            dataclasses.replace(f.estimate, trouble=(why, *f.estimate.trouble))
        )
    return result
