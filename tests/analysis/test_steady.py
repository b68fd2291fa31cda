"""Levels, lines and steadiness, against certified and published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.polynomial.polynomial import polyval
from scipy.signal import lfilter
from scipy.special import stdtrit
from statsmodels.regression.linear_model import GLS

from analysis.calibration_fit import fit_polynomial
from analysis.noise_models import NoiseModel, noise_models, whitenings
from analysis.steady import (
    keep_near,
    robust_level,
    robust_slope,
    steadiness,
    straight_line,
)
from tests.analysis.published import Array, norris, pontius, times


def ar1(n: int, phi: float, rng: np.random.Generator) -> Array:
    white = rng.standard_normal(n + 400)
    out = lfilter([math.sqrt(1.0 - phi**2)], [1.0, -phi], white)[400:]
    return np.asarray(out, dtype=np.float64)


def test_norris_straight_line() -> None:
    """Source: NIST StRD, Norris, certified values in the file's header."""
    x, y = norris()
    line = straight_line(x, y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert line.s == pytest.approx(0.884796396144373, rel=1e-10)


def test_pontius_quadratic_by_lines_of_residuals() -> None:
    """Source: NIST StRD, Pontius: B1 0.732059160401003E-06, B2 -0.316081871345029E-14.

    What is left of x squared and of y after their lines in x has B2 as its own slope.
    """
    x, y = pontius()
    x = x / 1e6  # the certified values in millions: B1 x 1e6, B2 x 1e12
    square = straight_line(x, x**2)
    first = straight_line(x, y)
    rest_square = x**2 - square.intercept - square.slope * x
    rest_y = y - first.intercept - first.slope * x
    b2 = straight_line(rest_square, rest_y).slope
    b1 = first.slope - b2 * square.slope
    assert b2 == pytest.approx(-0.316081871345029e-02, rel=1e-9)
    assert b1 == pytest.approx(0.732059160401003, rel=1e-11)


def test_correlated_readings_inflate_the_variance_of_a_mean() -> None:
    """First-order autoregression, rho 0.9, 100 readings: 17.2000 times the variance.

    Var(mean) = (s2 / n) (1 + 2 sum (1 - k/n) rho_k): N. F. Zhang, Metrologia 43 (2006)
    S276; the value by summing the formula.
    """
    n, rho = 100, 0.9
    k = np.arange(1, n)
    formula = 1.0 + 2.0 * float(np.sum((1.0 - k / n) * rho**k))
    matrix = NoiseModel(rho, 1.0, 1.0).correlation(n)
    assert formula == pytest.approx(17.2000, rel=1e-4)
    assert float(matrix.sum()) / n == pytest.approx(formula, rel=1e-12)
    assert math.sqrt(formula / n) == pytest.approx(0.41473, rel=1e-4)


@pytest.mark.parametrize(
    ("rho", "inflation"), [(0.5, 2.98003), (0.9, 18.102), (0.95, 35.222)]
)
def test_correlated_readings_inflate_the_variance_of_a_slope(
    rho: float, inflation: float
) -> None:
    """Least-squares slope of 601 readings, first-order autoregression.

    The values by summing the covariances of the slope's weights; another program's.
    """
    weights = np.arange(601) - 300.0
    matrix = NoiseModel(rho, 1.0, 1.0).correlation(601)
    found = float(weights @ matrix @ weights) / float(weights @ weights)
    assert found == pytest.approx(inflation, rel=1e-4)


@pytest.mark.parametrize("phi", [0.3, 0.6, 0.9, 0.96])
def test_whitening_is_that_of_generalised_least_squares(phi: float) -> None:
    """Against statsmodels: GLS of a line with a known first-order covariance."""
    n = 48
    rng = np.random.default_rng(4)
    u = (np.arange(n) + 0.5) / n - 0.5
    y = 3.0 - 2.0 * u + ar1(n, phi, rng)
    model = next(m for m in noise_models() if (m.phi, m.part) == (phi, 1.0))
    (ours,) = whitenings(n, 2, (model,))
    fit = GLS(y, np.column_stack([np.ones(n), u]), model.correlation(n)).fit()
    white = fit.model.wendog - fit.model.wexog @ fit.params
    left = float(np.sum((ours.white @ y) ** 2))
    assert left == pytest.approx(float(white @ white), rel=1e-9)
    assert float(ours.last @ y) == pytest.approx(float(fit.params[1]), rel=1e-9)
    assert ours.v_last == pytest.approx(float(fit.normalized_cov_params[1, 1]))


def test_thermometer_of_the_gum() -> None:
    """Calibration line of a thermometer, and its correction at 30 °C.

    Source: JCGM 100:2008, H.3, table H.6 (data from memory; the printed results
    agree): y1 -0.1712(29), y2 0.00218(67), s 0.0035, b(30) -0.1494(41), 9 degrees.
    """
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002,
                  25.503, 26.010, 26.511])  # fmt: skip
    b = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1e3
    line = straight_line(t - 20.0, b)
    assert round(line.intercept, 4) == -0.1712
    assert round(line.u_intercept, 4) == 0.0029
    assert round(line.slope, 5) == 0.00218
    assert round(line.u_slope, 5) == 0.00067
    assert round(line.s, 4) == 0.0035
    assert line.dof == 9
    at = fit_polynomial(t - 20.0, b, 1)
    assert round(float(polyval(10.0, at.coefficients)), 4) == -0.1494
    assert round(float(at.u_curve(np.array(10.0))), 4) == 0.0041
    r = at.covariance[0, 1] / math.sqrt(at.covariance[0, 0] * at.covariance[1, 1])
    assert round(float(r), 3) == -0.930


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_interval_of_a_mean_holds_its_level(phi: float) -> None:
    rng = np.random.default_rng(11)
    t = times(150, 0.1)
    runs, inside = 150, 0
    for _ in range(runs):
        level = robust_level(t, 1e5 + ar1(150, phi, rng))
        inside += abs(level.mean - 1e5) < stdtrit(level.dof, 0.975) * level.u
    # 0.95 less three standard deviations of a share of 150
    assert inside / runs > 0.95 - 3.0 * math.sqrt(0.95 * 0.05 / runs)


@pytest.mark.parametrize("phi", [0.0, 0.9])
def test_steadiness_errs_at_most_one_time_in_twenty_at_the_limit(phi: float) -> None:
    rng = np.random.default_rng(5)
    t = times(150, 0.1)
    runs = 200
    wrong = sum(
        steadiness(t, 0.04 * ar1(150, phi, rng) + 0.25 * t / t[-1], 0.25).steady
        for _ in range(runs)
    )
    right = sum(
        steadiness(t, 0.04 * ar1(150, phi, rng), 0.25).steady for _ in range(runs)
    )
    assert wrong / runs < 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / runs)
    assert right / runs > (0.98 if phi == 0.0 else 0.5)


def test_spikes_are_left_out_and_a_shift_changes_nothing() -> None:
    rng = np.random.default_rng(2)
    t = times(400, 0.05)
    y = rng.standard_normal(400)
    y[[17, 200]] += 80.0
    clean = robust_level(t, y)
    far = robust_level(t + 1e4, y + 1e6)
    assert clean.dropped == 2
    assert far.mean - 1e6 == pytest.approx(clean.mean, abs=1e-6)
    assert far.u == pytest.approx(clean.u, rel=1e-6)


def test_a_slope_drops_no_sample_of_a_steady_fall() -> None:
    t = times(500, 0.1)
    rng = np.random.default_rng(0)
    slope = robust_slope(t, -3.0 * t + 0.1 * rng.standard_normal(500))
    assert slope.slope == pytest.approx(-3.0, abs=4.0 * slope.u)


def test_equal_readings_are_no_spikes() -> None:
    y = np.full(40, 7.0)
    y[3] = 8.0
    assert bool(keep_near(y).all())
    level = robust_level(times(40, 0.1), np.full(40, 7.0))
    assert (level.mean, level.u) == (7.0, 0.0)
    assert not steadiness(np.empty(0), np.empty(0), 1.0).steady
