"""What the inlet does to the outlet, how well a reading comes back, and hysteresis.

Differences of one transducer: its zero cancels, its gain counts for the difference
alone. The form of its curve is taken as smooth, one wave over the span, so that two
near pressures share most of it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, stdtrit

from records.calibration import TermKind
from records.errors import Reason
from records.jobcard import InletActs
from records.judgement import BudgetLine, Evidence
from records.measure import to_unit
from records.plan import Step
from records.rig import Channel
from records.trace import FloatArray

from .budget import combine
from .estimate import Estimate, estimated, finite, not_measured
from .events import find_events
from .marks import Performance
from .readings import Readings, calibration_lines, resolution, resolution_line
from .steady import robust_level
from .steady_level import STEADY_SHARE, steady_level

SAME_INLET = 0.02  # relative
_LEAST_SPAN = 0.1  # of the highest inlet
_BAND = 0.02
_CLEAR_S, _EARLIER_S = 0.5, 5.0


@dataclass(frozen=True, slots=True)
class Level:
    """Outlet and inlet over one reading, gauge, Pa.

    Attributes:
        outlet, u, dof: mean, its standard uncertainty from noise, degrees of freedom.
        u_definition: what its movement over the reading leaves of what it stands for.
        inlet, u_inlet: the inlet over the same time.
        part, window_s, used, dropped: what it is from.
        trouble: why it is no evidence.
    """

    outlet: float
    u: float
    dof: float
    u_definition: float
    inlet: float
    u_inlet: float
    part: int
    window_s: tuple[float, float]
    used: int = 0
    dropped: int = 0
    trouble: tuple[Reason, ...] = ()


def read_level(
    readings: Readings, outlet: Channel, part: int, start_s: float, stop_s: float
) -> Level | Reason:
    """Return outlet and inlet over a reading, or why there is none."""
    inlet = readings.channel("inlet")
    if inlet is None:
        return Reason.of("channel_missing", role="inlet")
    held = readings.stretch(outlet, part, start_s, stop_s)
    supply = readings.stretch(inlet, part, start_s, stop_s)
    for each, channel in ((held, outlet), (supply, inlet)):
        if each.t_s.size < 8:
            return each.trouble or Reason.of(
                "too_few_samples", channel=channel.id, found=each.t_s.size, needed=8
            )
    found = steady_level(outlet, held, 2.0 * STEADY_SHARE)
    level = found.level
    before = robust_level(supply.t_s, supply.value, resolution(inlet))
    trouble = [each.trouble for each in (held, supply) if each.trouble]
    return Level(
        outlet=level.mean,
        u=level.u,
        dof=level.dof,
        u_definition=found.u_definition,
        inlet=before.mean,
        u_inlet=before.u,
        part=part,
        window_s=(start_s, stop_s),
        used=level.used,
        dropped=level.dropped + held.dropped,
        trouble=(*trouble, *found.trouble),
    )


def since_inlet_moved(
    readings: Readings, part: int, start_s: float, stop_s: float
) -> float:
    """Return from when on, between two times, the inlet stood still."""
    inlet = readings.channel("inlet")
    if inlet is None:
        return start_s
    trace = readings.trace(inlet, part).between(start_s - _EARLIER_S, stop_s)
    moves = find_events(trace, 0.0, resolution(inlet))
    return max([start_s, *(move.window_s[1] + _CLEAR_S for move in moves)])


def difference_lines(
    channel: Channel, difference: float, sensitivity: float = 1.0
) -> list[BudgetLine]:
    """Return what calibration and resolution add to a difference of two near readings.

    Args:
        channel: both were read on.
        difference: SI.
        sensitivity: of the finding to the difference.
    """
    record, lines = channel.calibration, []
    span = abs(channel.span[1].value_si - channel.span[0].value_si)
    apart = 2.0 * math.pi * abs(difference) / span if span > 0.0 else math.inf
    shape = min(math.sqrt(2.0), apart)
    for term in () if record is None else record.terms:
        if term.kind is TermKind.OFFSET:
            continue
        times = difference if term.kind is TermKind.GAIN else shape
        lines.append(
            BudgetLine(
                source=f"calibration_{term.kind.value}",
                u=term.u.value_si,
                sensitivity=times * sensitivity,
                dof=term.dof,
            )
        )
    return [
        *lines,
        resolution_line(channel, sensitivity),
        resolution_line(channel, -sensitivity),
    ]


def evidence_of_levels(
    levels: Sequence[Level],
    model: Sequence[tuple[str, float]],
    notes: Sequence[Reason] = (),
) -> Evidence:
    """Return what several readings are from; the window is of the last one's part."""
    part = levels[-1].part
    mine = [each for each in levels if each.part == part]
    return Evidence(
        part=part,
        window_s=(
            min(each.window_s[0] for each in mine),
            max(each.window_s[1] for each in mine),
        ),
        used=sum(each.used for each in levels),
        dropped=sum(each.dropped for each in levels),
        model=tuple(model),
        notes=tuple(notes),
    )


def _pooled(groups: Sequence[Sequence[float]]) -> tuple[float, int]:
    """Return the standard deviation within groups, and its degrees of freedom."""
    dof = sum(len(group) - 1 for group in groups)
    squares = sum(float(np.var(group)) * len(group) for group in groups if group)
    return (math.sqrt(squares / dof), dof) if dof > 0 else (0.0, 0)


def supply_pressure_effect(
    levels: Sequence[Level],
    outlet: Channel,
    inlet: Channel,
    pushed: InletActs | None,
    also: Sequence[tuple[str, float]] = (),
) -> Estimate:
    """Return how the outlet follows the inlet, from readings at two inlets or more.

    Args:
        levels: readings at one small flow.
        outlet: channel.
        inlet: channel.
        pushed: which way the inlet's pressure pushes the seat.
        also: further numbers for ``--why``.
    """
    id = "supply_pressure_effect"
    if not levels:
        needed = Reason.of("points_too_few", found=0, needed=2)
        return not_measured(id, outlet.role, needed)
    top = max(each.inlet for each in levels)
    bottom = min(each.inlet for each in levels)
    if not top - bottom > _LEAST_SPAN * abs(top):
        unit = inlet.measure_unit
        shown = f"{to_unit(top, unit):.4g} {inlet.unit}"
        why = Reason.of("one_inlet_only", inlet=shown)
        return not_measured(id, outlet.role, why)
    near = SAME_INLET * abs(top)
    high = [each for each in levels if top - each.inlet <= near]
    low = [each for each in levels if each.inlet - bottom <= near]
    mean = [
        (float(np.mean([x.outlet for x in g])), float(np.mean([x.inlet for x in g])))
        for g in (high, low)
    ]
    rise, fall = mean[1][0] - mean[0][0], mean[1][1] - mean[0][1]
    ratio = rise / fall
    per = 1.0 / fall
    lines = [
        BudgetLine(
            source=f"noise_{name}",
            u=math.hypot(*(x.u for x in group)) / len(group),
            sensitivity=sign * per,
            value=level,
            dof=min(x.dof for x in group),
            type="A",
        )
        for name, group, sign, (level, _) in (
            ("highest_inlet", high, -1.0, mean[0]),
            ("lowest_inlet", low, 1.0, mean[1]),
        )
    ]
    spread, dof = _pooled([[x.outlet for x in g] for g in (high, low)])
    if dof:
        lines.append(
            BudgetLine(
                source="repeats",
                u=spread * math.sqrt(1.0 / len(high) + 1.0 / len(low)),
                sensitivity=per,
                dof=float(dof),
                type="A",
            )
        )
    moved = math.hypot(*(x.u_definition / len(g) for g in (high, low) for x in g))
    lines += [
        BudgetLine(source="definition", u=moved, sensitivity=per),
        *difference_lines(outlet, rise, per),
        BudgetLine(
            source="noise_inlet",
            u=math.hypot(*(x.u_inlet / len(g) for g in (high, low) for x in g)),
            sensitivity=-ratio * per,
            type="A",
            dof=2.0,
        ),
        *(
            BudgetLine(
                source=f"{line.source}_inlet",
                u=line.u,
                sensitivity=-ratio * per * line.sensitivity,
                dof=line.dof,
            )
            for line in calibration_lines(inlet, fall, difference=True)
        ),
    ]
    half = combine(lines).expanded()
    notes = _signs(ratio, (ratio - half, ratio + half), pushed)
    model = [
        ("inlet_highest", mean[0][1]),
        ("inlet_lowest", mean[1][1]),
        ("outlet_at_highest", mean[0][0]),
        ("outlet_at_lowest", mean[1][0]),
        ("readings_at_highest", float(len(high))),
        ("readings_at_lowest", float(len(low))),
        *also,
    ]
    return estimated(
        id,
        outlet.role,
        ratio,
        lines,
        evidence_of_levels(levels, model, notes),
        trouble=[t for each in (*high, *low) for t in each.trouble],
    )


def _signs(
    ratio: float, interval: tuple[float, float], pushed: InletActs | None
) -> list[Reason]:
    if interval[0] <= 0.0 <= interval[1]:
        return [Reason.of("supply_effect_sign_unclear")]
    expected = {"opening": 1.0, "closing": -1.0}.get(pushed or "")
    if expected is None or expected * ratio > 0.0:
        return []
    words = {True: "sinks", False: "rises"}
    return [
        Reason.of(
            "supply_effect_wrong_sign",
            found=words[ratio > 0.0],
            acts="open" if pushed == "opening" else "shut",
            expected={"sinks": "sink", "rises": "rise"}[words[expected > 0.0]],
        )
    ]


def directions(inlets: Sequence[float]) -> list[int]:
    """Return per reading from which side its inlet was reached: 1 rising, -1 falling.

    The first one counts as reached from below; one at the same inlet keeps the side of
    the reading before.
    """
    found: list[int] = []
    for before, now in itertools.pairwise([0.0, *inlets]):
        if abs(now - before) <= SAME_INLET * max(abs(now), abs(before)):
            found.append(found[-1] if found else 1)
        else:
            found.append(1 if now > before else -1)
    return found


@dataclass(frozen=True, slots=True)
class Repeat:
    """One value among its repeats: what was read, at what inlet, its own noise."""

    value: float
    u: float
    inlet: float
    level: Level


def repeatability(
    repeats: Sequence[Repeat], outlet: Channel, inlet: Channel | None
) -> Estimate:
    """Return the standard deviation of readings that came back to the same state.

    The interval is that of a variance from so few normal readings (chi-square), its
    lower end less what the readings' own noise would give. Readings that form the
    largest group of one inlet and one side count; of equal groups the first.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.3.1.
    """
    id = "repeatability"
    groups: list[tuple[int, list[Repeat]]] = []
    sides = directions([each.inlet for each in repeats])
    for side, each in zip(sides, repeats, strict=True):
        for way, group in groups:
            near = SAME_INLET * max(abs(group[0].inlet), abs(each.inlet))
            if way == side and abs(group[0].inlet - each.inlet) <= near:
                group.append(each)
                break
        else:
            groups.append((side, [each]))
    group = max((g for _, g in groups), key=len, default=[])
    n = len(group)
    if n < 2:
        return not_measured(id, outlet.role, Reason.of("never_repeated"))
    values = [each.value for each in group]
    s, dof = float(np.std(values, ddof=1)), n - 1
    noise = math.sqrt(sum(each.u**2 for each in group) / n)
    low = s * math.sqrt(dof / float(chdtri(dof, 0.025)))
    high = s * math.sqrt(dof / float(chdtri(dof, 0.975)))
    low = math.sqrt(max(0.0, low**2 - noise**2))
    lines = (
        BudgetLine(
            source="scatter",
            u=s / math.sqrt(2.0 * dof),
            value=s,
            dof=float(dof),
            type="A",
        ),
        BudgetLine(source="noise", u=noise, type="A", dof=group[0].level.dof),
        resolution_line(outlet),
    )
    floor = math.hypot(noise, lines[2].u)
    shown = "one inlet"
    if inlet is not None:
        mean = float(np.mean([each.inlet for each in group]))
        shown = f"{to_unit(mean, inlet.measure_unit):.4g} {inlet.unit}"
    levels = [each.level for each in group]
    told = evidence_of_levels(
        levels,
        [("readings", float(n)), ("mean", float(np.mean(values)))],
        [Reason.of("repeats_few", n=n, inlet=shown)],
    )
    combined = combine(lines)
    return finite(
        Estimate(
            id=id,
            channel=outlet.role,
            value=s,
            # readings that agree by chance say no more than noise and steps allow
            interval=(low, max(high, 1.96 * floor, s)),
            u=combined.u,
            dof=float(dof),
            lines=lines,
            evidence=told,
            trouble=tuple(t for each in levels for t in each.trouble),
        )
    )


# --- branches -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class At:
    """A reading at an abscissa (inlet pressure or flow), SI, with its uncertainty."""

    x: float
    u_x: float
    level: Level


def branches(points: Sequence[At], near: float) -> list[tuple[int, list[At]]]:
    """Return the rising (1) and falling (-1) stretches of a sweep, turns in both.

    Args:
        points: in the order of the readings.
        near: difference of abscissa that is no move.
    """
    found: list[tuple[int, list[At]]] = []
    for before, now in itertools.pairwise(points):
        if abs(now.x - before.x) <= near:
            continue
        way = 1 if now.x > before.x else -1
        if not found or found[-1][0] != way:
            found.append((way, [before]))
        found[-1][1].append(now)
    return found


def interpolated(branch: Sequence[At], x: float) -> tuple[float, float] | None:
    """Return outlet and its standard uncertainty at an abscissa, by straight lines.

    None outside the branch. Noise of both ends, and the slope times the uncertainty of
    the abscissa.
    """
    ordered = sorted(branch, key=lambda each: each.x)
    for a, b in itertools.pairwise(ordered):
        if a.x <= x <= b.x and b.x > a.x:
            share = (x - a.x) / (b.x - a.x)
            slope = (b.level.outlet - a.level.outlet) / (b.x - a.x)
            u_x = max(a.u_x, b.u_x)
            value = a.level.outlet + slope * (x - a.x)
            u = math.hypot((1.0 - share) * a.level.u, share * b.level.u, slope * u_x)
            return value, u
    return None


def hysteresis(points: Sequence[At], outlet: Channel) -> Estimate:
    """Return the largest difference between rising and falling branch.

    The lower end of the interval allows for the largest of several differences being
    taken (Bonferroni): noise alone gives a largest one that is not zero.
    """
    id = "hysteresis"
    span = max((p.x for p in points), default=0.0) - min(
        (p.x for p in points), default=0.0
    )
    found = branches(points, SAME_INLET * span)
    rising = [b for way, b in found if way > 0]
    falling = [b for way, b in found if way < 0]
    gaps: list[tuple[float, float, float]] = []
    for up, down in itertools.product(rising, falling):
        for here, there in ((up, down), (down, up)):
            for point in here:
                if any(point is each for each in there):
                    continue  # where the sweep turned: one reading, no difference
                other = interpolated(there, point.x)
                if other is not None:
                    size = abs(point.level.outlet - other[0])
                    gaps.append((size, math.hypot(point.level.u, other[1]), point.x))
    if not gaps:
        return not_measured(id, outlet.role, Reason.of("one_branch_only"))
    size, u, at = max(gaps)
    levels = [p.level for p in points]
    moved = math.sqrt(2.0) * max(each.u_definition for each in levels)
    lines = [
        BudgetLine(
            source="noise",
            u=u,
            value=size,
            dof=min(each.dof for each in levels),
            type="A",
        ),
        BudgetLine(source="definition", u=moved),
        *difference_lines(outlet, size),
    ]
    made = estimated(
        id,
        outlet.role,
        size,
        lines,
        evidence_of_levels(levels, [("at", at), ("differences", float(len(gaps)))]),
        trouble=[t for each in levels for t in each.trouble],
    )
    if made.interval is None:
        return made
    dof = 1e6 if made.dof is None else made.dof
    wide = float(stdtrit(dof, 1.0 - 0.025 / len(gaps))) * made.u
    return _with_interval(made, (max(0.0, size - wide), made.interval[1]))


def _with_interval(made: Estimate, interval: tuple[float, float]) -> Estimate:
    return finite(
        Estimate(
            id=made.id,
            channel=made.channel,
            value=made.value,
            interval=interval,
            u=made.u,
            dof=made.dof,
            lines=made.lines,
            evidence=made.evidence,
            trouble=made.trouble,
            doubt=made.doubt,
        )
    )


def inlet_held(levels: Sequence[Level], step: Step) -> list[Reason]:
    """Return that the inlet was not the same at all readings, or nothing."""
    inlets = [each.inlet for each in levels]
    middle = float(np.median(inlets)) if inlets else 0.0
    band = _BAND if step.inlet_band is None else step.inlet_band.value_si
    moved = float(np.ptp(inlets)) if inlets else 0.0
    if moved <= band * abs(middle):
        return []
    share = f"{100.0 * moved / abs(middle):.1f} %" if middle else "all"
    return [Reason.of("inlet_not_steady", moved=share, band=f"{100.0 * band:g} %")]


def step_levels(
    readings: Readings, outlet: Channel, done: Performance, acts: Sequence[str] = ()
) -> list[tuple[int, Level]]:
    """Return the readings of a sweep with their numbers; what is no evidence is not.

    Args:
        readings: of the run.
        outlet: channel.
        done: the sweep.
        acts: readings that followed one of these are left out.
    """
    found = []
    for number, point in enumerate(done.points):
        if point.act in acts:
            continue
        level = read_level(readings, outlet, done.part, point.start_s, point.stop_s)
        if isinstance(level, Level):
            found.append((number, level))
    return found


def inlet_sweep(
    readings: Readings, outlet: Channel, done: Performance, pushed: InletActs | None
) -> list[Estimate]:
    """Return supply-pressure effect and hysteresis of an inlet sweep."""
    inlet = readings.channel("inlet")
    if inlet is None:
        why = Reason.of("channel_missing", role="inlet")
        ids = ("supply_pressure_effect", "hysteresis")
        return [not_measured(id, outlet.role, why) for id in ids]
    levels = [level for _, level in step_levels(readings, outlet, done)]
    points = [At(each.inlet, each.u_inlet, each) for each in levels]
    return [
        supply_pressure_effect(levels, outlet, inlet, pushed),
        hysteresis(points, outlet),
    ]


def second_means(t_s: FloatArray, y: FloatArray) -> FloatArray:
    """Return means over one second each, shape (seconds,)."""
    if t_s.size < 2:
        return y
    number = np.floor(t_s - t_s[0]).astype(np.int64)
    counts = np.bincount(number)
    sums = np.bincount(number, weights=y)
    full = counts > 0.5 * float(np.max(counts))
    return np.asarray(sums[full] / counts[full])
