"""Boundaries moved by hand: a run as it is read then, and what may not be moved.

The record stays as it is. What is judged is the run with other times for the begin and
the end of one reading; the judgement tells it, and who is behind it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from records.boundary import Boundary
from records.errors import InputError
from records.run import Mark, MarkKind, Run
from records.tomlfile import from_json, to_json

# So much of what the plan wants held has to be left: less is another test.
LEAST_SHARE = 0.5
LEAST_S = 5.0
LEAST_MOVE_S = 0.1  # as times are typed
_TIME = re.compile(r"(\d+(?:[.,]\d+)?)|(\d+):([0-5]?\d(?:[.,]\d+)?)")
_ENDS = (MarkKind.STEP_END, MarkKind.STEP_REPEAT)


@dataclass(frozen=True, slots=True)
class _Held:
    """The reading of a step that counts: its marks' places, and its room."""

    begin_at: int
    end_at: int
    begin_s: float
    end_s: float
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """What is to be moved, before it is known where it stood.

    Attributes:
        begin_s, end_s: None leaves that edge where it is.
    """

    step: str
    begin_s: float | None
    end_s: float | None
    by: str
    why: str
    utc_ns: int


def seconds_of(text: str, key: str) -> float:
    """Read a time as ``512.5`` or ``8:32.5``, seconds.

    Args:
        text: as typed.
        key: what is typed, for an error.

    Raises:
        InputError: ``value_wrong``.
    """
    match = _TIME.fullmatch(text.strip())
    if match is None:
        right = (
            "seconds from the start of the part, as 512.5, or minutes and seconds "
            "below 60, as 8:32.5"
        )
        raise InputError("value_wrong", key=key, given=ascii(text), right=right)
    seconds = match[1] or match[3]
    return 60.0 * float(match[2] or 0) + float(seconds.replace(",", "."))


def time_text(seconds: float) -> str:
    """Return a time as :func:`seconds_of` reads it, to a tenth of a second."""
    minutes, left = divmod(round(10.0 * seconds), 600)
    return f"{minutes}:{left / 10.0:04.1f}"


def held_in(run: Run, step: str) -> tuple[float, float] | None:
    """Return from when to when the one reading of a step was, None where it has none.

    Seconds from the start of the step's part.
    """
    if step not in steps_held(run):
        return None
    held = _held(run, step)
    return held.begin_s, held.end_s


def boundary_of(run: Run, moved: Moved, in_force: Iterable[Boundary] = ()) -> Boundary:
    """Return a boundary with where the record has it, if it may be moved.

    Args:
        run: as it was recorded.
        moved: what is to be moved; an edge that is left stays where it is in force.
        in_force: boundaries that the run is read with until now.

    Raises:
        InputError: ``boundary_no_hold``, ``boundary_outside``, ``boundary_short`` or
            ``boundary_unmoved``.
    """
    held = _held(run, moved.step)
    now = (held.begin_s, held.end_s)
    now = next(((b.begin_s, b.end_s) for b in in_force if b.step == moved.step), now)
    begin, end = _edge(moved.begin_s, now[0]), _edge(moved.end_s, now[1])
    if not held.from_s <= begin < end <= held.to_s:
        raise InputError(
            "boundary_outside",
            where=run.id,
            step=moved.step,
            begin=time_text(begin),
            end=time_text(end),
            # what is told may be typed: rounded into the step
            least=time_text(math.ceil(10.0 * held.from_s) / 10.0),
            most=time_text(math.floor(10.0 * held.to_s) / 10.0),
        )
    if (begin, end) == now:
        raise InputError("boundary_unmoved", where=run.id, step=moved.step)
    step = run.header.plan.step(moved.step)
    wanted = 0.0 if step is None or step.hold is None else step.hold.value_si
    least = max(LEAST_S, LEAST_SHARE * min(wanted, held.end_s - held.begin_s))
    if end - begin < least:
        raise InputError(
            "boundary_short",
            where=run.id,
            step=moved.step,
            left=time_text(end - begin),
            least=time_text(math.ceil(10.0 * least) / 10.0),
        )
    return Boundary(
        step=moved.step,
        begin_s=begin,
        end_s=end,
        was_begin_s=held.begin_s,
        was_end_s=held.end_s,
        by=moved.by,
        why=moved.why,
        utc_ns=moved.utc_ns,
    )


def _edge(wanted: float | None, now: float) -> float:
    """Return where an edge is to stand: where it is, if no other time is meant."""
    return now if wanted is None or abs(wanted - now) < LEAST_MOVE_S else wanted


def with_boundaries(run: Run, boundaries: Iterable[Boundary]) -> Run:
    """Return a run as it is read with boundaries that were moved.

    Raises:
        InputError: ``boundary_no_hold``.
    """
    marks, moved = list(run.marks), tuple(boundaries)
    for each in moved:
        held = _held(replace(run, marks=tuple(marks)), each.step)
        for at in _begun_with(marks, held.begin_at):
            marks[at] = replace(marks[at], t_s=each.begin_s)
        marks[held.end_at] = replace(marks[held.end_at], t_s=each.end_s)
    return replace(run, marks=tuple(marks), moved=moved)


def _begun_with(marks: Sequence[Mark], begin_at: int) -> list[int]:
    """Return the places of a hold's begin and of what was seen to begin it."""
    begin = marks[begin_at]
    return [begin_at] + [
        at
        for at, m in enumerate(marks)
        if m.kind is MarkKind.SEEN
        and (m.part, m.step, m.t_s) == (begin.part, begin.step, begin.t_s)
    ]


def _held(run: Run, step: str) -> _Held:
    """Return the one reading of the last time that a step was done.

    Raises:
        InputError: ``boundary_no_hold``: it has none, or several.
    """
    own = [(at, m) for at, m in enumerate(run.marks) if m.step == step]
    begun = [n for n, (_, m) in enumerate(own) if m.kind is MarkKind.STEP_BEGIN]
    last = own[begun[-1] :] if begun else []
    begins = [(at, m) for at, m in last if m.kind is MarkKind.HOLD_BEGIN]
    ends = [(at, m) for at, m in last if m.kind is MarkKind.HOLD_END]
    if len(begins) != 1 or len(ends) != 1:
        steps = ", ".join(steps_held(run)) or "none"
        raise InputError(
            "boundary_no_hold", where=run.id, step=step or "no step", steps=steps
        )
    (begin_at, begin), (end_at, end) = begins[0], ends[0]
    return _Held(
        begin_at,
        end_at,
        begin.t_s,
        end.t_s,
        _room_before(run.marks, begin_at),
        _room_after(run.marks, end, last),
    )


def _room_before(marks: tuple[Mark, ...], begin_at: int) -> float:
    """Return from when on the trace may be read: what was last done comes before it.

    A hold is known to have begun only later, so its step may begin after it.
    """
    begin = marks[begin_at]
    done = [m.t_s for m in marks if m.part == begin.part and m.t_s < begin.t_s]
    return max(done, default=0.0)


def _room_after(
    marks: tuple[Mark, ...], end: Mark, last: list[tuple[int, Mark]]
) -> float:
    """Return until when the step's trace is its own: its end, as marks tell it."""
    over = [m.t_s for _, m in last if m.kind in _ENDS and m.t_s >= end.t_s]
    asked = [
        m.t_s
        for m in marks
        if m.part == end.part and m.kind is MarkKind.ASKED and m.t_s > end.t_s
    ]
    return max(end.t_s, min((*over, *asked), default=end.t_s))


def steps_held(run: Run) -> tuple[str, ...]:
    """Return the steps that have one reading whose edges may be moved."""
    found = []
    for step in run.header.plan.steps:
        begun = [
            n
            for n, m in enumerate(run.marks)
            if m.step == step.id and m.kind is MarkKind.STEP_BEGIN
        ]
        if not begun:
            continue
        kinds = [m.kind for m in run.marks[begun[-1] :] if m.step == step.id]
        if kinds.count(MarkKind.HOLD_BEGIN) == kinds.count(MarkKind.HOLD_END) == 1:
            found.append(step.id)
    return tuple(found)


def boundaries_in(told: Mapping[str, Any] | None) -> tuple[Boundary, ...]:
    """Return the boundaries that a kept judgement was made with.

    Raises:
        InputError: they can't be read.
    """
    if told is None:
        return ()
    return tuple(
        from_json(to_json(each), Boundary) for each in told.get("boundaries", ())
    )
