"""What each step that was performed shows: its estimates, or why there are none."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from records.errors import Reason
from records.jobcard import JobCard
from records.plan import Plan, Step
from records.rig import Channel

from .decay import holds, pressure_decay_rate
from .early import ended_at_look
from .estimate import Estimate, not_measured
from .events import LOOK_BEFORE_S
from .find_volume import outlet_volume
from .flow import flow_sweep, irregularity
from .found import ACROSS, GAUGES, Found, channel_of, meets
from .highest import lockup_highest
from .hunting import hunting_findings
from .interstage import ROLE as BETWEEN
from .interstage import first_stage, held, not_counted, swept
from .isolation import not_shown_isolated
from .leak import body_hold, rig_leak
from .lockup import inlet_moved, lockup_findings
from .looks import looked
from .marks import Performance, Skipped
from .readings import Readings
from .reference_leak import reference_leak, shift_rig_leak
from .relief import relief_findings
from .set_pressure import set_pressure
from .sweep import (
    inlet_sweep,
)
from .volumes import EffectiveVolume, Volumes
from .zero import closing_zero_change, zero_offset


def estimates_by_step(
    readings: Readings,
    plan: Plan,
    done: dict[str, Performance | Skipped],
    job: JobCard,
) -> list[Found]:
    """Return what each step of a plan gave, or why it gave nothing.

    Args:
        readings: of the run.
        plan: that the test went by.
        done: what was performed of it.
        job: the job card.
    """
    found: list[Found] = []
    zero: Performance | None = None
    rig_upper: float | None = None
    volumes: Volumes = {}
    if not readings.run.marks or not plan.steps:
        found += _holds_found(readings, plan)
    for step in plan.steps:
        performed = done[step.id]
        if isinstance(performed, Performance) and performed.how == "timed_out":
            given_up = _swing_of_given_up(readings, performed)
            found += [Found(step, step.id, e) for e in given_up]
        if step.trial:
            continue
        if step.from_shift:
            leak = shift_rig_leak(readings.run.header.shift, step)
            rig_upper = None if leak.interval is None else leak.interval[1]
            found.append(Found(step, step.id, leak))
            continue
        if isinstance(performed, Skipped):
            if _not_fitted(step, job):
                step = dataclasses.replace(step, required=False)
            found += _undone(readings, step, performed)
            continue
        estimates: list[Estimate]
        if step.kind == "zero":
            zero = performed
            estimates = [zero_offset(readings, c, performed) for c in _gauges(readings)]
        elif step.kind == "rig-hold":
            leak = rig_leak(readings, performed)
            rig_upper = None if leak.interval is None else leak.interval[1]
            estimates = [leak]
        elif step.kind == "reference-leak":
            estimates = [reference_leak(readings, performed)]
        elif step.kind == "body-hold":
            estimates = body_hold(readings, performed, rig_upper, volumes)
            estimates = not_counted(readings, job, estimates)
            untold = not_shown_isolated(readings, performed)
            if untold is not None:
                estimates = [e.but(doubt=[untold]) for e in estimates]
        elif step.kind == "find-volume":
            estimates = _find_volume(readings, performed, volumes)
        elif step.kind == "closing-zero":
            estimates = _closing_zero(readings, zero, performed)
        elif step.kind == "hold":
            estimates = _hold(readings, step, performed)
        elif step.kind == "look":
            estimates = looked(readings, performed)
        elif step.kind in ("relief", "as-received"):
            estimates = _beside(readings, step, performed)
        elif step.kind in ("inlet-sweep", "flow-sweep"):
            estimates = _swept(readings, plan, performed, job)
        else:
            estimates = _outlet(readings, step, performed, volumes)
        estimates = _with_look(readings, performed, estimates)
        estimates = [*estimates, *_lacking(step, estimates)]
        found += [Found(step, step.id, e) for e in estimates]
    return found


def _find_volume(
    readings: Readings, done: Performance, volumes: Volumes
) -> list[Estimate]:
    """Return the outlet's volume; later leaks of the run use one without a doubt."""
    outlet = readings.channel("outlet")
    if outlet is None:
        return []
    found = outlet_volume(readings, outlet, done)
    if found.value is not None and not (found.trouble or found.doubt):
        volumes["outlet"] = EffectiveVolume(
            volume=found.value,
            holds=found.value,
            u_found=found.u,
            found_in=done.step.id,
        )
    return [found]


def _beside(readings: Readings, step: Step, done: Performance) -> list[Estimate]:
    """Return what the relief, or the outlet as it came, shows."""
    outlet = readings.channel("outlet")
    if outlet is None:
        return []
    if step.kind == "relief":
        return relief_findings(readings, outlet, done)
    if done.hold is None:
        return []
    highest = lockup_highest(readings, outlet, done.part, done.hold)
    moved = inlet_moved(readings, done)
    return [highest if moved is None else highest.but(trouble=[moved])]


def _not_fitted(step: Step, job: JobCard) -> bool:
    """Tell whether a step is of what the regulator does not have."""
    return step.kind == "relief" and not job.regulator.nameplate.has_relief


def _with_look(
    readings: Readings, done: Performance, estimates: Sequence[Estimate]
) -> list[Estimate]:
    """Return the estimates with the look that ended their hold, where one did."""
    why = ended_at_look(readings.run.marks, done)
    if why is None:
        return list(estimates)
    return [
        dataclasses.replace(
            e,
            evidence=dataclasses.replace(e.evidence, notes=(*e.evidence.notes, why)),
        )
        for e in estimates
    ]


def _outlet(
    readings: Readings, step: Step, done: Performance, volumes: Volumes
) -> list[Estimate]:
    outlet = readings.channel("outlet")
    if outlet is None or step.kind not in ("set", "lockup", "creep-hold"):
        return []
    if step.kind == "set":
        estimates = [set_pressure(readings, outlet, done)]
        if done.hold is not None:
            estimates += hunting_findings(readings, outlet, done.part, done.hold)
        estimates += first_stage(readings, outlet, done)
    elif step.kind == "lockup":
        estimates = lockup_findings(readings, outlet, done)
        estimates += first_stage(readings, outlet, done)
    else:
        estimates = held(readings, outlet, done, volumes)
    moved = inlet_moved(readings, done)
    return estimates if moved is None else [e.but(trouble=[moved]) for e in estimates]


def _swept(
    readings: Readings, plan: Plan, done: Performance, job: JobCard
) -> list[Estimate]:
    outlet = readings.channel("outlet")
    if outlet is None:
        return []
    gas = job.test_gas or plan.test_gas
    if done.step.kind == "flow-sweep":
        return flow_sweep(readings, outlet, done, plan, gas)
    found = inlet_sweep(readings, outlet, done, job.regulator.pushed)
    if done.step.rated_flow is not None:
        found.append(irregularity(readings, outlet, done, gas))
    return [*found, *swept(readings, done, job)]


def _swing_of_given_up(readings: Readings, done: Performance) -> list[Estimate]:
    """Return the swing of an outlet that could not be set, where that shows it."""
    outlet = readings.channel("outlet")
    if outlet is None or done.step.kind != "set" or done.hold is not None:
        return []
    window = (max(done.begin_s, done.end_s - LOOK_BEFORE_S), done.end_s)
    swing = hunting_findings(readings, outlet, done.part, window)
    return swing if all(e.value for e in swing) else []


def _gauges(readings: Readings) -> list[Channel]:
    channels = [readings.channel(role) for role in (*GAUGES, BETWEEN)]
    return [c for c in channels if c is not None and c.zero_at_vent]


def _closing_zero(
    readings: Readings, zero: Performance | None, done: Performance
) -> list[Estimate]:
    if zero is None:
        why = Reason.of("zero_not_established")
        return [
            not_measured("closing_zero_change", c.role, why) for c in _gauges(readings)
        ]
    return [closing_zero_change(readings, c, zero, done) for c in _gauges(readings)]


def _hold(readings: Readings, step: Step, done: Performance) -> list[Estimate]:
    if done.hold is None:
        return []
    return [
        pressure_decay_rate(readings, c, done.part, *done.hold)
        for c in readings.pressure_channels()
        if step.channel in (None, c.role, c.id)
    ]


def _holds_found(readings: Readings, plan: Plan) -> list[Found]:
    """Return what a recorded trace without marks shows: the rate of each hold."""
    template = next((s for s in plan.steps if s.kind == "hold"), None)
    if template is None:
        template = Step(id="hold", kind="hold")
    found = []
    for number, (part, start, stop) in enumerate(holds(readings), 1):
        found += [
            Found(
                template,
                f"hold-{number}",
                pressure_decay_rate(readings, c, part, start, stop),
            )
            for c in readings.pressure_channels()
            if c.role != "ambient" and template.channel in (None, c.role, c.id)
        ]
    return found


def _undone(readings: Readings, step: Step, skipped: Skipped) -> list[Found]:
    """Return the findings with a limit that a step would have given."""
    if step.kind == "hold" and not readings.run.marks:
        return []
    why = Reason.of("step_not_done", step=step.id, why=skipped.why or "not recorded")
    return [
        Found(step, step.id, not_measured(limit.finding, channel_of(limit), why))
        for limit in step.limits
    ]


def _lacking(step: Step, estimates: Sequence[Estimate]) -> list[Estimate]:
    """Return that a limit's finding is missing because its channel is."""
    return [
        not_measured(
            limit.finding,
            channel_of(limit),
            Reason.of("channel_missing", role=channel_of(limit) or "inlet, outlet"),
        )
        for limit in step.limits
        if not any(meets(limit, e) for e in estimates)
        and not (step.kind in ("set", "lockup") and limit.finding in ACROSS)
    ]
