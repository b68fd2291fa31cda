"""The estimates against the limits of the plan: measured, decided and why."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence

from records.errors import Reason
from records.judgement import (
    FINDINGS,
    BudgetLine,
    Finding,
    Outcome,
    ResolvedLimit,
    Shape,
)
from records.measure import Measured, std_cm3_min
from records.plan import Limit, Plan

from .budget import combine
from .calibrated import why_blind, why_expired
from .deciding import with_what_decides
from .decision import Decision, resolve_limit
from .estimate import Estimate
from .found import FAILS, SEAT, Found, against, limit_of, once, references
from .rate import TAIL_REASONS
from .readings import Readings

_PASSES = (Outcome.PASS, Outcome.CONDITIONAL_PASS)


def decided(
    found: Sequence[Found], readings: Readings, plan: Plan
) -> Iterable[Finding]:
    """Yield the findings: each estimate against its limit, with all that it leans on.

    Args:
        found: all estimates, in the order of the steps.
        readings: of the run.
        plan: whose limits and rules decide.
    """
    for f in found:
        finding = _finding(f, readings, found, plan)
        expired = why_expired(f.estimate, readings)
        if finding.measured is not None and expired:
            finding = dataclasses.replace(finding, why=(*finding.why, *expired))
        yield finding


def _finding(
    found: Found, readings: Readings, all_found: Sequence[Found], plan: Plan
) -> Finding:
    estimate, limit = found.estimate, limit_of(found)
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
        resolved = resolve_limit(limit, references(found, readings, all_found))
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
    blind = why_blind(estimate, readings)
    if limit is None:
        all_told = (*blind, *estimate.trouble, *estimate.doubt)
        why_not = once((*all_told, Reason.of("no_limit")))
        return dataclasses.replace(base, outcome=Outcome.NO_LIMIT, why=why_not)
    if blind:
        return dataclasses.replace(
            base, outcome=Outcome.INCONCLUSIVE, why=(*blind, *once(estimate.trouble))
        )
    decision = against(found, readings, all_found, plan)
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
    found: Found,
    decision: Decision,
    interval: tuple[float, float],
    readings: Readings,
    all_found: Sequence[Found],
) -> float | None:
    """Return the probability of conformity, what may be hidden included."""
    estimate = found.estimate
    if estimate.bound:
        return None
    if estimate.id not in SEAT:
        return decision.p_conform
    if estimate.hidden is None or decision.p_conform is None:
        return None  # nothing says how much an outlet leak hides
    middle = dataclasses.replace(estimate, value=0.5 * (interval[0] + interval[1]))
    wide = against(found.with_estimate(middle), readings, all_found, interval=interval)
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
    found: Found,
    decision: Decision,
    interval: tuple[float, float],
    resolved: ResolvedLimit | Reason | None,
    readings: Readings,
    all_found: Sequence[Found],
    plan: Plan,
) -> tuple[Outcome, tuple[Reason, ...]]:
    """Return the outcome after trouble, doubt and what may be hidden."""
    estimate = found.estimate
    outcome, why = decision.outcome, decision.why
    if estimate.trouble:  # it decides, whatever side of the limit the interval lies on
        return Outcome.INCONCLUSIVE, once(estimate.trouble)
    if estimate.rig and outcome in FAILS:
        # the rig's fault is not the regulator's: nothing can be said of it
        return Outcome.INCONCLUSIVE, (why,)
    if estimate.bound and not _outside_surely(estimate, resolved):
        # what lies further out may keep the limit or not: nothing is decided by it
        return Outcome.INCONCLUSIVE, once((*estimate.doubt, why))
    if outcome is Outcome.INCONCLUSIVE:
        wide = [n for n in estimate.evidence.notes if n.id in TAIL_REASONS]
        return outcome, (why, *once((*wide, *estimate.doubt)))
    if outcome not in _PASSES:
        return outcome, (why, *once(estimate.doubt))
    if estimate.doubt:
        return Outcome.INCONCLUSIVE, once(estimate.doubt)
    if estimate.id in SEAT:
        if estimate.hidden is None:
            return Outcome.INCONCLUSIVE, (Reason.of("outlet_not_shown_tight"),)
        hard = against(found, readings, all_found, plan, interval)
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
