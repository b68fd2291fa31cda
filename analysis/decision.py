"""Decision rules, limits that refer to other findings, and the verdict of a run.

Source of the terms: JCGM 106:2012, 7.4 (probability of conformity) and 8; ILAC-G8:
09/2019, 4.2. The rules are named and defined in ``docs`` and here:

``simple``       the value against the limit
``guarded``      the 95 % interval wholly inside: pass; wholly outside: fail; across:
                 inconclusive
``conditional``  as guarded; across the limit the value's side decides, conditionally
``risk``         pass where the probability of not conforming is at most the risk that
                 the plan states, fail where that of conforming is

A tie is inside.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from scipy.special import stdtr

from records.errors import Reason
from records.judgement import Finding, Outcome, ResolvedLimit, Verdict
from records.plan import USUAL_RISK, ZERO_UNCERTAINTY, Bound, Limit

from .budget import coverage_factor


@dataclass(frozen=True, slots=True)
class Decision:
    """Outcome of one finding against one limit, and why."""

    outcome: Outcome
    why: Reason
    p_conform: float | None


def resolve_limit(
    limit: Limit, references: Mapping[str, tuple[float, float]]
) -> ResolvedLimit | Reason:
    """Return a limit in SI, or ``limit_reference_missing``.

    Args:
        limit: as the plan has it.
        references: value and standard uncertainty of what a bound may refer to; for
            ``zero_uncertainty`` the expanded uncertainty and 0.
    """
    ends: list[float | None] = []
    u = 0.0
    typed = []
    for name, bound in (("min", limit.min), ("max", limit.max)):
        if bound is None:
            ends.append(None)
            continue
        typed.append(f"{name} {bound.typed}")
        found = _resolve(bound, references)
        if found is None:
            return Reason.of("limit_reference_missing", of=bound.of)
        ends.append(found[0])
        u = max(u, found[1])
    return ResolvedLimit(
        min=ends[0], max=ends[1], source=limit.source, u=u, typed=", ".join(typed)
    )


def _resolve(
    bound: Bound, references: Mapping[str, tuple[float, float]]
) -> tuple[float, float] | None:
    share = bound.quantity.value_si
    if bound.of is None:
        return share, 0.0
    found = references.get(bound.of)
    if found is None:
        return None
    value, u = found
    return share * value, 0.0 if bound.of == ZERO_UNCERTAINTY else abs(share) * u


def decide(
    value: float,
    interval: tuple[float, float],
    limit: ResolvedLimit,
    rule: str = "guarded",
    dof: float | None = None,
    risk: float | None = None,
) -> Decision:
    """Return how a finding stands against its limit.

    Args:
        value: the finding.
        interval: its 95 % interval, which may be skew.
        limit: in the finding's SI unit; its own uncertainty widens the interval.
        rule: see the module.
        dof: degrees of freedom of the interval.
        risk: of the rule ``risk``; None takes the usual one.
    """
    k = coverage_factor(dof)
    below = math.hypot(max(0.0, value - interval[0]), k * limit.u)
    above = math.hypot(max(0.0, interval[1] - value), k * limit.u)
    low, high = value - below, value + above
    p = _conforms(value, below / k, above / k, limit, dof)
    facts = {"rule": rule, "p_conform": f"{p:.4f}"}

    def said(outcome: Outcome, id: str) -> Decision:
        return Decision(outcome, Reason.of(id, **facts), p)

    inside = _inside(value, value, limit)
    if rule == "simple":
        return (
            said(Outcome.PASS, "value_inside")
            if inside
            else said(Outcome.FAIL, "value_outside")
        )
    if rule == "risk":
        allowed = USUAL_RISK if risk is None else risk
        facts["risk"] = f"{100.0 * allowed:g} %"
        if 1.0 - p <= allowed:
            return said(Outcome.PASS, "risk_kept")
        if p <= allowed:
            return said(Outcome.FAIL, "risk_kept_outside")
        return said(Outcome.INCONCLUSIVE, "risk_too_high")
    if rule not in ("guarded", "conditional"):
        raise ValueError(f"no decision rule has the name {rule!r}")
    if _inside(low, high, limit):
        return said(Outcome.PASS, "inside_limit")
    if _outside(low, high, limit):
        return said(Outcome.FAIL, "outside_limit")
    if rule == "guarded":
        return said(Outcome.INCONCLUSIVE, "across_limit")
    if inside:
        return said(Outcome.CONDITIONAL_PASS, "conditional_inside")
    return said(Outcome.CONDITIONAL_FAIL, "conditional_outside")


def _slack(low: float, high: float) -> float:
    # a tie is inside, also where 13.0 + 0.2 is 13.200000000000001
    return 1e-12 * max(abs(low), abs(high))


def _outside(low: float, high: float, limit: ResolvedLimit) -> bool:
    slack = _slack(low, high)
    return (limit.max is not None and low > limit.max + slack) or (
        limit.min is not None and high < limit.min - slack
    )


def _inside(low: float, high: float, limit: ResolvedLimit) -> bool:
    slack = _slack(low, high)
    return (limit.min is None or low >= limit.min - slack) and (
        limit.max is None or high <= limit.max + slack
    )


def _conforms(
    value: float, u_low: float, u_high: float, limit: ResolvedLimit, dof: float | None
) -> float:
    """Return the probability that the true value keeps the limit (JCGM 106, 7.4)."""

    def below(x: float) -> float:
        u = u_high if x >= value else u_low
        if u <= 0.0:
            return 1.0 if value <= x else 0.0
        return float(stdtr(1e6 if dof is None else dof, (x - value) / u))

    upper = 1.0 if limit.max is None else below(limit.max)
    lower = 0.0
    if limit.min is not None:
        certain = u_low <= 0.0 and value >= limit.min
        lower = 0.0 if certain else below(limit.min)
    return min(1.0, max(0.0, upper - lower))


def verdict(findings: Iterable[Finding]) -> Verdict:
    """Return the verdict over required findings that have, or lost, a limit."""
    counted = [f for f in findings if f.required]
    if not counted:
        return Verdict.NO_LIMIT
    outcomes = {f.outcome for f in counted}
    if outcomes & {Outcome.FAIL, Outcome.CONDITIONAL_FAIL}:
        return Verdict.FAIL
    if Outcome.NOT_MEASURED in outcomes:
        return Verdict.INCOMPLETE
    if Outcome.INCONCLUSIVE in outcomes:
        return Verdict.INCONCLUSIVE
    return Verdict.PASS
