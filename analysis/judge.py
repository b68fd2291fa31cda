"""The one front door: from a run and a plan to findings, verdict and suspects.

The families of findings estimate; here their estimates meet the plan's limits and the
rules by which one finding leans on another: the rig's leak is a gate, a seat passes
only where the outlet was shown tight, a zero that moved makes everything doubtful.
"""

from __future__ import annotations

import dataclasses
import datetime
import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from records.calibration import Calibration
from records.errors import Reason
from records.jobcard import JobCard
from records.judgement import (
    FINDINGS,
    BudgetLine,
    Finding,
    Judgement,
    Outcome,
    ResolvedLimit,
    Shape,
)
from records.measure import Kind, Measured, std_cm3_min, to_unit
from records.plan import ZERO_UNCERTAINTY, Limit, Plan, Step
from records.rig import Channel
from records.run import Run, RunState

from .as_read import as_read
from .budget import combine
from .decay import holds, pressure_decay_rate
from .deciding import with_what_decides
from .decision import Decision, decide, resolve_limit, verdict
from .diagnosis import suspects
from .early import ended_at_look
from .estimate import Estimate, not_measured
from .events import LOOK_BEFORE_S
from .find_volume import outlet_volume
from .flow import flow_sweep, irregularity
from .highest import lockup_highest
from .hunting import hunting_findings
from .interstage import ROLE as BETWEEN
from .interstage import first_stage, held, not_counted, pushed, swept
from .leak import body_hold, rig_leak
from .lockup import inlet_moved, lockup_findings
from .looks import looked
from .marks import Performance, Skipped, given_up, performances
from .rate import TAIL_REASONS
from .readings import Readings
from .reference_leak import reference_leak, shift_rig_leak
from .relief import relief_findings
from .service_gas import in_service_gas
from .set_pressure import set_pressure
from .sweep import (
    SAME_INLET,
    Level,
    Repeat,
    inlet_sweep,
    read_level,
    repeatability,
    since_inlet_moved,
    supply_pressure_effect,
)
from .validity import When, ends_validity, facts_of, same_quantity
from .version import ANALYSIS_VERSION
from .volumes import EffectiveVolume, Volumes
from .zero import closing_zero_change, zero_offset

_GAUGES = ("inlet", "outlet")
_STAGES = ("outlet", BETWEEN)  # what each stage's findings are read on
_LEVELS = (
    *("set_pressure", "lockup_pressure", "lockup_highest"),
    *("relief_opening", "relief_reseat"),
)
_SEAT = ("seat_leak", "creep_rate")
_ACROSS = ("supply_pressure_effect", "repeatability")  # of several steps together
_TOLD_AT_ONCE = ("supply_effect_wrong_sign", "service_gas_condenses")
GATE_SHARE = 0.1  # of the tightest leak limit
_OF_RIG = ("zero", "rig-hold", "closing-zero")
_PASSES = (Outcome.PASS, Outcome.CONDITIONAL_PASS)
_FAILS = (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)


@dataclass(frozen=True, slots=True)
class _Found:
    """An estimate with the step it belongs to; ``step_id`` names a hold found."""

    step: Step
    step_id: str
    estimate: Estimate

    def with_estimate(self, estimate: Estimate) -> _Found:
        return dataclasses.replace(self, estimate=estimate)


def judge(
    run: Run,
    plan: Plan | None = None,
    job: JobCard | None = None,
    *,
    by: str = "",
) -> Judgement:
    """Return all findings of a run against a plan, and the verdict.

    Args:
        run: as read from its file.
        plan: the plan to judge by; None takes the one recorded with the run.
        job: the job card; None takes the one recorded with the run.
        by: who asked for the judgement.
    """
    own_plan = plan is None or plan == run.header.plan
    plan = run.header.plan if plan is None else plan
    job = run.header.job if job is None else job
    readings = Readings(run)
    done = performances(run, plan)
    findings = _findings(readings, plan, done, job)
    for number, before in given_up(run, plan):
        findings = _worst_stands(findings, number, before, readings, plan, done, job)
    return Judgement(
        run_id=run.id,
        run_sha256=run.sha256,
        run_state=run.state.value,
        plan_id=plan.id,
        plan_version=plan.version,
        plan_sha256=run.header.plan_sha256 if own_plan else "",
        analysis_version=ANALYSIS_VERSION,
        findings=findings,
        verdict=verdict(findings),
        suspects=suspects(findings),
        warnings=tuple(_warnings(run, plan, done, findings)),
        by=by,
        facts=(("job", job.id), ("serial", job.regulator.serial)),
    )


def _findings(
    readings: Readings,
    plan: Plan,
    done: dict[str, Performance | Skipped],
    job: JobCard,
) -> tuple[Finding, ...]:
    """Return the findings of what was performed."""
    found = _estimates(readings, plan, done, job)
    found = _still_valid(found, readings, plan, done)
    found = _across(found, readings, plan, done, job)
    found = _still_valid(found, readings, plan, done, ids=_ACROSS)
    found = [f.with_estimate(as_read(f.estimate, readings)) for f in found]
    found = _linked(found, readings, plan)
    found = [
        f.with_estimate(in_service_gas(f.estimate, readings, plan, job)) for f in found
    ]
    return tuple(_decided(found, readings, plan))


def _worst_stands(
    findings: tuple[Finding, ...],
    number: int,
    before: Performance,
    readings: Readings,
    plan: Plan,
    done: dict[str, Performance | Skipped],
    job: JobCard,
) -> tuple[Finding, ...]:
    """Return the findings, those in its place that an earlier attempt failed.

    What failed passes only after something was done to the regulator, or for a cause
    that lay in the rig; never by being tried again.

    Args:
        findings: of the attempts that count.
        number: of the earlier attempt.
        before: what was done in it.
        readings: of the run.
        plan: that the test went by.
        done: what was performed of it.
        job: the job card.
    """
    step = before.step
    if step.trial or step.kind in _OF_RIG or not step.limits:
        return findings
    as_before = _findings(readings, plan, {**done, step.id: before}, job)
    why = Reason.of(
        "worst_repeat_stands",
        step=step.id,
        attempt=number,
        attempts=before.attempts,
    )
    failed = {
        (f.id, f.channel): dataclasses.replace(f, why=(why, *f.why))
        for f in as_before
        if f.step == step.id and f.outcome in _FAILS and f.id not in _ACROSS
    }
    return tuple(
        failed.get((f.id, f.channel), f)
        if f.step == step.id and f.outcome not in _FAILS
        else f
        for f in findings
    )


# --- what was found ------------------------------------------------------------------


def _estimates(
    readings: Readings,
    plan: Plan,
    done: dict[str, Performance | Skipped],
    job: JobCard,
) -> list[_Found]:
    found: list[_Found] = []
    zero: Performance | None = None
    rig_upper: float | None = None
    volumes: Volumes = {}
    if not readings.run.marks or not plan.steps:
        found += _holds_found(readings, plan)
    for step in plan.steps:
        performed = done[step.id]
        if isinstance(performed, Performance) and performed.how == "timed_out":
            given_up = _swing_of_given_up(readings, performed)
            found += [_Found(step, step.id, e) for e in given_up]
        if step.trial:
            continue
        if step.from_shift:
            leak = shift_rig_leak(readings.run.header.shift, step)
            rig_upper = None if leak.interval is None else leak.interval[1]
            found.append(_Found(step, step.id, leak))
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
        found += [_Found(step, step.id, e) for e in estimates]
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


def _spent(found: _Found, kind: str) -> bool:
    """Tell whether something was done since that keeps a finding from its fellows.

    A setting that is set again is what its repeatability is found from.
    """
    ends = {"found_again", "adjusted_since", "opened_since"}
    if kind == "set":
        ends = {"opened_since"}
    return any(why.id in ends for why in found.estimate.trouble)


def _still_valid(
    found: list[_Found],
    readings: Readings,
    plan: Plan,
    done: dict[str, Performance | Skipped],
    ids: Sequence[str] = (),
) -> list[_Found]:
    """Return the findings, those undecided that something was done after.

    Where the test went on to find the same again, the later one decides; else it is
    open, and with it the verdict.

    Args:
        found: by every step.
        readings: of the run.
        plan: that the test went by.
        done: what was performed of it.
        ids: only these; all others that one step gives alone where there are none.
    """
    ends: dict[int, When] = {}
    for number, f in enumerate(found):
        performed = done.get(f.step.id)
        if f.estimate.value is None or not isinstance(performed, Performance):
            continue
        window = f.estimate.evidence.window_s
        end = performed.end_s if window is None else min(window[1], performed.end_s)
        ends[number] = When(performed.part, end)
    result = list(found)
    for number, until in ends.items():
        f = found[number]
        id = f.estimate.id
        if (id in ids) != bool(ids):
            continue
        mark = ends_validity(id, f.step, until, readings.run.marks, plan)
        if mark is None:
            continue
        later = [
            found[n]
            for n, when in ends.items()
            if found[n].estimate.id == id
            and found[n].estimate.channel == f.estimate.channel
            and not when.before(mark)
            and same_quantity(f.step, found[n].step)
            and (_limit_of(found[n]) is not None or _limit_of(f) is None)
        ]
        if later:
            why = Reason.of("found_again", again=later[-1].step_id, **facts_of(mark))
            f = dataclasses.replace(f, step=dataclasses.replace(f.step, required=False))
        else:
            why = Reason.of(f"{mark.kind.value}_since", **facts_of(mark))
        result[number] = f.with_estimate(
            dataclasses.replace(f.estimate, trouble=(why, *f.estimate.trouble))
        )
    return result


def _across(
    found: list[_Found],
    readings: Readings,
    plan: Plan,
    done: dict[str, Performance | Skipped],
    job: JobCard,
) -> list[_Found]:
    """Return the findings with those that several steps give together.

    Each stands at the step whose limit asks for it, else at the last step that it is
    from. Without a limit, what can't be found from these steps is not told.
    """
    inlet = readings.channel("inlet")
    stages = [
        (c, job.regulator.pushed if role == "outlet" else pushed(job))
        for role in _STAGES
        if (c := readings.channel(role)) is not None
    ]
    for (outlet, acts), (id, kind) in itertools.product(
        stages,
        (
            ("supply_pressure_effect", "lockup"),
            ("repeatability", "lockup"),
            ("repeatability", "set"),
        ),
    ):
        steps = [s for s in plan.steps if s.kind == kind and not s.trial]
        wanted = (id, outlet.role)
        asked = [
            s
            for s in steps
            if any((x.finding, _channel_of(x)) == wanted for x in s.limits)
        ]
        valid = [
            f
            for f in found
            if f.step.kind == kind
            and f.estimate.channel == outlet.role
            and not _spent(f, kind)
        ]
        repeats = _repeats(valid, outlet, readings)
        if id == "repeatability":
            estimate = repeatability([r for _, r in repeats], outlet, inlet)
        elif inlet is None:
            why = Reason.of("channel_missing", role="inlet")
            estimate = not_measured(id, outlet.role, why)
        else:
            estimate = supply_pressure_effect(
                _flowing(valid, outlet, readings),
                outlet,
                inlet,
                acts,
                _of_lockups([r for _, r in repeats]),
            )
        read = [s for s in steps if isinstance(done[s.id], Performance)]
        home = asked[-1] if asked else (read[-1] if read else None)
        if home is None or (estimate.missing is not None and not asked):
            continue
        places = [n for n, f in enumerate(found) if f.step_id == home.id]
        at = places[-1] + 1 if places else len(found)
        if isinstance(done[home.id], Skipped):
            continue  # said of the step already
        found = [*found[:at], _Found(home, home.id, estimate), *found[at:]]
    return found


def _repeats(
    found: Sequence[_Found], outlet: Channel, readings: Readings
) -> list[tuple[_Found, Repeat]]:
    """Return set or lockup pressures with the inlet that they were read at."""
    read = []
    for f in found:
        estimate, window = f.estimate, f.estimate.evidence.window_s
        if estimate.id not in ("set_pressure", "lockup_pressure") or (
            estimate.value is None or window is None
        ):
            continue
        level = read_level(readings, outlet, estimate.evidence.part, *window)
        if isinstance(level, Reason):
            continue
        own = [x for x in estimate.lines if x.source == "noise"]
        u = own[0].u if own else level.u
        level = dataclasses.replace(level, trouble=estimate.trouble)
        read.append((f, Repeat(estimate.value, u, level.inlet, level)))
    return read


def _flowing(
    found: Sequence[_Found], outlet: Channel, readings: Readings
) -> list[Level]:
    """Return outlet and inlet just before each closing, the small bleed flowing."""
    levels = []
    for f in found:
        model = dict(f.estimate.evidence.model)
        window = model.get("flowing_from_s"), model.get("flowing_to_s")
        if f.estimate.id != "lockup_rise" or window[0] is None or window[1] is None:
            continue
        part = f.estimate.evidence.part
        start = since_inlet_moved(readings, part, window[0], window[1])
        level = read_level(readings, outlet, part, start, window[1])
        if isinstance(level, Level):
            levels.append(level)
    return levels


def _of_lockups(repeats: Sequence[Repeat]) -> list[tuple[str, float]]:
    """Return the same ratio of the lockup pressures, for ``--why``."""
    if len(repeats) < 2:
        return []
    high = max(repeats, key=lambda r: r.inlet)
    low = min(repeats, key=lambda r: r.inlet)
    if high.inlet - low.inlet <= SAME_INLET * abs(high.inlet):
        return []
    ratio = (low.value - high.value) / (low.inlet - high.inlet)
    return [("of_lockup_pressures", ratio)]


def _swing_of_given_up(readings: Readings, done: Performance) -> list[Estimate]:
    """Return the swing of an outlet that could not be set, where that shows it."""
    outlet = readings.channel("outlet")
    if outlet is None or done.step.kind != "set" or done.hold is not None:
        return []
    window = (max(done.begin_s, done.end_s - LOOK_BEFORE_S), done.end_s)
    swing = hunting_findings(readings, outlet, done.part, window)
    return swing if all(e.value for e in swing) else []


def _gauges(readings: Readings) -> list[Channel]:
    channels = [readings.channel(role) for role in (*_GAUGES, BETWEEN)]
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


def _holds_found(readings: Readings, plan: Plan) -> list[_Found]:
    """Return what a recorded trace without marks shows: the rate of each hold."""
    template = next((s for s in plan.steps if s.kind == "hold"), None)
    if template is None:
        template = Step(id="hold", kind="hold")
    found = []
    for number, (part, start, stop) in enumerate(holds(readings), 1):
        found += [
            _Found(
                template,
                f"hold-{number}",
                pressure_decay_rate(readings, c, part, start, stop),
            )
            for c in readings.pressure_channels()
            if c.role != "ambient" and template.channel in (None, c.role, c.id)
        ]
    return found


def _undone(readings: Readings, step: Step, skipped: Skipped) -> list[_Found]:
    """Return the findings with a limit that a step would have given."""
    if step.kind == "hold" and not readings.run.marks:
        return []
    why = Reason.of("step_not_done", step=step.id, why=skipped.why or "not recorded")
    return [
        _Found(step, step.id, not_measured(limit.finding, _channel_of(limit), why))
        for limit in step.limits
    ]


def _lacking(step: Step, estimates: Sequence[Estimate]) -> list[Estimate]:
    """Return that a limit's finding is missing because its channel is."""
    return [
        not_measured(
            limit.finding,
            _channel_of(limit),
            Reason.of("channel_missing", role=_channel_of(limit) or "inlet, outlet"),
        )
        for limit in step.limits
        if not any(_meets(limit, e) for e in estimates)
        and not (step.kind in ("set", "lockup") and limit.finding in _ACROSS)
    ]


def _channel_of(limit: Limit) -> str:
    return limit.channel or FINDINGS[limit.finding].channel


def _meets(limit: Limit, estimate: Estimate) -> bool:
    if limit.finding != estimate.id:
        return False
    if limit.channel is None and FINDINGS[limit.finding].channel in _STAGES:
        # of two stages a limit that names no channel is the last one's
        return estimate.channel != BETWEEN
    return limit.channel in (None, estimate.channel)


# --- how findings lean on each other -------------------------------------------------


def _linked(found: list[_Found], readings: Readings, plan: Plan) -> list[_Found]:
    """Return the estimates with what other findings say of them."""
    found = _gated(found, readings)
    found = _tight(found)
    moved = [f for f in found if _outside(f, "closing_zero_change", readings, found)]
    if moved:
        roles = ", ".join(f.estimate.channel for f in moved)
        why = Reason.of("zero_moved", channel=roles)
        found = [
            f
            if f.estimate.id == "zero_offset"
            else f.with_estimate(f.estimate.but(trouble=[why]))
            for f in found
        ]
    for f in list(found):
        if _outside(f, "zero_offset", readings, found):
            why = Reason.of("zero_not_established", channel=f.estimate.channel)
            found = [
                g.with_estimate(g.estimate.but(trouble=[why]))
                if g.estimate.id in _LEVELS and g.estimate.channel == f.estimate.channel
                else g
                for g in found
            ]
    return found


def _outside(
    found: _Found, id: str, readings: Readings, all_found: Sequence[_Found]
) -> bool:
    if found.estimate.id != id:
        return False
    decision = _against(found, readings, all_found)
    return isinstance(decision, Decision) and decision.outcome in _FAILS


def _gated(found: list[_Found], readings: Readings) -> list[_Found]:
    """Return the leak findings, undecided where the rig leaks more than its gate."""
    rig = next((f for f in found if f.estimate.id == "rig_leak"), None)
    why: Reason | None = None
    if rig is None:
        # a leak of the rig can look like one of the regulator, or hide one
        why = Reason.of("rig_leak_unknown")
    else:
        limit = _limit_of(rig)
        resolved = None if limit is None else resolve_limit(limit, {})
        estimate = rig.estimate
        if estimate.interval is None or estimate.trouble:
            why = Reason.of("rig_leak_unknown")
        else:
            upper, gate = estimate.interval[1], _gate(found, resolved)
            if gate is not None and upper > gate:
                why = Reason.of(
                    "rig_leak_above_gate",
                    upper_end=f"{std_cm3_min(upper):.3f} std cm3/min",
                    gate=f"{std_cm3_min(gate):.3f} std cm3/min",
                )
    if why is None:
        return found
    leaks = ("external_leak", "seat_leak", "rig_leak")
    return [
        f.with_estimate(f.estimate.but(trouble=[why]))
        if f.estimate.id in leaks and f.estimate.missing is None
        else f
        for f in found
    ]


def _gate(
    found: Sequence[_Found], resolved: ResolvedLimit | Reason | None
) -> float | None:
    """Return how much the rig may leak, Pa·m3/s.

    The plan's own limit, and never more than a tenth of its tightest leak limit.
    """
    own = resolved.max if isinstance(resolved, ResolvedLimit) else None
    ends = [own]
    for f in found:
        if f.estimate.id in ("external_leak", "seat_leak"):
            limit = _limit_of(f)
            other = None if limit is None else resolve_limit(limit, {})
            if isinstance(other, ResolvedLimit) and other.max is not None:
                ends.append(GATE_SHARE * other.max)
    return min((end for end in ends if end is not None), default=None)


def _tight(found: list[_Found]) -> list[_Found]:
    """Return the seat findings with the outlet loss that could hide a seat leak."""
    result = []
    for number, f in enumerate(found):
        estimate = f.estimate
        if estimate.id not in _SEAT or estimate.value is None:
            result.append(f)
            continue
        later = [
            g.estimate
            for g in found[number:]
            if g.estimate.id == "external_leak" and g.estimate.interval is not None
        ]
        if later and later[-1].interval is not None:
            hidden = max(0.0, later[-1].interval[1])
            if estimate.id == "creep_rate":
                hidden += _taken(f, found)
                side = f"volume_{estimate.channel}"
                volume = dict(later[-1].evidence.model).get(side, 0.0)
                gas_k = dict(later[-1].evidence.model).get("gas_temperature_k", 293.15)
                hidden = hidden / volume * gas_k / 293.15 if volume > 0.0 else 0.0
            estimate = dataclasses.replace(estimate, hidden=hidden)
            if later[-1].trouble or later[-1].doubt:
                untold = Reason.of("outlet_not_shown_tight")
                estimate = estimate.but(doubt=[untold])
        result.append(f.with_estimate(estimate))
    return result


def _taken(creep: _Found, found: Sequence[_Found]) -> float:
    """Return what a second seat may take from behind the first, Pa·m3/s."""
    if creep.estimate.channel != BETWEEN:
        return 0.0
    seats = [
        f.estimate.interval[1]
        for f in found
        if (f.step_id, f.estimate.id) == (creep.step_id, "seat_leak")
        and f.estimate.channel == "outlet"
        and f.estimate.interval is not None
    ]
    return max([0.0, *seats])


# --- against the limits --------------------------------------------------------------


def _limit_of(found: _Found) -> Limit | None:
    return next((x for x in found.step.limits if _meets(x, found.estimate)), None)


def _references(
    found: _Found, readings: Readings, all_found: Sequence[_Found]
) -> dict[str, tuple[float, float]]:
    """Return what a limit may refer to: earlier findings, the zero's uncertainty."""
    references: dict[str, tuple[float, float]] = {}
    here = found.estimate.channel
    for f in all_found:
        if f.step_id == found.step_id:
            break
        there = f.estimate.channel
        if there != here and {there, here} <= set(_STAGES):
            continue  # a stage is held against its own findings
        if f.estimate.value is not None:
            references[f.estimate.id] = (f.estimate.value, f.estimate.u)
    channel = readings.channel(found.estimate.channel)
    if channel is not None and channel.calibration is not None:
        references[ZERO_UNCERTAINTY] = (2.0 * channel.calibration.u_offset(), 0.0)
    return references


def _against(
    found: _Found,
    readings: Readings,
    all_found: Sequence[_Found],
    plan: Plan | None = None,
    interval: tuple[float, float] | None = None,
) -> Decision | Reason | None:
    """Return how an estimate stands against its limit; None without a limit."""
    limit = _limit_of(found)
    estimate = found.estimate
    interval = estimate.interval if interval is None else interval
    if limit is None or estimate.value is None or interval is None:
        return None
    resolved = resolve_limit(limit, _references(found, readings, all_found))
    if isinstance(resolved, Reason):
        return resolved
    rule, risk = ("guarded", None) if plan is None else plan.rule_for(limit)
    return decide(estimate.value, interval, resolved, rule, estimate.dof, risk)


def _decided(
    found: Sequence[_Found], readings: Readings, plan: Plan
) -> Iterable[Finding]:
    for f in found:
        finding = _finding(f, readings, found, plan)
        expired = _expired(f.estimate, readings)
        if finding.measured is not None and expired:
            finding = dataclasses.replace(finding, why=(*finding.why, *expired))
        yield finding


def _finding(
    found: _Found, readings: Readings, all_found: Sequence[_Found], plan: Plan
) -> Finding:
    estimate, limit = found.estimate, _limit_of(found)
    kind = FINDINGS[estimate.id]
    rule, risk = plan.rule_for(limit)
    base = Finding(
        id=estimate.id,
        step=found.step_id,
        channel=estimate.channel,
        required=limit is not None and limit.required and found.step.required,
        rule=rule,
        risk=risk,
        evidence=estimate.evidence,
    )
    resolved: ResolvedLimit | Reason | None = None
    if limit is not None:
        resolved = resolve_limit(limit, _references(found, readings, all_found))
        if isinstance(resolved, ResolvedLimit):
            base = dataclasses.replace(base, limit=resolved)
    if estimate.value is None or estimate.interval is None:
        absent = estimate.missing or Reason.of("step_not_done", step=found.step_id)
        return dataclasses.replace(base, why=(absent,))
    interval, lines = _with_hidden(estimate, limit)
    base = dataclasses.replace(
        base,
        measured=Measured(
            estimate.value,
            math.hypot(estimate.u, *(x.u for x in lines if x.group == "outlet_loss")),
            kind.kind,
            kind.reference,
            # of the whole budget: a family with an interval of its own states none
            combine(lines).dof if lines else estimate.dof,
        ),
        interval=interval,
        budget=lines,
    )
    blind = _blind(estimate, readings)
    if limit is None:
        all_told = (*blind, *estimate.trouble, *estimate.doubt)
        why_not = _once((*all_told, Reason.of("no_limit")))
        return dataclasses.replace(base, outcome=Outcome.NO_LIMIT, why=why_not)
    if blind:
        return dataclasses.replace(
            base, outcome=Outcome.INCONCLUSIVE, why=(*blind, *_once(estimate.trouble))
        )
    decision = _against(found, readings, all_found, plan)
    if not isinstance(decision, Decision):
        lost = decision or Reason.of("limit_reference_missing", of="")
        return dataclasses.replace(base, outcome=Outcome.NOT_MEASURED, why=(lost,))
    outcome, why = _outcome(
        found, decision, interval, resolved, readings, all_found, plan
    )
    evidence = estimate.evidence
    if isinstance(resolved, ResolvedLimit):
        evidence = with_what_decides(estimate, outcome, resolved, why).evidence
    return dataclasses.replace(
        base,
        outcome=outcome,
        why=why,
        evidence=evidence,
        p_conform=_conforms(found, decision, interval, readings, all_found),
    )


def _conforms(
    found: _Found,
    decision: Decision,
    interval: tuple[float, float],
    readings: Readings,
    all_found: Sequence[_Found],
) -> float | None:
    """Return the probability of conformity, what may be hidden included."""
    estimate = found.estimate
    if estimate.bound:
        return None
    if estimate.id not in _SEAT:
        return decision.p_conform
    if estimate.hidden is None or decision.p_conform is None:
        return None  # nothing says how much an outlet leak hides
    middle = dataclasses.replace(estimate, value=0.5 * (interval[0] + interval[1]))
    wide = _against(found.with_estimate(middle), readings, all_found, interval=interval)
    if not isinstance(wide, Decision) or wide.p_conform is None:
        return decision.p_conform
    return min(decision.p_conform, wide.p_conform)


def _with_hidden(
    estimate: Estimate, limit: Limit | None
) -> tuple[tuple[float, float], tuple[BudgetLine, ...]]:
    """Return interval and budget with the outlet loss that could hide a seat leak."""
    assert estimate.interval is not None
    if estimate.hidden is None or (estimate.id == "creep_rate" and limit is None):
        return estimate.interval, estimate.lines
    low, high = estimate.interval
    line = BudgetLine(
        source="outlet_loss",
        u=estimate.hidden / 12.0**0.5,
        value=estimate.hidden,
        group="outlet_loss",
        shape=Shape.ONE_SIDED,
    )
    return (low, high + estimate.hidden), (*estimate.lines, line)


def _outcome(
    found: _Found,
    decision: Decision,
    interval: tuple[float, float],
    resolved: ResolvedLimit | Reason | None,
    readings: Readings,
    all_found: Sequence[_Found],
    plan: Plan,
) -> tuple[Outcome, tuple[Reason, ...]]:
    """Return the outcome after trouble, doubt and what may be hidden."""
    estimate = found.estimate
    outcome, why = decision.outcome, decision.why
    if estimate.trouble:  # it decides, whatever side of the limit the interval lies on
        return Outcome.INCONCLUSIVE, _once(estimate.trouble)
    if estimate.rig and outcome in _FAILS:
        # the rig's fault is not the regulator's: nothing can be said of it
        return Outcome.INCONCLUSIVE, (why,)
    if estimate.bound and not _outside_surely(estimate, resolved):
        # what lies further out may keep the limit or not: nothing is decided by it
        return Outcome.INCONCLUSIVE, _once((*estimate.doubt, why))
    if outcome is Outcome.INCONCLUSIVE:
        wide = [n for n in estimate.evidence.notes if n.id in TAIL_REASONS]
        return outcome, (why, *_once((*wide, *estimate.doubt)))
    if outcome not in _PASSES:
        return outcome, (why, *_once(estimate.doubt))
    if estimate.doubt:
        return Outcome.INCONCLUSIVE, _once(estimate.doubt)
    if estimate.id in _SEAT:
        if estimate.hidden is None:
            return Outcome.INCONCLUSIVE, (Reason.of("outlet_not_shown_tight"),)
        hard = _against(found, readings, all_found, plan, interval)
        if not isinstance(hard, Decision) or hard.outcome not in _PASSES:
            hiding = Reason.of(
                "outlet_leak_could_hide_it",
                outlet_loss=f"{std_cm3_min(estimate.hidden):.3f} std cm3/min"
                if estimate.id == "seat_leak"
                else f"{estimate.hidden:.3g} Pa/s",
            )
            return Outcome.INCONCLUSIVE, (hiding,)
    return outcome, (why,)


def _outside_surely(
    estimate: Estimate, resolved: ResolvedLimit | Reason | None
) -> bool:
    """Tell whether what is only known to lie beyond its interval breaks its limit."""
    if not isinstance(resolved, ResolvedLimit) or estimate.interval is None:
        return False
    low, high = estimate.interval
    k = 2.0 * resolved.u
    if estimate.bound == "lower":
        return resolved.max is not None and low > resolved.max + k
    return resolved.min is not None and high < resolved.min - k


def _once(reasons: Sequence[Reason]) -> tuple[Reason, ...]:
    return tuple(dict.fromkeys(reasons))


def _blind(estimate: Estimate, readings: Readings) -> list[Reason]:
    """Return why the calibrations that a finding leans on say nothing of it."""
    channels = [c for c in map(readings.channel, _read_on(estimate)) if c is not None]
    unknown = [
        c.id for c in channels if c.calibration is None or not c.calibration.terms
    ]
    if unknown:
        return [Reason.of("no_calibration", channel=", ".join(unknown))]
    day = _day(readings.run)
    found: list[Reason] = []
    for channel in channels:
        record = channel.calibration
        assert record is not None
        if record.date > day:
            found.append(
                Reason.of(
                    "calibration_later",
                    channel=channel.id,
                    date=record.date.isoformat(),
                )
            )
        found += _beyond(channel, record, estimate, readings)
    return found


def _beyond(
    channel: Channel, record: Calibration, estimate: Estimate, readings: Readings
) -> list[Reason]:
    """Return a reason where a finding was read beyond what was compared."""
    window = estimate.evidence.window_s
    if record.range is None or window is None:
        return []
    held = readings.looked_at(channel, estimate.evidence.part, *window)
    read = held.value[(held.t_s >= window[0]) & (held.t_s <= window[1])]
    if not read.size:
        return []
    # what noise does around zero is no reading below the range
    low, high = float(np.mean(read)), float(np.max(read))
    if record.covers(low, high):
        return []
    unit = channel.measure_unit
    return [
        Reason.of(
            "outside_calibration",
            channel=channel.id,
            highest=f"{to_unit(high, unit):.4g} {channel.unit}",
            low=record.range[0].typed,
            high=record.range[1].typed,
        )
    ]


def _day(run: Run) -> datetime.date:
    seconds = run.header.started_utc_ns / 1e9
    return datetime.datetime.fromtimestamp(seconds, tz=datetime.UTC).date()


def _read_on(estimate: Estimate) -> tuple[str, ...]:
    """Return the roles whose calibration a finding leans on; none for what is seen."""
    if estimate.id == "gauge_zero" or FINDINGS[estimate.id].kind is Kind.COUNT:
        return ()
    between = (BETWEEN,) if f"volume_{BETWEEN}" in dict(estimate.evidence.model) else ()
    return (estimate.channel,) if estimate.channel else (*_GAUGES, *between)


def _expired(estimate: Estimate, readings: Readings) -> list[Reason]:
    """Return the calibrations that a finding leans on and that were overdue."""
    roles = list(_read_on(estimate))
    if FINDINGS[estimate.id].kind in (Kind.LEAK, Kind.RATE):
        roles += ["ambient", "gas_temperature"]
    channels = [readings.channel(role) for role in roles]
    return _overdue([c for c in channels if c is not None], readings.run)


def _overdue(channels: Iterable[Channel], run: Run) -> list[Reason]:
    """Return the calibrations of channels that were due before the day of the run."""
    day = _day(run)
    return [
        Reason.of(
            "calibration_expired",
            channel=c.id,
            due=c.calibration.due.isoformat(),
        )
        for c in channels
        if c.calibration is not None and c.calibration.due < day
    ]


# --- what else to know ---------------------------------------------------------------


def _warnings(
    run: Run,
    plan: Plan,
    done: dict[str, Performance | Skipped],
    findings: Sequence[Finding],
) -> Iterable[Reason]:
    header = run.header
    if header.rig.simulated:
        yield Reason.of("simulated_rig")
    if not run.key_id:
        yield Reason.of("run_unsigned")
    if run.state is RunState.INTERRUPTED:
        yield Reason.of("run_interrupted")
    if len(run.parts) > 1:
        yield Reason.of("several_parts", parts=len(run.parts))
    if plan.status == "draft":
        yield Reason.of("plan_is_draft", plan=plan.id, version=plan.version)
    if not any(step.limits for step in plan.steps):
        yield Reason.of("no_plan")
    if not findings:
        yield Reason.of("no_hold_found")
    if header.job.two_stages and header.rig.channel(BETWEEN) is None:
        yield Reason.of("interstage_not_read")
    told = dict.fromkeys(n for f in findings for n in f.evidence.notes)
    yield from (note for note in told if note.id in _TOLD_AT_ONCE)
    used = {role for f in findings for role in ([f.channel] if f.channel else _GAUGES)}
    ours = [c for c in header.rig.channels if c.role in used]
    for channel in ours:
        if channel.calibration is None:
            yield Reason.of("no_calibration", channel=channel.id)
    beside = ("ambient", "gas_temperature")
    yield from _overdue(
        [c for c in header.rig.channels if c in ours or c.role in beside], run
    )
    zeros = [s for s in plan.steps if s.kind == "zero"]
    if any(isinstance(done[s.id], Skipped) for s in zeros) or any(
        reason.id == "zero_not_established" for f in findings for reason in f.why
    ):
        yield Reason.of("zero_not_established")
    for step in plan.steps:
        performed = done[step.id]
        if performed.attempts > 1:
            yield Reason.of(
                "attempts_repeated", step=step.id, attempts=performed.attempts
            )
