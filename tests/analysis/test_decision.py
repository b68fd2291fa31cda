"""Decision rules, limits and verdicts, against worked examples."""

from __future__ import annotations

import pytest

from analysis.decision import decide, resolve_limit, verdict
from records.errors import Reason
from records.judgement import Finding, Outcome, ResolvedLimit, Verdict
from records.plan import Bound, Limit

INF = None


def limit(
    low: float | None = None, high: float | None = None, u: float = 0.0
) -> ResolvedLimit:
    return ResolvedLimit(min=low, max=high, source="example", u=u)


def by_rule(rule: str, value: float, u: float, held: ResolvedLimit) -> Outcome:
    k = 1.959963984540054
    return decide(value, (value - k * u, value + k * u), held, rule).outcome


@pytest.mark.parametrize(
    ("rule", "outcome"),
    [
        ("simple", Outcome.PASS),
        ("guarded", Outcome.INCONCLUSIVE),
        ("conditional", Outcome.CONDITIONAL_PASS),
        ("risk", Outcome.INCONCLUSIVE),
    ],
)
def test_a_reading_near_its_limit_by_every_rule(rule: str, outcome: Outcome) -> None:
    """Limit 13.2, reading 13.05, U 0.20 (k = 2): the rules differ.

    Rules: ILAC-G8:09/2019, 4.2; ``guarded`` of this program says inconclusive where
    the binary rule of that guide says fail. The example's numbers are our own.
    """
    held = limit(high=13.2)
    assert by_rule(rule, 13.05, 0.10, held) is outcome
    found = decide(13.05, (13.05 - 0.195996, 13.05 + 0.195996), held, rule)
    assert found.p_conform is not None
    assert 1.0 - found.p_conform == pytest.approx(0.066807, rel=1e-3)


def test_a_tie_is_inside() -> None:
    held = limit(high=13.2)
    assert decide(13.0, (12.8, 13.0 + 0.2), held).outcome is Outcome.PASS
    assert decide(13.2, (13.2, 13.2), held, "simple").outcome is Outcome.PASS
    assert decide(13.4, (13.2, 13.6), held).outcome is Outcome.INCONCLUSIVE


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "expected", "source"),
    [
        (13.6, 1.8, 12.5, 16.3, 0.66263, "JCGM 106:2012, 7.4, two-sided"),
        (-5.47, 0.05, None, -5.40, 0.91924, "JCGM 106, breakdown; from memory"),
        (507.0, 8.6, 490.0, None, 0.97596, "JCGM 106, burst pressure; from memory"),
    ],
)
def test_probability_of_conformity(
    value: float,
    u: float,
    low: float | None,
    high: float | None,
    expected: float,
    source: str,
) -> None:
    k = 1.959963984540054
    held = limit(low, high)
    found = decide(value, (value - k * u, value + k * u), held)
    assert found.p_conform == pytest.approx(expected, rel=1e-4), source


@pytest.mark.parametrize(
    ("r", "risk"),
    [(0.0, 0.5), (0.83, 0.04846), (1.0, 0.02275), (1.5, 0.00135), (3.0, 9.866e-10)],
)
def test_specific_risk_behind_a_guard_band(r: float, risk: float) -> None:
    """A value r U (k = 2) inside an upper limit.

    Source: ILAC-G8:09/2019, 4.2 and table 1 (a guard band of U: under 2.5 %; of 0.83 U,
    as in ISO 14253-1: under 5 %; of none: up to 50 %); digits by the normal
    distribution.
    """
    u = 0.1
    value = 13.2 - r * 2.0 * u
    k = 1.959963984540054
    found = decide(value, (value - k * u, value + k * u), limit(high=13.2))
    assert found.p_conform is not None
    assert 1.0 - found.p_conform == pytest.approx(risk, rel=2e-3)


def test_a_skew_interval_counts_on_each_side() -> None:
    held = limit(high=1.0)
    assert decide(0.5, (0.4, 1.2), held).outcome is Outcome.INCONCLUSIVE
    assert decide(0.5, (-9.0, 0.9), held).outcome is Outcome.PASS
    assert decide(1.5, (1.1, 9.0), held).outcome is Outcome.FAIL


def test_the_limit_s_own_uncertainty_widens() -> None:
    sharp, soft = limit(high=1.0), limit(high=1.0, u=0.1)
    assert decide(0.85, (0.75, 0.95), sharp).outcome is Outcome.PASS
    assert decide(0.85, (0.75, 0.95), soft).outcome is Outcome.INCONCLUSIVE
    assert decide(1.5, (1.4, 1.6), soft).outcome is Outcome.FAIL


def test_a_share_of_another_finding_carries_its_uncertainty() -> None:
    held = Limit(
        finding="lockup_rise",
        min=Bound.parse("-100 % of zero_uncertainty"),
        max=Bound.parse("15 % of set_pressure"),
        source="shop",
    )
    found = resolve_limit(
        held, {"set_pressure": (2740.0, 10.0), "zero_uncertainty": (6.0, 0.0)}
    )
    assert isinstance(found, ResolvedLimit)
    assert found.max == pytest.approx(411.0)
    assert found.min == pytest.approx(-6.0)
    assert found.u == pytest.approx(1.5)
    lost = resolve_limit(held, {"zero_uncertainty": (6.0, 0.0)})
    assert isinstance(lost, Reason)
    assert lost.id == "limit_reference_missing"


def with_outcome(outcome: Outcome, *, required: bool = True) -> Finding:
    return Finding(
        id="set_pressure",
        step="set",
        channel="outlet",
        outcome=outcome,
        required=required,
    )


@pytest.mark.parametrize(
    ("outcomes", "expected"),
    [
        ([], Verdict.NO_LIMIT),
        ([Outcome.PASS, Outcome.CONDITIONAL_PASS], Verdict.PASS),
        ([Outcome.PASS, Outcome.INCONCLUSIVE], Verdict.INCONCLUSIVE),
        ([Outcome.INCONCLUSIVE, Outcome.NOT_MEASURED], Verdict.INCOMPLETE),
        ([Outcome.NOT_MEASURED, Outcome.FAIL], Verdict.FAIL),
        ([Outcome.PASS, Outcome.CONDITIONAL_FAIL], Verdict.FAIL),
    ],
)
def test_verdict_goes_by_the_worst(outcomes: list[Outcome], expected: Verdict) -> None:
    findings = [with_outcome(o) for o in outcomes]
    findings.append(with_outcome(Outcome.FAIL, required=False))
    findings.append(with_outcome(Outcome.NO_LIMIT, required=False))
    assert verdict(findings) is expected
