"""Decision rules, limits and verdicts, against worked examples."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.decision import Decision, decide, resolve_limit, verdict
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


K = 1.959963984540054


def risked(value: float, u: float, held: ResolvedLimit, risk: float) -> Decision:
    return decide(value, (value - K * u, value + K * u), held, "risk", risk=risk)


def test_five_in_a_hundred_lie_at_0_822_of_the_expanded_uncertainty() -> None:
    """1.644854 u = 0.822427 U (k = 2): a stated risk of 5 % is kept from there on.

    Source: ISO 14253-1:2017 takes 0.83 U for a probability of 95 %, rounded up; the
    digits are those of the normal distribution.
    """
    held, u = limit(high=13.2), 0.1
    for r, outcome in (
        (0.8230, Outcome.PASS),
        (0.8220, Outcome.INCONCLUSIVE),
        (-0.8220, Outcome.INCONCLUSIVE),
        (-0.8230, Outcome.FAIL),
    ):
        assert risked(13.2 - r * 2.0 * u, u, held, 0.05).outcome is outcome, r
    # ISO 14253-1:2017: 0.83 U gives less than 5 %
    found = risked(13.2 - 0.83 * 2.0 * u, u, held, 0.0485)
    assert found.outcome is Outcome.PASS


def test_a_plan_states_its_risk() -> None:
    """Example of ILAC-G8, 13.05 within 13.2, u 0.10: the risk is 6.68 %."""
    held = limit(high=13.2)
    assert risked(13.05, 0.10, held, 0.07).outcome is Outcome.PASS
    assert risked(13.05, 0.10, held, 0.066).outcome is Outcome.INCONCLUSIVE
    assert risked(13.35, 0.10, held, 0.07).outcome is Outcome.FAIL
    told = dict(risked(13.05, 0.10, held, 0.066).why.facts)
    assert told["risk"] == "6.6 %"


def test_capability_of_a_measurement() -> None:
    """Source: JCGM 106:2012, 7.6: C_m = T/4u = 0.527778 of 12.5 to 16.3, u 1.8.

    With so little capability no value can be passed by its whole 95 % interval.
    """
    low, high, u = 12.5, 16.3, 1.8
    assert (high - low) / (4.0 * u) == pytest.approx(0.527778, abs=1e-6)
    held = limit(low, high)
    for n in range(100):
        value = low + (high - low) * n / 99.0
        assert by_rule("guarded", value, u, held) is Outcome.INCONCLUSIVE


def test_acceptance_limit_of_the_bench_example() -> None:
    """Limit 13.2, U 0.20: accepted up to 13.0, the tie included (ILAC-G8, 4.2)."""
    held = limit(high=13.2)
    for value, outcome in (
        (12.9999, Outcome.PASS),
        (13.0, Outcome.PASS),
        (13.0001, Outcome.CONDITIONAL_PASS),
        (13.2, Outcome.CONDITIONAL_PASS),
        (13.2001, Outcome.CONDITIONAL_FAIL),
        (13.4, Outcome.CONDITIONAL_FAIL),
        (13.4001, Outcome.FAIL),
    ):
        found = decide(value, (value - 0.2, value + 0.2), held, "conditional")
        assert found.outcome is outcome, value


# --- what holds for any numbers ------------------------------------------------------

RULES = ("simple", "guarded", "conditional", "risk")
# From best to worst, along a value that moves through an upper limit.
RANK = {
    Outcome.PASS: 0,
    Outcome.CONDITIONAL_PASS: 1,
    Outcome.INCONCLUSIVE: 2,
    Outcome.CONDITIONAL_FAIL: 3,
    Outcome.FAIL: 4,
}
values = st.floats(-1e3, 1e3, allow_nan=False)
sizes = st.floats(1e-3, 1e2)
dofs = st.one_of(st.none(), st.floats(1.0, 200.0))


def decided(
    rule: str, value: float, half: float, held: ResolvedLimit, dof: float | None = None
) -> Decision:
    return decide(value, (value - half, value + half), held, rule, dof)


@given(st.sampled_from(RULES), values, values, sizes, dofs)
def test_farther_beyond_a_limit_is_never_better(
    rule: str, one: float, other: float, half: float, dof: float | None
) -> None:
    low, high = sorted((one, other))
    held = limit(high=0.0)
    near, far = (
        decided(rule, low, half, held, dof),
        decided(rule, high, half, held, dof),
    )
    assert RANK[near.outcome] <= RANK[far.outcome]
    assert near.p_conform is not None
    assert far.p_conform is not None
    assert near.p_conform >= far.p_conform


@given(st.sampled_from(RULES), values, sizes, sizes, dofs)
def test_a_mirror_changes_nothing(
    rule: str, value: float, half: float, at: float, dof: float | None
) -> None:
    """An upper limit of a value is a lower one of its negative."""
    above = decided(rule, value, half, limit(high=at), dof)
    below = decided(rule, -value, half, limit(low=-at), dof)
    assert above.outcome is below.outcome
    assert above.p_conform is not None
    assert above.p_conform == pytest.approx(below.p_conform, abs=1e-9)


@given(values, sizes, dofs)
def test_a_tie_is_inside_for_any_numbers(
    value: float, half: float, dof: float | None
) -> None:
    whole = decided("guarded", value, half, limit(high=value + half), dof)
    assert whole.outcome is Outcome.PASS
    assert (
        decided("simple", value, half, limit(high=value), dof).outcome is Outcome.PASS
    )
    tie = decided("conditional", value, half, limit(high=value), dof)
    assert tie.outcome is Outcome.CONDITIONAL_PASS


@given(st.sampled_from(RULES), values, sizes, st.floats(1.0, 10.0), dofs)
def test_more_uncertainty_never_passes_what_less_did_not(
    rule: str, value: float, half: float, times: float, dof: float | None
) -> None:
    held = limit(high=0.0)
    sure, unsure = (
        decided(rule, value, half, held, dof),
        decided(rule, value, half * times, held, dof),
    )
    if rule == "simple":
        assert sure.outcome is unsure.outcome
    elif unsure.outcome is Outcome.PASS:
        assert sure.outcome is Outcome.PASS


@given(values, sizes, dofs, st.floats(0.001, 0.49), st.floats(0.001, 0.49))
def test_a_larger_stated_risk_passes_no_less(
    value: float, half: float, dof: float | None, one: float, other: float
) -> None:
    small, large = sorted((one, other))
    held, interval = limit(high=0.0), (value - half, value + half)
    strict = decide(value, interval, held, "risk", dof, small).outcome
    mild = decide(value, interval, held, "risk", dof, large).outcome
    if strict is not Outcome.INCONCLUSIVE:
        assert mild is strict


@given(values, sizes, dofs)
def test_the_guarded_pass_has_a_specific_risk_below_2_5_in_a_hundred(
    value: float, half: float, dof: float | None
) -> None:
    """ILAC-G8:09/2019, table 1: with w = U the specific risk is below 2.5 %."""
    found = decided("guarded", value, half, limit(high=0.0), dof)
    assert found.p_conform is not None
    if found.outcome is Outcome.PASS and dof is None:
        assert 1.0 - found.p_conform <= 0.025 + 1e-6
    if found.outcome is Outcome.FAIL and dof is None:
        assert found.p_conform <= 0.025 + 1e-6
    assert math.isfinite(found.p_conform)


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
