"""The lasting rate: coverage, sameness, and what it says when it can't tell."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import linregress

from analysis.rate import lasting_rate, reopened_at
from analysis.tail import TailFit, fit_tail
from records.errors import Reason
from tests.analysis.published import Array, chamber, times
from tests.analysis.test_steady import ar1


def hold(
    seconds: float,
    rate_hz: float,
    rate: float,
    tails: tuple[tuple[float, float], ...],
    noise: Array,
) -> tuple[Array, Array]:
    t = times(round(seconds * rate_hz), 1.0 / rate_hz)
    y = rate * t + noise[: t.size]
    for size, tau in tails:
        y = y + size * np.exp(-t / tau)
    return t, y


def fitted(t: Array, y: Array, **more: float) -> TailFit:
    settings = {"tau_max_s": 90.0, "amplitude": 1.0, **more}
    fit = fit_tail(t, y, **settings)
    assert isinstance(fit, TailFit)
    return fit


# (seconds, rate in Hz, sd of a sample, its correlation, tails), 20 runs of each
CASES = (
    (120.0, 10.0, 0.04, 0.0, ((0.3, 15.0),)),
    (300.0, 10.0, 0.04, 0.9, ((0.5, 20.0),)),
    (120.0, 10.0, 0.04, 0.0, ()),
)


def test_the_interval_of_creep_holds_the_true_rate() -> None:
    rng = np.random.default_rng(2026)
    inside = runs = 0
    for seconds, rate_hz, sd, phi, tails in CASES:
        for number in range(20):
            true = 0.0005 * (number % 3)
            noise = sd * ar1(round(seconds * rate_hz), phi, rng)
            fit = fitted(*hold(seconds, rate_hz, true, tails, noise))
            inside += fit.interval95[0] <= true <= fit.interval95[1]
            runs += 1
    # 0.95 less three standard deviations of a share of 60
    assert inside / runs > 0.95 - 3.0 * math.sqrt(0.95 * 0.05 / runs)


def test_a_straight_line_is_not_fooled_by_a_tail() -> None:
    rng = np.random.default_rng(4)
    t, y = hold(300.0, 20.0, 0.0, ((1.0, 20.0),), 0.04 * rng.standard_normal(6000))
    fit = fitted(t, y)
    assert fit.interval95[0] < 0.0 < fit.interval95[1]
    assert abs(fit.mean_slope) > 10.0 * fit.sd  # what the bare line would have said
    assert fit.slow.tau_s == pytest.approx(20.0, rel=0.1)
    assert fit.slow.amplitude == pytest.approx(1.0, abs=0.05)
    assert not fit.inseparable


def test_time_origin_level_and_unit_do_not_matter() -> None:
    rng = np.random.default_rng(8)
    t, y = hold(180.0, 20.0, 0.002, ((0.4, 12.0),), 0.05 * rng.standard_normal(3600))
    fit = fitted(t, y)
    moved = fitted(t + 1024.0, y)
    raised = fitted(t, y + 1024.0)
    scaled = fitted(t, y * 1e3, amplitude=1e3)
    assert moved.rate == pytest.approx(fit.rate, rel=1e-6)
    assert raised.interval95 == pytest.approx(fit.interval95, rel=1e-6)
    assert scaled.rate == pytest.approx(fit.rate * 1e3, rel=1e-6)
    assert scaled.interval95 == pytest.approx(
        tuple(1e3 * end for end in fit.interval95), rel=1e-6
    )


def test_the_same_hold_gives_the_same_numbers() -> None:
    rng = np.random.default_rng(8)
    t, y = hold(90.0, 20.0, 0.002, ((0.4, 12.0),), 0.05 * rng.standard_normal(1800))
    first, second = fitted(t, y), fitted(t, y)
    assert first.rate == second.rate
    assert first.interval95 == second.interval95
    assert first.quantile(0.025) == pytest.approx(first.interval95[0])
    assert 0.3 < first.cdf(first.rate) < 0.7


def test_a_hold_shorter_than_its_tail_says_so() -> None:
    rng = np.random.default_rng(1)
    t, y = hold(30.0, 20.0, 0.0, ((3.0, 40.0),), 0.04 * rng.standard_normal(600))
    fit = fitted(t, y)
    assert fit.inseparable
    assert {r.id for r in fit.reasons} <= {"hold_too_short", "tail_inseparable"}
    assert fit.interval95[0] < 0.0 < fit.interval95[1]


def test_a_recorded_chamber_hold() -> None:
    """Slope of an independent line: -2.3494e-4 bar/s over the whole file.

    Origin and licence: ``tests/published/README.md``. The lasting rate is not claimed
    to be that slope: the trace is curved.
    """
    found = chamber()
    other = linregress(found.t_s, found.value)
    assert other.slope / 1e5 == pytest.approx(-2.3494e-4, rel=1e-4)
    rate = lasting_rate(
        found.t_s,
        found.value,
        tau_max_s=900.0,
        amplitude=10.0 * 8.3e5 / 293.15,
        resolution=100.0,
        direction=-1,
    )
    assert not isinstance(rate, Reason)
    assert rate.fit is not None
    assert rate.mean_slope == pytest.approx(other.slope, abs=rate.fit.u_mean_slope)
    # correlated noise: the naive standard error is too small
    assert rate.fit.u_mean_slope > 1.5 * other.stderr
    told = {reason.id for reason in (*rate.doubt, *rate.notes)}
    separated = rate.interval[1] < 0.0 or rate.interval[0] > 0.0
    assert separated or told & {
        "tail_inseparable",
        "hold_too_short",
        "tail_rising_or_creep",
    }


def test_a_creep_that_levels_off_cannot_pass_as_heat() -> None:
    """A rise that slows down is either warming gas or a seat that closes late."""
    rng = np.random.default_rng(3)
    t, y = hold(300.0, 10.0, 0.0, ((-0.5, 60.0),), 0.04 * rng.standard_normal(3000))
    rate = lasting_rate(t, y, tau_max_s=90.0, amplitude=1.0, direction=1)
    assert not isinstance(rate, Reason)
    assert "tail_rising_or_creep" in {r.id for r in rate.notes}
    assert rate.interval[1] > rate.mean_slope > 0.0
    heat = lasting_rate(t, y, tau_max_s=90.0, amplitude=1.0, direction=-1)
    assert not isinstance(heat, Reason)
    assert heat.interval[1] < rate.interval[1]


def test_a_leak_that_runs_out_is_not_called_heat() -> None:
    rng = np.random.default_rng(3)
    t, y = hold(180.0, 20.0, 0.0, ((50.0, 25.0),), 0.04 * rng.standard_normal(3600))
    rate = lasting_rate(t, y, tau_max_s=30.0, amplitude=1.0, direction=-1)
    assert not isinstance(rate, Reason)
    assert rate.interval[1] < -0.1  # heat explains 1 of the 50 that were lost


def test_a_regulator_that_reopens_ends_the_fall() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 180.0, 0.05)
    noise = 0.8 * rng.standard_normal(t.size)
    falling = 3000.0 + np.maximum(-4.0 * t, -220.0) + noise
    at = reopened_at(t, falling, 0.2)
    assert at == pytest.approx(55.0, abs=6.0)
    assert reopened_at(t, 3000.0 + 30.0 * np.exp(-t / 12.0) + noise, 0.2) is None
    assert reopened_at(t, 3000.0 - 0.5 * t + noise, 0.2) is None


def test_too_few_samples_are_said_to_be_too_few() -> None:
    t = times(20, 0.05)
    found = fit_tail(t, t, tau_max_s=30.0, amplitude=1.0)
    assert isinstance(found, Reason)
    assert found.id == "too_few_samples"


def test_readings_without_noise_have_a_rate() -> None:
    t = times(2000, 0.05)
    flat = fitted(t, np.full(t.size, 5.0))
    assert flat.rate == pytest.approx(0.0, abs=1e-9)
    line = fitted(t, 5.0 + 0.01 * t)
    assert line.rate == pytest.approx(0.01, rel=1e-3)
