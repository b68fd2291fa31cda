"""Exponentials by separable least squares, against certified values.

Source of every number here: NIST Statistical Reference Datasets, nonlinear regression;
certified values and start values stand in the files' headers, to 11 digits.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.analysis.certified_fit import (
    ExponentialsFit,
    Shapes,
    approach,
    constant_and_decays,
    decays_only,
    fit_exponentials,
)
from tests.analysis.published import Array, nonlinear, times

_DIGITS = 1e-10  # relative: a unit of the eleventh digit at the most
# For each: shapes, which of the parameters are rates, which are coefficients.
SETS: dict[str, tuple[Shapes, list[int], list[int]]] = {
    "Misra1a": (approach, [1], [0]),
    "BoxBOD": (approach, [1], [0]),
    "MGH17": (constant_and_decays, [3, 4], [0, 1, 2]),
    "Lanczos2": (decays_only, [1, 3, 5], [0, 2, 4]),
    "Lanczos3": (decays_only, [1, 3, 5], [0, 2, 4]),
}


def told(fit: ExponentialsFit, rates: list[int], linear: list[int]) -> list[Array]:
    """Return parameters and standard errors in the order of the certificate."""
    both = []
    for a, b in ((fit.linear, fit.rates), (fit.u_linear, fit.u_rates)):
        out = np.empty(len(rates) + len(linear))
        out[linear], out[rates] = a, b
        both.append(out)
    return both


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", sorted(SETS))
def test_certified_values_from_either_start(name: str, start: int) -> None:
    shapes, rates, linear = SETS[name]
    held = nonlinear(name)
    fit = fit_exponentials(held.x, held.y, held.starts[start][rates], shapes)
    values, errors = told(fit, rates, linear)
    if name == "MGH17" and values[3] > values[4]:
        # the two exponentials have no order; from the first start they change places
        values, errors = values[[0, 2, 1, 4, 3]], errors[[0, 2, 1, 4, 3]]
    np.testing.assert_allclose(values, held.values, rtol=_DIGITS)
    np.testing.assert_allclose(errors, held.errors, rtol=_DIGITS)
    assert fit.rss == pytest.approx(held.rss, rel=_DIGITS)


def ultrasonic(x: Array, rates: Array) -> tuple[Array, Array]:
    """Return exp(-r x) / (1 + q x) and its derivatives: the form of Chwirut."""
    decay = np.exp(-rates[0] * x) / (1.0 + rates[1] * x)
    return decay[:, None], np.stack(
        [(-x * decay)[:, None], (-x * decay / (1.0 + rates[1] * x))[:, None]]
    )


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", ["Chwirut1", "Chwirut2"])
def test_another_shape_that_is_linear_in_all_but_two(name: str, start: int) -> None:
    held = nonlinear(name)
    b1, b2, b3 = held.starts[start]
    fit = fit_exponentials(held.x, held.y, [b1, b3 / b2], ultrasonic)
    (a,), (r, q) = fit.linear, fit.rates
    values = np.array([r, 1.0 / a, q / a])
    turn = np.array([[0, 1, 0], [-1 / a**2, 0, 0], [-q / a**2, 0, 1 / a]])
    errors = np.sqrt(np.diag(turn @ fit.covariance @ turn.T))
    np.testing.assert_allclose(values, held.values, rtol=_DIGITS)
    np.testing.assert_allclose(errors, held.errors, rtol=_DIGITS)
    assert fit.rss == pytest.approx(held.rss, rel=_DIGITS)


def test_scale_and_shift_change_nothing_that_they_should_not() -> None:
    held = nonlinear("MGH17")
    one = fit_exponentials(held.x, held.y, [0.01, 0.02])
    two = fit_exponentials(60.0 * held.x, 250.0 * held.y + 9.0, [2e-4, 3e-4])
    np.testing.assert_allclose(two.rates * 60.0, one.rates, rtol=1e-8)
    np.testing.assert_allclose(two.linear[1:] / 250.0, one.linear[1:], rtol=1e-7)
    assert two.linear[0] == pytest.approx(250.0 * one.linear[0] + 9.0, rel=1e-8)


@pytest.mark.parametrize(
    ("count", "starts", "why"),
    [
        (3, [0.1], "3 points"),
        (50, [], "first guess"),
        (50, [-1.0], "first guess"),
        (50, [0.2, 0.2], "one guess"),
    ],
)
def test_what_can_t_be_fitted_is_refused(
    count: int, starts: list[float], why: str
) -> None:
    t = times(count, 1.0)
    with pytest.raises(ValueError, match=why):
        fit_exponentials(t, np.exp(-0.1 * t), starts)
