"""Exponentials of a hold in a space of few dimensions, and what a hold says of them.

All shapes of exponentials that a prior of time constants allows lie, to rounding, in a
space of few dimensions. A hold is projected on it once per noise model; what some time
constants leave of it then costs a few products of small matrices.

Source: G. L. Bretthorst, "Bayesian Spectrum Analysis and Parameter Estimation" (1988),
chapters 3 and 4 (linear amplitudes integrated).
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from records.trace import FloatArray

from .noise_models import noise_models, whitenings

_NODES = 64
_COARSE = {2: 20, 3: 12}
_RANK_TOLERANCE = 1e-11
_LEAST_PIVOT = 1e-15
_NONE: FloatArray = np.zeros(1)


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
class Space:
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
def space_of(n: int, lo: float, hi: float) -> Space:
    """Return the space of n blocks for time constants between exp(lo) and exp(hi)."""
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
    return Space(
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
class Seen:
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
class Cells:
    """What tuples of time constants give under one noise model, shape (m,) each."""

    log_l: FloatArray
    rss: FloatArray
    rate: FloatArray
    sd: FloatArray
    a_slow: FloatArray
    u_slow: FloatArray


def seen_by(
    space: Space, y: FloatArray, models: Sequence[int] = ()
) -> tuple[Seen, ...]:
    """Return a hold, shape (n,), under each noise model, or under those numbered."""
    found = []
    tables = whitenings(y.size, 2, noise_models())
    for c in models or range(len(tables)):
        by = tables[c]
        data = space.read[c] @ y
        e = by.white @ y
        beside = max(0.0, float(e @ e) - float(data @ data))
        found.append(
            Seen(
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


def cells_of(seen: Seen, c: FloatArray, nu: float, ridge: float) -> Cells:
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
    return Cells(
        seen.weight - 0.5 * (log_det - k * math.log(ridge)) - 0.5 * nu * np.log(rss),
        rss,
        seen.slope - fall,
        np.sqrt(variance * spread),
        of_b[-1] / (pivot * size[:, -1]),
        np.sqrt(variance) / (pivot * size[:, -1]),
    )
