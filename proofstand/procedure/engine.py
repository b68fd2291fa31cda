"""The engine: samples and answers in, requests and marks out.

It reads no clock, starts no thread and opens no file. Time is sample time; what is
decided depends on the samples and the answers alone, never on how they were cut into
blocks: the engine looks at moments of a fixed grid. Where it stands follows from the
marks it has written.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from analysis.events import EventDetector
from records.errors import InputError, RefusedError
from records.jobcard import JobCard
from records.measure import Kind, Quantity
from records.plan import Plan, Step
from records.rig import Channel, Rig
from records.run import Mark, MarkKind, Request
from records.trace import Trace

from .stages import MOST_ATTEMPTS, Ask, Hold, Seen, Soak, Stage
from .steps import (
    body_hold,
    creep_hold,
    exercise,
    hold,
    lockup,
    pressurise,
    rig_hold,
    setting,
    vent_down,
    zero,
)
from .view import KEEP_S, View, Watched

TICK_S = 0.25

STEP_KINDS: Mapping[str, Callable[[Step, Plan], tuple[Stage, ...]]] = {
    "zero": zero.stages,
    "closing-zero": zero.stages,
    "rig-hold": rig_hold.stages,
    "pressurise": pressurise.stages,
    "set": setting.stages,
    "exercise": exercise.stages,
    "lockup": lockup.stages,
    "creep-hold": creep_hold.stages,
    "body-hold": body_hold.stages,
    "vent-down": vent_down.stages,
    "hold": hold.stages,
}
# After an over-pressure or an abandoned step the gas still has to come off.
_MAKES_SAFE = ("vent-down", "closing-zero")
_GATING = ("inlet", "outlet")
# A pressure channel without a good sample for so long is an alarm.
SILENT_S = 1.0
_PRESSURE_ROLES = ("inlet", "outlet", "interstage", "bonnet")


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """A person says that what a request asked is done."""

    request: str
    by: str


@dataclass(frozen=True, slots=True)
class Skip:
    """A person skips the step that is on, for a reason."""

    reason: str
    by: str


@dataclass(frozen=True, slots=True)
class Repeat:
    """A person wants the step that is on again from its start."""

    reason: str
    by: str


@dataclass(frozen=True, slots=True)
class Abandon:
    """A person ends the test."""

    reason: str
    by: str


Command = Acknowledge | Skip | Repeat | Abandon
Output = Request | Mark


def prepared_plan(plan: Plan, job: JobCard) -> Plan:
    """Return the plan with what it takes from the job card filled in.

    Raises:
        InputError: ``job_target_missing``.
        RefusedError: ``no_purge_statement``, ``pressure_above_rating``.
    """
    if not job.purged:
        raise RefusedError("no_purge_statement", where=job.id)
    rating = job.regulator.nameplate.inlet_max
    steps = []
    for step in plan.steps:
        filled = step
        if (
            rating is not None
            and step.inlet is not None
            and step.kind != "rig-hold"
            and step.inlet.value_si > rating.value_si
        ):
            raise RefusedError(
                "pressure_above_rating",
                where=job.id,
                step=step.id,
                asked=step.inlet.typed,
                rating=rating.typed,
            )
        if step.target_from_job:
            if job.set_pressure is None:
                raise InputError("job_target_missing", where=job.id, step=step.id)
            filled = replace(step, target=job.set_pressure)
        steps.append(filled)
    return replace(plan, steps=tuple(steps))


def needed_roles(plan: Plan) -> tuple[str, ...]:
    """Return the channel roles without which the plan can't be run."""
    regulator = any(s.kind not in ("hold",) for s in plan.steps)
    return ("inlet", "outlet") if regulator else ()


class Engine:
    """Leads one test through its plan.

    Args:
        plan: see :func:`prepared_plan`.
        rig: the rig; its gauge channels are watched by role.
        part: number of the run's part, for the marks.

    Raises:
        InputError: ``rig_channel_missing``: the plan needs a channel the rig lacks.
    """

    def __init__(self, plan: Plan, rig: Rig, part: int = 1) -> None:
        self.plan = plan
        self._part = part
        self._watched: dict[str, Watched] = {}
        for channel in rig.channels:
            if channel.role in self._watched or channel.measure_unit.kind is not (
                Kind.PRESSURE
            ):
                continue
            low, high = (q.value_si for q in channel.span)
            detector = EventDetector(
                channel.id, high - low, channel.resolution.value_si
            )
            self._watched[channel.role] = Watched(channel, detector)
        for role in needed_roles(plan):
            if role not in self._watched:
                raise InputError(
                    "rig_channel_missing", where=rig.id, role=role, rig=rig.id
                )
        _check_overload(plan, self._watched, rig)
        self._by_channel = {w.channel.id: w for w in self._watched.values()}
        self._limits_pa = _lowest_ratings(plan, self._watched)
        self._next_tick = 0.0
        self._now_s = 0.0
        self._step = -1
        self._stage = 0
        self._attempt = 1
        self._stages: tuple[Stage, ...] = ()
        self._since_s = 0.0
        self._hold_from_s: float | None = None
        self._shut_off_s: float | None = None
        self._locked = False
        self._requests = 0
        self._waiting: Request | None = None
        self._confirmed = False
        self._alarm = False
        self._silent: set[str] = set()
        self._given_up = False
        self._out: list[Output] = []
        self.ended = ""

    # --- what is seen from outside --------------------------------------------------

    @property
    def step(self) -> Step | None:
        """The step that is on, or None before the first and after the last."""
        if 0 <= self._step < len(self.plan.steps):
            return self.plan.steps[self._step]
        return None

    @property
    def request(self) -> Request | None:
        """What is asked of the hands now."""
        return self._waiting

    @property
    def over_pressure(self) -> bool:
        """An over-pressure stopped the test; only venting goes on."""
        return self._alarm

    def feed(self, traces: Mapping[str, Trace]) -> list[Output]:
        """Take new samples and return what follows from them.

        Args:
            traces: new samples per channel id, SI, each later than those before.
        """
        newest: list[float] = []
        for id, trace in traces.items():
            watched = self._by_channel.get(id)
            if watched is not None and len(trace):
                watched.add(trace)
        for role, watched in self._watched.items():
            if watched.t_s and role in _GATING:
                newest.append(watched.t_s[-1])
        if newest and not self.ended:
            # Up to the slowest of inlet and outlet, which come from the same reading or
            # nearly so; none of the others can hold the watch over pressure up.
            gating = sum(role in _GATING for role in self._watched)
            until = min(newest) if len(newest) == gating else -1.0
            while self._next_tick <= until and not self.ended:
                self._tick(self._next_tick)
                self._next_tick += TICK_S
        return self._take_out()

    def command(self, command: Command) -> list[Output]:
        """Take what a person says; an answer to an old request is passed over."""
        if self.ended:
            return []
        match command:
            case Acknowledge(request, by):
                waiting = self._waiting
                if waiting is None or waiting.id != request or not waiting.confirm:
                    return []
                self._mark(
                    MarkKind.CONFIRMED, {"request": request, "act": waiting.act}, by=by
                )
                self._confirmed = True
            case Skip(reason, by):
                self._mark(MarkKind.STEP_SKIP, {"why": reason}, by=by)
                self._begin_step(self._step + 1)
            case Repeat(reason, by):
                self._again(reason, by)
            case Abandon(reason, by):
                self._mark(MarkKind.ABANDONED, {"why": reason}, by=by)
                self.ended = "abandoned"
                self._waiting = None
        return self._take_out()

    # --- inside ----------------------------------------------------------------------

    def _take_out(self) -> list[Output]:
        out, self._out = self._out, []
        return out

    def _mark(
        self,
        kind: MarkKind,
        data: Mapping[str, str] | None = None,
        *,
        at_s: float | None = None,
        by: str = "trace",
    ) -> None:
        step = self.step
        self._out.append(
            Mark(
                part=self._part,
                t_s=self._now_s if at_s is None else at_s,
                kind=kind,
                step=step.id if step is not None else "",
                data=dict(data or {}),
                by=by,
            )
        )

    def _tick(self, now_s: float) -> None:
        self._now_s = now_s
        for watched in self._watched.values():
            watched.look(now_s)
            watched.forget(now_s - KEEP_S)
        if self._step < 0:
            self._begin_step(0)
        self._watch_pressure()
        if self._watch_silence():
            return
        # A stage that is over at once lets the next one begin in the same moment.
        for _ in range(8):
            if self.ended or not self._advance():
                break

    def _view(self) -> View:
        return View(self._watched, self._now_s, self._since_s, locked=self._locked)

    def _watch_pressure(self) -> None:
        step = self.step
        if self._alarm or step is None or step.kind in _MAKES_SAFE:
            return
        view = self._view()
        for role, limit in self._limits_pa.items():
            highest = view.highest_raw(role, TICK_S)
            stated = (
                step.outlet if step.kind == "pressurise" and role == "outlet" else None
            )
            if stated is not None:
                limit = min(limit, stated.value_si)
            if highest is not None and highest > limit:
                self._alarm = True
                told = {
                    "trouble": "over_pressure",
                    "channel": self._watched[role].channel.id,
                    "value": repr(round(highest, 3)),
                    "limit": repr(round(limit, 3)),
                }
                self._mark(MarkKind.TROUBLE, told)
                self._end_step("over_pressure")
                return

    def _watch_silence(self) -> bool:
        """Mark pressure channels that give nothing; nothing goes on meanwhile."""
        step = self.step
        if step is None or self._now_s < SILENT_S:
            return False
        view = self._view()
        silent = {
            role
            for role in _GATING
            if role in self._watched and view.last(role, SILENT_S)[0].size == 0
        }
        for role in sorted(silent - self._silent):
            told = {"trouble": "channel_silent", "channel": self._id_of(role)}
            self._mark(MarkKind.TROUBLE, told)
        back = self._silent - silent
        for role in sorted(back):
            self._mark(MarkKind.NOTE, {"back": self._id_of(role)})
        self._silent = silent
        if back and not silent and self._hold_from_s is not None:
            self._again("channel_silent", "trace")
        return bool(silent)

    def _id_of(self, role: str) -> str:
        return self._watched[role].channel.id

    def _advance(self) -> bool:
        """Let the stage that is on have a look; return whether it is over."""
        if self.step is None:
            return False
        stage = self._stages[self._stage]
        if isinstance(stage, Ask):
            return self._advance_ask(stage)
        if isinstance(stage, Soak):
            if self._now_s - self._since_s >= stage.seconds:
                return self._next_stage()
            return False
        return self._advance_hold(stage)

    def _advance_ask(self, stage: Ask) -> bool:
        seen = stage.see(self._view()) if stage.see is not None else None
        if seen is not None and stage.redo == seen.event:
            if self._attempt < MOST_ATTEMPTS:
                self._again(seen.event, "trace", **dict(seen.facts))
                return False
            # As often as that it is the regulator's way; the judgement weighs it.
            seen = Seen("shut_off", seen.t_s, seen.facts)
        done = (seen is not None or stage.see is None) and (
            self._confirmed or not stage.confirm
        )
        if not done:
            if self._waits_too_long(stage):
                # Nothing may be built on a step that was not done: off with the gas.
                self._given_up = True
                self._end_step("timed_out")
                return True
            return False
        if seen is not None:
            told = {"event": seen.event, **dict(seen.facts)}
            self._mark(MarkKind.SEEN, told, at_s=seen.t_s)
            if seen.event == "shut_off":
                self._shut_off_s = seen.t_s
                self._locked = True
        if stage.act in ("set_outlet", "open_bleed", "vent_down", "screw_out"):
            self._locked = False
            self._shut_off_s = None  # what was locked up before is over
        if stage.adjusts:
            self._mark(MarkKind.ADJUSTED, {"act": stage.act})
        if stage.opens:
            self._mark(MarkKind.OPENED, {"act": stage.act})
        return self._next_stage()

    def _waits_too_long(self, stage: Ask) -> bool:
        """Tell whether to give up; never on a person, never while gas comes off."""
        step = self.step
        if stage.confirm or step is None or step.kind in _MAKES_SAFE:
            return False
        return self._now_s - self._since_s > stage.give_up_s

    def _advance_hold(self, stage: Hold) -> bool:
        if self._hold_from_s is None:
            start = self._now_s
            if stage.from_event == "shut_off" and self._shut_off_s is not None:
                start = self._shut_off_s
            self._hold_from_s = start
            told = {"seconds": f"{stage.seconds:g}"}
            self._mark(MarkKind.HOLD_BEGIN, told, at_s=start)
        stopped = stage.stop(self._view()) if stage.stop is not None else None
        if stopped is not None:
            self._mark(MarkKind.HOLD_END, {"why": stopped.event})
            self._end_step("ended_early")
            return True
        if self._now_s - self._hold_from_s < stage.seconds:
            return False
        self._mark(MarkKind.HOLD_END)
        check = stage.check(self._view()) if stage.check is not None else None
        if check is not None and self._attempt < MOST_ATTEMPTS:
            self._again(check.event, "trace", **dict(check.facts))
            return False
        return self._next_stage()

    def _next_stage(self) -> bool:
        self._waiting = None
        if self._stage + 1 < len(self._stages):
            self._stage += 1
            self._begin_stage()
        else:
            self._end_step("done")
        return True

    def _begin_stage(self) -> None:
        self._since_s = self._now_s
        self._hold_from_s = None
        self._confirmed = False
        self._waiting = None
        stage = self._stages[self._stage]
        step = self.step
        if isinstance(stage, Soak):
            self._mark(MarkKind.NOTE, {"settling": f"{stage.seconds:g}"})
        if isinstance(stage, Ask) and step is not None:
            self._requests += 1
            request = Request(
                id=f"{step.id}.{self._requests}",
                step=step.id,
                act=stage.act,
                aim=stage.aim,
                confirm=stage.confirm,
                caution=stage.caution,
                repeats=stage.repeats,
            )
            self._waiting = request
            self._mark(MarkKind.ASKED, {"act": stage.act, "request": request.id})
            self._out.append(request)

    def _begin_step(self, index: int) -> None:
        self._step = index
        self._attempt = 1
        step = self.step
        if step is None:
            self.ended = "done"
            self._waiting = None
            return
        if (self._alarm or self._given_up) and step.kind not in _MAKES_SAFE:
            why = "over_pressure" if self._alarm else "earlier_step_not_done"
            self._mark(MarkKind.STEP_SKIP, {"why": why})
            self._begin_step(index + 1)
            return
        self._begin_attempt(step)

    def _begin_attempt(self, step: Step) -> None:
        self._stages = STEP_KINDS[step.kind](step, self.plan)
        self._stage = 0
        self._mark(MarkKind.STEP_BEGIN, {"attempt": str(self._attempt)})
        self._begin_stage()

    def _end_step(self, how: str) -> None:
        self._mark(MarkKind.STEP_END, {"how": how})
        self._waiting = None
        self._begin_step(self._step + 1)

    def _again(self, reason: str, by: str, **facts: str) -> None:
        step = self.step
        if step is None:
            return
        if self._attempt >= MOST_ATTEMPTS and by == "trace":
            self._given_up = True
            self._end_step("timed_out")
            return
        told = {name: value for name, value in facts.items() if name != "why"}
        self._mark(MarkKind.STEP_REPEAT, {**told, "why": reason}, by=by)
        self._attempt += 1
        self._begin_attempt(step)


def _check_overload(plan: Plan, watched: Mapping[str, Watched], rig: Rig) -> None:
    """Refuse a plan that would damage a transducer of this rig."""
    for step in plan.steps:
        for role, pressures in (
            ("inlet", (*step.stages, step.inlet)),
            ("outlet", (step.outlet, step.target)),
        ):
            overload = watched[role].channel.overload if role in watched else None
            for pressure in pressures:
                if overload and pressure and pressure.value_si > overload.value_si:
                    raise InputError(
                        "value_wrong",
                        where=rig.id,
                        key=f"steps.{step.id}",
                        given=pressure.typed,
                        right=f"at most the overload of {role}, {overload.typed}",
                    )


def _lowest_ratings(plan: Plan, watched: Mapping[str, Watched]) -> dict[str, float]:
    """Return per role the lowest of the plan's highest pressure and the overload."""
    limits: dict[str, float] = {}
    for role, each in watched.items():
        if role not in _PRESSURE_ROLES:
            continue
        ratings: list[Quantity] = []
        if role in plan.max_pressures:
            ratings.append(plan.max_pressures[role])
        if each.channel.overload is not None:
            ratings.append(each.channel.overload)
        if ratings:
            limits[role] = min(q.value_si for q in ratings)
    return limits


def channel_roles(rig: Rig) -> dict[str, Channel]:
    """Return the first channel of each role."""
    roles: dict[str, Channel] = {}
    for channel in rig.channels:
        roles.setdefault(channel.role, channel)
    return roles
