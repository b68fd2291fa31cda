"""Separable least squares: a constant and decaying exponentials through points.

The model is linear in all but the rates of decay, so that only those are searched for
(variable projection) and no start is needed for the rest. Each step is that of Gauss,
Newton and Levenberg with the derivatives of Kaufman's simplification.

Source: G. H. Golub, V. Pereyra, "Separable nonlinear least squares: the variable
projection method and its applications", Inverse Problems 19 (2003) R1; L. Kaufman,
"A variable projection method for solving separable nonlinear least squares problems",
BIT 15 (1975) 49.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from records.trace import FloatArray

_MOST_STEPS = 400
_LAST_STEPS = 12
_NEAR = 1e-4  # of a rate: a last step is small, or it is none


@dataclass(frozen=True, slots=True, eq=False)
class ExponentialsFit:
    """Linear coefficients and rates of a fit.

    Attributes:
        linear: shape (p,), coefficients of the shapes, in their order.
        rates: shape (k,), of decay, per unit of x, in the order of the starts.
        covariance: of coefficients and rates, in this order, for independent readings
            of equal spread.
        rss: residual sum of squares. dof: points less parameters.
    """

    linear: FloatArray
    rates: FloatArray
    covariance: FloatArray
    rss: float
    dof: int

    @property
    def u_linear(self) -> FloatArray:
        """Standard errors of the coefficients."""
        u = np.sqrt(np.diag(self.covariance))
        return np.asarray(u[: self.linear.size])

    @property
    def u_rates(self) -> FloatArray:
        """Standard errors of the rates."""
        u = np.sqrt(np.diag(self.covariance))
        return np.asarray(u[self.linear.size :])

    @property
    def s(self) -> float:
        """Residual standard deviation."""
        return math.sqrt(self.rss / self.dof)


# From rates to the shapes, (n, p), and their derivatives by each rate, (k, n, p).
Shapes = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]


def constant_and_decays(
    x: FloatArray, rates: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the shapes of c + sum of a_k exp(-rate_k x), and their derivatives."""
    decays = np.exp(-np.multiply.outer(x, rates))
    shapes = np.column_stack([np.ones_like(x), decays])
    return shapes, _by_rate(x, decays, first=1)


def decays_only(x: FloatArray, rates: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the shapes of a sum of a_k exp(-rate_k x), and their derivatives."""
    decays = np.exp(-np.multiply.outer(x, rates))
    return decays, _by_rate(x, decays, first=0)


def approach(x: FloatArray, rates: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the shape of a (1 - exp(-rate x)), from zero, and its derivative."""
    decay = np.exp(-np.multiply.outer(x, rates))
    # from 0 where the rate is small, without losing digits
    shape = -np.expm1(-np.multiply.outer(x, rates))
    return shape, (x[:, None] * decay)[None]


def _by_rate(x: FloatArray, decays: FloatArray, first: int) -> FloatArray:
    k = decays.shape[1]
    slopes = np.zeros((k, x.size, first + k))
    for number in range(k):
        slopes[number, :, first + number] = -x * decays[:, number]
    return slopes


def fit_exponentials(
    x: FloatArray,
    y: FloatArray,
    starts: Sequence[float] | FloatArray,
    shapes: Shapes = constant_and_decays,
) -> ExponentialsFit:
    """Return the least-squares fit of exponentials to points.

    Args:
        x: shape (n,).
        y: shape (n,), finite.
        starts: a first guess of each rate, above zero, all different.
        shapes: which model, see above; any other that is linear in all but its rates.

    Raises:
        ValueError: too few points, guesses that are no rates, or a search that did not
            come to an end.
    """
    guess = np.asarray(starts, dtype=np.float64)
    if not guess.size or not np.all(np.isfinite(guess) & (guess > 0.0)):
        raise ValueError("every rate needs a first guess above zero")
    if np.unique(guess).size != guess.size:
        raise ValueError("two rates can't start from one guess")
    x = np.asarray(x, dtype=np.float64)
    y = np.asarray(y, dtype=np.float64)
    count = shapes(x, guess)[0].shape[1]
    if x.size <= count + guess.size:
        raise ValueError(f"{x.size} points for {count + guess.size} parameters")

    def residual(log_rates: FloatArray) -> FloatArray:
        design, _ = shapes(x, np.exp(log_rates))
        found, *_ = np.linalg.lstsq(design, y, rcond=None)
        return np.asarray(design @ found - y)

    def jacobian(log_rates: FloatArray) -> FloatArray:
        rates = np.exp(log_rates)
        design, slopes = shapes(x, rates)
        found, *_ = np.linalg.lstsq(design, y, rcond=None)
        q, _ = np.linalg.qr(design)
        turned = np.stack([slope @ found for slope in slopes], axis=1) * rates
        return np.asarray(turned - q @ (q.T @ turned))

    # A rate is searched for by its logarithm: it can't become negative, and a start
    # that is wrong a thousandfold lies a few steps away.
    tight = 1e-15
    search = least_squares(
        residual,
        np.log(guess),
        jac=jacobian,
        method="trf",
        x_scale="jac",
        ftol=tight,
        xtol=tight,
        gtol=tight,
        max_nfev=_MOST_STEPS,
    )
    rates = np.exp(search.x)
    if search.status == 0 or not np.all(np.isfinite(rates)):
        raise ValueError("the search for the rates did not come to an end")
    # The search ends where the sum of squares no longer falls, and that is flat to half
    # of a number's digits: steps of the whole model find the rest.
    for _ in range(_LAST_STEPS):
        _, left, whole, size = _parts(x, y, rates, shapes)
        step = np.linalg.lstsq(whole / size, left, rcond=None)[0] / size
        nearer = rates + step[count:]
        if not np.all(np.abs(step[count:]) < _NEAR * rates):
            break
        rates = nearer
    linear, left, whole, size = _parts(x, y, rates, shapes)
    rss, dof = float(left @ left), x.size - count - guess.size
    r = np.linalg.qr(whole / size, mode="r")
    spread = math.sqrt(rss / dof) * np.linalg.inv(r) / size[:, None]
    return ExponentialsFit(linear, rates, spread @ spread.T, rss, dof)


def _parts(
    x: FloatArray, y: FloatArray, rates: FloatArray, shapes: Shapes
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return coefficients, what is left of y, all derivatives, and their sizes."""
    design, slopes = shapes(x, rates)
    linear, *_ = np.linalg.lstsq(design, y, rcond=None)
    turned = np.stack([slope @ linear for slope in slopes], axis=1)
    whole = np.column_stack([design, turned])
    # columns of one size, so that none is lost beside a larger one
    size = np.sqrt(np.sum(whole**2, axis=0))
    if not np.all(size > 0.0):
        raise ValueError("a rate that the points do not show")
    left = y - design @ linear
    return np.asarray(linear), np.asarray(left), np.asarray(whole), np.asarray(size)
