"""What was done when: the performance of each step, read from a run's marks."""

from __future__ import annotations

from dataclasses import dataclass, field

from records.plan import Plan, Step
from records.run import RIG_CAUSE, Mark, MarkKind, Run

_REPEATED = "repeated"


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
    number: int
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
    void: bool = False


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


def is_void(repeated: Mark) -> bool:
    """Tell whether what was begun again says nothing: spoilt, or by the rig's fault."""
    return repeated.by == "trace" or RIG_CAUSE in repeated.data


def given_up(run: Run, plan: Plan) -> tuple[tuple[int, Performance], ...]:
    """Return the attempts with a hold that a person or an interruption cut short.

    What such a hold shows stands; only what the trace showed to be spoilt, and what
    the rig was named for, is void.

    Returns:
        Number of the attempt, and what was done in it; ended where it was given up.
    """
    found = []
    for step in plan.steps:
        attempts, _, begun = _attempts(step, run.marks)
        for each in attempts:
            if each.void or (each.end_s is not None and each is attempts[-1]):
                continue
            if each.number == begun and each.end_s is None:
                continue  # the one that was on when the record ended
            end = each.end_s if each.end_s is not None else _end_of_part(each, run)
            done = _performance(step, each, end, begun)
            if done.hold is not None:
                found.append((each.number, done))
    return tuple(found)


def _end_of_part(attempt: _Attempt, run: Run) -> float:
    """Return when the last mark of a part that was cut off was made."""
    return max(m.t_s for m in run.marks if m.part == attempt.part)


def _attempts(
    step: Step, marks: tuple[Mark, ...]
) -> tuple[list[_Attempt], str | None, int]:
    """Return a step's attempts, why it was skipped in the end, how often it began."""
    attempts: list[_Attempt] = []
    skipped: str | None = None
    begun = 0
    for mark in marks:
        now = attempts[-1] if attempts else None
        if mark.step != step.id:
            # a hold that was spoilt is built up again from an earlier step
            again = mark.kind is MarkKind.STEP_REPEAT
            if again and now and now.end_s is None and now.part == mark.part:
                _take(now, mark)
            continue
        if mark.kind is MarkKind.STEP_BEGIN:
            begun += 1
            skipped = None
            attempts.append(_Attempt(begun, mark.part, mark.t_s))
        elif mark.kind is MarkKind.STEP_SKIP:
            skipped = mark.data.get("why", "")
        elif now is None or now.part != mark.part:
            continue
        else:
            _take(now, mark)
    return attempts, skipped, begun


def _take(now: _Attempt, mark: Mark) -> None:
    """Note what a mark says of the attempt that is on."""
    if mark.kind is MarkKind.STEP_REPEAT:
        now.end_s, now.how = mark.t_s, _REPEATED
        now.void = is_void(mark)
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


def _last(step: Step, marks: tuple[Mark, ...]) -> Performance | Skipped:
    attempts, skipped, begun = _attempts(step, marks)
    if skipped is not None:
        return Skipped(step, skipped, begun)
    ended = [a for a in attempts if a.end_s is not None and a.how != _REPEATED]
    if not ended:
        return Skipped(step, "", begun)
    last = ended[-1]
    end = last.begin_s if last.end_s is None else last.end_s
    return _performance(step, last, end, begun)


def _performance(step: Step, done: _Attempt, end: float, begun: int) -> Performance:
    hold: tuple[float, float] | None = None
    if done.hold_begin is not None:
        stop = end if done.hold_end is None else done.hold_end
        if stop > done.hold_begin:
            hold = (done.hold_begin, stop)
    return Performance(
        step,
        done.part,
        done.begin_s,
        end,
        hold,
        done.how,
        tuple(done.asked),
        tuple(done.seen),
        begun,
        tuple(done.points),
        tuple(done.amounts),
        tuple(done.answers),
        tuple(done.confirmed),
    )
