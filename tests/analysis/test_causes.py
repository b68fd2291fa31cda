"""Groups of causes with their probability: signs of the trade, and what has to hold.

Which symptom belongs to which cause is common practice, no source.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.cause_groups import (
    BY_HAND,
    FIRST_GROUPS,
    FITTED,
    GROUPS,
    NONE,
    NONE_MET,
    WEIGHTS,
)
from analysis.diagnosis import MOST_NAMED, suspects, weighed
from analysis.halted import FOLLOWS, JERKS, SHORT, STILL, STRAYS, SWINGS, Halted
from analysis.separating import BETWEEN, CHECKS, WITHIN, checks
from analysis.signs import SIGNS
from records.errors import Reason
from records.faults import CATALOGUE
from records.judgement import FINDINGS, Finding, Outcome, ResolvedLimit, Suspect
from records.measure import Measured

SET = 2740.0
LEAK = 2.5e-4
INSIDE, OUTSIDE = "seat_nicked", "outlet_fitting"


def found(
    id: str,
    value: float | None,
    *,
    u: float = 1.0,
    step: str = "lockup-1",
    channel: str = "outlet",
    least: float | None = None,
    most: float | None = None,
    why: str = "",
    outcome: Outcome | None = None,
    **facts: str,
) -> Finding:
    """Return a finding as guarded acceptance would have it."""
    kind = FINDINGS[id]
    limit = None
    if least is not None or most is not None:
        limit = ResolvedLimit(min=least, max=most, source="x")
    inside = value is not None and (
        (most is None or value + 2.0 * u <= most)
        and (least is None or value - 2.0 * u >= least)
    )
    stands = Outcome.PASS if inside else Outcome.FAIL
    if limit is None:
        stands = Outcome.NO_LIMIT
    if value is None:
        stands = Outcome.NOT_MEASURED
    reason = why or ("inside_limit" if inside else "outside_limit")
    return Finding(
        id=id,
        step=step,
        channel=channel,
        measured=None
        if value is None
        else Measured(value, u, kind.kind, kind.reference),
        interval=None if value is None else (value - 2.0 * u, value + 2.0 * u),
        limit=limit,
        outcome=outcome or stands,
        why=(Reason.of(reason, **facts),),
    )


def good() -> list[Finding]:
    """Return the findings of a low-pressure regulator that is as it should be."""
    rises = [
        found("lockup_rise", 150.0, step=f"lockup-{n}", most=410.0) for n in (1, 2, 3)
    ]
    tops = [
        found("lockup_highest", SET + 160.0, step=f"lockup-{n}", most=3150.0)
        for n in (1, 2, 3)
    ]
    return [
        found("rig_leak", 2e-6, u=2e-6, step="rig-hold", channel="", most=2.5e-5),
        found("set_pressure", SET, u=2.0, step="set", least=2687.0, most=2787.0),
        *rises,
        *tops,
        found("lockup_highest", SET + 165.0, step="creep-hold", most=3150.0),
        found("seat_leak", 1e-5, u=5e-6, step="creep-hold", most=LEAK),
        found("external_leak", 1e-5, u=5e-6, step="body-hold", channel="", most=LEAK),
        found("closing_zero_change", 0.2, step="closing-zero", least=-4.0, most=4.0),
    ]


def with_(*instead: Finding) -> list[Finding]:
    """Return good findings, some of them replaced."""
    keys = {(f.id, f.step): f for f in instead}
    kept = [keys.pop((f.id, f.step), f) for f in good()]
    return [*kept, *keys.values()]


def undone(*ids: str) -> list[Finding]:
    """Return findings of a test that came to an end before most of its steps."""
    return [
        f
        if f.id == "rig_leak"
        else found(f.id, None, step=f.step, channel=f.channel, why="step_not_done")
        for f in good()
    ]


def halt(sign: str, id: str, share: float = 1.0) -> Halted:
    return Halted(sign, share, Reason.of(id, step="set"))


def seat(times: float) -> Finding:
    return found("seat_leak", times * LEAK, u=0.1 * LEAK, step="creep-hold", most=LEAK)


def outward(times: float) -> Finding:
    return found(
        "external_leak",
        times * LEAK,
        u=0.1 * LEAK,
        step="body-hold",
        channel="",
        most=LEAK,
    )


def rises(*sizes: float) -> list[Finding]:
    return [
        found("lockup_rise", size, step=f"lockup-{n}", most=410.0)
        for n, size in enumerate(sizes, 1)
    ]


RIG_LEAK = found(
    "rig_leak",
    8e-5,
    u=5e-6,
    step="rig-hold",
    channel="",
    most=2.5e-5,
    why="rig_leak_above_gate",
    outcome=Outcome.INCONCLUSIVE,
)
ZERO = found(
    "closing_zero_change",
    9.0,
    step="closing-zero",
    least=-4.0,
    most=4.0,
    why="zero_moved",
    outcome=Outcome.INCONCLUSIVE,
    channel="outlet",
)
ZERO = dataclasses.replace(ZERO, why=(Reason.of("zero_moved", channel="outlet"),))
STAYED_UP = dataclasses.replace(
    ZERO,
    measured=dataclasses.replace(ZERO.measured, value=2700.0),  # type: ignore[type-var]
)


def open_because(id: str, why: str, step: str = "creep-hold") -> Finding:
    value = LEAK if id == "seat_leak" else 150.0
    most = LEAK if id == "seat_leak" else 410.0
    return found(id, value, step=step, most=most, why=why, outcome=Outcome.INCONCLUSIVE)


# Symptom, findings, what the trace of a step that was given up shows, and a cause.
PAIRS: list[tuple[str, list[Finding], list[Halted], str]] = [
    ("after lockup a straight rise", with_(seat(3.0)), [], "seat_debris"),
    ("it crept over its limit", with_(seat(1.4)), [], "seat_nicked"),
    ("inlet shut, the gas goes", with_(outward(4.0)), [], "back_cap_gasket"),
    ("the same, much of it", with_(outward(400.0)), [], "diaphragm_torn"),
    ("locks up high, alike", with_(*rises(600.0, 605.0, 602.0)), [], "seat_worn"),
    (
        "locks up high, never alike",
        with_(*rises(500.0, 900.0, 640.0)),
        [],
        "stem_friction",
    ),
    (
        "the setting went down",
        with_(found("set_pressure", 2600.0, step="set", least=2687.0, most=2787.0)),
        [],
        "spring_relaxed",
    ),
    (
        "the relief opens below its limit",
        with_(found("relief_opening", 2800.0, step="relief", least=3500.0)),
        [],
        "relief_low",
    ),
    (
        "falls too far in flow",
        with_(found("droop", 700.0, step="flow", most=300.0)),
        [],
        "strainer_clogged",
    ),
    (
        "solution bubbles",
        with_(found("solution_leak", 2.0, u=0.1, step="look", channel="", most=0.5)),
        [],
        "bonnet_joint",
    ),
    ("swings at a small bleed", undone(), [halt(SWINGS, "outlet_swung")], "hunting"),
    (
        "jerks, and never stands",
        undone(),
        [halt(JERKS, "outlet_never_stood")],
        "stem_friction",
    ),
    (
        "outlet follows the inlet",
        undone(),
        [halt(FOLLOWS, "outlet_followed")],
        "seat_debris",
    ),
    ("with blanks on it loses gas", with_(RIG_LEAK), [], "rig_fitting"),
    (
        "the inlet sinks in the hold",
        with_(open_because("seat_leak", "inlet_not_steady")),
        [],
        "supply_starved",
    ),
    (
        "the inlet is not reached",
        undone(),
        [halt(SHORT, "inlet_not_reached")],
        "supply_starved",
    ),
    (
        "the inlet never stands",
        undone(),
        [halt(STRAYS, "inlet_never_stood")],
        "supply_creeping",
    ),
    ("the zero moved", with_(ZERO), [], "zero_drift"),
    (
        "the reading stands still",
        with_(open_because("lockup_rise", "samples_stuck", "lockup-2")),
        [],
        "transducer_stuck",
    ),
    (
        "nothing moves it",
        undone(),
        [halt(STILL, "reading_stood_still")],
        "transducer_stuck",
    ),
    ("vented, it still reads set", with_(STAYED_UP), [], "transducer_stuck"),
]


@pytest.mark.parametrize(
    ("findings", "halted", "fault"),
    [pair[1:] for pair in PAIRS],
    ids=[pair[0] for pair in PAIRS],
)
def test_a_symptom_names_its_cause_first(
    findings: list[Finding], halted: list[Halted], fault: str
) -> None:
    first, *_ = suspects(findings, halted)
    assert fault in first.fault_group
    assert first.probability is not None
    assert first.probability > 0.5
    assert first.because
    assert first.look_at
    assert first.separate_by
    assert set(first.separate_by) <= CHECKS


def test_every_sign_and_every_group_has_its_symptom() -> None:
    """Save the merged group, whose own test stands below."""
    seen = {s for _, f, h, _ in PAIRS for s in weighed(f, h).signs}
    assert seen >= set(SIGNS) - {
        "outlet_loss_hides_it",
        "went_on_rising",  # tests/analysis/test_diagnosis.py
        "external_leak_doubted",
        "never_locks_up",
        "closes_too_high",
        "not_twice_alike",
        "seat_leak_open",
        "external_leak_open",
    }
    named = {suspects(f, h)[0].fault_group for _, f, h, _ in PAIRS}
    assert named == {group.faults for group in GROUPS}


def test_rig_faults_are_told_from_those_of_the_regulator() -> None:
    # a leak of the rig makes the regulator look leaky: the gate tells whose it is
    doubted = dataclasses.replace(
        outward(3.0),
        outcome=Outcome.INCONCLUSIVE,
        why=(Reason.of("rig_leak_above_gate"),),
    )
    first, *others = suspects(with_(RIG_LEAK, doubted))
    assert "rig_fitting" in first.fault_group
    assert all(OUTSIDE not in other.fault_group for other in others)


def test_a_doubted_loss_and_an_outlet_that_never_locks_up_leak_outward() -> None:
    doubted = dataclasses.replace(
        outward(80.0),
        outcome=Outcome.INCONCLUSIVE,
        why=(Reason.of("vented_in_hold", channel="outlet", at_s="9"),),
    )
    unlocked = [
        found("lockup_rise", None, step=f"lockup-{n}", why="no_shut_off_seen")
        for n in (1, 2, 3)
    ]
    findings = with_(doubted, *unlocked)
    assert {"external_leak_doubted", "never_locks_up"} <= set(weighed(findings).signs)
    assert OUTSIDE in suspects(findings)[0].fault_group


def test_a_coefficient_beyond_its_limit_speaks_of_closing() -> None:
    for id, step in (("closure_coefficient", "flow"), ("repeatability", "lockup-3")):
        first, *_ = suspects(with_(found(id, 90.0, step=step, most=30.0)))
        assert "stem_friction" in first.fault_group


def test_what_could_hide_in_each_other_is_one_group() -> None:
    hidden = found(
        "seat_leak",
        1e-5,
        u=5e-6,
        step="creep-hold",
        most=LEAK,
        why="outlet_leak_could_hide_it",
        outcome=Outcome.INCONCLUSIVE,
    )
    first, *_ = suspects(with_(hidden))
    assert {INSIDE, OUTSIDE} <= set(first.fault_group)
    assert first.separate_by[0] == "isolate_and_hold"


def test_none_of_these_is_an_answer() -> None:
    odd = found("gauge_error_outlet", 90.0, step="look", least=-30.0, most=30.0)
    first, *_ = suspects(with_(odd))
    assert first.fault_group == (NONE,)
    assert first.because
    assert first.separate_by == ("once_more",)


def test_two_causes_at_once_are_both_named() -> None:
    named = suspects(with_(seat(3.0), outward(4.0)))
    assert {INSIDE, OUTSIDE} <= {f for s in named[:2] for f in s.fault_group}
    # the check that parts them comes before those that part their own members
    assert named[0].separate_by[0] == "isolate_and_hold"


def test_what_conforms_is_never_suspected() -> None:
    assert suspects(good()) == ()
    # not even where a step was given up and done again, and the trace showed something
    assert suspects(good(), [halt(JERKS, "outlet_never_stood")]) == ()


@pytest.mark.parametrize("findings", [[], undone()], ids=["none", "nothing measured"])
def test_no_sign_no_suspect(findings: list[Finding]) -> None:
    assert suspects(findings) == ()
    p = weighed(findings).probability
    assert sum(p.values()) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("leak", [seat, outward])
def test_an_interval_across_a_limit_says_little(
    leak: Callable[[float], Finding],
) -> None:
    def named(times: float, p: float) -> tuple[Suspect, ...]:
        across = dataclasses.replace(
            leak(times),
            outcome=Outcome.INCONCLUSIVE,
            why=(Reason.of("across_limit"),),
            p_conform=p,
        )
        return suspects(with_(across))

    assert named(0.95, 0.7) == ()  # more likely it conforms
    (likely,) = named(1.15, 0.1)
    (sure,) = suspects(with_(leak(3.0)))
    assert likely.fault_group == sure.fault_group
    assert (likely.probability or 0.0) < 0.75 < 0.9 < (sure.probability or 0.0)


# --- laws ----------------------------------------------------------------------------

SINGLE = [seat(3.0), outward(4.0), *rises(600.0, 605.0, 602.0), RIG_LEAK, ZERO]


@given(
    chosen=st.sets(st.sampled_from(range(len(SINGLE)))),
    order=st.randoms(use_true_random=False),
)
def test_it_adds_up_to_one_in_any_order(chosen: set[int], order: object) -> None:
    findings = with_(*(SINGLE[i] for i in sorted(chosen)))
    before = suspects(findings)
    shares = weighed(findings).probability
    assert sum(shares.values()) == pytest.approx(1.0, abs=1e-12)
    assert all(0.0 <= p <= 1.0 for p in shares.values())
    order.shuffle(findings)  # type: ignore[attr-defined]
    assert _essence(suspects(findings)) == _essence(before)
    ranked = [s.probability or 0.0 for s in before]
    assert ranked == sorted(ranked, reverse=True)
    assert len(before) <= MOST_NAMED


def _essence(named: tuple[Suspect, ...]) -> list[tuple[object, ...]]:
    return [
        (s.fault_group, s.probability, s.look_at, s.separate_by, set(s.because))
        for s in named
    ]


@given(
    a=st.floats(1.25, 500.0),
    b=st.floats(1.25, 500.0),
    beside=st.sets(st.sampled_from(range(1, len(SINGLE)))),
)
def test_more_of_a_sign_never_makes_its_own_group_less_likely(
    a: float, b: float, beside: set[int]
) -> None:
    others = [SINGLE[i] for i in sorted(beside)]
    less, more = (
        weighed(with_(*others, seat(times))).probability["inside"]
        for times in sorted((a, b))
    )
    assert more >= less - 1e-12


def test_no_sign_speaks_more_for_another_group_than_for_its_own() -> None:
    # the law of the test above for all signs: the first group of a row has the largest
    for sign, row in WEIGHTS.items():
        own = next(iter(row.values()))
        assert own == max(row.values()), sign
        assert all(weight >= 0.0 for weight in row.values()), sign


# --- the tables ----------------------------------------------------------------------


def test_every_sign_has_a_weight_and_every_group_a_check() -> None:
    assert set(WEIGHTS) == {*SIGNS, "unexplained"}
    assert not set(FITTED) & set(BY_HAND)
    ids = {group.id for group in GROUPS}
    assert {g for row in WEIGHTS.values() for g in row} <= {*ids, NONE}
    assert set(WITHIN) == {*ids, NONE}
    known = {*ids, *(g.id for g in FIRST_GROUPS)}
    assert all(pair <= known for pair in BETWEEN)
    assert sum(g.met for g in GROUPS) + NONE_MET == 100.0


def test_every_fault_of_the_catalogue_that_a_plan_reveals_is_in_a_group() -> None:
    grouped = {fault for group in GROUPS for fault in group.faults}
    assert {e.id for e in CATALOGUE.values() if e.revealed} <= grouped


def test_the_likeliest_two_have_a_check_between_them() -> None:
    usual = ("inside", "outside", "closing", "rig", "supply")
    pairs = {frozenset(p) for p in itertools.combinations(usual, 2)}
    lacking = {p for p in pairs if p not in BETWEEN}
    # a loss beside a high lockup, and a rig beside it, are seen each by itself
    assert lacking <= {frozenset(("outside", "closing")), frozenset(("closing", "rig"))}
    assert checks("inside", ["outside"])[0] == "isolate_and_hold"
