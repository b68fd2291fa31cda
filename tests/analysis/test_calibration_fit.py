"""Calibration: fits against certified values and published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis.calibration_fit import (
    ChannelFit,
    figures,
    fit_channel,
    fit_polynomial,
)
from records.calibration import CalibrationPoint, Direction
from tests.analysis.published import Array, filip, norris, pontius

PSI = 1.0  # the example below stays in its own units


def points(
    *runs: tuple[int, Direction, list[float], list[float]],
) -> list[CalibrationPoint]:
    return [
        CalibrationPoint(
            when="as left", run=run, direction=direction, applied=x, reading=y
        )
        for run, direction, applied, reading in runs
        for x, y in zip(applied, reading, strict=True)
    ]


# A transmitter of 0 to 100 psi, 4 to 20 mA: two runs up, one down.
LEVELS = [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]
TRANSMITTER = points(
    (1, "up", LEVELS, [4.002, 7.210, 10.412, 13.612, 16.810, 20.004]),
    (1, "down", LEVELS, [4.004, 7.222, 10.426, 13.624, 16.818, 20.004]),
    (2, "up", LEVELS, [4.003, 7.212, 10.410, 13.613, 16.812, 20.005]),
)


def test_norris_straight_line() -> None:
    # NIST StRD, Norris (calibration of ozone monitors): certified values.
    x, y = norris()
    fit = fit_polynomial(x, y, 1)
    certified = [-0.262323073774029, 1.00211681802045]
    np.testing.assert_allclose(fit.coefficients, certified, rtol=1e-12)
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.covariance)),
        [0.232818234301152, 0.429796848199937e-3],
        rtol=1e-12,
    )
    assert fit.s == pytest.approx(0.884796396144373, rel=1e-13)
    assert fit.dof == 34


def test_filip_degree_ten() -> None:
    """NIST StRD, Filip: certified values; a fit in raw powers gets none of the digits.

    B0 and B10 by the data set's page, the others from memory of the same. A tolerance
    of 1e-7 where 15 digits are certified: the condition number of the problem, about
    1e15 in raw powers and 1e7 in turned x, leaves no more to double precision.
    """
    x, y = filip()
    fit = fit_polynomial(x, y, 10)
    certified = [-1467.48961422980, -2772.17959193342, -2316.37108160893,
                 -1127.97394098372, -354.478233703349, -75.1242017393757,
                 -10.8753180355343, -1.06221498588947, -0.670191154593408e-1,
                 -0.246781078275479e-2, -0.402962525080404e-4]  # fmt: skip
    np.testing.assert_allclose(fit.coefficients, certified, rtol=1e-7)
    errors = np.sqrt(np.diag(fit.covariance))[[0, 10]]
    np.testing.assert_allclose(
        errors, [298.084530995537, 0.896632837373868e-5], rtol=1e-7
    )
    assert fit.s == pytest.approx(0.334801051324544e-2, rel=1e-9)


def test_pontius_quadratic() -> None:
    # NIST StRD, Pontius (load cell calibration): certified values; the standard
    # deviations are from memory.
    x, y = pontius()
    fit = fit_polynomial(x, y, 2)
    certified = [6.73565789473684e-4, 7.32059160401003e-7, -3.16081871345029e-15]
    np.testing.assert_allclose(fit.coefficients, certified, rtol=1e-11)
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.covariance)),
        [1.07938612033077e-4, 1.57817399981659e-10, 4.86652849992036e-17],
        rtol=1e-8,
    )
    assert fit.s == pytest.approx(2.05177424076185e-4, rel=1e-10)


def test_the_thermometer_of_the_guide() -> None:
    # JCGM 100:2008, example H.3, calibration of a thermometer: correction on t - 20 °C.
    # Data from memory; that they give the printed figures is the check of both.
    low = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999]
    high = [24.513, 25.002, 25.503, 26.010, 26.511]
    t = np.array([*low, *high])
    b = -np.array(
        [0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160]
    )
    fit = fit_polynomial(t - 20.0, b, 1)
    u = np.sqrt(np.diag(fit.covariance))
    assert fit.coefficients[0] == pytest.approx(-0.1712, abs=5e-5)
    assert fit.coefficients[1] == pytest.approx(0.00218, abs=5e-6)
    assert u[0] == pytest.approx(0.0029, abs=5e-5)
    assert u[1] == pytest.approx(0.00067, abs=5e-6)
    assert fit.covariance[0, 1] / (u[0] * u[1]) == pytest.approx(-0.930, abs=5e-4)
    assert fit.s == pytest.approx(0.0035, abs=5e-5)
    # predicted at 30 °C: -0.1494 with 0.0041
    at = fit.coefficients[0] + 10.0 * fit.coefficients[1]
    assert at == pytest.approx(-0.1494, abs=5e-5)
    assert float(fit.u_curve(np.array(10.0))) == pytest.approx(0.0041, abs=5e-5)


@pytest.mark.parametrize("order", [1, 2, 3])
def test_against_general_libraries(order: int) -> None:
    picks = np.random.default_rng(order)
    x = np.sort(picks.uniform(-3e4, 2e5, 25))
    y = 3.0 + 1.001 * x + 1e-8 * x**2 + picks.normal(0.0, 5.0, 25)
    fit = fit_polynomial(x, y, order)
    expected, covariance = np.polyfit(x / 1e5, y, order, cov=True)
    scales = 1e5 ** np.arange(order + 1)
    np.testing.assert_allclose(fit.coefficients * scales, expected[::-1], rtol=1e-8)
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.covariance)) * scales,
        np.sqrt(np.diag(covariance))[::-1],
        rtol=1e-8,
    )
    if order == 1:
        line = stats.linregress(x, y)
        assert fit.coefficients[1] == pytest.approx(line.slope, rel=1e-12)
        assert math.sqrt(fit.covariance[1, 1]) == pytest.approx(line.stderr, rel=1e-9)


def test_a_transmitter_by_hand() -> None:
    # Synthetic run; expected values recomputed apart from this code by the formulas
    # of NIST/SEMATECH e-Handbook 2.3.6 and the definitions of ANSI/ISA-51.1 (the
    # latter from memory). Span 16 mA for 100 psi.
    fit = fit_channel(TRANSMITTER, 1)
    c0, c1 = fit.coefficients
    assert 1.0 / c1 == pytest.approx(0.1600042857, rel=1e-9)
    assert -c0 / c1 == pytest.approx(4.011063492, rel=1e-9)
    assert fit.u_reading / c1 == pytest.approx(0.0075051, abs=5e-8)
    assert fit.dof == 16
    assert float(fit.value(np.array(13.0))) == pytest.approx(56.179348, abs=5e-7)
    assert float(fit.u_value(np.array(13.0))) == pytest.approx(0.0482325, abs=5e-7)
    found = figures(TRANSMITTER, fit, 100.0 * PSI)
    # Mean of the two runs up, then of that and the run down, in mA: 4.00325, 7.2165,
    # 10.4185, 13.61825, 16.8145, 20.00425. Furthest from the fitted line: at 0 psi,
    # (4.00325 - 4.011063) / 0.160004 = -0.0488 psi; from the line through the ends:
    # at 40 psi, (10.4185 - 10.40365) / 0.160004 = 0.0928 psi.
    assert 100.0 * found.non_linearity == pytest.approx(0.048833, abs=5e-6)
    assert 100.0 * found.terminal_non_linearity == pytest.approx(0.09281, abs=5e-5)
    assert 100.0 * found.hysteresis == pytest.approx(0.0875, abs=5e-5)
    assert found.repeatability is not None
    assert 100.0 * found.repeatability == pytest.approx(0.0125, abs=5e-5)
    # one point alone: 40 psi coming down, (10.426 - 10.411235) / 0.160004
    assert found.largest_error is not None
    assert 100.0 * found.largest_error == pytest.approx(0.09228, abs=5e-6)


def test_hysteresis_is_not_in_non_linearity() -> None:
    # Worked by hand; terms of ANSI/ISA-51.1 and IEC 61298-2 (both from memory).
    #
    # applied   up      down    mean    line 0.2 + x   mean off it   from 0.1 + x
    #    0      0.0     0.2     0.1         0.2           -0.1            0
    #   50     50.2    50.6    50.4        50.2           +0.2          +0.3
    #  100    100.1   100.1   100.1       100.2           -0.1            0
    #
    # The line by least squares: slope (100.1 - 0.1) / 100 = 1 by symmetry, through the
    # mean of all, (0.1 + 50.4 + 100.1) / 3 = 50.2 at 50. The ends of the mean curve lie
    # on 0.1 + x. Down less up is 0.4 at 50. The single point that is furthest off the
    # line is 50 coming down, 50.6 - 50.2 = 0.4.
    ours = points(
        (1, "up", [0.0, 50.0, 100.0], [0.0, 50.2, 100.1]),
        (1, "down", [100.0, 50.0, 0.0], [100.1, 50.6, 0.2]),
    )
    fit = fit_channel(ours, 1)
    assert fit.coefficients == pytest.approx((-0.2, 1.0), abs=1e-9)
    found = figures(ours, fit, 100.0)
    assert 100.0 * found.non_linearity == pytest.approx(0.2, abs=1e-9)
    assert 100.0 * found.terminal_non_linearity == pytest.approx(0.3, abs=1e-9)
    assert 100.0 * found.hysteresis == pytest.approx(0.4, abs=1e-9)
    assert found.repeatability is None
    assert found.largest_error is not None
    assert 100.0 * found.largest_error == pytest.approx(0.4, abs=1e-9)


def test_a_straight_transducer_with_hysteresis_is_straight() -> None:
    # It reads 0.1 low going up and 0.1 high coming down: the mean curve is straight, so
    # all that is off is hysteresis.
    levels = [0.0, 25.0, 50.0, 75.0, 100.0]
    ours = points(
        (1, "up", levels, [x - 0.1 for x in levels]),
        (1, "down", levels[::-1], [x + 0.1 for x in levels[::-1]]),
    )
    found = figures(ours, fit_channel(ours, 1), 100.0)
    assert found.non_linearity == pytest.approx(0.0, abs=1e-12)
    assert found.terminal_non_linearity == pytest.approx(0.0, abs=1e-12)
    assert 100.0 * found.hysteresis == pytest.approx(0.2, abs=1e-9)
    assert found.largest_error is not None
    assert 100.0 * found.largest_error == pytest.approx(0.1, abs=1e-9)


def covered(fit: ChannelFit, readings: Array) -> bool:
    offset, gain = fit.split(readings)
    said = np.hypot(offset, gain * fit.value(readings))
    return bool(np.all(said >= fit.u_curve(readings) * (1.0 - 1e-9)))


@pytest.mark.parametrize("order", [1, 2, 3])
def test_offset_and_gain_cover_the_band_of_the_curve(order: int) -> None:
    applied = np.linspace(0.0, 2e5, 11).tolist()
    picks = np.random.default_rng(5)
    runs = [
        (
            run,
            direction,
            applied,
            [
                40.0 + 1.002 * x + 2e-8 * x * x + picks.normal(0.0, 30.0)
                for x in applied
            ],
        )
        for run in (1, 2)
        for direction in ("up", "down")
    ]
    ours = points(*runs)  # type: ignore[arg-type]
    fit = fit_channel(ours, order)
    readings = np.linspace(0.0, 2.01e5, 101)
    assert covered(fit, readings)
    back = np.abs(
        fit.value(np.array([p.reading for p in ours]))
        - np.array([p.applied for p in ours])
    )
    assert float(back.max()) < (400.0 if order == 1 else 120.0)


def test_the_stated_uncertainty_covers_as_often_as_it_says() -> None:
    # Monte Carlo, 2000 trials, seed 11: one further reading, 95 % interval by t.
    picks = np.random.default_rng(11)
    applied = np.repeat(np.linspace(0.0, 1e5, 6), 3)
    factor = float(stats.t.ppf(0.975, applied.size - 2))
    inside = 0
    for _ in range(2000):
        reading = 12.0 + 0.998 * applied + picks.normal(0.0, 20.0, applied.size)
        ours = points((1, "up", applied.tolist(), reading.tolist()))
        fit = fit_channel(ours, 1)
        true = picks.uniform(0.0, 1e5)
        new = np.array(12.0 + 0.998 * true + picks.normal(0.0, 20.0))
        off = abs(float(fit.value(new)) - true)
        inside += off <= factor * float(fit.u_value(new))
    low, high = stats.binom.interval(0.999, 2000, 0.95)
    assert low <= inside <= high


@pytest.mark.parametrize(
    ("applied", "reading", "order", "why"),
    [
        ([0.0, 1.0, 1.0, 0.0], [0.0, 1.0, 1.0, 0.0], 1, "2 levels"),
        ([0.0, 1.0, 2.0, 3.0], [5.0, 5.0, 5.0, 5.0], 1, "the same"),
        ([0.0, 1.0, 2.0, 3.0], [0.0, 3.0, 1.0, 2.0], 1, "does not follow"),
        ([0.0, 1.0, 2.0, 3.0], [0.0, -1.0, -2.0, -3.0], 1, "falls while"),
        ([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 3.0], 3, "4 levels"),
        (
            [0.0, 1.0, 2.0, 3.0, 4.0],
            [0.0, 1.21, 2.28, 3.21, 4.0],
            2,
            "turns between",
        ),
    ],
)
def test_points_that_make_no_calibration(
    applied: list[float], reading: list[float], order: int, why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        fit_channel(points((1, "up", applied, reading)), order)
