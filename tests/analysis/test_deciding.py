"""What is said to decide a finding that its width leaves open."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.deciding import (
    LEAST_SHARE,
    WHAT_DECIDES,
    share_needed,
    what_decides,
    with_what_decides,
)
from analysis.decision import decide
from analysis.estimate import Estimate, estimated
from analysis.judge import judge
from proofstand.report import rule_text, table, why_text
from proofstand.words.sentences import words
from records.errors import Reason
from records.judgement import (
    ACROSS_IDS,
    BudgetLine,
    Evidence,
    Judgement,
    Outcome,
    ResolvedLimit,
)
from records.plan import Limit, Plan, RuleName, Step
from records.runfile import open_run
from tests.analysis.test_early import limit_above, seat_after
from tests.simulated_runs import RunOf

ACROSS = (Reason.of("across_limit"),)


def level(value: float, *lines: BudgetLine) -> Estimate:
    return estimated("set_pressure", "outlet", value, lines, Evidence())


def held(
    low: float | None = None, high: float | None = None, u: float = 0.0
) -> ResolvedLimit:
    return ResolvedLimit(min=low, max=high, source="test", u=u)


def told(found: Estimate, limit: ResolvedLimit) -> list[str]:
    return [reason.id for reason in what_decides(found, limit)]


def test_a_hold_that_was_too_short_names_the_one_that_would_do() -> None:
    seat = seat_after(45.0, 0.13)
    limit = limit_above(seat, 0.45)
    said = with_what_decides(seat, Outcome.INCONCLUSIVE, limit, ACROSS)
    assert said.evidence.notes[-1].id == "hold_would_decide"
    assert with_what_decides(seat, Outcome.PASS, limit, ACROSS) is seat
    other = (Reason.of("outlet_not_shown_tight"),)
    assert with_what_decides(seat, Outcome.INCONCLUSIVE, limit, other) is seat


def test_where_no_hold_would_do_another_method_is_named() -> None:
    seat = seat_after(60.0, 0.13)
    assert told(seat, limit_above(seat, 1e-6)) == [
        "no_hold_would_decide",
        "method_would_decide",
    ]


@pytest.mark.parametrize(
    ("lines", "u_limit", "id"),
    [
        ((("calibration_gain", 3.0), ("noise", 1.0)), 0.0, "transducer_would_decide"),
        ((("resolution", 3.0), ("noise", 1.0)), 0.0, "transducer_would_decide"),
        ((("noise", 3.0), ("calibration_offset", 1.0)), 0.0, "reading_would_decide"),
        ((("repeats", 3.0), ("noise", 1.0)), 0.0, "repeats_would_decide"),
        ((("noise", 1.0),), 5.0, "limit_would_decide"),
        (
            (("volume", 1.0), ("noise", 1.0), ("barometer", 1.0)),
            0.0,
            "measuring_would_decide",
        ),
    ],
)
def test_the_remedy_is_that_of_the_largest_part(
    lines: tuple[tuple[str, float], ...], u_limit: float, id: str
) -> None:
    found = level(0.0, *(BudgetLine(source=s, u=u) for s, u in lines))
    assert told(found, held(high=2.0, u=u_limit)) == [id]


def test_the_share_that_is_named_would_decide() -> None:
    found = level(10.0, BudgetLine(source="noise", u=1.0))
    limit = held(high=11.0)
    assert found.interval is not None
    share = share_needed(found, limit)
    half = found.interval[1] - 10.0
    for times, outcome in (
        (0.999, Outcome.PASS),
        (1.001, Outcome.INCONCLUSIVE),
    ):
        w = times * share * half
        assert decide(10.0, (10.0 - w, 10.0 + w), limit).outcome is outcome
    assert dict(what_decides(found, limit)[0].facts)["share"] == f"{100 * share:.0f} %"


def test_at_its_limit_nothing_would() -> None:
    found = level(10.0, BudgetLine(source="noise", u=1.0))
    assert told(found, held(high=10.0 + 1.9 * LEAST_SHARE)) == ["too_near_to_decide"]


@given(
    st.floats(-10.0, 10.0),
    st.floats(0.1, 10.0),
    st.floats(-20.0, 0.0),
    st.floats(0.1, 20.0),
)
def test_the_share_clears_every_end_or_the_one_that_it_is_beyond(
    value: float, u: float, low: float, width: float
) -> None:
    limit = held(low, low + width)
    found = level(value, BudgetLine(source="noise", u=u))
    assert found.interval is not None
    share = share_needed(found, limit)
    assert 0.0 <= share <= 1.0
    half = 0.999 * share * (found.interval[1] - value)
    narrow = decide(value, (value - half, value + half), limit)
    assert narrow.outcome is not Outcome.INCONCLUSIVE
    assert math.isfinite(share)


# --- of whole runs -------------------------------------------------------------------


def through_the_findings(plan: Plan, judgement: Judgement) -> Plan:
    """Return a plan whose upper limits lie inside the upper half of each interval."""
    found = {(f.step, f.id): f for f in judgement.findings}

    def moved(step: Step, limit: Limit) -> Limit:
        f = found.get((step.id, limit.finding))
        if f is None or f.interval is None or f.measured is None or limit.max is None:
            return limit
        end = f.measured.value + 0.4 * (f.interval[1] - f.measured.value)
        quantity = replace(limit.max.quantity, value_si=end)
        return replace(
            limit, min=None, max=replace(limit.max, quantity=quantity, of=None)
        )

    steps = tuple(
        replace(step, limits=tuple(moved(step, each) for each in step.limits))
        for step in plan.steps
    )
    return replace(plan, steps=steps)


@pytest.mark.parametrize("rule", ["guarded", "risk"])
def test_each_finding_left_open_by_its_width_says_what_would_decide(
    run_of: RunOf, rule: RuleName
) -> None:
    run = open_run(run_of())
    plan = through_the_findings(run.header.plan, judge(run))
    plan = replace(plan, rule=rule)
    judgement = judge(run, plan)
    left_open = [
        f
        for f in judgement.findings
        if f.outcome is Outcome.INCONCLUSIVE and any(w.id in ACROSS_IDS for w in f.why)
    ]
    assert len({f.id for f in left_open}) >= 5
    for f in left_open:
        assert {n.id for n in f.evidence.notes} & WHAT_DECIDES, (f.step, f.id)
        assert "would" in why_text(f)
    text = table(judgement, run, plan)
    assert "would have decided it" in text
    assert rule_text(*plan.rule_for(None)) in text


def test_every_one_of_them_has_words() -> None:
    assert set(words()["reason"]) >= WHAT_DECIDES
