"""The picture: which stretch, which scale, which limits stand where."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

from proofstand.display import number, unit_for, value_text
from proofstand.drawing.bar import bar_of
from proofstand.drawing.picture import LimitMark, limit_marks, spans_of
from records.judgement import Judgement
from records.measure import Kind, Unit, to_unit
from records.plan import Plan, Step
from records.rig import Channel
from records.run import Mark, MarkKind, Request

from .asking import INLET_ACTS
from .live import TREND_S, Live
from .looking import FOLLOWING, EarlierRun, Looking, cursor_lines
from .scales import clock, pressure_range, time_ticks, time_window
from .screen import Interval, Lane, Picture, Range, StepCell, Zone
from .wording import known, said, step_words

_ROLES = ("outlet", "inlet", "interstage", "bonnet")
# Findings that are a pressure of the trace itself.
_ON_THE_TRACE = ("set_pressure", "lockup_pressure", "lockup_highest")
_OUTLET_LINES = 4
_LANE_LINES = 2
_SHOWS = 0.08  # of the picture's width
_NAMED = 4  # of the steps to come
_GOES_ON = ("creep-hold", "body-hold")  # with the outlet locked up


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where a test stands, as far as the picture needs it.

    Attributes:
        drawn: the channels to draw, the outlet first.
        step, step_s: the step that is on, and when it began.
        hold: start and length of the hold that is on, or None.
        passed: ids of the steps that have begun, or were left out.
        over: nothing more comes; the whole run is shown.
        looking: what a person looks at instead. earlier: the run to lay under it.
        shift_s: by how much that one is moved. lines: what is told of it.
        judgement: the latest, for the intervals beside their limits.
    """

    plan: Plan
    drawn: Sequence[Live]
    marks: Sequence[Mark]
    passed: Collection[str]
    now_s: float
    step: Step | None
    step_s: float
    hold: tuple[float, float] | None
    request: Request | None
    over: bool
    looking: Looking = FOLLOWING
    earlier: EarlierRun | None = None
    shift_s: float = 0.0
    lines: tuple[str, ...] = ()
    judgement: Judgement | None = None


def picture_at(at: Standing) -> Picture | None:
    """Return the picture, or None before there is anything to draw."""
    if not at.drawn or at.now_s <= 0.0:
        return None
    over, looking = at.over, at.looking
    from_s, to_s = looking.window or shown_now(at)
    lines = at.lines
    if looking.cursors is not None:
        drawn = [(d.channel, d.history, _unit(at.plan, d.channel)) for d in at.drawn]
        lines = (*cursor_lines(looking.cursors, drawn), *lines)
    lanes = tuple(_lane(at, live, from_s, to_s) for live in at.drawn)
    return Picture(
        from_s=from_s,
        to_s=to_s,
        now_s=at.now_s,
        whole_s=max(at.now_s, 60.0),
        lanes=lanes,
        steps=_cells(at),
        to_come=_to_come(at),
        whole_words=said("whole_run" if over else "whole_run_on", time=clock(at.now_s)),
        ticks=time_ticks(from_s, to_s),
        over=over and looking.window is None,
        looking=looking.window is not None,
        head=_look_head(at),
        cursors=looking.cursors,
        lines=lines,
        under=at.earlier is not None,
    )


def _look_head(at: Standing) -> str:
    if at.looking.window is None:
        return ""
    return said("look", "head_over" if at.over else "head")


def shown_now(at: Standing) -> tuple[float, float]:
    """Return the stretch that follows the test; of one that is over all of it."""
    if at.over:
        return 0.0, max(at.now_s, 1.0)
    return time_window(at.now_s, at.step_s, at.hold)


def step_at(marks: Sequence[Mark], t_s: float) -> str:
    """Return the step that was on at a time, or ""."""
    on = ""
    for cell in spans_of(marks):
        if cell.start_s <= t_s:
            on = cell.step
    return on


def _worked_on(at: Standing) -> Live:
    """Return the channel on which the hands' work is seen; else the first one."""
    request = at.request
    if request is not None and request.act in INLET_ACTS and not at.over:
        for live in at.drawn:
            if live.channel.role == "inlet":
                return live
    return at.drawn[0]


def _cells(at: Standing) -> tuple[StepCell, ...]:
    return tuple(
        StepCell(s.step, step_words(s.step), s.start_s, s.stop_s, s.done)
        for s in spans_of(at.marks)
    )


def _to_come(at: Standing) -> str:
    plan = at.plan
    if at.over:
        return ""
    left = [s.id for s in plan.steps if s.id not in at.passed]
    if not left:
        return said("last_step")
    steps = ", ".join(step_words(id) for id in left[:_NAMED])
    if len(left) > _NAMED:
        return said("then_more", steps=steps, n=len(left) - _NAMED)
    return said("then", steps=steps)


def _unit(plan: Plan, channel: Channel) -> Unit:
    return unit_for(plan, Kind.PRESSURE, channel.role)


def value_words(plan: Plan, channel: Channel, value_si: float) -> str:
    """Return a reading with its unit and reference, as the plan shows it."""
    return value_text(value_si, Kind.PRESSURE, channel.reference, _unit(plan, channel))


def _lane(at: Standing, live: Live, from_s: float, to_s: float) -> Lane:
    channel, over = live.channel, at.over
    unit = _unit(at.plan, channel)
    large = live is _worked_on(at)
    zones = _zones(at, unit, over) if channel.role == "outlet" else ()
    if channel.role == "inlet" and not over:
        zones = _inlet_aim(at, unit)
    text = value_words(at.plan, channel, 0.0)
    unit_words = text.split(" ", 1)[1]
    now = None if over else live.now(at.now_s)
    value = said("no_reading")
    if over:
        value = ""
    elif now is not None:
        value = value_words(at.plan, channel, now).split(" ", 1)[0]
    return Lane(
        channel=channel.id,
        role=channel.role,
        name=said("role", channel.role) if known("role", channel.role) else channel.id,
        value=value,
        unit=unit_words,
        # beside cursors there is no room for what is told of now
        notes=() if over or at.looking.cursors else _notes(at, live, unit, large),
        factor=unit.factor,
        offset=unit.offset,
        scale=_scale(at, live, unit, zones, from_s, to_s, large),
        zones=zones,
        intervals=_intervals(at, live, unit),
        large=large,
        stale=now is None and not over,
    )


def _intervals(at: Standing, live: Live, unit: Unit) -> tuple[Interval, ...]:
    """Return the findings that are pressures of this channel, where they were read."""
    judgement, channel = at.judgement, live.channel
    if judgement is None:
        return ()
    ends = {
        cell.id: at.now_s if cell.stop_s is None else cell.stop_s for cell in _cells(at)
    }
    found = []
    for finding in judgement.findings:
        measured, interval = finding.measured, finding.interval
        if measured is None or interval is None or finding.limit is None:
            continue
        of_this = finding.channel in (channel.id, channel.role)
        same = (measured.kind, measured.reference) == (Kind.PRESSURE, channel.reference)
        if finding.step in ends and of_this and same and finding.id in _ON_THE_TRACE:
            found.append(
                Interval(
                    at_s=ends[finding.step],
                    low=to_unit(interval[0], unit),
                    high=to_unit(interval[1], unit),
                    state=bar_of(finding, provisional=not at.over).state,
                )
            )
    return tuple(found)


def _notes(at: Standing, live: Live, unit: Unit, large: bool) -> tuple[str, ...]:
    notes = []
    if large and live.highest is not None:
        told = value_words(at.plan, live.channel, live.highest)
        notes.append(said("highest", value=told))
    since = at.now_s - TREND_S
    if at.hold is not None:  # what was before the hold is not its trend
        since = max(since, at.hold[0])
    trend = live.trend(since, at.now_s)
    if trend is None:
        if large:
            notes.append(said("trend_wait"))
        return tuple(notes)
    change = 60.0 * trend / unit.factor
    decimals = 2 if abs(change) < 9.995 else 1
    told = number(change, decimals)
    sign = "" if told.startswith("-") else "+"
    told = f"{sign}{told} {unit.name}".replace("-", "\u2212")
    seconds = f"{at.now_s - since:.0f}"
    notes.append(said("trend", value=told, seconds=seconds))
    return tuple(notes)


def _scale(
    at: Standing,
    live: Live,
    unit: Unit,
    zones: tuple[Zone, ...],
    from_s: float,
    to_s: float,
    large: bool,
) -> Range:
    span_low, span_high = (q.value_si for q in live.channel.span)
    least = (0.01 if large else 0.04) * (span_high - span_low) / unit.factor
    values: list[float] = []
    extent = live.history.extent(from_s, to_s)
    if extent is not None:
        values += [to_unit(v, unit) for v in extent]
    under = None if at.earlier is None else at.earlier.histories.get(live.channel.role)
    if under is not None:
        reach = under.extent(from_s - at.shift_s, to_s - at.shift_s)
        values += [to_unit(v, unit) for v in reach or ()]
    for zone in zones:
        values += _weighty(zone, from_s, to_s)
    if not values:
        values = [0.0]
    lines = _OUTLET_LINES if large else _LANE_LINES
    return pressure_range(min(values), max(values), least, lines)


def _zones(at: Standing, unit: Unit, over: bool) -> tuple[Zone, ...]:
    """Return limits where they apply, when they apply; aims while they are set."""
    plan = at.plan
    cells = {cell.id: cell for cell in _cells(at)}
    holds = _hold_starts(at)
    zones: list[Zone] = []
    limited = set()
    for mark in _limits_of(plan):
        cell = cells.get(mark.step)
        if cell is None or (mark.step, mark.high) in limited:
            continue
        limited.add((mark.step, mark.high))
        wall = mark.low is None or mark.high is None
        start = holds.get(mark.step) if wall else cell.start_s
        if start is None:
            continue
        zones.append(
            Zone(
                low=None if mark.low is None else to_unit(mark.low, unit),
                high=None if mark.high is None else to_unit(mark.high, unit),
                from_s=start,
                to_s=cell.stop_s,
                words=mark.words,
                wall=wall,
            )
        )
    aim = None if over else _outlet_aim(at, unit, limited)
    return (*zones, aim) if aim is not None else tuple(zones)


def _limits_of(plan: Plan) -> tuple[LimitMark, ...]:
    """Return the limits to draw: a lockup's also over the holds that go on from it."""
    marks: dict[str, list[LimitMark]] = {}
    for mark in limit_marks(plan):
        marks.setdefault(mark.step, []).append(mark)
    found: list[LimitMark] = []
    lockup: LimitMark | None = None
    for step in plan.steps:
        own = marks.get(step.id, [])
        walls = [m for m in own if m.low is None]
        lockup = walls[-1] if walls else lockup
        found += own
        if step.kind in _GOES_ON and not walls and lockup is not None:
            found.append(replace(lockup, step=step.id))
    return tuple(found)


def _hold_starts(at: Standing) -> dict[str, float]:
    """Return where each step's last hold begins on its own stretch."""
    begun: dict[str, float] = {}
    starts: dict[str, float] = {}
    for mark in at.marks:
        if mark.kind is MarkKind.STEP_BEGIN:
            begun[mark.step] = mark.t_s
            starts.pop(mark.step, None)  # that of an attempt that was given up
        elif mark.kind is MarkKind.HOLD_BEGIN:
            starts[mark.step] = max(mark.t_s, begun.get(mark.step, mark.t_s))
    return starts


def _outlet_aim(
    at: Standing, unit: Unit, limited: set[tuple[str, float | None]]
) -> Zone | None:
    step, request = at.step, at.request
    if step is None or any(id == step.id for id, _ in limited):
        return None
    if step.kind == "set" and step.target is not None:
        aim, typed = step.target.value_si, step.target.typed
        band = step.band.value_si if step.band is not None else 0.02 * aim
    elif request is not None and request.act == "fill_outlet" and request.aim:
        aim, typed = request.aim.value_si, request.aim.typed
        band = 0.05 * aim
    else:
        return None
    return Zone(
        low=to_unit(aim - band, unit),
        high=to_unit(aim + band, unit),
        from_s=at.step_s,
        to_s=None,
        words=said("aim", aim=typed),
        firm=False,
    )


def _inlet_aim(at: Standing, unit: Unit) -> tuple[Zone, ...]:
    request = at.request
    if request is None or request.aim is None:
        return ()
    if request.act not in INLET_ACTS:
        return ()
    aim = request.aim.value_si
    return (
        Zone(
            low=to_unit(0.98 * aim, unit),
            high=to_unit(1.02 * aim, unit),
            from_s=at.step_s,
            to_s=None,
            words=said("aim", aim=request.aim.typed),
            firm=False,
        ),
    )


def drawn_of(channels: Iterable[Live]) -> tuple[Live, ...]:
    """Return the channels to draw, the outlet first."""
    every = list(channels)
    chosen = [live for live in every if live.channel.role in _ROLES]
    chosen.sort(key=lambda live: _ROLES.index(live.channel.role))
    if not chosen:
        chosen = [live for live in every if live.channel.role != "ambient"]
    return tuple(chosen)


def _weighty(zone: Zone, from_s: float, to_s: float) -> list[float]:
    """Return what of a zone has to be on the scale: nothing where it hardly shows."""
    stop = to_s if zone.to_s is None else zone.to_s
    if min(stop, to_s) - max(zone.from_s, from_s) < _SHOWS * (to_s - from_s):
        return []
    if zone.low is not None and zone.high is not None:
        about = 0.2 * (zone.high - zone.low)
        return [zone.low - about, zone.high + about]
    return [v for v in (zone.low, zone.high) if v is not None]
