"""A constant and decaying exponentials through points, for certified data sets.

The search is the product's own, :mod:`analysis.variable_projection`; shapes and errors
of points that lie anywhere stand here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.variable_projection import searched
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

    # A rate is searched for by its logarithm: it can't become negative, and a start
    # that is wrong a thousandfold lies a few steps away.
    found, _, _ = searched(
        lambda log_rates: _Place(x, y, np.exp(log_rates), shapes),
        np.log(guess),
        -np.inf,
        np.inf,
        least_gain=1e-15,
        most_steps=_MOST_STEPS,
        damping=100.0,
    )
    rates = np.exp(found)
    if not np.all(np.isfinite(rates)):
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


class _Place:
    """What the best coefficients leave over at some rates."""

    def __init__(
        self, x: FloatArray, y: FloatArray, rates: FloatArray, shapes: Shapes
    ) -> None:
        self._design, self._slopes = shapes(x, rates)
        self._rates = rates
        self._linear = np.linalg.lstsq(self._design, y, rcond=None)[0]
        self.left: FloatArray = y - self._design @ self._linear
        self.rss = float(self.left @ self.left)

    def jacobian(self) -> FloatArray:
        """Return the derivatives of what is left by the logarithms of the rates."""
        turned = np.stack([slope @ self._linear for slope in self._slopes], axis=1)
        turned = turned * self._rates
        q, _ = np.linalg.qr(self._design)
        return np.asarray(q @ (q.T @ turned) - turned)


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
