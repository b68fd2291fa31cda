"""What the noise of block means may be: models, and whitening by each of them.

At lag k the correlation is part times phi^k. The part is that of a first-order process
read at the blocks' middles (1), averaged over the blocks (more than 1; exact), or under
as much white noise (a half).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from records.trace import FloatArray

PHI = (0.3, 0.6, 0.8, 0.9, 0.96)
_WHITE = 0.3
# A slow part under faster noise: (phi, part).
_HIDDEN = ((0.9, 0.5), (0.96, 0.5), (0.96, 0.3), (0.98, 0.3))


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """One model: decay per block, part, prior probability, long-run variance ratio."""

    phi: float
    part: float
    prior: float

    @property
    def long_run(self) -> float:
        """Long-run over short-run variance."""
        return 1.0 + 2.0 * self.part * self.phi / (1.0 - self.phi)

    def correlation(self, n: int) -> FloatArray:
        """Return the correlation matrix of n block means, shape (n, n)."""
        lag = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        matrix = (
            self.part * np.power(self.phi, lag, dtype=np.float64)
            if self.phi
            else np.zeros((n, n))
        )
        np.fill_diagonal(matrix, 1.0)
        return np.asarray(matrix)


def noise_models() -> tuple[NoiseModel, ...]:
    """Return white noise, and three kinds of each decay."""
    models = [NoiseModel(0.0, 0.0, _WHITE)]
    share = (1.0 - _WHITE) / (3 * len(PHI))
    for phi in PHI:
        x = -math.log(phi)
        averaged = (1.0 - phi) ** 2 / (phi * 2.0 * (x - 1.0 + math.exp(-x)))
        models += [NoiseModel(phi, part, share) for part in (0.5, 1.0, averaged)]
    return tuple(models)


def hidden_models() -> tuple[NoiseModel, ...]:
    """Return noise of which a slow part hides under faster noise."""
    return tuple(NoiseModel(phi, part, 1.0 / len(_HIDDEN)) for phi, part in _HIDDEN)


@dataclass(frozen=True, slots=True, eq=False)
class Whitening:
    """How block means are whitened by one model, a fit taken out of them.

    Attributes:
        model: the model.
        white: shape (n, n): whitens, and takes out the fit of the powers of the place.
        last: shape (n,): gives the fit's last coefficient, the model allowed for.
        v_last: that one's variance for noise of unit variance.
        log_weight: logarithm of prior and determinants; with the squares that are left
            it gives the model's probability.
    """

    model: NoiseModel
    white: FloatArray
    last: FloatArray
    v_last: float
    log_weight: float


@functools.lru_cache(maxsize=96)
def whitenings(
    n: int, fitted: int, models: tuple[NoiseModel, ...]
) -> tuple[Whitening, ...]:
    """Return the whitening by each model of n block means.

    Args:
        n: number of blocks.
        fitted: coefficients that are fitted: 1, a mean; 2, a line over places 0 to 1.
        models: see :func:`noise_models`.
    """
    place = (np.arange(n) + 0.5) / n - 0.5
    design = np.column_stack([place**k for k in range(fitted)])
    found = []
    for model in models:
        chol = np.linalg.cholesky(model.correlation(n))
        both = np.linalg.solve(chol, np.column_stack([design, np.eye(n)]))
        q, r = np.linalg.qr(both[:, :fitted])
        inverse = np.linalg.inv(r)
        white = both[:, fitted:]
        log_v = 2.0 * float(np.log(np.diag(chol)).sum())
        log_x = 2.0 * float(np.log(np.abs(np.diag(r))).sum())
        found.append(
            Whitening(
                model,
                white - q @ (q.T @ white),
                inverse[-1] @ (q.T @ white),
                float(inverse[-1] @ inverse[-1]),
                math.log(model.prior) - 0.5 * (log_v + log_x),
            )
        )
    return tuple(found)
