"""Where a sum over time constants is taken: points near the likely ones.

The points are fixed, not random: the same hold gives the same numbers every time. To
first points, near the likeliest time constants and where one more may lie, come others
about those that turned out likely; each counts by what all that laid points there
expect (the balance heuristic).

Source: E. Veach, L. J. Guibas, SIGGRAPH 1995; O. Cappé and others, "Population Monte
Carlo", J. Comput. Graph. Stat. 13 (2004) 907.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from records.trace import FloatArray

from .tail_shapes import Seen, Space, cells_of

# points drawn: near the mode (narrow, wide), for each cell of one more, anywhere
_POINTS = {2: (60, 40, 4, 60), 3: (80, 40, 6, 100)}
_CELLS = 32
_STEPS = 3  # towards the likeliest of the others in each cell
_ONE_KNOWN = 120
_PART_OF_WIDTH = 1 / 8
# then, in turn: centres, points about each, their width, what power of a weight chooses
_ROUNDS = ((24, 8, 1.0, 0.5), (96, 8, 0.7, 0.6))
_NARROWER = 100.0
# a point goes whose weight is nothing even where a noise model flattens the likelihood
_FLATTEST, _NOTHING = 0.2, 12.0


@functools.lru_cache(maxsize=32)
def _even(count: int, dimensions: int) -> FloatArray:
    """Return points that fill the unit cube evenly, shape (count, dimensions).

    Additive recurrence on the generalised golden ratio.
    """
    root = 2.0
    for _ in range(40):
        root = (1.0 + root) ** (1.0 / (dimensions + 1.0))
    alpha = root ** -np.arange(1.0, dimensions + 1.0)
    return np.asarray((0.5 + np.arange(1, count + 1)[:, None] * alpha[None, :]) % 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Normal:
    """A normal distribution of a few ln tau: centre, factor of its covariance."""

    centre: FloatArray
    factor: FloatArray

    def points(self, even: FloatArray, wide: float) -> FloatArray:
        """Return points from even ones of the unit cube, shape (m, k)."""
        return np.asarray(self.centre + wide * (ndtri(even) @ self.factor.T))

    def density(self, x: FloatArray, wide: float) -> FloatArray:
        """Return the density at points (m, k)."""
        k = self.centre.size
        z = np.linalg.solve(self.factor, (x - self.centre).T) / wide
        norm = abs(float(np.prod(np.diag(self.factor)))) * wide**k
        return np.asarray(
            np.exp(-0.5 * np.einsum("ij,ij->j", z, z))
            / (norm * (2.0 * math.pi) ** (0.5 * k))
        )


def normal_near(
    space: Space, x: FloatArray, precision: FloatArray, variance: float
) -> Normal:
    """Return the normal distribution about a mode, no wider than the prior.

    To a part of its width only: the search ends a little elsewhere where the last digit
    of the readings differs, and the points should not.
    """
    k = x.size
    wide = (space.hi - space.lo) / 12.0**0.5
    normal = precision / max(variance, 1e-280) + np.eye(k) / wide**2
    cov = np.linalg.inv(normal)
    factor = np.linalg.cholesky(0.5 * (cov + cov.T))
    grid = 2.0 ** np.round(np.log2(np.diag(factor) * _PART_OF_WIDTH))
    centre = np.round(x / grid) * grid
    factor = np.round(factor / grid[:, None]) * grid[:, None]
    return Normal(np.clip(centre, space.lo, space.hi), np.asarray(factor))


@dataclass(frozen=True, slots=True, eq=False)
class Given:
    """What is known of some ln tau where one more is given, in even cells of it.

    Attributes:
        lo, width: of the one that is given. centre: shape (cells, k - 1).
        factor, inverse: factors of the covariance, shape (cells, k - 1, k - 1).
    """

    lo: float
    width: float
    centre: FloatArray
    factor: FloatArray
    inverse: FloatArray
    log_norm: FloatArray

    def points(self, each: int, wide: float) -> FloatArray:
        """Return points (m, k), the given one last."""
        cells, known = self.centre.shape
        even = _even(cells * each, known + 1)
        cell = np.arange(cells * each) % cells
        free = self.lo + self.width * (cell + even[:, -1]) / cells
        z = wide * ndtri(even[:, :-1])
        moved = np.einsum("mij,mj->mi", self.factor[cell], z)
        return np.column_stack([self.centre[cell] + moved, free])

    def density(self, x: FloatArray, wide: float) -> FloatArray:
        """Return the density at points (m, k), the given one last."""
        cells, known = self.centre.shape
        place = (x[:, -1] - self.lo) / self.width * cells
        cell = np.clip(place.astype(np.int64), 0, cells - 1)
        away = x[:, :-1] - self.centre[cell]
        z = np.einsum("mij,mj->mi", self.inverse[cell], away) / wide
        log_p = -0.5 * np.einsum("mi,mi->m", z, z) - self.log_norm[cell]
        norm = (wide * math.sqrt(2.0 * math.pi)) ** known * self.width
        return np.asarray(np.exp(log_p) / norm)


def _bent(
    space: Space,
    seen: Seen,
    x: FloatArray,
    beside: FloatArray,
    nu: float,
    ridge: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return how what is left of a hold bends about some ln tau, all at once.

    Args:
        space: what the prior allows.
        seen: a hold under a noise model.
        x: ln tau, shape (m, k).
        beside: further shapes that stay, whitened, shape (m, j, r).
        nu: degrees of freedom.
        ridge: of the amplitudes.

    Returns:
        Normal matrices (m, k, k), downward slopes (m, k), variances of the noise (m,).
    """
    k = x.shape[1]
    inside, slopes = space.inside_with_slopes(x)
    z = np.concatenate([inside @ seen.turn.T, beside], axis=1)
    gram = z @ z.transpose(0, 2, 1)
    diagonal = np.arange(z.shape[1])
    gram[:, diagonal, diagonal] += ridge
    a = np.linalg.solve(gram, (z @ seen.data)[:, :, None])[:, :, 0]
    left = seen.data - np.einsum("mk,mkr->mr", a, z)
    variance = (seen.beside + np.einsum("mr,mr->m", left, left)) / nu
    slope = (slopes @ seen.turn.T) * a[:, :k, None]
    inner = np.linalg.solve(gram, z @ slope.transpose(0, 2, 1))
    jacobian = slope - inner.transpose(0, 2, 1) @ z
    normal = jacobian @ jacobian.transpose(0, 2, 1)
    gradient = (jacobian @ left[:, :, None])[:, :, 0]
    return normal, gradient, np.maximum(variance, 1e-280)


def given_one(
    space: Space, seen: Seen, fewer: FloatArray, nu: float, ridge: float
) -> Given:
    """Return what the data say of some ln tau for each place of one more."""
    width = space.hi - space.lo
    free = space.lo + width * (np.arange(_CELLS) + 0.5) / _CELLS
    k = fewer.size
    of_free = space.inside(free)[:, None, :] @ seen.turn.T
    x = np.tile(fewer, (_CELLS, 1))
    bent = _bent(space, seen, x, of_free, nu, ridge)
    for _ in range(_STEPS):
        normal, gradient, variance = bent
        damped = (
            normal
            + 1e-3 * normal * np.eye(k)
            + 1e-9 * variance[:, None, None] * np.eye(k)
        )
        delta = np.linalg.solve(damped, gradient[:, :, None])[:, :, 0]
        x = np.clip(x + np.clip(delta, -0.5, 0.5), space.lo, space.hi)
        bent = _bent(space, seen, x, of_free, nu, ridge)
    normal, _, variance = bent
    wide = width / 12.0**0.5
    precision = normal / variance[:, None, None] + np.eye(k) / wide**2
    cov = np.linalg.inv(0.5 * (precision + precision.transpose(0, 2, 1)))
    factor: FloatArray = np.asarray(
        np.linalg.cholesky(0.5 * (cov + cov.transpose(0, 2, 1))), dtype=np.float64
    )
    log_norm = np.log(factor[:, np.arange(k), np.arange(k)]).sum(axis=1)
    inverse = np.asarray(np.linalg.inv(factor), dtype=np.float64)
    return Given(space.lo, width, x, factor, inverse, log_norm)


_Density = Callable[[FloatArray], FloatArray]


def first_points(
    space: Space, modes: Sequence[Normal], given: Sequence[Given], k: int
) -> tuple[FloatArray, _Density]:
    """Return points of k ln tau, fast first, and how densely they lie.

    Args:
        space: what the prior allows.
        modes: what is known of one, two, ... up to k time constants.
        given: what is known of one, two, ... where one more is given.
        k: number of time constants.
    """
    width = space.hi - space.lo
    narrow, broad, each, anywhere = _POINTS[k]
    mode = modes[k - 1]
    parts = [
        mode.points(_even(narrow, k), 1.2),
        mode.points(_even(broad, k), 2.5),
        given[k - 2].points(each, 1.5),
        space.lo + width * _even(anywhere, k),
    ]
    if k == 3:
        # one known, two anywhere
        even = _even(_ONE_KNOWN, 3)
        free = space.lo + width * even[:, 1:]
        parts.append(np.hstack([modes[0].points(even[:, :1], 2.0), free]))

    def density(x: FloatArray) -> FloatArray:
        total = np.full(x.shape[0], anywhere * math.factorial(k) / width**k)
        for order in itertools.permutations(range(k)):
            turned = x[:, list(order)]
            total += narrow * mode.density(turned, 1.2)
            total += broad * mode.density(turned, 2.5)
            total += each * _CELLS * given[k - 2].density(turned, 1.5)
            if k == 3:
                total += _ONE_KNOWN * modes[0].density(turned[:, :1], 2.0) / width**2
        return total

    return _within(space, np.sort(np.vstack(parts), axis=1)), density


def _within(space: Space, x: FloatArray) -> FloatArray:
    """Return the points that the prior allows, fast first."""
    fine = (x[:, 0] >= space.lo) & (x[:, -1] <= space.hi)
    return np.asarray(x[fine & np.all(x[:, 1:] > x[:, :-1], axis=1)])


@dataclass(frozen=True, slots=True, eq=False)
class _Kernels:
    """Normal distributions about points that the data make likely, evenly mixed.

    Attributes:
        centre: shape (c, k). factor, inverse: of the covariances, shape (c, k, k).
        log_norm: logarithms of their determinants' roots, shape (c,).
    """

    centre: FloatArray
    factor: FloatArray
    inverse: FloatArray
    log_norm: FloatArray

    def points(self, each: int) -> FloatArray:
        """Return so many points about each centre, shape (m, k)."""
        count, k = self.centre.shape
        z = ndtri(_even(count * each, k)).reshape(each, count, k)
        moved = np.einsum("cij,ecj->eci", self.factor, z)
        return np.asarray(self.centre + moved).reshape(-1, k)

    def density(self, x: FloatArray) -> FloatArray:
        """Return the density at points (m, k)."""
        count, k = self.centre.shape
        z = self.inverse @ x.T
        z -= self.inverse @ self.centre[:, :, None]
        square = np.einsum("ckm,ckm->cm", z, z)
        each = np.exp(-0.5 * square - self.log_norm[:, None])
        return np.asarray(each.sum(axis=0) / (count * (2.0 * math.pi) ** (0.5 * k)))


def _kernels(
    space: Space, seen: Seen, centre: FloatArray, wide: float, nu: float, ridge: float
) -> _Kernels:
    """Return kernels of the shapes that the data give about their centres."""
    k = centre.shape[1]
    none = np.empty((centre.shape[0], 0, seen.data.size))
    normal, _, variance = _bent(space, seen, centre, none, nu, ridge)
    diagonal = np.arange(k)
    prior = _NARROWER / (space.hi - space.lo) ** 2
    precision = normal / variance[:, None, None] + prior * np.eye(k)
    lower = np.linalg.cholesky(0.5 * (precision + precision.transpose(0, 2, 1)))
    factor = np.linalg.inv(lower).transpose(0, 2, 1) * wide
    inverse = lower.transpose(0, 2, 1) / wide
    log_norm = -np.log(inverse[:, diagonal, diagonal]).sum(axis=1)
    return _Kernels(centre, np.asarray(factor), np.asarray(inverse), log_norm)


def points_about(
    space: Space,
    seen: Seen,
    x: FloatArray,
    density: _Density,
    nu: float,
    ridge: float,
) -> tuple[FloatArray, FloatArray]:
    """Return points and the logarithm of how densely they lie.

    To the first points come more, about those that turned out likely, twice: the first
    ones are few where the posterior bends or has several modes.

    Args:
        space: what the prior allows.
        seen: a hold under its likeliest noise model.
        x: first points, shape (m, k).
        density: how densely those lie.
        nu: degrees of freedom.
        ridge: of the amplitudes.
    """
    total = density(x)
    log_l = cells_of(seen, space.inside(x), nu, ridge).log_l
    laid = [density]
    for count, each, wide, power in _ROUNDS:
        log_w = power * (log_l - np.log(total))
        order = np.lexsort(x.T)
        share = np.cumsum(np.exp(log_w - log_w.max())[order])
        at = np.searchsorted(share, share[-1] * (np.arange(count) + 0.5) / count)
        centre = x[order[np.minimum(at, x.shape[0] - 1)]]
        kernels = _kernels(space, seen, centre, wide, nu, ridge)

        def near(
            x: FloatArray, kernels: _Kernels = kernels, n: int = count * each
        ) -> FloatArray:
            return n * kernels.density(x)

        laid.append(near)
        more = _within(space, kernels.points(each))
        total = np.concatenate(
            [total + near(x), np.sum([lay(more) for lay in laid], axis=0)]
        )
        x = np.vstack([x, more])
        found = cells_of(seen, space.inside(more), nu, ridge).log_l
        log_l = np.concatenate([log_l, found])
    # what no noise model can make likely costs time and adds nothing
    log_w = _FLATTEST * log_l - np.log(total)
    use = log_w > log_w.max() - _NOTHING
    return x[use], np.log(total[use])
