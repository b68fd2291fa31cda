"""The conditions of a test as they were measured: inlets, closings, holds, air."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from analysis.marks import Performance, Skipped, is_void, performances
from records.calibration import Calibration
from records.judgement import Judgement
from records.measure import UNITS, Kind, to_unit
from records.plan import Plan, Step
from records.rig import Channel
from records.run import RIG_CAUSE, Mark, MarkKind, Run
from records.trace import FloatArray

from ..display import digits_for, number, unit_for, value_text
from ..report import over_pressure
from ..words.sentences import page

_SURROUNDINGS = ("ambient", "gas_temperature")
_GAUGES = ("inlet", "outlet")
# By the event that ended a hold, and by how a step ended.
_EARLY = {
    "fell": "ended_fell",
    "enough_to_fail": "ended_enough_to_fail",
    "enough_to_pass": "ended_enough_to_pass",
}
_ENDED = {
    "timed_out": "ended_given_up",
    "interrupted": "ended_interrupted",
    "rig_leaks": "ended_rig_leaks",
    "no_room": "ended_no_room",
    "abandoned": "ended_by_hand",
}
_SKIPPED = {
    "over_pressure": "skipped_over_pressure",
    "earlier_step_not_done": "skipped_earlier",
    "rig_leaks": "skipped_rig_leaks",
    "abandoned": "skipped_ended",
    "from_shift": "skipped_from_shift",
    "not_reached": "skipped_not_reached",
    "not_locked_up": "skipped_not_locked_up",
    "no_relief_fitted": "skipped_no_relief",
    "inspection_forbids": "skipped_inspection",
}
_AGAIN = {
    "closing_time_outside": "again_closing",
    "outside_band": "again_band",
    "closed_in_steps": "again_steps",
    "inlet_off": "again_inlet",
    "rig_leaks": "again_rig_leaks",
    "flow_off": "again_flow",
    "disturbed": "again_disturbed",
    "inlet_supplied": "again_inlet_supplied",
    "channel_silent": "again_silent",
    "interrupted": "again_interrupted",
}
K_95 = 2.0  # of the expanded uncertainty that a calibration record is shown with


@dataclass(frozen=True, slots=True)
class Held:
    """A step's reading or hold as it was, each as text with its unit.

    Attributes:
        step: id. inlet: mean over the hold. held: how long.
        ended: how it came to its end, "" where it was held as long as was asked.
        closing: how long the downstream valve took, as the judgement read it from the
            outlet (onset to nine tenths of the rise, good to about a quarter).
    """

    step: str
    inlet: str
    closing: str
    held: str
    ended: str


def steps_held(run: Run, plan: Plan, judgement: Judgement) -> tuple[Held, ...]:
    """Return the conditions of every step whose reading or hold gave a finding."""
    steps = {finding.step for finding in judgement.findings}
    return tuple(
        _held(run, plan, done, done.hold, _closing(judgement, id))
        for id, done in performances(run, plan).items()
        if id in steps and isinstance(done, Performance) and done.hold is not None
    )


def _held(
    run: Run, plan: Plan, done: Performance, hold: tuple[float, float], closing: str
) -> Held:
    start, stop = hold
    length = f"{stop - start:.0f} s"
    inlet = _mean_inlet(run, plan, done.part, hold)
    return Held(done.step.id, inlet, closing, length, _ended(run, plan, done))


def _ended(run: Run, plan: Plan, done: Performance) -> str:
    """Return how a hold that was not held to its end came to it."""
    own = [
        mark
        for mark in run.marks
        if mark.step == done.step.id
        and mark.part == done.part
        and done.begin_s <= mark.t_s <= done.end_s
    ]
    if done.how == "over_pressure":
        told = [over_pressure(mark, run, plan) for mark in own]
        found = next((each for each in told if each is not None), None)
        return page("ended_over_pressure", **(found or {}))
    if done.how == "ended_early":
        why = [m.data.get("why", "") for m in own if m.kind is MarkKind.HOLD_END]
        return page(_EARLY.get(why[-1] if why else "", "ended_early"))
    return page(_ENDED[done.how]) if done.how in _ENDED else ""


def _mean_inlet(run: Run, plan: Plan, part: int, hold: tuple[float, float]) -> str:
    channel = run.header.rig.channel("inlet")
    if channel is None:
        return ""
    good = run.trace(channel, part).between(*hold).good()
    if not len(good):
        return page("not_measured")
    kind = channel.measure_unit.kind
    unit = unit_for(plan, kind, channel.role)
    return value_text(float(np.mean(good.value)), kind, channel.reference, unit)


def _closing(judgement: Judgement, step: str) -> str:
    for finding in judgement.findings:
        found = dict(finding.evidence.model).get("closing_s")
        if finding.step == step and found is not None:
            return page("closed_in", seconds=f"{found:.1f}")
    return ""


def surroundings(run: Run, plan: Plan) -> dict[str, str]:
    """Return ambient pressure and gas temperature over the run, where measured."""
    said = {}
    for role in _SURROUNDINGS:
        channel = run.header.rig.channel(role)
        if channel is None:
            continue
        values = [run.trace(channel, part.number).good().value for part in run.parts]
        all_values = np.concatenate(values) if values else np.empty(0)
        if all_values.size:
            said[role] = _range(channel, plan, all_values)
    return said


def _range(channel: Channel, plan: Plan, values: FloatArray) -> str:
    kind = channel.measure_unit.kind
    unit = unit_for(plan, kind, channel.role)
    low = value_text(float(np.min(values)), kind, channel.reference, unit)
    high = value_text(float(np.max(values)), kind, channel.reference, unit)
    if low == high:
        return low
    return page("from_to", low=low.removesuffix(f" {_tail(low, unit.name)}"), high=high)


def _tail(text: str, unit: str) -> str:
    return text[text.index(unit) :]


def skipped_steps(run: Run, plan: Plan) -> tuple[str, ...]:
    """Return the steps that were not done, each with what was said of it."""
    if not run.marks:
        return ()
    return tuple(
        page("skipped_why", step=id, why=_skipped(done.why))
        for id, done in performances(run, plan).items()
        if isinstance(done, Skipped)
    )


def _skipped(why: str) -> str:
    return page(_SKIPPED[why]) if why in _SKIPPED else why or page("nobody_said")


def repeats(run: Run, plan: Plan) -> tuple[str, ...]:
    """Return why each attempt of a step that was cut short was begun again."""
    said = []
    for step in plan.steps:
        begun = 0
        for mark in run.marks:
            if mark.step != step.id:
                continue
            if mark.kind is MarkKind.STEP_BEGIN:
                begun += 1
            elif mark.kind is MarkKind.STEP_REPEAT:
                why = _again(step, mark)
                how = "attempt_why" if is_void(mark) else "attempt_weighed"
                said.append(page(how, step=step.id, n=begun, why=why))
    return tuple(said)


def _again(step: Step, mark: Mark) -> str:
    why = mark.data.get("why", "")
    if why not in _AGAIN:
        by = mark.by or page("not_stated")
        named = "again_rig" if RIG_CAUSE in mark.data else "again_person"
        return page(named, by=by, why=why or page("nobody_said"))
    shortest, longest = step.window or (None, None)
    window = ""
    if shortest is not None and longest is not None:
        window = page("from_to", low=f"{shortest.value_si:g}", high=longest.typed)
    return page(
        _AGAIN[why],
        found=mark.data.get("closing_s", "?"),
        window=window or page("again_window"),
    )


def attempts(run: Run, plan: Plan) -> str:
    """Return at which attempt the steps were judged."""
    several = [
        page("attempts_several", step=id, attempts=done.attempts)
        for id, done in performances(run, plan).items()
        if done.attempts > 1
    ]
    return "; ".join(several) or page("attempts_first")


def channels_used(run: Run, judgement: Judgement) -> tuple[Channel, ...]:
    """Return the channels that the findings rest on."""
    roles = {f.channel for f in judgement.findings if f.channel}
    if any(not f.channel for f in judgement.findings):
        roles |= {*_GAUGES, *_SURROUNDINGS}
    if any(f.kind.kind is Kind.LEAK for f in judgement.findings):
        roles |= set(_SURROUNDINGS)
    if run.marks:
        roles |= set(_GAUGES)  # the conditions of the steps
    return tuple(c for c in run.header.rig.channels if c.role in roles or c.id in roles)


def calibration_uncertainty(channel: Channel, plan: Plan) -> str:
    """Return a calibration's expanded uncertainty (k = 2): at zero, and of reading."""
    calibration = channel.calibration
    if calibration is None:
        return ""
    kind = channel.measure_unit.kind
    unit = unit_for(plan, kind, channel.role)
    fixed = K_95 * float(np.hypot(calibration.u_offset(), calibration.u_linearity()))
    size = to_unit(fixed, unit, difference=True)
    name = "K" if kind is Kind.TEMPERATURE and unit.name == "°C" else unit.name
    zero = f"{number(size, digits_for(size))} {name}"
    gain = K_95 * calibration.u_gain() / UNITS["%"].factor
    if gain <= 0.0:
        return zero
    share = f"{number(gain, digits_for(gain))} %"
    return page("of_reading", zero=zero, gain=share)


def expired(
    channels: Iterable[Channel], run: Run
) -> tuple[Channel, Calibration, datetime.date] | None:
    """Return the first channel whose calibration was due before the day of the run."""
    day = datetime.datetime.fromtimestamp(
        run.header.started_utc_ns / 1e9, tz=datetime.UTC
    ).date()
    for channel in channels:
        if channel.calibration is not None and channel.calibration.due < day:
            return channel, channel.calibration, day
    return None
