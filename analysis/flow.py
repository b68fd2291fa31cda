"""Droop, hysteresis, coefficients and classes: only where the flow was known.

Coefficients as of ISO 2503, accuracy and lockup classes as of EN 334, all from memory:
they are values found on one unit. The classes' ends are the plan's own list.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from records.errors import Reason
from records.gas.facts import GASES
from records.judgement import BudgetLine, Evidence
from records.measure import UNITS, Kind, Quantity, to_unit
from records.plan import ClassLists, Plan
from records.rig import Channel

from .estimate import Estimate, estimated, not_measured
from .events import shut_off
from .marks import Performance
from .orifice import orifice_flow
from .readings import (
    Readings,
    absolute_offset,
    calibration_lines,
    resolution,
    resolution_line,
)
from .steady import robust_level
from .surroundings import barometer, gas_temperature
from .sweep import (
    At,
    Level,
    branches,
    difference_lines,
    evidence_of_levels,
    hysteresis,
    inlet_held,
    interpolated,
    second_means,
    step_levels,
)

CLOSED_S = 60.0  # after the flow was stopped, when p4 is read
_HALF_S = 1.0
FLOW_BAND = 0.05  # relative: as near the flow has to come to that of a definition
_STOPS = ("close_bleed",)
_TIE = 1e-9
_IDS = ("droop", "hysteresis", "closure_coefficient", "accuracy_class", "lockup_class")


def known_flow(
    readings: Readings, done: Performance, number: int, outlet: Level, test_gas: str
) -> tuple[float, float] | Reason:
    """Return the flow of a sweep's reading and its standard uncertainty.

    From the flow channel, or else from the calibrated orifice that the mark names, the
    outlet's pressure before it and the air behind it.

    Args:
        readings: of the run.
        done: the sweep.
        number: of the reading.
        outlet: the outlet over it.
        test_gas: what flowed.

    Returns:
        Pa·m3/s at 293.15 K.
    """
    point = done.points[number]
    span = (point.start_s, point.stop_s)
    meter = readings.channel("flow")
    if meter is not None and meter.measure_unit.kind is Kind.LEAK:
        held = readings.stretch(meter, done.part, *span)
        if held.t_s.size >= 8 and held.trouble is None:
            level = robust_level(held.t_s, held.value, resolution(meter))
            lines = calibration_lines(meter, level.mean, difference=False)
            known = [line.u * line.sensitivity for line in lines]
            return level.mean, math.hypot(level.u, resolution(meter) / 12**0.5, *known)
        return held.trouble or Reason.of("flow_unknown")
    orifice = readings.rig.orifice(point.orifice)
    gas = GASES.get(" ".join(test_gas.lower().split()))
    channel = readings.channel("outlet")
    if orifice is None or gas is None or channel is None:
        return Reason.of("flow_unknown")
    air = barometer(readings, done.part, *span)
    warm = gas_temperature(readings, done.part, *span)
    lines = calibration_lines(channel, outlet.outlet, difference=False)
    u = math.hypot(outlet.u, *(line.u * line.sensitivity for line in lines))
    found = orifice_flow(
        orifice,
        gas,
        (
            outlet.outlet + absolute_offset(channel, air.level),
            math.hypot(u, air.u_level),
        ),
        (air.level, air.u_level),
        (warm.level, warm.u_level),
    )
    return found.flow, found.u


@dataclass(frozen=True, slots=True)
class _Sweep:
    """A flow sweep as it was found."""

    done: Performance
    outlet: Channel
    points: tuple[At, ...]
    set_flow: Quantity
    rated_flow: Quantity
    trouble: tuple[Reason, ...]

    @property
    def rising(self) -> list[At]:
        span = max(p.x for p in self.points) - min(p.x for p in self.points)
        up = [b for way, b in branches(self.points, 0.02 * span) if way > 0]
        return max(up, key=len, default=[])

    def at(self, flow: float) -> tuple[float, float] | None:
        """Return the outlet at a flow, increasing; a reading near its end counts."""
        found = interpolated(self.rising, flow)
        if found is not None:
            return found
        near = [p for p in self.rising if abs(p.x - flow) <= FLOW_BAND * abs(flow)]
        if not near:
            return None
        nearest = min(near, key=lambda p: abs(p.x - flow))
        slope = self._slope() * math.hypot(nearest.u_x, nearest.x - flow)
        return nearest.level.outlet, math.hypot(nearest.level.u, slope)

    def _slope(self) -> float:
        a, b = self.rising[0], self.rising[-1]
        return abs(b.level.outlet - a.level.outlet) / max(abs(b.x - a.x), 1e-30)


def flow_sweep(
    readings: Readings, outlet: Channel, done: Performance, plan: Plan, test_gas: str
) -> list[Estimate]:
    """Return droop, hysteresis, coefficients and classes of a flow sweep."""

    def none(why: Reason) -> list[Estimate]:
        return [not_measured(id, outlet.role, why) for id in _IDS]

    step = done.step
    levels = step_levels(readings, outlet, done, _STOPS)
    if len(levels) < 2:
        return none(Reason.of("points_too_few", found=len(levels), needed=2))
    points: list[At] = []
    for number, level in levels:
        flow = known_flow(readings, done, number, level, test_gas)
        if isinstance(flow, Reason):
            return none(flow)
        points.append(At(*flow, level))
    low = step.set_flow or min(step.flows, key=lambda q: q.value_si)
    high = step.rated_flow or max(step.flows, key=lambda q: q.value_si)
    held = [*inlet_held([p.level for p in points], step)]
    trouble = (*held, *(t for p in points for t in p.level.trouble))
    sweep = _Sweep(done, outlet, tuple(points), low, high, trouble)
    before = sweep.at(low.value_si)
    under = sweep.at(high.value_si)
    if before is None or under is None:
        wanted = high if under is None else low
        why = _not_reached(wanted, points)
        return [
            not_measured("droop", outlet.role, why),
            hysteresis(points, outlet).but(trouble=held),
            *(not_measured(id, outlet.role, why) for id in _IDS[2:]),
        ]
    after = _after_closing(readings, outlet, done)
    return [
        _droop(sweep, before, under),
        hysteresis(points, outlet).but(trouble=held),
        _closure(sweep, after),
        _accuracy(sweep, before, plan.classes),
        _lockup_class(sweep, before, after, plan.classes),
    ]


def _shown(flow_si: float, like: Quantity) -> str:
    """Return a flow in the unit that another was typed in."""
    name = like.typed.split(" ", 1)[-1].strip()
    unit = UNITS.get(name, UNITS["std cm3/min"])
    return f"{to_unit(flow_si, unit):.4g} {unit.name}"


def _not_reached(wanted: Quantity, points: Sequence[At]) -> Reason:
    found = ", ".join(_shown(p.x, wanted) for p in points)
    return Reason.of("flow_not_reached", wanted=wanted.typed, found=found)


def _moved(levels: Sequence[Level]) -> BudgetLine:
    return BudgetLine(source="definition", u=max(x.u_definition for x in levels))


def _dof(levels: Sequence[Level]) -> float:
    return min(each.dof for each in levels)


def _droop(
    sweep: _Sweep, before: tuple[float, float], under: tuple[float, float]
) -> Estimate:
    levels = [p.level for p in sweep.points]
    fall = before[0] - under[0]
    lines = [
        BudgetLine(
            source=name,
            u=u,
            sensitivity=sign,
            value=value,
            dof=_dof(levels),
            type="A",
        )
        for name, (value, u), sign in (
            ("at_set_flow", before, 1.0),
            ("at_rated_flow", under, -1.0),
        )
    ]
    lines += [_moved(levels), *difference_lines(sweep.outlet, fall)]
    model = [
        ("set_flow", sweep.set_flow.value_si),
        ("rated_flow", sweep.rated_flow.value_si),
        ("outlet_at_set_flow", before[0]),
        ("outlet_at_rated_flow", under[0]),
    ]
    return estimated(
        "droop",
        sweep.outlet.role,
        fall,
        lines,
        evidence_of_levels(levels, model),
        trouble=sweep.trouble,
    )


@dataclass(frozen=True, slots=True)
class _After:
    """The outlet 60 s after its flow was stopped."""

    pressure: float
    u: float
    dof: float
    t50_s: float
    trouble: tuple[Reason, ...]


def _after_closing(
    readings: Readings, outlet: Channel, done: Performance
) -> _After | Reason:
    """Return p4, or that the trace does not show it."""
    unseen = Reason.of("closure_not_seen", needed_s=f"{CLOSED_S:.0f}")
    held = [point for point in done.points if point.act in _STOPS]
    asked = done.asked_at(_STOPS[0])
    if not held or asked is None:
        return unseen
    stop = held[-1].stop_s
    trace = readings.trace(outlet, done.part)
    found = shut_off(trace, asked - 4.0, min(stop, held[-1].start_s + CLOSED_S))
    if found is None:
        return unseen
    at = found.t50_s + CLOSED_S
    if stop < at + 0.5 * _HALF_S:
        return unseen
    window = readings.stretch(outlet, done.part, at - _HALF_S, min(stop, at + _HALF_S))
    if window.t_s.size < 8:
        return window.trouble or unseen
    level = robust_level(window.t_s, window.value, resolution(outlet))
    return _After(
        level.mean,
        level.u,
        level.dof,
        found.t50_s,
        (window.trouble,) if window.trouble else (),
    )


def _closure(sweep: _Sweep, after: _After | Reason) -> Estimate:
    """Return R = (p4 - p2) / p2; its gain cancels, its zero only above the line."""
    id, role = "closure_coefficient", sweep.outlet.role
    if isinstance(after, Reason):
        return not_measured(id, role, after)
    last = sweep.points[-1]
    wanted = sweep.rated_flow
    if abs(last.x - wanted.value_si) > FLOW_BAND * wanted.value_si:
        return not_measured(id, role, _not_reached(wanted, [last]))
    p2, p4 = last.level.outlet, after.pressure
    if not p2 > 0.0:
        return not_measured(id, role, Reason.of("closure_not_seen", needed_s="60"))
    lines = _relative_lines(sweep.outlet, p4, p2)
    lines += [
        BudgetLine(
            source="noise_closed",
            u=after.u,
            sensitivity=1.0 / p2,
            value=p4,
            dof=after.dof,
            type="A",
        ),
        BudgetLine(
            source="noise_flowing",
            u=last.level.u,
            sensitivity=-p4 / p2**2,
            value=p2,
            dof=last.level.dof,
            type="A",
        ),
        dataclasses.replace(_moved([last.level]), sensitivity=-p4 / p2**2),
    ]
    model = [("p2", p2), ("p4", p4), ("flow", last.x), ("shut_off_s", after.t50_s)]
    return estimated(
        id,
        role,
        (p4 - p2) / p2,
        lines,
        evidence_of_levels([last.level], model),
        trouble=(*sweep.trouble, *after.trouble),
    )


def _relative_lines(channel: Channel, top: float, base: float) -> list[BudgetLine]:
    """Return what calibration adds to (top - base) / base of one transducer."""
    lines = difference_lines(channel, top - base, 1.0 / base)
    # a gain multiplies both and cancels; a zero moves the base alone
    lines = [line for line in lines if line.source != "calibration_gain"]
    bare = calibration_lines(channel, base, difference=False)
    lines += [
        dataclasses.replace(line, sensitivity=-(top - base) / base**2)
        for line in bare
        if line.source == "calibration_offset"
    ]
    return lines


def _against_set(
    sweep: _Sweep, top: float, before: tuple[float, float]
) -> tuple[float, list[BudgetLine]]:
    """Return (p - set) / set and its calibration's lines.

    The set pressure is the plan's target where it states one, else what was found at
    the set flow: the target has no uncertainty, and then the transducer's zero and gain
    count in full.
    """
    target = sweep.done.step.target
    if target is None:
        lines = _relative_lines(sweep.outlet, top, before[0])
        lines.append(
            BudgetLine(
                source="set_pressure",
                u=before[1],
                sensitivity=-top / before[0] ** 2,
                value=before[0],
                type="A",
                dof=_dof([p.level for p in sweep.points]),
            )
        )
        return (top - before[0]) / before[0], lines
    base = target.value_si
    lines = [
        dataclasses.replace(line, sensitivity=line.sensitivity / base)
        for line in calibration_lines(sweep.outlet, top, difference=False)
    ]
    return (top - base) / base, [*lines, resolution_line(sweep.outlet, 1.0 / base)]


def class_of(
    share: float, set_pa: float, ends: Sequence[Quantity], floor: Quantity | None
) -> Quantity | None:
    """Return the end of the narrowest class that holds a share; a tie is inside.

    Args:
        share: deviation over set pressure, either sign.
        set_pa: set pressure, gauge.
        ends: of the classes, rising.
        floor: no class is narrower.
    """
    least = 0.0 if floor is None or set_pa <= 0.0 else floor.value_si / set_pa
    for end in ends:
        if abs(share) <= max(end.value_si, least) * (1.0 + _TIE):
            return end
    return None


def _classed(
    made: Estimate,
    name: str,
    set_pa: float,
    ends: Sequence[Quantity],
    lists: ClassLists | None,
) -> Estimate:
    """Return a value with the class that the plan's list gives it, as a note."""
    if lists is None or not ends or made.value is None or made.interval is None:
        notes = [Reason.of("class_list_missing")]
    else:
        floor = lists.floor
        found = class_of(made.value, set_pa, ends, floor)
        if found is None:
            widest = ends[-1].typed
            notes = [Reason.of("class_beyond_list", end=widest, source=lists.source)]
        else:
            end = f"{found.value_si / UNITS['%'].factor:g}"
            notes = [
                Reason.of("class_by_list", name=name, end=end, source=lists.source)
            ]
            worst = max(made.interval, key=abs)
            reached = class_of(worst, set_pa, ends, floor)
            if reached is None or reached.value_si > found.value_si:
                notes.append(Reason.of("class_uncertain"))
    evidence = made.evidence
    return dataclasses.replace(
        made,
        evidence=dataclasses.replace(evidence, notes=(*evidence.notes, *notes)),
    )


def _set_of(sweep: _Sweep, before: tuple[float, float]) -> float:
    target = sweep.done.step.target
    return before[0] if target is None else target.value_si


def _accuracy(
    sweep: _Sweep, before: tuple[float, float], lists: ClassLists | None
) -> Estimate:
    low = sweep.set_flow.value_si * (1.0 - FLOW_BAND)
    high = sweep.rated_flow.value_si * (1.0 + FLOW_BAND)
    inside = [p for p in sweep.points if low <= p.x <= high] or list(sweep.points)
    base = _set_of(sweep, before)
    worst = max(inside, key=lambda p: abs(p.level.outlet - base)).level
    value, lines = _against_set(sweep, worst.outlet, before)
    lines += [
        BudgetLine(
            source="noise",
            u=worst.u,
            sensitivity=1.0 / base,
            value=worst.outlet,
            dof=worst.dof,
            type="A",
        ),
        dataclasses.replace(_moved([worst]), sensitivity=1.0 / base),
    ]
    levels = [p.level for p in inside]
    model = [
        ("set", base),
        ("furthest", worst.outlet),
        ("readings", float(len(inside))),
    ]
    made = estimated(
        "accuracy_class",
        sweep.outlet.role,
        value,
        lines,
        evidence_of_levels(levels, model),
        trouble=sweep.trouble,
    )
    return _classed(made, "AC", base, () if lists is None else lists.accuracy, lists)


def _lockup_class(
    sweep: _Sweep,
    before: tuple[float, float],
    after: _After | Reason,
    lists: ClassLists | None,
) -> Estimate:
    id, role = "lockup_class", sweep.outlet.role
    if isinstance(after, Reason):
        return not_measured(id, role, after)
    base = _set_of(sweep, before)
    value, lines = _against_set(sweep, after.pressure, before)
    lines.append(
        BudgetLine(
            source="noise_closed",
            u=after.u,
            sensitivity=1.0 / base,
            value=after.pressure,
            dof=after.dof,
            type="A",
        )
    )
    at = after.t50_s + CLOSED_S
    evidence = Evidence(
        part=sweep.done.part,
        window_s=(at - _HALF_S, at + _HALF_S),
        used=len(sweep.points),
        model=(("set", base), ("lockup", after.pressure)),
    )
    made = estimated(
        id,
        role,
        value,
        lines,
        evidence,
        trouble=(*sweep.trouble, *after.trouble),
    )
    return _classed(made, "SG", base, () if lists is None else lists.lockup, lists)


def irregularity(
    readings: Readings, outlet: Channel, done: Performance, test_gas: str
) -> Estimate:
    """Return i = (p5 - p2) / p2 of an inlet that falls at the rated flow.

    p5 is the highest or lowest mean over one second, whichever lies further from p2.
    The lowest inlet has to be the definition's, 2 p2 + 1 bar (from memory).
    """
    id, role, rated = "irregularity_coefficient", outlet.role, done.step.rated_flow
    if rated is None:
        return not_measured(id, role, Reason.of("flow_unknown"))
    levels = step_levels(readings, outlet, done)
    span = [level.inlet for _, level in levels]
    if len(levels) < 2:
        return not_measured(
            id, role, Reason.of("points_too_few", found=len(levels), needed=2)
        )
    lowest = int(np.argmin(span))
    falling = levels[: lowest + 1]
    if lowest == 0:
        return not_measured(id, role, Reason.of("one_branch_only"))
    points: list[At] = []
    for number, level in falling:
        flow = known_flow(readings, done, number, level, test_gas)
        if isinstance(flow, Reason):
            return not_measured(id, role, flow)
        points.append(At(*flow, level))
    if any(abs(p.x - rated.value_si) > FLOW_BAND * rated.value_si for p in points):
        return not_measured(id, role, _not_reached(rated, points))
    first, last = points[0].level, points[-1].level
    p2 = first.outlet
    wanted = 2.0 * p2 + 1e5
    if abs(last.inlet - wanted) > FLOW_BAND * wanted:
        return not_measured(
            id,
            role,
            Reason.of(
                "inlet_not_as_defined",
                wanted=f"{wanted / 1e5:.3g} bar gauge",
                found=f"{last.inlet / 1e5:.3g} bar gauge",
            ),
        )
    held = readings.stretch(outlet, done.part, first.window_s[0], last.window_s[1])
    means = second_means(held.t_s, held.value)
    p5 = float(means[int(np.argmax(np.abs(means - p2)))])
    lines = [
        *_relative_lines(outlet, p5, p2),
        BudgetLine(
            source="noise",
            u=max(first.u, last.u),
            sensitivity=1.0 / p2,
            value=p5,
            dof=min(first.dof, last.dof),
            type="A",
        ),
        BudgetLine(
            source="noise_first",
            u=first.u,
            sensitivity=-p5 / p2**2,
            value=p2,
            dof=first.dof,
            type="A",
        ),
    ]
    model = [("p2", p2), ("p5", p5), ("inlet_lowest", last.inlet)]
    trouble = [t for p in points for t in p.level.trouble]
    return estimated(
        id,
        role,
        (p5 - p2) / p2,
        lines,
        evidence_of_levels([p.level for p in points], model),
        trouble=[*trouble, *((held.trouble,) if held.trouble else ())],
    )
