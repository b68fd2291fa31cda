"""The engine: samples and answers in, requests and marks out.

It reads no clock, starts no thread and opens no file. Time is sample time; what is
decided depends on the samples and the answers alone, never on how they were cut into
blocks: the engine looks at moments of a fixed grid. Where it stands is a fold of the
marks it has written (``progress``), so that it can be restored from them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from analysis.early import BEFORE_S, LATEST_S
from records.errors import InputError, RefusedError
from records.jobcard import JobCard
from records.measure import Kind
from records.plan import Plan, Step
from records.ratings import above_ratings, with_interstage_rating
from records.rig import Rig
from records.run import RIG_CAUSE, Mark, MarkKind, Request
from records.trace import Trace

from . import resuming
from .answers import parsed_answer
from .leaves import leans_on_lockup, left_out
from .progress import (
    AWAITS,
    BACK_TO,
    DECLARED,
    HINT,
    LAPSED,
    MAKES_SAFE,
    RESUMED,
    SPOILT,
    STANDS,
    TOLD_S,
    TOO_EARLY,
    Progress,
    fold,
)
from .seeing import TOUCH_S
from .stages import MOST_ATTEMPTS, Ask, Hold, Seen, Soak, Stage
from .standing import at_it_since
from .steps import (
    as_received,
    body_hold,
    creep_hold,
    exercise,
    find_volume,
    flow_sweep,
    hold,
    inlet_sweep,
    lockup,
    look,
    pressurise,
    reference_leak,
    relief,
    rig_hold,
    setting,
    vent_down,
    zero,
)
from .view import KEEP_S, View, Watched
from .watch import ALARM_OVER, HEARD, OPENED, OVER_PRESSURE, SILENT, Over, Watch

TICK_S = 0.25
# Without readings for longer than this it counts as an interruption of the test.
UNWATCHED_S = 10.0
# So long nothing may show of what was asked before that is said.
HINT_S = 60.0
# What came back is read for so long before hands are asked: events are found by it.
READ_AGAIN_S = 5.0

STEP_KINDS: Mapping[str, Callable[[Step, Plan], tuple[Stage, ...]]] = {
    "zero": zero.stages,
    "closing-zero": zero.stages,
    "rig-hold": rig_hold.stages,
    "reference-leak": reference_leak.stages,
    "pressurise": pressurise.stages,
    "as-received": as_received.stages,
    "set": setting.stages,
    "exercise": exercise.stages,
    "lockup": lockup.stages,
    "creep-hold": creep_hold.stages,
    "body-hold": body_hold.stages,
    "inlet-sweep": inlet_sweep.stages,
    "flow-sweep": flow_sweep.stages,
    "find-volume": find_volume.stages,
    "relief": relief.stages,
    "look": look.stages,
    "vent-down": vent_down.stages,
    "hold": hold.stages,
}
# Behind an inlet valve that was shut, nothing is built up again by itself.
_ISOLATED = ("body-hold", "relief")
# From these a test may go on anew, the regulator set or fitted again.
_GONE_BACK_TO = ("set", "pressurise")
# Nothing after them is built on these: where one can't be done, the test goes on.
_SPARE = ("inlet-sweep", "flow-sweep", "find-volume", "relief")
_GATING = ("inlet", "outlet")
_ASK_DONE = {MarkKind.SEEN, MarkKind.ADJUSTED, MarkKind.OPENED}


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """A person says that what a request asked is done."""

    request: str
    by: str


@dataclass(frozen=True, slots=True)
class Answer:
    """A person answers the question that a request asks."""

    request: str
    said: str
    by: str


@dataclass(frozen=True, slots=True)
class Skip:
    """A person skips the step that is on, for a reason."""

    reason: str
    by: str


@dataclass(frozen=True, slots=True)
class Repeat:
    """A person wants the step that is on again from its start.

    Or the test from an earlier step on that sets or fits the regulator: what was found
    since is found again. What failed stands, unless the rig is named as the cause.
    """

    reason: str
    by: str
    step: str = ""
    of_rig: bool = False


@dataclass(frozen=True, slots=True)
class Declare:
    """A person says what was done to the regulator that no request asked for.

    Attributes:
        what: ``adjusted`` or ``opened``.
        act: what exactly. by: who did or saw it.
    """

    what: Literal["adjusted", "opened"]
    act: str
    by: str


@dataclass(frozen=True, slots=True)
class Hear:
    """A person says to have heard alarms: they sound no more, and stand on.

    Attributes:
        alarms: what each is, and its channel; those that came meanwhile still sound.
    """

    alarms: tuple[tuple[str, str], ...]
    by: str


@dataclass(frozen=True, slots=True)
class Abandon:
    """A person ends the test.

    Where gas may stand on the rig, venting is led first; said again, it ends at once.
    """

    reason: str
    by: str


Command = Acknowledge | Answer | Skip | Repeat | Declare | Hear | Abandon
Output = Request | Mark


def prepared_plan(plan: Plan, job: JobCard) -> Plan:
    """Return the plan with what it takes from the job card filled in.

    Raises:
        InputError: ``job_target_missing``.
        RefusedError: ``plan_step_not_led``, ``no_purge_statement``,
            ``pressure_above_rating``, ``outlet_above_rating``,
            ``interstage_above_rating``,
            ``set_pressure_of_another_plan``.
    """
    check_led(plan)
    for card in job.cards:
        if not card.purged:
            raise RefusedError("no_purge_statement", where=card.id)
    for found in above_ratings(plan, job):
        raise RefusedError(
            found.id,
            where=job.id,
            step=found.step,
            asked=found.asked.typed,
            rating=found.rating.typed,
        )
    steps = []
    for step in plan.steps:
        filled = step
        if step.target_from_job:
            if job.set_pressure is None:
                raise InputError("job_target_missing", where=job.id, step=step.id)
            filled = replace(step, target=job.set_pressure)
        elif step.kind == "set" and job.set_pressure is not None:
            _check_asked(step, job)
        steps.append(replace(filled, left_out=left_out(step, plan, job)))
    # never an early pass for oxygen, whatever the plan was written for
    early_pass = plan.early_pass and not job.regulator.oxidising
    filled_in = replace(plan, steps=tuple(steps), early_pass=early_pass)
    return with_interstage_rating(filled_in, job)


def _check_asked(step: Step, job: JobCard) -> None:
    """Refuse a plan that judges another set pressure than the one that is asked for."""
    asked = job.set_pressure
    for limit in step.limits:
        if limit.finding != "set_pressure" or asked is None:
            continue
        if limit.channel == "interstage":
            continue  # the first stage's, which is not set here
        ends = [
            None if b is None or b.of is not None else b.quantity.value_si
            for b in (limit.min, limit.max)
        ]
        if (ends[0] is not None and asked.value_si < ends[0]) or (
            ends[1] is not None and asked.value_si > ends[1]
        ):
            bounds = (limit.min, limit.max)
            raise RefusedError(
                "set_pressure_of_another_plan",
                where=job.id,
                asked=asked.typed,
                step=step.id,
                limit=" to ".join(b.typed for b in bounds if b is not None),
            )


def check_led(plan: Plan) -> None:
    """Refuse a plan with a step that no test can be led through.

    Raises:
        RefusedError: ``plan_step_not_led``.
    """
    for step in plan.steps:
        if step.kind not in STEP_KINDS:
            raise RefusedError(
                "plan_step_not_led", where=plan.id, step=step.id, kind=step.kind
            )


def needed_roles(plan: Plan) -> tuple[str, ...]:
    """Return the channel roles without which the plan can't be run."""
    kinds = {step.kind for step in plan.steps}
    sides = ("inlet", "outlet") if kinds - {"hold"} else ()
    flows = any(
        s.kind == "flow-sweep" or (s.kind == "inlet-sweep" and s.rated_flow is not None)
        for s in plan.steps
    )
    return (*sides, "flow") if flows else sides


def steps_back_to(plan: Plan, on: Step) -> tuple[Step, ...]:
    """Return the earlier steps that a test may go on from anew, while one is on.

    Those that set or fit the regulator; what failed passes only after such a step,
    never by being tried again. Where the gas comes off there is no way back.
    """
    if _makes_safe(on) or on not in plan.steps:
        return ()
    before = plan.steps[: plan.steps.index(on)]
    return tuple(step for step in before if step.kind in _GONE_BACK_TO)


def found_anew_from(plan: Plan, on: Step, opened: bool, pressed: bool) -> Step | None:
    """Return the step to go on from when what was found is found no more, or None.

    What ends is told by ``analysis.validity``: opened, all that was found of the
    regulator, from the first pressure on; adjusted, what follows from the setting. None
    where nothing was found yet that this ends, or where no step finds it anew.

    Args:
        plan: that is gone by.
        on: its step that is on.
        opened: something was opened, else the setting was touched.
        pressed: there is pressure on the rig.
    """
    done = plan.steps[: plan.steps.index(on) + 1]
    if opened:
        fitted = next((s for s in done if s.kind == "pressurise"), None)
        if fitted is None or on is fitted:
            return on if pressed and on.kind in resuming.AT_FITTING else None
        return fitted
    sets = [s for s in done[:-1] if s.kind == "set" and not s.trial]
    # of each pressure, the last time that it was set to
    last = {s.target.value_si: s for s in sets if s.target is not None}
    if on.kind == "set" and on.target is not None:
        last.pop(on.target.value_si, None)
    return min(last.values(), key=plan.steps.index, default=None)


def stages_of(step: Step, plan: Plan, resumed: bool = False) -> tuple[Stage, ...]:
    """Return the stages of a step.

    Args:
        step: of the plan.
        plan: the plan.
        resumed: it is begun again after an interruption: zero and state come first.
    """
    stages = STEP_KINDS[step.kind](step, plan)
    return (*resuming.stages(step, plan), *stages) if resumed else stages


class Engine:
    """Leads one test through its plan.

    Args:
        plan: see :func:`prepared_plan`.
        rig: the rig; its gauge channels are watched by role.
        part: number of the run's part, for the marks.

    Raises:
        InputError: ``rig_channel_missing``, ``rig_channel_kind``: the plan needs a
            channel the rig lacks, or one that reads zero open to air.
    """

    def __init__(self, plan: Plan, rig: Rig, part: int = 1) -> None:
        check_led(plan)
        self.plan = plan
        self._part = part
        self._rig = rig
        self._watched: dict[str, Watched] = {}
        for channel in rig.channels:
            flows = channel.role in ("flow", "vent_flow")
            kind = Kind.LEAK if flows else Kind.PRESSURE
            if channel.role in self._watched or channel.measure_unit.kind is not kind:
                continue
            self._watched[channel.role] = Watched(channel)
        for role in needed_roles(plan):
            if role not in self._watched:
                raise InputError(
                    "rig_channel_missing", where=rig.id, role=role, rig=rig.id
                )
            channel = self._watched[role].channel
            if role in _GATING and not channel.zero_at_vent:
                raise InputError(
                    "rig_channel_kind",
                    where=rig.id,
                    role=role,
                    channel=channel.id,
                    kind=channel.sensor,
                )
        _check_ratings(plan, rig)
        self._by_channel = {w.channel.id: w for w in self._watched.values()}
        self._watch = Watch(plan, rig)
        self._limits_pa = self._watch.limits
        self._pressed: dict[str, float] = {}
        volumes = {} if rig.traits is None else rig.traits.volumes
        self._volumes = {role: v.volume.value_si for role, v in volumes.items()}
        self._next_tick = 0.0
        self._now_s = 0.0
        self._out: list[Output] = []
        self._stages_on: tuple[tuple[int, bool], tuple[Stage, ...]] = ((-1, False), ())
        self.progress = Progress()

    @classmethod
    def restored(
        cls,
        plan: Plan,
        rig: Rig,
        marks: Iterable[Mark],
        traces: Mapping[str, Trace] | None = None,
    ) -> Engine:
        """Return an engine that stands where the marks of a test say.

        Args:
            plan: the prepared plan.
            rig: the rig.
            marks: written so far, at least of one part.
            traces: what was read up to the latest mark, per channel id; without them
                the engine is to be told of a new part, see :meth:`resume`.
        """
        engine = cls(plan, rig)
        for mark in marks:
            engine._part = mark.part
            engine.progress = fold(engine.progress, mark, plan, stages_of)
        now = engine._now_s = engine.progress.now_s
        engine._next_tick = now + TICK_S
        for id, trace in (traces or {}).items():
            watched = engine._by_channel.get(id)
            if watched is not None:
                watched.add(trace)
                watched.look(now)
            engine._watch.add(id, trace)
        if traces is not None:
            engine._watch.look(now - TICK_S, engine._raised_in())
            engine._finish(engine._look(now))
        return engine

    def resume(self, part: int, by: str = "") -> list[Output]:
        """Go on in a new part: the step that was on begins again.

        A hold that leans on the lockup before it begins again with that lockup. Where
        the regulator is on the rig, zero and state are looked at first.
        """
        self._part = part
        self._now_s = self._next_tick = 0.0
        for watched in self._watched.values():
            watched.begin_again()
        self._watch.begin_again()
        step, now = self.step, self.progress
        on = "" if step is None else step.id
        told = {"part": str(part), "step": on, **({"by": by} if by else {})}
        self._mark(MarkKind.NOTE, told, by="recorder")
        if now.ended:
            return self._take_out()
        if step is None:
            self._begin_step(0)
        elif not now.over and _only_venting(now) and not _makes_safe(step):
            self._end_step("interrupted")
        else:
            index = now.step + 1 if now.over else now.step
            back = resuming.step_to_repeat(self.plan, index)
            if back == now.step + 1:
                self._begin_step(back, resumed=True)
            else:
                told = {"why": "interrupted", RESUMED: "yes"}
                self._repeat(back, told, "recorder")
        return self._take_out()

    # --- what is seen from outside --------------------------------------------------

    @property
    def step(self) -> Step | None:
        """The step that is on, or None before the first and after the last."""
        if self.progress.step < 0 or self.ended == "done":
            return None
        return self.plan.steps[self.progress.step]

    @property
    def ended(self) -> str:
        """``done`` or ``abandoned``, "" while the test goes on."""
        return self.progress.ended

    @property
    def request(self) -> Request | None:
        """What is asked of the hands now."""
        return self.progress.waiting

    @property
    def over_pressure(self) -> bool:
        """An over-pressure stopped the test; only venting goes on."""
        return self.progress.alarm

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
            self._watch.add(id, trace)
        # Up to the slowest of inlet and outlet, which come from the same reading or
        # nearly so; none of the others can hold the watch over pressure up.
        gating = [role for role in _GATING if role in self._watched] or [*self._watched]
        for role in gating:
            if self._watched[role].t_s:
                newest.append(self._watched[role].t_s[-1])
        if not self.ended:
            whole = min(newest) if len(newest) == len(gating) else None
            until = self._watch.waits_until(whole)
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
                waiting = self.request
                if waiting is None or waiting.id != request or not waiting.confirm:
                    return []
                if waiting.look:
                    return [waiting]  # "done" answers no question
                if self.progress.confirmed or self._said_too_early(by):
                    return self._take_out()
                told = {"request": request, "act": waiting.act}
                if self._awaits_more():
                    told[AWAITS] = "yes"
                self._mark(MarkKind.CONFIRMED, told, by=by)
            case Answer(request, said, by):
                waiting = self.request
                if waiting is None or waiting.id != request or not waiting.look:
                    return []
                try:
                    answer = parsed_answer(waiting, said)
                except InputError:
                    return [waiting]
                told = {"look": waiting.look, "asks": waiting.asks, "said": said}
                told |= {"request": request, "value": answer.typed}
                self._mark(MarkKind.ANSWERED, told, by=by)
            case Skip(reason, by):
                self._mark(MarkKind.STEP_SKIP, {"why": reason}, by=by)
                self._begin_step(self.progress.step + 1)
            case Repeat(reason, by, step, of_rig):
                if step:
                    self._go_back(step, reason, by)
                else:
                    self._again(reason, by, **({RIG_CAUSE: "yes"} if of_rig else {}))
            case Declare(what, act, by):
                self._mark(MarkKind(what), {"act": act, DECLARED: "yes"}, by=by)
                self._follow_declared(what, act, by)
            case Hear(alarms, by):
                for alarm in alarms:
                    self._hear(*alarm, by)
            case Abandon(reason, by):
                self._mark(MarkKind.ABANDONED, {"why": reason}, by=by)
                self._go_on_to_venting()
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
        step: Step | None = None,
    ) -> None:
        """Write a mark; where the test stands changes in no other way."""
        step = step or self.step
        told = dict(data or {})
        if at_s is not None and at_s != self._now_s:
            told[TOLD_S] = repr(self._now_s)
        mark = Mark(
            part=self._part,
            t_s=self._now_s if at_s is None else at_s,
            kind=kind,
            step=step.id if step is not None else "",
            data=told,
            by=by,
        )
        self.progress = fold(self.progress, mark, self.plan, stages_of)
        self._out.append(mark)

    def _finish(self, overs: tuple[Over, ...]) -> None:
        """Do what the moment of the latest mark still asks for."""
        now, step = self.progress, self.step
        last = now.last
        if now.ended or last is None or step is None:
            return
        if last.data.get("trouble") in (OVER_PRESSURE, SILENT):
            pass  # the watch below goes on with it
        elif DECLARED in last.data or last.data.get("trouble") == OPENED:
            told = last.data
            by = told.get("by", last.by)
            what = told.get("what", last.kind.value)
            self._follow_declared(what, told.get("act", ""), by)
        elif last.kind is MarkKind.ABANDONED:
            self._go_on_to_venting()
        elif now.over:
            self._begin_step(now.step + 1)
        elif last.kind is MarkKind.STEP_REPEAT:
            self._begin_attempt(step)
        elif last.kind is MarkKind.STEP_BEGIN:
            self._begin_stage(0)
        elif last.kind is MarkKind.ASKED and now.waiting is not None:
            self._out.append(now.waiting)
        if not now.by_person:
            self._watch_over(overs)

    def _tick(self, now_s: float) -> None:
        self._now_s = now_s
        for watched in self._watched.values():
            watched.look(now_s)
            watched.forget(self._kept_from(now_s))
        if self.progress.step < 0 and not self.progress.over:
            self._begin_step(0)
        self._watch_over(self._look(now_s))

    def _look(self, now_s: float) -> tuple[Over, ...]:
        overs = self._watch.look(now_s, self._raised_in())
        self._pressed = self._watch.under_pressure(now_s)
        return overs

    def _raised_in(self) -> Step | None:
        """Return the step that is on, once no gas of another one is to be let off."""
        now = self.progress
        return None if now.resumed and now.stage <= 0 else self.step

    def _watch_over(self, overs: tuple[Over, ...]) -> None:
        """Let the watch over people come first, then the step that is on."""
        self._watch_pressure(overs)
        if not self._watch_silence():
            self._advance_all()

    def _kept_from(self, now_s: float) -> float:
        """Return from when samples are still looked at: looks want a hold's start."""
        begun = self.progress.shut_off_s if self.progress.locked else None
        if self.progress.hold_from_s is not None:
            begun = self.progress.hold_from_s
        if begun is None or now_s - begun > LATEST_S + TICK_S:
            return now_s - KEEP_S
        return min(now_s - KEEP_S, begun - BEFORE_S)

    def _advance_all(self) -> None:
        # A stage that is over at once lets the next one begin in the same moment.
        for _ in range(8):
            if self.ended or not self._advance():
                break

    def _view(self) -> View:
        now = self.progress
        return View(
            self._watched,
            self._now_s,
            now.since_s,
            locked=now.locked,
            hold_from_s=now.hold_from_s,
            volumes=self._volumes,
            rig=self._rig,
            tick_s=TICK_S,
            limits=self._limits_pa,
            under_pressure=self._pressed.keys(),
        )

    def _watch_pressure(self, overs: tuple[Over, ...]) -> None:
        """Mark what rose too high; it ends the test, or is said while gas comes off."""
        alarms = self.progress.alarms
        safe = self.step is None or _makes_safe(self.step)
        for alarm in alarms.standing:
            fell = alarm.what == OVER_PRESSURE and self._watch.fell(
                alarm.channel, self._now_s
            )
            if fell or (alarm.what == OPENED and not self._pressed):
                told = {ALARM_OVER: alarm.what, "channel": alarm.channel}
                self._mark(MarkKind.NOTE, told)
        known = alarms.channels(OVER_PRESSURE)
        for over in overs:
            if over.channel in known:
                continue
            told = {
                "trouble": OVER_PRESSURE,
                "channel": over.channel,
                "value": repr(round(over.value, 3)),
                "limit": repr(round(over.limit, 3)),
            }
            if over.end_of_range:
                told["end_of_range"] = "yes"
            if safe:
                told["while"] = "venting"
            self._mark(MarkKind.TROUBLE, told, at_s=over.t_s)
        step, now = self.step, self.progress
        if now.alarm and step is not None and not (now.over or _makes_safe(step)):
            self._end_step("over_pressure")

    def _watch_silence(self) -> bool:
        """Mark pressure channels that give nothing; nothing goes on meanwhile."""
        if self.step is None:
            return False
        silent = self._watch.silent(self._now_s)
        known = self.progress.silent
        for id in sorted(silent.keys() - known):
            told = {"trouble": SILENT, "channel": id, "why": silent[id]}
            self._mark(MarkKind.TROUBLE, told)
        back = known - silent.keys()
        ours = {self._watched[r].channel.id for r in _GATING if r in self._watched}
        for id in sorted(back):
            spoilt = self.progress.hold_from_s is not None and id in ours
            self._mark(
                MarkKind.NOTE, {"back": id, **({SPOILT: "yes"} if spoilt else {})}
            )
        return bool(silent)

    def _unwatched(self) -> bool:
        """Tell whether nothing was read for so long that nobody knows what was done."""
        view, found = self._view(), 0.0
        for role in _GATING:
            if view.has(role):
                t, _ = view.last(role, 2.0 * UNWATCHED_S)
                edges = [self._now_s - 2.0 * UNWATCHED_S, *t.tolist()]
                found = max([found, *(b - a for a, b in pairwise(edges))])
        return found > UNWATCHED_S

    def _hear(self, what: str, channel: str, by: str) -> None:
        for alarm in self.progress.alarms.sounding:
            if (alarm.what, alarm.channel) == (what, channel):
                self._mark(MarkKind.NOTE, {HEARD: what, "channel": channel}, by=by)

    def _follow_declared(self, what: str, act: str, by: str) -> None:
        """Say at once what was opened under pressure; what ended is found anew.

        A hold that was on is void in any case.
        """
        told = self.progress.last
        if what == MarkKind.OPENED and self._pressed and told is not None:
            if told.data.get("trouble") != OPENED:
                id = max(self._pressed, key=lambda id: self._pressed[id])
                value = repr(round(self._pressed[id], 3))
                alarm = {"trouble": OPENED, "channel": id, "value": value}
                told_of = {"what": what, "act": act, "by": by}
                self._mark(MarkKind.TROUBLE, {**alarm, **told_of})
        step = self.step
        if step is None or _only_venting(self.progress) or _makes_safe(step):
            return
        opened = what == MarkKind.OPENED
        back = found_anew_from(self.plan, step, opened, bool(self._pressed))
        if back is not None:
            self._begin_anew(back, what, by)
        elif opened and self._pressed and _gas_comes_off_after(step, self.plan):
            # nothing can be found anew here; nothing is asked for under pressure either
            self._end_step("opened")
        elif self.progress.hold_from_s is not None:
            self._again(what, by)

    def _advance(self) -> bool:
        """Let the stage that is on have a look; return whether it is over."""
        if self.step is None:
            return False
        stage = self._stages()[self.progress.stage]
        if isinstance(stage, Ask):
            return self._advance_ask(stage)
        if isinstance(stage, Soak):
            if self._now_s - self.progress.since_s >= stage.seconds:
                return self._next_stage()
            return False
        return self._advance_hold(stage)

    def _stages(self) -> tuple[Stage, ...]:
        step = self.step
        assert step is not None
        key = (self.progress.step, self.progress.resumed)
        if self._stages_on[0] != key:
            self._stages_on = key, stages_of(step, self.plan, key[1])
        return self._stages_on[1]

    def _advance_ask(self, stage: Ask) -> bool:
        told = self.progress.told
        if not told & _ASK_DONE:
            seen = stage.see(self._view()) if stage.see is not None else None
            if seen is not None and stage.spoils == seen.event:
                if self.progress.disturbed < MOST_ATTEMPTS:
                    self._build_up_again(seen)
                    return False
            if seen is not None and stage.redo == seen.event:
                if self.progress.attempt < MOST_ATTEMPTS:
                    self._again(seen.event, "trace", **dict(seen.facts))
                    return False
                # As often as that it is the regulator's way; the judgement weighs it.
                seen = Seen("shut_off", seen.t_s, seen.facts)
            self._hold_to_word(stage, seen)
            told_so = self.progress.confirmed or not stage.confirm
            done = (seen is not None or stage.see is None) and told_so
            if stage.either:
                done = seen is not None or self.progress.confirmed
            if not done:
                if self._waits_too_long(stage):
                    self._not_done()
                    return True
                self._hint(stage)
                return False
            if seen is not None:
                facts = {"event": seen.event, **dict(seen.facts)}
                self._mark(MarkKind.SEEN, facts, at_s=seen.t_s)
        if stage.adjusts and MarkKind.ADJUSTED not in told:
            self._mark(MarkKind.ADJUSTED, {"act": stage.act})
        if stage.opens and MarkKind.OPENED not in told:
            self._mark(MarkKind.OPENED, {"act": stage.act})
        return self._next_stage()

    def _said_too_early(self, by: str) -> bool:
        """Say that it is not so yet, and ask again; a word before the deed is none."""
        stage = self._stages()[self.progress.stage]
        return isinstance(stage, Ask) and self._not_there(stage, TOO_EARLY, by)

    def _awaits_more(self) -> bool:
        """Tell whether what is confirmed has still to show in the trace."""
        stage = self._stages()[self.progress.stage]
        if not isinstance(stage, Ask) or stage.see is None or stage.either:
            return False
        return stage.see(self._view()) is None

    def _hold_to_word(self, stage: Ask, seen: Seen | None) -> None:
        """Ask once more where it did not stay as it was when a person said so."""
        now = self.progress
        if now.confirmed and seen is None:
            self._not_there(stage, LAPSED, "trace")
        elif now.unheld and not (now.confirmed or now.stood) and seen is not None:
            assert now.waiting is not None
            self._mark(MarkKind.NOTE, {STANDS: now.waiting.id})

    def _not_there(self, stage: Ask, note: str, by: str) -> bool:
        against = None if stage.there is None else stage.there(self._view())
        waiting = self.progress.waiting
        if against is None or waiting is None:
            return False
        role, value = against
        told = {note: waiting.id, "act": waiting.act}
        if role:
            told |= {"channel": self._watched[role].channel.id}
            told |= {"value": repr(round(value, 3))}
        self._mark(MarkKind.NOTE, told, by=by)
        self._out.append(waiting)
        return True

    def _not_done(self) -> None:
        """Leave a step that can't be done."""
        step = self.step
        if step is not None and step.kind in _SPARE:
            self._mark(MarkKind.STEP_SKIP, {"why": "not_reached"})
            self._begin_step(self.progress.step + 1)
        else:
            # Nothing may be built on a step that was not done: off with the gas.
            self._end_step("timed_out")

    def _waits_too_long(self, stage: Ask) -> bool:
        """Tell whether to give up; never on a person, never while gas comes off."""
        step = self.step
        if stage.confirm or step is None or _makes_safe(step):
            return False
        if self._now_s - self.progress.since_s <= stage.give_up_s:
            return False
        if step.kind in _SPARE:
            return True
        # who is away comes back, and what was never touched can't have failed
        view = self._view()
        since = at_it_since(view)
        if since is None and stage.act != "set_outlet":
            # a valve was turned and left; of a screw half turned nobody knows that
            touched = view.events("outlet")
            since = touched[-1].window_s[1] if touched else None
        return since is not None and self._now_s - since > stage.give_up_s

    def _hint(self, stage: Ask) -> None:
        """Say once after a while, and once more, that nothing of it shows."""
        now, step = self.progress, self.step
        if stage.confirm or step is None or _makes_safe(step) or stage.see is None:
            return
        waited = self._now_s - now.since_s
        due = (HINT_S, stage.give_up_s)
        if now.hints >= len(due) or waited < due[now.hints]:
            return
        if at_it_since(self._view()) is not None or now.waiting is None:
            return
        still = not self._view().events("outlet")
        what = "outlet_still" if still and stage.act == "set_outlet" else "nothing_seen"
        told = {HINT: what, "request": now.waiting.id, "waited_s": f"{waited:.0f}"}
        self._mark(MarkKind.NOTE, told)
        self._out.append(now.waiting)

    def _advance_hold(self, stage: Hold) -> bool:
        now = self.progress
        if MarkKind.HOLD_END not in now.told:
            if now.lost_s is not None:
                if self._now_s - now.lost_s >= READ_AGAIN_S:
                    self._build_up_again(Seen(SILENT, now.lost_s), self._unwatched())
                return False
            spoilt = stage.guard(self._view()) if stage.guard is not None else None
            if spoilt is not None and now.disturbed < MOST_ATTEMPTS:
                self._build_up_again(spoilt)
                return False
            stopped = stage.stop(self._view()) if stage.stop is not None else None
            if stopped is not None and stage.guard is not None and self._at_it():
                return False  # nothing is decided from what a hand may be doing
            if stopped is not None:
                told = {**dict(stopped.facts), "why": stopped.event}
                self._mark(MarkKind.HOLD_END, told)
            elif now.hold_from_s is None or (
                self._now_s - now.hold_from_s < stage.seconds
            ):
                return False
            else:
                self._mark(MarkKind.HOLD_END)
        if self.progress.cut_short:
            return self._next_stage()
        check = stage.check(self._view()) if stage.check is not None else None
        if check is not None and now.attempt < MOST_ATTEMPTS:
            self._again(check.event, "trace", **dict(check.facts))
            return False
        if check is not None and stage.gate:
            # Nothing may be built on it: off with the gas.
            self._end_step(check.event)
            return True
        return self._next_stage()

    def _next_stage(self) -> bool:
        after = self.progress.stage + 1
        if after < len(self._stages()):
            stage = self._stages()[after]
            if isinstance(stage, Ask) and stage.unless is not None:
                against = stage.unless(self._view())
                if against is not None:
                    self._end_step(against.event)
                    return True
            self._begin_stage(after)
        else:
            self._end_step("ended_early" if self.progress.cut_short else "done")
        return True

    def _begin_stage(self, index: int) -> None:
        """Begin a stage; each kind has a mark that says so."""
        stage = self._stages()[index]
        step = self.step
        assert step is not None
        if isinstance(stage, Soak):
            self._mark(MarkKind.NOTE, {"settling": f"{stage.seconds:g}"})
        elif isinstance(stage, Hold):
            start = self._now_s
            shut_off = self.progress.shut_off_s
            if stage.from_event == "shut_off" and shut_off is not None:
                start = shut_off
            self._mark(
                MarkKind.HOLD_BEGIN, {"seconds": f"{stage.seconds:g}"}, at_s=start
            )
        else:
            id = f"{step.id}.{self.progress.requests + 1}"
            told = {"act": stage.act, "request": id}
            if stage.tells_aim and stage.aim is not None:
                told["aim"] = stage.aim.typed
            self._mark(MarkKind.ASKED, told)
            if self.progress.waiting is not None:
                self._out.append(self.progress.waiting)

    def _begin_step(self, index: int, *, resumed: bool = False) -> None:
        if index >= len(self.plan.steps):
            return
        step = self.plan.steps[index]
        now = self.progress
        if _only_venting(now) and not _makes_safe(step):
            self._mark(MarkKind.STEP_SKIP, {"why": _why_left_out(now)}, step=step)
            self._begin_step(index + 1)
            return
        why = "from_shift" if step.from_shift else step.left_out
        if why:
            self._mark(MarkKind.STEP_SKIP, {"why": why}, step=step)
            self._begin_step(index + 1)
            return
        if leans_on_lockup(step, self.plan) and not (now.locked or resumed):
            # what it would read is a flow, not a hold
            self._mark(MarkKind.STEP_SKIP, {"why": "not_locked_up"}, step=step)
            self._begin_step(index + 1)
            return
        self._begin_attempt(step, 1, resumed=resumed)

    def _begin_attempt(
        self, step: Step, attempt: int | None = None, *, resumed: bool | None = None
    ) -> None:
        """Begin a step; what is not given stands in the mark that asked for it."""
        now = self.progress
        told = {"attempt": str(now.attempt if attempt is None else attempt)}
        if now.resumed if resumed is None else resumed:
            told[RESUMED] = "yes"
        self._mark(MarkKind.STEP_BEGIN, told, step=step)
        self._begin_stage(0)

    def _go_on_to_venting(self) -> None:
        """After a person's stop: what is on ends, and the gas comes off."""
        if self.ended:
            return
        if self.progress.over:
            self._begin_step(self.progress.step + 1)
        else:
            self._end_step("abandoned")

    def _end_step(self, how: str) -> None:
        self._mark(MarkKind.STEP_END, {"how": how})
        self._begin_step(self.progress.step + 1)

    def _again(self, reason: str, by: str, **facts: str) -> None:
        if self.step is None:
            return
        told = {name: value for name, value in facts.items() if name != "why"}
        self._repeat(self.progress.step, {**told, "why": reason}, by)

    def _at_it(self) -> bool:
        """Tell whether a side began to move so lately that it may be a hand."""
        view = self._view()
        return any(view.has(r) and view.just_moved(r, TOUCH_S) for r in _GATING)

    def _build_up_again(self, spoilt: Seen, unwatched: bool = False) -> None:
        """Begin again what was disturbed, from the lockup that it leans on.

        Args:
            spoilt: what disturbed it.
            unwatched: nobody knows how things stand: zero and state come first.
        """
        step = self.step
        assert step is not None
        told = {**dict(spoilt.facts), "why": spoilt.event}
        back = self.progress.step
        if leans_on_lockup(step, self.plan):
            back = resuming.step_to_repeat(self.plan, back)
        if unwatched or step.kind in (*_ISOLATED, *resuming.AT_FITTING):
            # the inlet has to be brought back first, or the gas let off
            told[RESUMED] = "yes"
        self._repeat(back, told, "trace")

    def _go_back(self, to: str, reason: str, by: str) -> None:
        """Go on from an earlier step that sets or fits; no other one may be redone."""
        step = self.step
        if step is None or _only_venting(self.progress):
            return
        back = next((s for s in steps_back_to(self.plan, step) if s.id == to), None)
        if back is not None:
            self._begin_anew(back, reason, by)

    def _begin_anew(self, back: Step, reason: str, by: str) -> None:
        """Go on from a step, zero and state before it; what was on is given up."""
        self._mark(MarkKind.STEP_REPEAT, {"why": reason, BACK_TO: back.id}, by=by)
        self._begin_attempt(back, 1, resumed=True)

    def _repeat(self, index: int, told: Mapping[str, str], by: str) -> None:
        step = self.plan.steps[index]
        self._mark(MarkKind.STEP_REPEAT, told, by=by, step=step)
        self._begin_attempt(step)


def _makes_safe(step: Step) -> bool:
    return step.kind in MAKES_SAFE


def _gas_comes_off_after(step: Step, plan: Plan) -> bool:
    later = plan.steps[plan.steps.index(step) + 1 :]
    return step.kind != "zero" and any(_makes_safe(each) for each in later)


def _only_venting(now: Progress) -> bool:
    return now.alarm or bool(now.given_up) or now.stopped


def _why_left_out(now: Progress) -> str:
    if now.stopped:
        return "abandoned"
    if now.alarm:
        return "over_pressure"
    if now.given_up in ("rig_leaks", "opened"):
        return now.given_up
    return "earlier_step_not_done"


def _check_ratings(plan: Plan, rig: Rig) -> None:
    """Refuse a plan that would damage a transducer or lift the rig's relief."""
    for found in above_ratings(plan, None, rig):
        what = {
            "transducer": f"overload of {found.side}",
            "relief valve": f"setting of the rig's {found.side} relief valve",
        }[found.of]
        raise InputError(
            "value_wrong",
            where=rig.id,
            key=f"steps.{found.step}",
            given=found.asked.typed,
            right=f"at most the {what}, {found.rating.typed}",
        )
