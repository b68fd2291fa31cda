"""How far noise moves a mean or a slope, averaged over what the noise may be.

From one short window nobody can tell how slow its noise is: one model taken as true
gives an interval that is too narrow, the largest one that is too wide. So each model of
the correlation of block means gets the weight that the residuals give it, and the
interval holds 95 % of the mixture of their t distributions.

Two cases are told apart because the average alone would be wrong: noise as slow as the
slowest model (nothing in the window says how much slower it really is), and a slow part
that hides under faster noise (its few swings look smaller than they are).

Source: J. A. Hoeting and others, "Bayesian model averaging: a tutorial", Statistical
Science 14 (1999) 382; the models and their priors are this project's own.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import stdtr, stdtrit

from records.trace import FloatArray

from .noise_models import PHI, NoiseModel, hidden_models, noise_models, whitenings

_SLOWEST_WEIGHT = 0.4
_HIDDEN_WEIGHT = 0.3


@dataclass(frozen=True, slots=True)
class NoiseAverage:
    """What the noise of block means does to their mean or to their slope.

    Attributes:
        half95, half90: half widths of the two-sided intervals.
        ratio: long-run over short-run variance. correlation: in blocks.
        too_slow: the noise is as slow as the slowest model: no interval is trusted.
        wanders: a slow part hides under faster noise; the widths allow for it.
    """

    half95: float
    half90: float
    ratio: float
    correlation: float
    too_slow: bool
    wanders: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Models:
    """Per model: whitening with the fit taken out, and what follows from it.

    Attributes:
        white: shape (m, n, n). log_weight: shape (m,), prior and determinants.
        factor: variance of the last coefficient for a unit of variance, shape (m,).
        ratio: shape (m,), variance of the mean over that of independent values.
        phi, part: shape (m,).
    """

    white: FloatArray
    log_weight: FloatArray
    factor: FloatArray
    ratio: FloatArray
    phi: FloatArray
    part: FloatArray


def noise_average(residual: FloatArray, fitted: int) -> NoiseAverage:
    """Return how far noise moves the last coefficient of a fit.

    Args:
        residual: shape (n,), n of at least 4, block means about their mean (``fitted``
            1) or about their straight line (``fitted`` 2).
        fitted: number of coefficients that were fitted. The widths are those of the
            mean, or of the change over all blocks.
    """
    n = residual.size
    models = _models(n, fitted)
    weight, spread = _weighed(models, residual, n - fitted)
    if weight.size == 0:
        return NoiseAverage(0.0, 0.0, 1.0, 0.0, False, False)
    wanders = bool(
        float(weight[(models.part == 0.5) & (models.phi >= 0.8)].sum()) > _HIDDEN_WEIGHT
    )
    too_slow = bool(float(weight[models.phi >= PHI[-1]].sum()) > _SLOWEST_WEIGHT)
    half95 = _half_width(weight, spread, n - fitted, 0.95)
    half90 = _half_width(weight, spread, n - fitted, 0.90)
    if wanders:
        slow = _models(n, fitted, slow=True)
        other, wide = _weighed(slow, residual, n - fitted)
        half95 = max(half95, _half_width(other, wide, n - fitted, 0.95))
        half90 = max(half90, _half_width(other, wide, n - fitted, 0.90))
    times = np.where(models.phi > 0.0, models.part, 0.0)
    decay = np.log(np.where(models.phi > 0.0, models.phi, 0.5))
    return NoiseAverage(
        half95,
        half90,
        float(weight @ models.ratio),
        float(weight @ (times / -decay)),
        too_slow,
        wanders,
    )


def _weighed(
    models: _Models, residual: FloatArray, dof: int
) -> tuple[FloatArray, FloatArray]:
    """Return each model's weight, and its standard uncertainty of the coefficient."""
    rss = np.sum((models.white @ residual) ** 2, axis=1)
    if not np.all(rss > 0.0):
        return np.empty(0), np.empty(0)
    log = models.log_weight - 0.5 * dof * np.log(rss)
    weight = np.exp(log - log.max())
    return weight / weight.sum(), np.sqrt(rss / dof * models.factor)


def _half_width(
    weight: FloatArray, spread: FloatArray, dof: int, coverage: float
) -> float:
    """Return the half width that holds so much of a mixture of t distributions."""
    outside = 0.5 * (1.0 - coverage)
    factor = -float(stdtrit(dof, outside))
    low, high = factor * float(spread.min()), factor * float(spread.max())
    if high <= low * (1.0 + 1e-9):
        return high
    log_low, log_high = math.log(low), math.log(high)

    def excess(log_width: float) -> float:
        tails = float(weight @ stdtr(dof, -math.exp(log_width) / spread))
        return math.log(tails / outside)

    # each end has all tails on one side, but for the last digit
    if excess(log_low) <= 0.0:
        return low
    if excess(log_high) >= 0.0:
        return high
    return math.exp(brentq(excess, log_low, log_high, xtol=1e-9, rtol=1e-9))


@functools.lru_cache(maxsize=64)
def _models(n: int, fitted: int, *, slow: bool = False) -> _Models:
    place = (np.arange(n) + 0.5) / n - 0.5
    design = np.column_stack([place**k for k in range(fitted)])
    inverse = np.linalg.inv(design.T @ design) @ design.T
    models = hidden_models() if slow else _guarded()
    factors, ratios = [], []
    for model in models:
        matrix = model.correlation(n)
        factors.append(float((inverse @ matrix @ inverse.T)[-1, -1]))
        ratios.append(float(matrix.sum()) / n)
    found = whitenings(n, fitted, models)
    return _Models(
        np.asarray([each.white for each in found]),
        np.asarray([each.log_weight for each in found]),
        np.asarray(factors),
        np.asarray(ratios),
        np.asarray([model.phi for model in models]),
        np.asarray([model.part for model in models]),
    )


def _guarded() -> tuple[NoiseModel, ...]:
    # the slowest stands for whatever is slower still: a guard, seldom the truth
    return tuple(
        dataclasses.replace(model, prior=0.4 * model.prior)
        if model.phi == PHI[-1]
        else model
        for model in noise_models()
    )
