"""Lockup, its highest, settling and set pressure, from courses written down."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.estimate import Estimate
from analysis.highest import lockup_highest
from analysis.lockup import lockup_findings
from analysis.set_pressure import set_pressure
from analysis.steady import robust_level, steadiness
from tests.analysis.one_outlet import Array, ar1, outlet_of

SET_PA = 2740.0
RISE_PA = 300.0
SHUT_S = 20.0


def course(
    tau: float = 0.0,
    creep: float = 0.0,
    noise: float = 1.0,
    rate: float = 20.0,
    phi: float = 0.0,
    seed: int = 1,
    held: float = 40.0,
) -> tuple[Array, Array]:
    """Return a flow, a closing in two seconds about 20 s, and a hold."""
    t = np.arange(round((SHUT_S + held) * rate)) / rate
    x = np.clip((t - SHUT_S + 1.0) / 2.0, 0.0, 1.0)
    y = SET_PA + RISE_PA * x * x * (3.0 - 2.0 * x)
    since = np.maximum(0.0, t - SHUT_S)
    if tau:
        y = y + 100.0 * (1.0 - np.exp(-since / tau))
    y = y + creep * since
    return t, y + noise * ar1(t.size, phi, np.random.default_rng(seed))


def found(t: Array, y: Array, **more: str) -> dict[str, Estimate]:
    readings, outlet, done = outlet_of(t, y, "lockup", (SHUT_S, float(t[-1])), **more)
    return {e.id: e for e in lockup_findings(readings, outlet, done)}


def test_a_supply_that_came_back_before_the_closing_is_not_taken_for_it() -> None:
    """It rises far higher than a lockup; the valve is asked for once the flow stood."""
    t, y = course()
    back = np.clip((t - 6.0) / 1.5, 0.0, 1.0)
    readings, outlet, done = outlet_of(
        t,
        y + SET_PA * (back - 1.0),
        "lockup",
        (SHUT_S, float(t[-1])),
        inlet="10 psi gauge",
    )
    done = replace(done, asked=(("open_bleed", 1.0), ("close_bleed", SHUT_S - 2.5)))
    got = {e.id: e for e in lockup_findings(readings, outlet, done)}
    assert holds(got["lockup_rise"], RISE_PA), got["lockup_rise"]


def holds(estimate: Estimate, true: float) -> bool:
    assert estimate.interval is not None, estimate
    return estimate.interval[0] <= true <= estimate.interval[1]


def test_a_lockup_is_read_five_seconds_after_it_closed() -> None:
    told = found(*course(creep=3.0))
    assert holds(told["lockup_pressure"], SET_PA + RISE_PA + 15.0)
    assert holds(told["lockup_rise"], RISE_PA + 15.0)
    assert holds(told["lockup_highest"], SET_PA + RISE_PA + 3.0 * 39.5)


def test_a_plan_may_state_another_time() -> None:
    told = found(*course(creep=3.0), read_after="20 s")
    assert holds(told["lockup_pressure"], SET_PA + RISE_PA + 60.0)
    assert dict(told["lockup_pressure"].evidence.model)["read_after_s"] == 20.0
    late = found(*course(), read_after="60 s")
    assert late["lockup_pressure"].missing is not None
    assert late["lockup_pressure"].missing.id == "hold_too_short"


@pytest.mark.parametrize("phi", [0.0, 0.95])
def test_noise_does_not_raise_the_highest(phi: float) -> None:
    """The largest of noisy means lies above the true one; its finding must not."""
    off, plain, inside = [], [], 0
    for seed in range(40):
        t, y = course(noise=5.0, phi=phi, seed=seed, rate=10.0)
        readings, outlet, done = outlet_of(t, y)
        e = lockup_highest(readings, outlet, done.part, (SHUT_S + 1.0, float(t[-1])))
        assert e.value is not None
        off.append(e.value - SET_PA - RISE_PA)
        raw = dict(e.evidence.model)["largest_mean"]
        plain.append(raw - SET_PA - RISE_PA)
        inside += holds(e, SET_PA + RISE_PA)
    assert np.mean(plain) > 2.0
    assert abs(np.mean(off)) < 0.3 * np.mean(plain)
    assert inside >= 36


def test_an_overshoot_is_no_noise() -> None:
    t, y = course()
    y = y + np.where((t > 24.0) & (t < 26.0), 80.0, 0.0)
    readings, outlet, done = outlet_of(t, y)
    e = lockup_highest(readings, outlet, done.part, (SHUT_S, float(t[-1])))
    assert e.value == pytest.approx(SET_PA + RISE_PA + 80.0, abs=3.0)


@pytest.mark.parametrize("tau", [1.5, 3.0, 5.0])
def test_settling_time_is_when_it_came_to_stay(tau: float) -> None:
    # 100 Pa settling: within 27.4 Pa of its end after tau ln(100 / 27.4)
    true = tau * math.log(100.0 / 27.4)
    told = [found(*course(tau=tau, seed=s))["settling_time"] for s in range(12)]
    assert sum(holds(e, true) for e in told) >= 10
    assert all(e.value == pytest.approx(true, abs=0.5) for e in told)


def test_a_step_may_state_the_band() -> None:
    told = found(*course(tau=3.0), band="10 Pa difference")["settling_time"]
    assert told.value == pytest.approx(3.0 * math.log(10.0), abs=0.7)


def test_what_goes_on_rising_has_not_settled() -> None:
    told = found(*course(creep=4.0))["settling_time"]
    assert told.missing is not None
    assert told.missing.id == "not_settled"
    hidden = found(*course(noise=12.0, phi=0.9))["settling_time"]
    assert hidden.missing is not None
    assert hidden.missing.id == "settling_hidden"


def test_level_time_and_unit_change_nothing_that_they_should_not() -> None:
    t, y = course(tau=3.0)
    one = found(t, y)
    readings, outlet, done = outlet_of(
        t + 700.0, y, "lockup", (SHUT_S + 700.0, float(t[-1]) + 700.0)
    )
    late = {e.id: e for e in lockup_findings(readings, outlet, done)}
    raised = found(t, y + 1e5, band="27.4 Pa difference")
    for id in ("lockup_rise", "settling_time"):
        assert late[id].value == pytest.approx(one[id].value, rel=1e-6), id
        assert late[id].u == pytest.approx(one[id].u, rel=1e-4), id
        assert raised[id].value == pytest.approx(one[id].value, rel=1e-3), id
    for id in ("lockup_pressure", "lockup_highest"):
        a, b = one[id].value, raised[id].value
        assert a is not None
        assert b is not None
        assert b - a == pytest.approx(1e5, abs=1e-3), id


def test_half_the_readings_give_the_same() -> None:
    t, y = course(tau=2.0, rate=40.0)
    one, half = found(t, y), found(t[::2], y[::2])
    for id in ("lockup_pressure", "lockup_rise", "lockup_highest", "settling_time"):
        a, b = one[id], half[id]
        assert a.value == pytest.approx(b.value, abs=3.0 * (a.u + b.u)), id


@pytest.mark.parametrize("n", [0, 1, 6])
def test_too_few_readings_are_told(n: int) -> None:
    for value in (7.0, math.nan):
        t, y = np.arange(float(n)), np.full(n, value)
        readings, outlet, done = outlet_of(t, y, hold=(0.0, 40.0))
        told = {e.id: e for e in lockup_findings(readings, outlet, done)}
        assert all(e.value is None and e.missing is not None for e in told.values())


def test_readings_without_a_number_or_a_change() -> None:
    t = np.arange(800) / 20.0
    for y in (np.full(800, math.nan), np.full(800, 7.0)):
        told = found(t, y)
        assert told["lockup_pressure"].missing is not None
        assert told["settling_time"].missing is not None


# --- set pressure --------------------------------------------------------------------


def reading(y: Array, rate: float = 10.0) -> Estimate:
    t = np.arange(y.size) / rate
    readings, outlet, done = outlet_of(t, y, "set")
    return set_pressure(readings, outlet, done)


def test_noise_slower_than_the_reading_is_told() -> None:
    rng = np.random.default_rng(4)
    told = [
        {w.id for w in reading(SET_PA + 2.0 * np.cumsum(rng.normal(size=200))).trouble}
        for _ in range(10)
    ]
    assert sum("noise_too_slow" in ids for ids in told) >= 6
    assert all("not_steady" in ids for ids in told)


def test_slow_noise_under_fast_noise_is_allowed_for() -> None:
    rng = np.random.default_rng(8)
    wandering = 0
    for _ in range(20):
        y = 0.84 * rng.standard_normal(200) + 0.55 * ar1(200, 0.97, rng)
        level = robust_level(np.arange(200) / 10.0, SET_PA + y)
        wandering += level.wanders
    assert wandering >= 12


def test_a_drift_below_its_own_noise_is_no_uncertainty_of_the_definition() -> None:
    rng = np.random.default_rng(1)
    lines = [
        line
        for _ in range(30)
        for line in reading(SET_PA + rng.standard_normal(200)).lines
        if line.source == "definition"
    ]
    assert sum(line.u == 0.0 for line in lines) >= 15
    drifting = reading(SET_PA + rng.standard_normal(200) + np.linspace(0.0, 10.0, 200))
    (line,) = (line for line in drifting.lines if line.source == "definition")
    assert line.u == pytest.approx(10.0 / math.sqrt(12.0), rel=0.1)


def test_a_shift_and_a_unit_change_no_steadiness() -> None:
    t = np.arange(200) / 10.0
    y = ar1(200, 0.8, np.random.default_rng(2))
    one = steadiness(t, y, 3.0)
    far = steadiness(t + 1e4, y + 1e6, 3.0)
    other = steadiness(t, y / 6894.757, 3.0 / 6894.757)
    assert far.drift == pytest.approx(one.drift, rel=1e-5)
    assert far.u_drift == pytest.approx(one.u_drift, rel=1e-5)
    assert other.u_mean * 6894.757 == pytest.approx(one.u_mean, rel=1e-6)
    assert one.steady == far.steady == other.steady


@pytest.mark.parametrize("n", [0, 1, 7])
def test_a_set_reading_of_too_few(n: int) -> None:
    told = reading(np.full(n, SET_PA))
    assert told.missing is not None
    assert told.missing.id in ("too_few_samples", "gap_in_window")
    assert told.value is None


def test_a_set_reading_of_equal_or_no_numbers() -> None:
    # a channel that reads the same all through a run is not read
    missing = reading(np.full(200, SET_PA)).missing
    assert missing is not None
    assert missing.id == "samples_stuck"
    assert reading(np.full(200, math.nan)).value is None
    assert not steadiness(np.zeros(200), np.arange(200.0), 5.0).steady
