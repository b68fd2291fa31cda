"""Where a test stands, as a fold of the marks that were written.

The engine changes its standing in no other way: it writes a mark and folds it. So a
test that was interrupted stands where its marks say, whoever reads them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from records.plan import Plan, Step
from records.run import Mark, MarkKind, Request

from .stages import Ask, Stage
from .watch import NO_ALARMS, OVER_PRESSURE, SILENT, Alarms

# For a mark that tells of an earlier moment: when it was written, seconds.
TOLD_S = "told_s"
# A step begun again after an interruption starts with a look at zero and state.
RESUMED = "resumed"
# Nobody asked for it: a person says that it was done.
DECLARED = "declared"

StagesOf = Callable[[Step, Plan, bool], tuple[Stage, ...]]
# Steps that take the gas off the rig; they are done however the test went.
MAKES_SAFE = ("vent-down", "closing-zero")
_BUILT_UP_AGAIN = ("disturbed", "inlet_supplied")
_GIVEN_UP = ("timed_out", "rig_leaks")
# After these the downstream valve is no longer the one that locked the regulator up.
_UNLOCKS = (
    *("set_outlet", "open_bleed", "set_flow", "draw_off"),
    *("vent_down", "screw_out", "open_to_air", "let_down_outlet"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Where a test stands.

    Attributes:
        step: place of the step that is on, -1 before the first.
        over: it is over, and the next one has not begun.
        attempt: how often it was begun. resumed: it began with a look at the state.
        stage: place of the stage that is on, -1 until the first is begun.
        now_s: when the latest mark was written. since_s: when the stage began.
        told: marks written within the stage.
        hold_from_s: when the hold that is on began.
        cut_short: a hold of the step ended early.
        shut_off_s: when the regulator locked up. locked: it still is.
        waiting: what is asked of the hands. confirmed: a person said it is done.
        requests: how many were made.
        alarm: an over-pressure stopped the test, or came while the gas came off.
        alarms: those that stand.
        given_up: how a step ended that the rest would have been built on, or "".
        stopped: a person ended the test; the gas has still to come off.
        disturbed: how often something was begun again because it was disturbed.
        by_person: the latest marks follow from what a person said, at ``now_s``.
        last: the latest mark, None before the first.
        ended: ``done`` or ``abandoned``, "" while the test goes on.
    """

    step: int = -1
    over: bool = False
    attempt: int = 1
    resumed: bool = False
    stage: int = -1
    now_s: float = 0.0
    since_s: float = 0.0
    told: frozenset[MarkKind] = frozenset()
    hold_from_s: float | None = None
    cut_short: bool = False
    shut_off_s: float | None = None
    locked: bool = False
    waiting: Request | None = None
    confirmed: bool = False
    requests: int = 0
    alarm: bool = False
    alarms: Alarms = NO_ALARMS
    given_up: str = ""
    stopped: bool = False
    disturbed: int = 0
    by_person: bool = False
    last: Mark | None = None
    ended: str = ""

    @property
    def silent(self) -> frozenset[str]:
        """Channels that give nothing."""
        return self.alarms.channels(SILENT)


def fold(was: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    """Return where a test stands after a further mark."""
    new_part = was.last is not None and mark.part != was.last.part
    aside = mark.by == "recorder" and mark.kind in (MarkKind.NOTE, MarkKind.TROUBLE)
    if aside and "part" not in mark.data:
        return was  # of the rig or the clock; the test goes on as it was
    if new_part:
        was = replace(_between(was), now_s=0.0, shut_off_s=None, locked=False)
    told_s = float(mark.data.get(TOLD_S, max(was.now_s, mark.t_s)))
    by_person = mark.by != "trace" or (was.by_person and told_s == was.now_s)
    now = replace(
        was,
        now_s=told_s,
        by_person=by_person,
        last=mark,
        alarms=was.alarms.after(mark),
    )
    change = _CHANGES.get(mark.kind)
    return now if change is None else change(now, mark, plan, stages_of)


def _between(was: Progress) -> Progress:
    """Return the standing with no stage on."""
    return replace(
        was,
        stage=-1,
        waiting=None,
        confirmed=False,
        hold_from_s=None,
        told=frozenset(),
    )


def _step_of(now: Progress, mark: Mark, plan: Plan) -> int:
    ids = [step.id for step in plan.steps]
    return ids.index(mark.step) if mark.step in ids else now.step


def _step_begin(now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    return replace(
        _between(now),
        step=_step_of(now, mark, plan),
        over=False,
        attempt=int(mark.data.get("attempt", "1")),
        resumed=RESUMED in mark.data,
        cut_short=False,
        since_s=now.now_s,
    )


def _step_over(now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    step, how = _step_of(now, mark, plan), mark.data.get("how", "")
    return replace(
        _between(now),
        step=step,
        over=True,
        given_up=now.given_up or (how if how in _GIVEN_UP else ""),
        ended=_how_ended(now) if step + 1 == len(plan.steps) else "",
    )


def _how_ended(now: Progress) -> str:
    return "abandoned" if now.stopped else "done"


def _step_repeat(
    now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf
) -> Progress:
    resumed = RESUMED in mark.data
    return replace(
        _between(now),
        step=_step_of(now, mark, plan),
        over=False,
        attempt=1 if resumed else now.attempt + 1,
        disturbed=now.disturbed + (mark.data.get("why") in _BUILT_UP_AGAIN),
        resumed=resumed,
    )


def _stage_begins(now: Progress) -> Progress:
    return replace(_between(now), stage=now.stage + 1, since_s=now.now_s)


def _asked(now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    begun = _stage_begins(now)
    step = plan.steps[now.step]
    stage = stages_of(step, plan, now.resumed)[begun.stage]
    assert isinstance(stage, Ask)
    return replace(
        begun, requests=now.requests + 1, waiting=request_of(stage, step, mark)
    )


def request_of(stage: Ask, step: Step, mark: Mark) -> Request:
    """Return the request that an ``asked`` mark tells of."""
    return Request(
        id=mark.data["request"],
        step=step.id,
        act=stage.act,
        aim=stage.aim,
        lasting=stage.lasting,
        confirm=stage.confirm,
        caution=stage.caution,
        repeats=stage.repeats,
        look=(step.look or "") if stage.act == "look" else "",
        asks=step.asks,
        instrument=step.instrument,
        resolution=step.resolution,
    )


def _hold_begin(now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    return replace(_stage_begins(now), hold_from_s=mark.t_s)


def _hold_end(now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    return _wrote(replace(now, cut_short="why" in mark.data), mark)


def _confirmed(now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    return replace(now, confirmed=True)


def _seen(now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    if mark.data.get("event") == "shut_off":
        now = replace(now, shut_off_s=mark.t_s, locked=True)
    return _unlocked(_wrote(now, mark))


def _done(now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    if DECLARED in mark.data:
        return now
    return _unlocked(_wrote(now, mark))


def _wrote(now: Progress, mark: Mark) -> Progress:
    return replace(now, told=now.told | {mark.kind})


def _unlocked(now: Progress) -> Progress:
    if now.waiting is not None and now.waiting.act in _UNLOCKS:
        return replace(now, locked=False, shut_off_s=None)
    return now


def _trouble(now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    over = mark.data.get("trouble") == OVER_PRESSURE
    return replace(now, alarm=True) if over else now


def _note(now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    return _stage_begins(now) if "settling" in mark.data else now


def _abandoned(now: Progress, mark: Mark, plan: Plan, stages_of: StagesOf) -> Progress:
    if now.stopped or not _gas_to_come_off(now, plan):
        return replace(now, ended="abandoned", waiting=None)
    return replace(now, stopped=True, waiting=None)


def _gas_to_come_off(now: Progress, plan: Plan) -> bool:
    """Tell whether gas may stand on the rig, and steps that take it off are to come."""
    upto, after = plan.steps[: now.step + 1], plan.steps[now.step + 1 :]
    if all(step.kind == "zero" for step in upto) or upto[-1].kind in MAKES_SAFE:
        return False
    return any(step.kind in MAKES_SAFE for step in after)


_CHANGES: Mapping[MarkKind, Callable[[Progress, Mark, Plan, StagesOf], Progress]] = {
    MarkKind.STEP_BEGIN: _step_begin,
    MarkKind.STEP_END: _step_over,
    MarkKind.STEP_SKIP: _step_over,
    MarkKind.STEP_REPEAT: _step_repeat,
    MarkKind.ASKED: _asked,
    MarkKind.HOLD_BEGIN: _hold_begin,
    MarkKind.HOLD_END: _hold_end,
    MarkKind.CONFIRMED: _confirmed,
    MarkKind.ANSWERED: _confirmed,
    MarkKind.SEEN: _seen,
    MarkKind.ADJUSTED: _done,
    MarkKind.OPENED: _done,
    MarkKind.TROUBLE: _trouble,
    MarkKind.NOTE: _note,
    MarkKind.ABANDONED: _abandoned,
}
