"""The posterior of a hold's lasting rate: a line and one to three exponentials.

Everything linear is integrated in closed form; over the time constants the sum runs
over fixed low-discrepancy points that are drawn near the likeliest ones, so the same
hold gives the same numbers every time. How many exponentials there are and how the
noise is correlated are averaged over.

All shapes of exponentials that the prior allows lie, to rounding, in a space of few
dimensions. A hold is projected on it once per noise model; what follows costs nothing.

Source: G. L. Bretthorst, "Bayesian Spectrum Analysis and Parameter Estimation" (1988),
chapters 3 and 4 (linear amplitudes integrated); G. H. Golub, V. Pereyra, Inverse
Problems 19 (2003) R1 (separable least squares); E. Veach, L. J. Guibas, SIGGRAPH 1995
(several proposals weighed by the balance heuristic).
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

from .mixture import Mixture
from .noise_models import noise_models, whitenings
from .variable_projection import searched, solved

MOST_TAILS = 3
# How likely one, two, three exponentials are before anything was seen. An interval has
# to hold however many there are: gas, walls and body each settle, and one too few makes
# it too narrow. A value is best with no more than the data ask for.
P_TAILS = (0.1, 0.2, 0.7)
P_VALUE = (0.8, 0.15, 0.05)
_PRUNE = 9.0
_NODES = 64
_COARSE = {2: 20, 3: 12}
# points drawn: near the mode (narrow, wide), for each cell of one more, anywhere
_POINTS = {2: (60, 40, 4, 60), 3: (80, 40, 6, 100)}
_CELLS = 32
_PART_OF_WIDTH = 1 / 8
_GAINED = 1e-5  # of what is left; less is nothing to the likelihood
_ONE_KNOWN = 120
# then, in turn: centres, points about each, their width, what power of a weight chooses
# a point goes whose weight is nothing even where a noise model flattens the likelihood
_FLATTEST, _NOTHING = 0.2, 12.0
_NARROWER = 100.0
_ROUNDS = ((24, 8, 1.0, 0.5), (96, 8, 0.7, 0.6))
_RANK_TOLERANCE = 1e-11
_LEAST_RIDGE = 1e-13
_LEAST_PIVOT = 1e-15
_NONE: FloatArray = np.zeros(1)
_LOST = 1e-5  # of the posterior, in terms that are left out


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """A fit under one prior; time constants over the hold's length.

    Attributes:
        rate: its distribution, in units of the amplitude's prior over the hold.
        value: median where further exponentials are less expected.
        p_tails: probability of one, two, three exponentials.
        ln_tau, sd_ln_tau: of the slowest exponential of the likeliest number.
        amplitude, u_amplitude: of the same. best: ln tau of the likeliest, fast first.
        lrv: long-run over short-run variance of the noise.
    """

    rate: Mixture
    value: float
    p_tails: tuple[float, ...]
    ln_tau: float
    sd_ln_tau: float
    amplitude: float
    u_amplitude: float
    lrv: float
    best: tuple[float, ...]


def shapes(u: FloatArray, ln_tau: FloatArray) -> FloatArray:
    """Return exponentials averaged over blocks, shape (n, k).

    Args:
        u: middles of the blocks, 0 to 1, even, shape (n,).
        ln_tau: logarithms of the time constants over the hold's length, shape (k,).
    """
    inverse = np.exp(-ln_tau)
    averaged = _averaged(0.5 / u.size * inverse)
    return np.asarray(np.exp(-u[:, None] * inverse[None, :]) * averaged[None, :])


def shapes_and_slopes(
    u: FloatArray, ln_tau: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return :func:`shapes` and their derivatives by ln tau, shape (n, k) each."""
    inverse = np.exp(-ln_tau)
    x = 0.5 / u.size * inverse
    at = u[:, None] * inverse[None, :]
    shape = np.exp(-at) * _averaged(x)[None, :]
    # sinh(x)/x falls by x coth(x) - 1 of itself per step of ln tau
    falls = np.where(x < 1e-4, x * x / 3.0, x / np.tanh(np.maximum(x, 1e-4)) - 1.0)
    return shape, shape * (at - falls[None, :])


def _averaged(x: FloatArray) -> FloatArray:
    """Return sinh(x)/x: a block's mean of an exponential over that at its middle."""
    grown = np.sinh(np.clip(x, 1e-4, 300.0)) / np.maximum(x, 1e-4)
    return np.where(x < 1e-4, 1.0 + x * x / 6.0, grown)


@dataclass(frozen=True, slots=True, eq=False)
class _Space:
    """The space of all shapes that a prior allows, and the fixed points in it.

    Attributes:
        lo, hi: ends of ln tau. basis: orthonormal, shape (n, r).
        turn: per noise model, from the basis to whitened coordinates, shape (r, r).
        read: per noise model, from a hold to whitened coordinates, shape (r, n).
        slope: per noise model, slope of a line through each basis shape, shape (r,).
        grid, of_grid: nodes for one tail and their shapes in the basis.
        coarse: tuples to start from per number of tails, with their shapes.
    """

    lo: float
    hi: float
    u: FloatArray
    basis: FloatArray
    turn: tuple[FloatArray, ...]
    read: tuple[FloatArray, ...]
    slope: tuple[FloatArray, ...]
    grid: FloatArray
    of_grid: FloatArray
    coarse: dict[int, tuple[FloatArray, FloatArray]]

    def inside(self, ln_tau: FloatArray) -> FloatArray:
        """Return shapes in the basis, of any shape of ``ln_tau`` plus (r,)."""
        flat = shapes(self.u, np.ravel(ln_tau))
        return np.asarray((self.basis.T @ flat).T.reshape(*ln_tau.shape, -1))

    def inside_with_slopes(self, ln_tau: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return :meth:`inside` and its derivative by ln tau."""
        both = np.hstack(shapes_and_slopes(self.u, np.ravel(ln_tau)))
        found = (self.basis.T @ both).T.reshape(2, *ln_tau.shape, -1)
        return found[0], found[1]


@functools.lru_cache(maxsize=16)
def _space(n: int, lo: float, hi: float) -> _Space:
    u = (np.arange(n) + 0.5) / n
    dense = np.linspace(lo, hi, 96)
    left, size, _ = np.linalg.svd(shapes(u, dense), full_matrices=False)
    rank = int(np.sum(size > _RANK_TOLERANCE * size[0]))
    basis = left[:, :rank]
    turn, read, slope = [], [], []
    for each in whitenings(n, 2, noise_models()):
        q, r = np.linalg.qr(each.white @ basis)
        turn.append(r)
        read.append(q.T @ each.white)
        slope.append(each.last @ basis)
    grid = np.linspace(lo, hi, _NODES)
    coarse = {}
    for k, nodes in _COARSE.items():
        # middles of even shares, none twice in a tuple
        at = lo + (hi - lo) * (np.arange(nodes) + 0.5) / nodes
        tuples = np.array(list(itertools.combinations(at, k)))
        found = (basis.T @ shapes(u, at)).T
        index = np.array(list(itertools.combinations(range(nodes), k)))
        coarse[k] = (tuples, found[index])
    return _Space(
        lo,
        hi,
        u,
        basis,
        tuple(turn),
        tuple(read),
        tuple(slope),
        grid,
        (basis.T @ shapes(u, grid)).T,
        coarse,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """A hold under one noise model: coordinates, what lies beside them, its line."""

    data: FloatArray
    beside: float
    slope: float
    v0: float
    weight: float
    lrv: float
    turn: FloatArray
    lean: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """What tuples of time constants give under one noise model, shape (m,) each."""

    log_l: FloatArray
    rss: FloatArray
    rate: FloatArray
    sd: FloatArray
    a_slow: FloatArray
    u_slow: FloatArray


def _seen(
    space: _Space, y: FloatArray, models: Sequence[int] = ()
) -> tuple[_Seen, ...]:
    found = []
    tables = whitenings(y.size, 2, noise_models())
    for c in models or range(len(tables)):
        by = tables[c]
        data = space.read[c] @ y
        e = by.white @ y
        beside = max(0.0, float(e @ e) - float(data @ data))
        found.append(
            _Seen(
                data,
                beside,
                float(by.last @ y),
                by.v_last,
                by.log_weight,
                by.model.long_run,
                space.turn[c],
                space.slope[c],
            )
        )
    return tuple(found)


def _cells(seen: _Seen, c: FloatArray, nu: float, ridge: float) -> _Cells:
    """Return the cells of tuples; ``c`` has shape (m, tails, r), slowest last."""
    k = c.shape[1]
    z = c @ seen.turn.T
    gram = z @ z.transpose(0, 2, 1)
    gram[:, np.arange(k), np.arange(k)] += ridge
    # relative to the diagonal, so that near equal shapes keep their digits
    size = np.sqrt(gram[:, np.arange(k), np.arange(k)])
    gram = gram / (size[:, :, None] * size[:, None, :])
    b = z @ seen.data / size
    lean = c @ seen.lean / size
    # Cholesky's factor row by row, all tuples at once, and both right sides with it
    rows: list[list[FloatArray]] = []
    of_b: list[FloatArray] = []
    of_lean: list[FloatArray] = []
    log_det = 2.0 * np.log(size).sum(axis=1)
    explained, fall = np.zeros(c.shape[0]), np.zeros(c.shape[0])
    spread = np.full(c.shape[0], seen.v0)
    pivot = np.ones(c.shape[0])
    for i in range(k):
        row: list[FloatArray] = []
        for j in range(i):
            inner = sum((row[q] * rows[j][q] for q in range(j)), _NONE)
            row.append((gram[:, i, j] - inner) / rows[j][j])
        square = np.maximum(1.0 - sum(x * x for x in row), _LEAST_PIVOT)
        pivot = np.sqrt(square)
        row.append(pivot)
        rows.append(row)
        for right, done in ((b, of_b), (lean, of_lean)):
            inner = sum((row[q] * done[q] for q in range(i)), _NONE)
            done.append((right[:, i] - inner) / pivot)
        explained = explained + of_b[i] ** 2
        spread = spread + of_lean[i] ** 2
        fall = fall + of_b[i] * of_lean[i]
        log_det = log_det + np.log(square)
    total = seen.beside + float(seen.data @ seen.data)
    rss = np.maximum(total - explained, max(seen.beside, 1e-280))
    variance = rss / nu
    return _Cells(
        seen.weight - 0.5 * (log_det - k * math.log(ridge)) - 0.5 * nu * np.log(rss),
        rss,
        seen.slope - fall,
        np.sqrt(variance * spread),
        of_b[-1] / (pivot * size[:, -1]),
        np.sqrt(variance) / (pivot * size[:, -1]),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """The best amplitudes for some time constants: what they leave, and its slopes.

    Attributes:
        z: shapes in whitened coordinates, shape (r, k). slopes: by ln tau, the same.
        gram: their products, with the ridge. a: amplitudes, shape (k,).
        left: what is left of the hold, shape (r,). rss: its square, ridge and all.
    """

    z: FloatArray
    slopes: FloatArray
    gram: FloatArray
    a: FloatArray
    left: FloatArray
    rss: float

    @classmethod
    def at(cls, space: _Space, seen: _Seen, x: FloatArray, ridge: float) -> _Fit:
        inside, slopes = space.inside_with_slopes(x)
        z = seen.turn @ inside.T
        gram = z.T @ z
        gram.flat[:: x.size + 1] += ridge
        a = solved(gram, z.T @ seen.data)
        left = seen.data - z @ a
        rss = float(left @ left + ridge * (a @ a))
        return cls(z, seen.turn @ slopes.T, gram, a, left, rss)

    def jacobian(self) -> FloatArray:
        """Return the slopes of what is left, the amplitudes following, shape (r, k)."""
        slope = self.slopes * self.a
        return self.z @ solved(self.gram, self.z.T @ slope) - slope


def _polished(
    space: _Space, seen: _Seen, start: FloatArray, ridge: float
) -> tuple[FloatArray, FloatArray, float]:
    """Return the likeliest time constants near a start, their precision, and RSS."""
    x, fit, jacobian = searched(
        lambda x: _Fit.at(space, seen, x, ridge),
        np.sort(start),
        space.lo,
        space.hi,
        least_gain=_GAINED,
        beside=seen.beside,
    )
    order = np.argsort(x)
    normal = jacobian.T @ jacobian
    return x[order], np.asarray(normal[np.ix_(order, order)]), fit.rss + seen.beside


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
class _Normal:
    """A normal distribution of a few ln tau: centre, factor of its covariance."""

    centre: FloatArray
    factor: FloatArray

    def points(self, even: FloatArray, wide: float) -> FloatArray:
        return np.asarray(self.centre + wide * (ndtri(even) @ self.factor.T))

    def density(self, x: FloatArray, wide: float) -> FloatArray:
        k = self.centre.size
        z = np.linalg.solve(self.factor, (x - self.centre).T) / wide
        norm = abs(float(np.prod(np.diag(self.factor)))) * wide**k
        return np.asarray(
            np.exp(-0.5 * np.einsum("ij,ij->j", z, z))
            / (norm * (2.0 * math.pi) ** (0.5 * k))
        )


def _near(
    space: _Space, x: FloatArray, precision: FloatArray, variance: float
) -> _Normal:
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
    return _Normal(np.clip(centre, space.lo, space.hi), np.asarray(factor))


@dataclass(frozen=True, slots=True, eq=False)
class _Given:
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


def _given(
    space: _Space, seen: _Seen, fewer: FloatArray, nu: float, ridge: float
) -> _Given:
    """Return what the data say of some ln tau for each place of one more."""
    width = space.hi - space.lo
    free = space.lo + width * (np.arange(_CELLS) + 0.5) / _CELLS
    k = fewer.size
    of_free = space.inside(free)[:, None, :] @ seen.turn.T
    x = np.tile(fewer, (_CELLS, 1))
    normal = np.zeros((_CELLS, k, k))
    variance = np.ones(_CELLS)
    diagonal = np.arange(k + 1)
    for turn in range(4):
        inside, slopes = space.inside_with_slopes(x)
        z = np.concatenate([inside @ seen.turn.T, of_free], axis=1)
        gram = z @ z.transpose(0, 2, 1)
        gram[:, diagonal, diagonal] += ridge
        a = np.linalg.solve(gram, (z @ seen.data)[:, :, None])[:, :, 0]
        left = seen.data - np.einsum("mk,mkr->mr", a, z)
        rss = seen.beside + np.einsum("mr,mr->m", left, left)
        variance = np.maximum(rss / nu, 1e-280)
        slope = (slopes @ seen.turn.T) * a[:, :k, None]
        inner = np.linalg.solve(gram, z @ slope.transpose(0, 2, 1))
        jacobian = slope - inner.transpose(0, 2, 1) @ z
        normal = jacobian @ slope.transpose(0, 2, 1)
        if turn == 3:
            break
        damped = (
            normal
            + 1e-3 * normal * np.eye(k)
            + 1e-9 * variance[:, None, None] * np.eye(k)
        )
        delta = np.linalg.solve(damped, (jacobian @ left[:, :, None]))[:, :, 0]
        x = np.clip(x + np.clip(delta, -0.5, 0.5), space.lo, space.hi)
    wide = width / 12.0**0.5
    precision = normal / variance[:, None, None] + np.eye(k) / wide**2
    cov = np.linalg.inv(0.5 * (precision + precision.transpose(0, 2, 1)))
    factor: FloatArray = np.asarray(
        np.linalg.cholesky(0.5 * (cov + cov.transpose(0, 2, 1))), dtype=np.float64
    )
    log_norm = np.log(factor[:, np.arange(k), np.arange(k)]).sum(axis=1)
    inverse = np.asarray(np.linalg.inv(factor), dtype=np.float64)
    return _Given(space.lo, width, x, factor, inverse, log_norm)


_Density = Callable[[FloatArray], FloatArray]


def _first(
    space: _Space, modes: Sequence[_Normal], given: Sequence[_Given], k: int
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


def _within(space: _Space, x: FloatArray) -> FloatArray:
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
    space: _Space, seen: _Seen, centre: FloatArray, wide: float, nu: float, ridge: float
) -> _Kernels:
    """Return kernels of the shapes that the data give about their centres."""
    k = centre.shape[1]
    inside, slopes = space.inside_with_slopes(centre)
    z = inside @ seen.turn.T
    gram = z @ z.transpose(0, 2, 1)
    diagonal = np.arange(k)
    gram[:, diagonal, diagonal] += ridge
    a = np.linalg.solve(gram, (z @ seen.data)[:, :, None])[:, :, 0]
    left = seen.data - np.einsum("mk,mkr->mr", a, z)
    variance = (seen.beside + np.einsum("mr,mr->m", left, left)) / nu
    slope = (slopes @ seen.turn.T) * a[:, :, None]
    inner = np.linalg.solve(gram, z @ slope.transpose(0, 2, 1))
    jacobian = slope - inner.transpose(0, 2, 1) @ z
    normal = jacobian @ jacobian.transpose(0, 2, 1)
    prior = _NARROWER / (space.hi - space.lo) ** 2
    precision = normal / np.maximum(variance, 1e-280)[:, None, None] + prior * np.eye(k)
    lower = np.linalg.cholesky(0.5 * (precision + precision.transpose(0, 2, 1)))
    factor = np.linalg.inv(lower).transpose(0, 2, 1) * wide
    inverse = lower.transpose(0, 2, 1) / wide
    log_norm = -np.log(inverse[:, diagonal, diagonal]).sum(axis=1)
    return _Kernels(centre, factor, inverse, log_norm)


def _drawn(
    space: _Space,
    seen: _Seen,
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
    log_l = _cells(seen, space.inside(x), nu, ridge).log_l
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
        found = _cells(seen, space.inside(more), nu, ridge).log_l
        log_l = np.concatenate([log_l, found])
    # what no noise model can make likely costs time and adds nothing
    log_w = _FLATTEST * log_l - np.log(total)
    use = log_w > log_w.max() - _NOTHING
    return x[use], np.log(total[use])


def likeliest(y: FloatArray, lo: float, hi: float) -> tuple[FloatArray, ...]:
    """Return ln tau of the 1, 2, 3 exponentials that leave least, noise taken as white.

    Arguments as :func:`posterior`.
    """
    space = _space(y.size, math.log(lo), math.log(hi))
    seen = _seen(space, y, (0,))
    modes, _ = _tried(space, seen[0], float(y.size - 2), MOST_TAILS, ())
    return tuple(x for x, _, _ in modes)


def posterior(
    y: FloatArray, lo: float, hi: float, start: Sequence[FloatArray] = ()
) -> Posterior:
    """Return the posterior of the rate under one prior.

    Args:
        y: block means about their middle, in units of the amplitude's prior, shape
            (n,).
        lo: shortest time constant over the hold's length.
        hi: the longest.
        start: where to look for the likeliest 1, 2, 3 ln tau first; anywhere unless
            given.
    """
    n = y.size
    nu = float(n - 2)
    space = _space(n, math.log(lo), math.log(hi))
    seen = _seen(space, y)
    most = MOST_TAILS if n >= 48 else 2
    model, modes, ridge = _modes(space, seen, nu, most, start)
    width = space.hi - space.lo
    # nodes for one tail: even, and closely about the mode
    centre, sd = float(modes[0].centre[0]), float(modes[0].factor[0, 0])
    close = np.linspace(centre - 5.0 * sd, centre + 5.0 * sd, 41)
    close = close[(close > space.lo) & (close < space.hi)]
    nodes = np.unique(np.concatenate([space.grid, close]))
    log_node = np.log(np.maximum(_trapezoid(nodes), 1e-300)) - math.log(width)
    drawn = [(nodes[:, None], log_node)]
    given = [
        _given(space, seen[model], modes[k - 2].centre, nu, ridge)
        for k in range(2, most + 1)
    ]
    for k in range(2, most + 1):
        first, density = _first(space, modes, given, k)
        x, log_q = _drawn(space, seen[model], first, density, nu, ridge)
        log_p = math.log(math.factorial(k)) - k * math.log(width)
        drawn.append((x, log_p - log_q))
    inside = [space.inside(x) for x, _ in drawn]
    p_tails = [p / sum(P_TAILS[:most]) for p in P_TAILS[:most]]
    # noise models that explain the likeliest tails far worse than the best one go
    best = np.array([[m.centre for m in modes][-1]])
    heights = np.array(
        [
            _cells(s, space.inside(best), nu, ridge).log_l[0] if s.weight else -np.inf
            for s in seen
        ]
    )
    kept = np.flatnonzero(heights > heights.max() - _PRUNE)
    cells: list[tuple[int, int, _Cells, FloatArray]] = []
    for c in kept:
        for k, (found, (_, log_w)) in enumerate(zip(inside, drawn, strict=True), 1):
            one = _cells(seen[c], found, nu, ridge)
            cells.append((int(c), k, one, one.log_l + log_w + math.log(p_tails[k - 1])))
    return _gathered(cells, drawn, seen, nu, most)


def _gathered(
    cells: list[tuple[int, int, _Cells, FloatArray]],
    drawn: list[tuple[FloatArray, FloatArray]],
    seen: tuple[_Seen, ...],
    nu: float,
    most: int,
) -> Posterior:
    log = np.concatenate([c[3] for c in cells])
    w = np.exp(log - log.max())
    w = w / w.sum()
    tails = np.concatenate([np.full(c[3].size, c[1]) for c in cells])
    ratio = np.concatenate([np.full(c[3].size, seen[c[0]].lrv) for c in cells])
    slow = np.concatenate([drawn[c[1] - 1][0][:, -1] for c in cells])
    a = np.concatenate([c[2].a_slow for c in cells])
    u_a = np.concatenate([c[2].u_slow for c in cells])
    rate = np.concatenate([c[2].rate for c in cells])
    sd = np.concatenate([c[2].sd for c in cells])

    def mixed(w: FloatArray) -> Mixture:
        order = np.argsort(w, kind="stable")
        use = order[np.cumsum(w[order]) > _LOST * w.sum()]
        return Mixture(w[use] / w[use].sum(), rate[use], sd[use], nu).condensed()

    mixture = mixed(w)
    plain = np.array(P_VALUE)[tails - 1] / np.array(P_TAILS)[tails - 1]
    p_tails = tuple(float(w[tails == k].sum()) for k in range(1, most + 1))
    k = 1 + int(np.argmax(p_tails))
    v = np.where(tails == k, w, 0.0)
    v = v / v.sum()
    mean_ln, mean_a = float(v @ slow), float(v @ a)
    top = max((c for c in cells if c[1] == k), key=lambda c: float(np.max(c[2].log_l)))
    best = drawn[k - 1][0][int(np.argmax(top[2].log_l))]
    return Posterior(
        mixture,
        mixed(w * plain).quantile(0.5),
        p_tails,
        mean_ln,
        math.sqrt(max(0.0, float(v @ (slow - mean_ln) ** 2))),
        mean_a,
        math.sqrt(max(0.0, float(v @ (u_a**2 + (a - mean_a) ** 2)))),
        float(w @ ratio),
        tuple(float(x) for x in best),
    )


_Tried = tuple[FloatArray, FloatArray, float]


def _tried(
    space: _Space, seen: _Seen, nu: float, most: int, near: Sequence[FloatArray]
) -> tuple[list[_Tried], float]:
    """Return the likeliest 1, 2, ... time constants under a noise model, and the ridge.

    Each with its precision and with what it leaves. ``near``: where they will lie.
    """
    first = _cells(seen, space.of_grid[:, None, :], nu, 1e-9)
    ridge = max(float(first.rss.min()) / nu, _LEAST_RIDGE)
    found: list[_Tried] = []
    for k in range(1, most + 1):
        starts = []
        if near:
            starts.append(near[k - 1])
        elif k == 1:
            starts.append(space.grid[[int(np.argmin(first.rss))]])
        else:
            tuples, inside = space.coarse[k]
            rss = _cells(seen, inside, nu, ridge).rss
            starts.append(tuples[int(np.argmin(rss))])
        if k > 1:
            # the fewer tails that fit best, and one more
            fewer = found[-1][0]
            count, rank = space.of_grid.shape
            known = np.broadcast_to(space.inside(fewer), (count, k - 1, rank))
            have = np.concatenate([known, space.of_grid[:, None, :]], axis=1)
            more = space.grid[int(np.argmin(_cells(seen, have, nu, ridge).rss))]
            starts.append(np.append(fewer, more))
        ended = [_polished(space, seen, start, ridge) for start in starts]
        found.append(min(ended, key=lambda f: f[2]))
        ridge = max(found[-1][2] / nu, _LEAST_RIDGE)
    return found, ridge


def _modes(
    space: _Space,
    seen: tuple[_Seen, ...],
    nu: float,
    most: int,
    start: Sequence[FloatArray],
) -> tuple[int, list[_Normal], float]:
    """Return the likeliest noise model, modes for 1, 2, ... tails, and the ridge."""
    found, ridge = _tried(space, seen[0], nu, most, start)
    best = space.inside(found[-1][0][None, :])
    model = int(np.argmax([_cells(s, best, nu, ridge).log_l[0] for s in seen]))
    if model:
        near = [x for x, _, _ in found]
        found, ridge = _tried(space, seen[model], nu, most, near)
    modes = [_near(space, x, normal, rss / nu) for x, normal, rss in found]
    return model, modes, ridge


def _trapezoid(x: FloatArray) -> FloatArray:
    gaps = np.diff(x)
    w = np.zeros(x.size)
    w[:-1] += 0.5 * gaps
    w[1:] += 0.5 * gaps
    return w
