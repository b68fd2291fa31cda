"""The one front door: from a run and a plan to findings, verdict and suspects.

The families of findings estimate; here their estimates meet the plan's limits and the
rules by which one finding leans on another: the rig's leak is a gate, a seat passes
only where the outlet was shown tight, a zero that moved makes everything doubtful.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence

from records.errors import Reason
from records.jobcard import JobCard
from records.judgement import (
    Finding,
    Judgement,
)
from records.plan import Plan
from records.run import MarkKind, Run, RunState

from .across_steps import with_those_across
from .against_limits import decided
from .as_read import as_read
from .by_step import estimates_by_step
from .calibrated import overdue
from .decision import verdict
from .diagnosis import suspects
from .found import ACROSS, FAILS, GAUGES
from .halted import halted
from .interstage import ROLE as BETWEEN
from .leaning import linked, still_valid
from .marks import Performance, Skipped, given_up, performances
from .readings import Readings
from .service_gas import in_service_gas
from .version import ANALYSIS_VERSION

_TOLD_AT_ONCE = ("supply_effect_wrong_sign", "service_gas_condenses")
_BY_ITSELF = "trace"  # who writes a mark that no person asked for
_OF_RIG = ("zero", "rig-hold", "closing-zero")


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
        suspects=suspects(findings, halted(readings, done)),
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
    found = estimates_by_step(readings, plan, done, job)
    found = still_valid(found, readings, plan, done)
    found = with_those_across(found, readings, plan, done, job)
    found = still_valid(found, readings, plan, done, ids=ACROSS)
    found = [f.with_estimate(as_read(f.estimate, readings)) for f in found]
    found = linked(found, readings, plan)
    found = [
        f.with_estimate(in_service_gas(f.estimate, readings, plan, job)) for f in found
    ]
    return tuple(decided(found, readings, plan))


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
        if f.step == step.id and f.outcome in FAILS and f.id not in ACROSS
    }
    return tuple(
        failed.get((f.id, f.channel), f)
        if f.step == step.id and f.outcome not in FAILS
        else f
        for f in findings
    )


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
    for each in run.moved:
        yield Reason.of(
            "boundary_moved",
            step=each.step,
            by=each.by,
            why=each.why,
            **{
                name: f"{getattr(each, name):.1f}"
                for name in ("begin_s", "end_s", "was_begin_s", "was_end_s")
            },
        )
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
    used = {role for f in findings for role in ([f.channel] if f.channel else GAUGES)}
    ours = [c for c in header.rig.channels if c.role in used]
    for channel in ours:
        if channel.calibration is None:
            yield Reason.of("no_calibration", channel=channel.id)
    beside = ("ambient", "gas_temperature")
    yield from overdue(
        [c for c in header.rig.channels if c in ours or c.role in beside], run
    )
    zeros = [s for s in plan.steps if s.kind == "zero"]
    if any(isinstance(done[s.id], Skipped) for s in zeros) or any(
        reason.id == "zero_not_established" for f in findings for reason in f.why
    ):
        yield Reason.of("zero_not_established")
    for mark in run.marks:
        if mark.kind is MarkKind.STEP_SKIP and mark.by != _BY_ITSELF:
            if isinstance(done.get(mark.step), Skipped):
                why = mark.data.get("why", "")
                yield Reason.of("step_skipped", step=mark.step, by=mark.by, why=why)
    for step in plan.steps:
        performed = done[step.id]
        if performed.attempts > 1:
            yield Reason.of(
                "attempts_repeated", step=step.id, attempts=performed.attempts
            )
