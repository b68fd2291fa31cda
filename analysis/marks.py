"""What was done when: the performance of each step, read from a run's marks."""

from __future__ import annotations

from dataclasses import dataclass, field

from records.plan import Plan, Step
from records.run import Mark, MarkKind, Run


@dataclass(frozen=True, slots=True)
class Point:
    """One reading of a sweep.

    Attributes:
        start_s, stop_s: of the reading, seconds from the part's start.
        aim: what was asked for, as the plan has it, "" where nothing was.
        orifice: id of the orifice that was fitted, "" where none was named.
        act: what was asked for last before the reading.
    """

    start_s: float
    stop_s: float
    aim: str
    orifice: str
    act: str


@dataclass(frozen=True, slots=True)
class Answered:
    """What a person answered, with its unit, when and who."""

    t_s: float
    value: str
    by: str


@dataclass(slots=True)
class _Attempt:
    part: int
    begin_s: float
    asked: list[tuple[str, float]] = field(default_factory=list)
    seen: list[tuple[str, float]] = field(default_factory=list)
    amounts: list[tuple[float, str]] = field(default_factory=list)
    hold_begin: float | None = None
    hold_end: float | None = None
    points: list[Point] = field(default_factory=list)
    answers: list[Answered] = field(default_factory=list)
    confirmed: list[tuple[str, float, str]] = field(default_factory=list)
    aim: str = ""
    orifice: str = ""
    end_s: float | None = None
    how: str = ""


@dataclass(frozen=True, slots=True)
class Performance:
    """One performance of a step that came to an end.

    Attributes:
        step: the plan's step. part: part of the run.
        begin_s, end_s: seconds from the part's start.
        hold: start and stop of the reading or hold, or None.
        how: ``done``, ``over_pressure``, ``timed_out`` or ``ended_early``.
        asked, seen: acts and events with their times, in order.
        attempts: how often the step was begun.
        points: every reading or hold of the step, in order.
        amounts: what marks said was put in, as typed, with their times.
        answers: what persons answered, in order.
        confirmed: acts that persons said were done, when, and who, in order.
    """

    step: Step
    part: int
    begin_s: float
    end_s: float
    hold: tuple[float, float] | None
    how: str
    asked: tuple[tuple[str, float], ...]
    seen: tuple[tuple[str, float], ...]
    attempts: int
    points: tuple[Point, ...] = ()
    amounts: tuple[tuple[float, str], ...] = ()
    answers: tuple[Answered, ...] = ()
    confirmed: tuple[tuple[str, float, str], ...] = ()

    def asked_at(self, act: str) -> float | None:
        """Return when an act was last asked for, or None."""
        return next((t for a, t in reversed(self.asked) if a == act), None)

    def confirmed_at(self, act: str) -> tuple[float, str] | None:
        """Return when a person last said that an act was done, and who, or None."""
        return next(
            ((t, by) for a, t, by in reversed(self.confirmed) if a == act), None
        )

    def seen_at(self, event: str) -> float | None:
        """Return when an event was last seen, or None."""
        return next((t for e, t in reversed(self.seen) if e == event), None)


@dataclass(frozen=True, slots=True)
class Skipped:
    """A step that was not done, and why: ``""`` where nobody said."""

    step: Step
    why: str
    attempts: int


def performances(run: Run, plan: Plan) -> dict[str, Performance | Skipped]:
    """Return per step of a plan its last attempt that came to an end.

    An attempt that was repeated is void. A step never spans parts.
    """
    return {step.id: _last(step, run.marks) for step in plan.steps}


def _last(step: Step, marks: tuple[Mark, ...]) -> Performance | Skipped:
    attempts: list[_Attempt] = []
    skipped: str | None = None
    begun = 0
    for mark in marks:
        if mark.step != step.id:
            continue
        now = attempts[-1] if attempts else None
        if mark.kind is MarkKind.STEP_BEGIN:
            begun += 1
            skipped = None
            attempts.append(_Attempt(mark.part, mark.t_s))
        elif mark.kind is MarkKind.STEP_SKIP:
            skipped = mark.data.get("why", "")
        elif now is None or now.part != mark.part:
            continue
        elif mark.kind is MarkKind.STEP_REPEAT:
            attempts.pop()
        elif mark.kind is MarkKind.ASKED:
            now.asked.append((mark.data.get("act", ""), mark.t_s))
            now.aim = mark.data.get("aim", "")
            now.orifice = mark.data.get("orifice", now.orifice)
        elif mark.kind is MarkKind.SEEN:
            if "amount" in mark.data:
                now.amounts.append((mark.t_s, mark.data["amount"]))
            now.seen.append((mark.data.get("event", ""), mark.t_s))
        elif mark.kind is MarkKind.CONFIRMED:
            now.confirmed.append((mark.data.get("act", ""), mark.t_s, mark.by))
        elif mark.kind is MarkKind.ANSWERED:
            said = mark.data.get("value", "")
            now.answers.append(Answered(mark.t_s, said, mark.by))
        elif mark.kind is MarkKind.HOLD_BEGIN:
            now.hold_begin, now.hold_end = mark.t_s, None
        elif mark.kind is MarkKind.HOLD_END:
            now.hold_end = mark.t_s
            if now.hold_begin is not None and mark.t_s > now.hold_begin:
                act = now.asked[-1][0] if now.asked else ""
                now.points.append(
                    Point(now.hold_begin, mark.t_s, now.aim, now.orifice, act)
                )
        elif mark.kind is MarkKind.STEP_END:
            now.end_s = mark.t_s
            now.how = mark.data.get("how", "done")
    if skipped is not None:
        return Skipped(step, skipped, begun)
    ended = [a for a in attempts if a.end_s is not None]
    if not ended:
        return Skipped(step, "", begun)
    last = ended[-1]
    end = last.begin_s if last.end_s is None else last.end_s
    hold: tuple[float, float] | None = None
    if last.hold_begin is not None:
        stop = end if last.hold_end is None else last.hold_end
        if stop > last.hold_begin:
            hold = (last.hold_begin, stop)
    return Performance(
        step,
        last.part,
        last.begin_s,
        end,
        hold,
        last.how,
        tuple(last.asked),
        tuple(last.seen),
        begun,
        tuple(last.points),
        tuple(last.amounts),
        tuple(last.answers),
        tuple(last.confirmed),
    )
