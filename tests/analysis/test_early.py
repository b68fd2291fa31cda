"""Looks at a hold that goes on: what they decide, at what risk, and when."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm
from scipy.stats import t as student

from analysis.creep import creep_findings
from analysis.early import (
    BEFORE_S,
    LAST_SHARE,
    RISK,
    Answer,
    HeldSoFar,
    Look,
    answer,
    as_looks_say,
    ended_at_look,
    ends,
    finding_ends,
    hold_needed,
    look_at,
    look_due,
    looks,
)
from analysis.estimate import Estimate
from analysis.judge import judge
from analysis.marks import Performance, performances
from analysis.rate import LastingRate, lasting_rate
from analysis.readings import Readings
from records.judgement import Outcome, ResolvedLimit
from records.measure import parse_quantity
from records.plan import Plan
from records.planfile import builtin_plan
from records.run import Mark, MarkKind, Run
from tests.analysis.closed_form import Fault, Setting, run
from tests.analysis.published import Array

MOST = 0.5  # Pa/s
LIMIT = ResolvedLimit(min=None, max=MOST, source="test")
HEAT = 104_100.0 / 293.15  # one kelvin of gas, Pa


def trace(
    rate: float, tails: tuple[tuple[float, float], ...] = (), seed: int = 1
) -> tuple[Array, Array]:
    """Return 300 s of a trapped outlet at 10 Hz, noise 2 Pa."""
    t = np.arange(3001) / 10.0
    y = 2740.0 + rate * t + 2.0 * np.random.default_rng(seed).standard_normal(t.size)
    for kelvin, tau in tails:
        y = y + kelvin * HEAT * np.exp(-t / tau)
    return t, y


def rate_of(
    t: Array, y: Array, until_s: float, scale: float = 1.0, direction: int = 1
) -> LastingRate:
    use = t - t[0] <= until_s
    found = lasting_rate(
        t[use],
        y[use],
        tau_max_s=120.0,
        amplitude=scale * HEAT,
        direction=direction,
    )
    assert isinstance(found, LastingRate)
    return found


def first_decision(t: Array, y: Array, *, may_pass: bool = False) -> tuple[float, str]:
    """Return when the looks first decide, and what."""
    for look in looks(300.0):
        low, high = ends(rate_of(t, y, look.after_s), look.risk)
        said = answer(low, high, LIMIT, may_pass=may_pass)
        if said is not Answer.ON_COURSE:
            return look.after_s, said.value
    return math.inf, ""


# --- the looks and their risk -----------------------------------------------


@given(
    hold_s=st.floats(1.0, 1e5, allow_nan=False),
    risk=st.floats(1e-4, 0.2),
)
def test_the_shares_of_the_looks_add_up_to_the_stated_risk(
    hold_s: float, risk: float
) -> None:
    found = looks(hold_s, risk)
    assert sum(x.risk for x in found) == pytest.approx(risk, rel=1e-9)
    assert found[-1].spent == pytest.approx(risk, rel=1e-9)
    assert all(x.risk > 0.0 for x in found)
    times = [x.after_s for x in found]
    assert times == sorted(set(times))
    assert times[-1] == hold_s
    assert [x.last for x in found] == [False] * (len(found) - 1) + [True]
    if len(found) > 1:
        assert found[-1].risk == pytest.approx(LAST_SHARE * risk, rel=1e-9)


def test_looks_stand_at_the_same_times_whatever_the_hold() -> None:
    short = [x.after_s for x in looks(180.0)[:-1]]
    assert [x.after_s for x in looks(300.0)][: len(short)] == short


def test_the_normal_risk_of_all_looks_is_the_stated_one() -> None:
    """Were the looks independent, as they are not, a few more would be right."""
    wrong = 1.0 - math.prod(1.0 - x.risk for x in looks(300.0))
    assert 0.97 * RISK < wrong < RISK


def test_a_look_is_due_once_and_in_its_own_moment() -> None:
    ticks = np.arange(100.0, 400.0, 0.25)
    due = [
        found.after_s
        for a, b in itertools.pairwise(ticks)
        if (found := look_due(97.13, 180.0, float(a), float(b))) is not None
    ]
    assert due == [x.after_s for x in looks(180.0)[:-1]]


# --- what a look says --------------------------------------------------------


def test_a_plain_leak_is_enough_to_fail_long_before_the_end() -> None:
    when, said = first_decision(*trace(1.0))
    assert said == "enough_to_fail"
    assert when <= 150.0


def test_a_tight_one_is_on_course_and_never_said_to_pass_unless_allowed() -> None:
    t, y = trace(0.0)
    assert first_decision(t, y) == (math.inf, "")
    when, said = first_decision(t, y, may_pass=True)
    assert said == "enough_to_pass"
    assert when <= 150.0


@pytest.mark.parametrize("seed", range(4))
def test_a_settling_that_looks_like_a_leak_does_not_fail(seed: int) -> None:
    """Gas that warms by 0.5 K over a minute starts out at six times the limit."""
    t, y = trace(0.0, ((-0.5, 60.0),), seed)
    half = t <= 60.0
    assert np.polyfit(t[half], y[half], 1)[0] > 3.0 * MOST
    assert first_decision(t, y)[1] != "enough_to_fail"


def test_a_fast_settling_does_not_hide_a_slow_one() -> None:
    t, y = trace(0.0, ((0.7, 4.0), (-0.3, 50.0), (-0.2, 100.0)), 5)
    assert first_decision(t, y)[1] != "enough_to_fail"


def test_a_smaller_risk_asks_for_wider_ends() -> None:
    t, y = trace(0.3, ((-0.1, 15.0),))
    for until in (60.0, 150.0, 300.0):
        rate = rate_of(t, y, until)
        risks = (0.02, 0.005, 0.001, 1e-4)
        found = [ends(rate, r) for r in risks]
        assert all(a[0] > b[0] and a[1] < b[1] for a, b in itertools.pairwise(found))
        assert ends(rate, 0.025)[0] <= rate.interval[0] + 1e-9
        assert ends(rate, 0.025)[1] >= rate.interval[1] - 1e-9


def test_the_ends_of_a_fit_are_those_of_its_outermost_prior() -> None:
    t, y = trace(0.3, ((-0.3, 100.0),))
    rate = rate_of(t, y, 150.0)
    assert rate.fit is not None
    low, high = ends(rate, 0.003)
    assert low <= min(m.quantile(0.003) for m in rate.fit.posteriors)
    assert high >= max(m.quantile(0.997) for m in rate.fit.posteriors)


def test_too_short_for_a_fit_the_ends_are_what_heat_cannot_explain() -> None:
    """Student's t beside SciPy's, for the change from start to end."""
    t = np.arange(30) / 1.0
    y = 2740.0 + 100.0 * t
    rate = rate_of(t, y, 40.0)
    assert rate.fit is None
    low, _ = ends(rate, 0.001)
    grown = student.ppf(0.999, 20) / student.ppf(0.975, 20)
    own = rate.value - rate.interval[0]
    assert low == pytest.approx(rate.value - grown * own, rel=1e-9)


# --- what must not matter --------------------------------------------------------


@settings(max_examples=12, deadline=None)
@given(
    origin=st.floats(0.0, 1e5),
    unit=st.sampled_from([1e-5, 1e-3, 1.0, 1e3]),
    leak=st.floats(-2.0, 2.0),
)
def test_origin_and_unit_do_not_matter_and_a_leak_moves_the_ends(
    origin: float, unit: float, leak: float
) -> None:
    t, y = trace(0.3, ((-0.1, 15.0),))
    origin = round(origin * 64.0) / 64.0
    look = looks(300.0)[6]
    low, high = ends(rate_of(t, y, look.after_s), look.risk)
    width = high - low
    moved = rate_of(t + origin, (y + leak * t) * unit, look.after_s + 1e-6, unit)
    found = ends(moved, look.risk)
    assert found[0] / unit - leak == pytest.approx(low, abs=0.03 * width)
    assert found[1] / unit - leak == pytest.approx(high, abs=0.03 * width)


# --- on a run --------------------------------------------------------


@pytest.fixture(scope="module")
def leaking() -> Run:
    """A seat that leaks twice its limit."""
    return run(Fault(seat=0.3), Setting(rate_hz=10.0))


def plan_of(**more: object) -> Plan:
    return replace(builtin_plan("low-pressure")[0], **more)  # type: ignore[arg-type]


def hold_begin(of: Run, step: str) -> float:
    return next(
        m.t_s for m in of.marks if m.step == step and m.kind is MarkKind.HOLD_BEGIN
    )


def seen(of: Run, start: float, look: Look) -> HeldSoFar:
    rig = of.header.rig
    traces = {
        c.id: of.trace(c, 1).between(start - BEFORE_S, start + look.after_s)
        for c in rig.channels
        if c.role in ("inlet", "outlet")
    }
    return HeldSoFar(rig, of.header.plan.test_gas, traces)


def test_a_seat_that_leaks_twice_its_limit_is_told_within_the_hold(
    leaking: Run,
) -> None:
    plan = plan_of()
    step = plan.step("creep-hold")
    assert step is not None
    start = hold_begin(leaking, "creep-hold")
    told = {
        look.after_s: look_at(seen(leaking, start, look), plan, step, start, look)
        for look in looks(180.0)[:-1][5::3]
    }
    last = told[max(told)]
    assert last.answer is Answer.ENOUGH_TO_FAIL
    assert last.finding == "seat_leak"
    assert last.facts()["why"] == "enough_to_fail"
    off = plan_of(early_fail=False)
    look = last.look
    again = look_at(seen(leaking, start, look), off, step, start, look)
    assert again.answer is Answer.ON_COURSE


def test_a_tight_seat_is_on_course_and_passes_early_only_where_the_plan_says() -> None:
    tight = run(Fault(), Setting(rate_hz=10.0))
    plan = plan_of()
    step = plan.step("creep-hold")
    assert step is not None
    start = hold_begin(tight, "creep-hold")
    look = looks(180.0)[-2]
    readings = seen(tight, start, look)
    standing = look_at(readings, plan, step, start, look)
    assert standing.answer is Answer.ON_COURSE
    allowed = plan_of(early_pass=True, early_pass_after=parse_quantity("60 s"))
    standing = look_at(readings, allowed, step, start, look)
    assert standing.answer is Answer.ENOUGH_TO_PASS
    later = plan_of(early_pass=True, early_pass_after=parse_quantity("170 s"))
    standing = look_at(readings, later, step, start, look)
    assert standing.answer is Answer.ON_COURSE


def test_an_inlet_that_sags_decides_nothing_early() -> None:
    sagging = run(Fault(seat=0.5, inlet_sag=0.2), Setting(rate_hz=10.0))
    plan = plan_of()
    step = plan.step("creep-hold")
    assert step is not None
    start = hold_begin(sagging, "creep-hold")
    look = looks(180.0)[-2]
    standing = look_at(seen(sagging, start, look), plan, step, start, look)
    assert standing.answer is Answer.ON_COURSE


def test_an_external_leak_turns_the_ends_of_its_rate_round(leaking: Run) -> None:
    plan = plan_of()
    readings = Readings(leaking)
    done = performances(leaking, plan)["creep-hold"]
    assert isinstance(done, Performance)
    outlet = readings.channel("outlet")
    assert outlet is not None
    seat = next(
        f for f in creep_findings(readings, outlet, done) if f.id == "seat_leak"
    )
    found = finding_ends(seat, 0.001)
    assert found is not None
    assert seat.interval is not None
    assert seat.value is not None
    normal = norm.ppf(0.999) / norm.ppf(0.975)
    assert seat.value - found[0] >= normal * (seat.value - seat.interval[0]) * 0.999
    assert found[0] < seat.interval[0] < seat.interval[1] < found[1]


# --- while and after --------------------------------------------------------


def as_if_at(of: Run, step: str, after_s: float) -> tuple[Run, Mark]:
    """Return a run as it stood so long after a hold began, and the hold's mark."""
    begin = next(
        m for m in of.marks if m.step == step and m.kind is MarkKind.HOLD_BEGIN
    )
    now = begin.t_s + after_s
    marks = [m for m in of.marks if m.t_s <= now]
    marks += [
        Mark(part=1, t_s=now, kind=MarkKind.HOLD_END, step=step),
        Mark(part=1, t_s=now, kind=MarkKind.STEP_END, step=step, data={"how": "done"}),
    ]
    samples = {
        key: replace(
            s,
            t_ns=s.t_ns[s.t_ns <= now * 1e9],
            raw=s.raw[s.t_ns <= now * 1e9],
            flags=s.flags[s.t_ns <= now * 1e9],
        )
        for key, s in of.samples.items()
    }
    return replace(of, marks=tuple(marks), samples=samples), begin


def test_before_the_first_look_no_finding_of_the_hold_fails() -> None:
    gross = run(Fault(seat=3.0), Setting(rate_hz=10.0))
    cut, begin = as_if_at(gross, "creep-hold", 29.0)
    judged = judge(cut)
    was = next(f for f in judged.findings if f.id == "seat_leak")
    now = next(
        f for f in as_looks_say(judged, cut, begin).findings if f.id == "seat_leak"
    )
    assert was.outcome is Outcome.FAIL
    assert now.outcome is Outcome.INCONCLUSIVE
    assert now.why[0].id == "on_course"


def test_once_a_look_says_so_the_finding_fails_within_the_hold(leaking: Run) -> None:
    cut, begin = as_if_at(leaking, "creep-hold", 170.0)
    shown = as_looks_say(judge(cut), cut, begin)
    now = next(f for f in shown.findings if f.id == "seat_leak")
    assert now.outcome is Outcome.FAIL


def test_a_hold_that_a_look_ended_says_which_and_at_what_risk() -> None:
    told = {"why": "enough_to_fail", "after_s": "129", "one_in": "1003"}
    marks = [
        Mark(part=1, t_s=9.0, kind=MarkKind.HOLD_END, step="creep-hold", data=told)
    ]
    step = plan_of().step("creep-hold")
    assert step is not None
    done = Performance(step, 1, 0.0, 9.0, (1.0, 9.0), "ended_early", (), (), 1)
    why = ended_at_look(marks, done)
    assert why is not None
    assert why.id == "enough_to_fail"
    assert dict(why.facts)["after_s"] == "129"
    assert ended_at_look(marks, replace(done, how="done")) is None
    fell = [replace(marks[0], data={"why": "fell"})]
    assert ended_at_look(fell, done) is None


def seat_after(seconds: float, leak: float, seed: int = 3) -> Estimate:
    """Return the seat leak of a hold that was ended after a time."""
    of = run(Fault(seat=leak, gas_k_per_h=0.0), Setting(rate_hz=10.0, seed=seed))
    readings = Readings(of)
    done = performances(of, plan_of())["creep-hold"]
    outlet = readings.channel("outlet")
    assert isinstance(done, Performance)
    assert outlet is not None
    assert done.hold is not None
    cut = replace(done, hold=(done.hold[0], done.hold[0] + seconds))
    found = creep_findings(readings, outlet, cut)
    return next(f for f in found if f.id == "seat_leak")


def limit_above(seat: Estimate, share: float) -> ResolvedLimit:
    """Return a limit that lies so much of the upper half-width above the value."""
    assert seat.value is not None
    assert seat.interval is not None
    top = seat.value + share * (seat.interval[1] - seat.value)
    return ResolvedLimit(min=None, max=top, source="test")


def needed_s(seat: Estimate, limit: ResolvedLimit) -> float:
    """Return the hold that is named, inf where none is."""
    why = hold_needed(seat, limit)
    assert why is not None
    return float(dict(why.facts).get("needed_s", "inf"))


def test_what_hold_would_have_decided_does_decide() -> None:
    """Held as long as it names, the same leak is decided, and not much sooner."""
    seat = seat_after(45.0, 0.13)
    limit = limit_above(seat, 0.45)
    needed = needed_s(seat, limit)
    assert 45.0 < needed < 120.0
    held = seat_after(needed, 0.13)
    assert held.interval is not None
    assert limit.max is not None
    assert held.interval[1] < limit.max


def test_the_nearer_the_limit_the_longer_the_hold() -> None:
    seat = seat_after(45.0, 0.13)
    needed = [needed_s(seat, limit_above(seat, s)) for s in (0.95, 0.7, 0.5, 0.4)]
    assert needed == sorted(needed)
    assert needed[0] < needed[-1] < math.inf


def test_at_the_limit_or_below_what_volumes_leave_open_no_hold_decides() -> None:
    seat = seat_after(60.0, 0.13)
    assert needed_s(seat, limit_above(seat, 1e-6)) == math.inf
    # gas temperature alone makes this much uncertain, however long the hold
    assert needed_s(seat, limit_above(seat, 0.5)) == math.inf
