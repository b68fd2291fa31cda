"""What a trace picture shows: lines, the run sheet under them, limits where they apply.

The page draws it whole; the window draws the same marks while they come.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from records.measure import Kind, Unit, to_unit
from records.plan import Bound, Limit, Plan, Step
from records.rig import Channel
from records.run import Mark, MarkKind, Run
from records.trace import FloatArray, Trace

from ..display import reference_word, unit_for

_LEVELS = ("lockup_highest", "lockup_pressure")
_TRACE_ROLES = ("outlet", "inlet", "interstage")


@dataclass(frozen=True, slots=True)
class Span:
    """An attempt at a step under the stretch of trace that it covers.

    Attributes:
        stop_s: None while the step is on.
        done: it was gone through to its end.
        number: that of the step in the plan, 0 where it has none.
    """

    step: str
    start_s: float
    stop_s: float | None
    done: bool = False
    number: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitMark:
    """A limit of the outlet where it applies, SI gauge.

    Attributes:
        low, high: both for a band to be in; one of them for a wall not to cross.
        words: what it says, with its unit in the plan's own words.
    """

    step: str
    low: float | None
    high: float | None
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One trace in the unit that it is shown in.

    Attributes:
        t_s, value: shape (n,); NaN breaks the line where nothing good was read.
        unit: unit with its reference, as shown.
    """

    channel: str
    role: str
    t_s: FloatArray
    value: FloatArray
    unit: str


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TracePicture:
    """Everything that a drawing of one part of a run needs."""

    lines: tuple[Line, ...]
    spans: tuple[Span, ...]
    limits: tuple[LimitMark, ...]
    unit: Unit


def spans_of(marks: Iterable[Mark]) -> tuple[Span, ...]:
    """Return the attempts at steps with their times, in their order.

    One that was given up, or cut off with its part, ends where the next one begins.

    Args:
        marks: of one part, or of more on one time axis.
    """
    spans: list[Span] = []
    for mark in marks:
        on = spans[-1] if spans and spans[-1].stop_s is None else None
        if mark.kind is MarkKind.STEP_BEGIN and mark.step:
            if on is not None:
                spans[-1] = replace(on, stop_s=mark.t_s)
            spans.append(Span(mark.step, mark.t_s, None))
        elif on is None or mark.step != on.step:
            continue
        elif mark.kind is MarkKind.STEP_END:
            done = mark.data.get("how") == "done"
            spans[-1] = replace(on, stop_s=mark.t_s, done=done)
        elif mark.kind is MarkKind.STEP_SKIP:
            spans[-1] = replace(on, stop_s=mark.t_s)
    return tuple(spans)


def step_numbers(plan: Plan) -> dict[str, int]:
    """Return the number of each step, by which table and picture name it."""
    return {step.id: number for number, step in enumerate(plan.steps, 1)}


def _numbered(spans: Iterable[Span], plan: Plan) -> tuple[Span, ...]:
    numbers = step_numbers(plan)
    return tuple(replace(s, number=numbers.get(s.step, 0)) for s in spans)


def limit_marks(plan: Plan) -> tuple[LimitMark, ...]:
    """Return the plan's limits that can be drawn on the outlet's trace.

    A limit that refers to another finding has no place before that finding is there,
    and is told by its bar alone.
    """
    return tuple(
        mark
        for step in plan.steps
        for limit in step.limits
        for mark in _marks(step, limit)
    )


def _marks(step: Step, limit: Limit) -> Iterable[LimitMark]:
    low, high = _fixed(limit.min), _fixed(limit.max)
    if limit.finding == "set_pressure" and low is not None and high is not None:
        low_text = limit.min.typed if limit.min else ""
        high_text = limit.max.typed if limit.max else ""
        words = f"set {_number(low_text)} to {high_text}"
        yield LimitMark(step=step.id, low=low, high=high, words=words)
    elif limit.finding in _LEVELS and high is not None and limit.max is not None:
        words = f"lockup at most {limit.max.typed}"
        yield LimitMark(step=step.id, low=None, high=high, words=words)


def _fixed(bound: Bound | None) -> float | None:
    return None if bound is None or bound.of is not None else bound.quantity.value_si


def _number(typed: str) -> str:
    return typed.split(" ", 1)[0]


def shown_line(trace: Trace, role: str, unit: Unit, reference: str) -> Line:
    """Return a trace in its unit, broken where a sample carries a flag."""
    value = np.where(trace.flags == 0, trace.value, np.nan)
    words = unit.name + (f" {reference}" if reference else "")
    return Line(trace.channel, role, trace.t_s, _in_unit(value, unit), words)


def _in_unit(value_si: FloatArray, unit: Unit) -> FloatArray:
    low, high = to_unit(0.0, unit), to_unit(1.0, unit)
    return np.asarray(low + (high - low) * value_si)


def thinned(line: Line, buckets: int) -> Line:
    """Return a line with at most two points a bucket, lowest and highest kept.

    Args:
        line: any length.
        buckets: how many stretches to keep apart.
    """
    n = line.t_s.size
    if n <= 4 * buckets:
        return line
    edges = np.linspace(0, n, buckets + 1).astype(int)
    starts, stops = edges[:-1, None], edges[1:, None]
    at = starts + np.arange(int((stops - starts).max()))
    value = line.value[np.minimum(at, n - 1)]
    known = (at < stops) & ~np.isnan(value)
    # of a stretch without any value its first place is kept
    lowest = np.argmin(np.where(known, value, np.inf), axis=1)
    highest = np.argmax(np.where(known, value, -np.inf), axis=1)
    pairs = starts + np.sort(np.stack([lowest, highest], axis=1), axis=1)
    once = np.stack([np.ones(buckets, bool), lowest != highest], axis=1)
    index = pairs[once]
    return Line(line.channel, line.role, line.t_s[index], line.value[index], line.unit)


def straightened(
    x: Sequence[float], y: Sequence[float], fine: float
) -> list[tuple[float, float]]:
    """Return the points that a line needs so as to pass within a distance of all.

    Args:
        x: rising.
        y: as many.
        fine: the distance, along y.

    Source:
        E. H. Bristol, Swinging door trending, ISA National Conference 1990.
    """
    kept = [(x[0], y[0])] if x else []
    least, most = -math.inf, math.inf  # slopes that pass all points since the last kept
    for n in range(1, len(x)):
        began, level = kept[-1]
        run = x[n] - began
        slope = (y[n] - level) / run
        if not least <= slope <= most:
            kept.append((x[n - 1], y[n - 1]))
            began, level = kept[-1]
            run = x[n] - began
            least, most = -math.inf, math.inf
        least = max(least, (y[n] - fine - level) / run)
        most = min(most, (y[n] + fine - level) / run)
    if len(x) > 1:
        kept.append((x[-1], y[-1]))
    return kept


def picture_of(run: Run, plan: Plan, part: int = 1) -> TracePicture:
    """Return the picture of a part of a run, its pressures in the plan's units."""
    lines: list[Line] = []
    for channel in _drawn(run):
        unit = unit_for(plan, Kind.PRESSURE, channel.role)
        word = reference_word(channel.reference)
        lines.append(shown_line(run.trace(channel, part), channel.role, unit, word))
    return TracePicture(
        lines=tuple(line for line in lines if line.t_s.size),
        spans=_numbered(spans_of(m for m in run.marks if m.part == part), plan),
        limits=limit_marks(plan),
        unit=unit_for(plan, Kind.PRESSURE, "outlet"),
    )


def _drawn(run: Run) -> Sequence[Channel]:
    pressure = [
        c for c in run.header.rig.channels if c.measure_unit.kind is Kind.PRESSURE
    ]
    known = [c for c in pressure if c.role in _TRACE_ROLES]
    known.sort(key=lambda c: _TRACE_ROLES.index(c.role))
    return known or [c for c in pressure if c.role != "ambient"]
