"""The posterior of a hold's lasting rate: a line and one to three exponentials.

Everything linear is integrated in closed form; over the time constants the sum runs
over fixed points that are laid where the posterior is. How many exponentials there are
and how the noise is correlated are averaged over.

Source: G. L. Bretthorst, "Bayesian Spectrum Analysis and Parameter Estimation" (1988),
chapters 3 and 4; G. H. Golub, V. Pereyra, Inverse Problems 19 (2003) R1 (separable
least squares).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from records.trace import FloatArray

from .mixture import Mixture
from .tail_points import Normal, first_points, given_one, normal_near, points_about
from .tail_shapes import Cells, Seen, Space, cells_of, seen_by, space_of
from .variable_projection import searched, solved

MOST_TAILS = 3
# How likely one, two, three exponentials are before anything was seen. An interval has
# to hold however many there are: gas, walls and body each settle, and one too few makes
# it too narrow. A value is best with no more than the data ask for.
P_TAILS = (0.1, 0.2, 0.7)
P_VALUE = (0.8, 0.15, 0.05)
_PRUNE = 9.0
_GAINED = 1e-5  # of what is left; less is nothing to the likelihood
_LEAST_RIDGE = 1e-13
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
    def at(cls, space: Space, seen: Seen, x: FloatArray, ridge: float) -> _Fit:
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
    space: Space, seen: Seen, start: FloatArray, ridge: float
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


def likeliest(y: FloatArray, lo: float, hi: float) -> tuple[FloatArray, ...]:
    """Return ln tau of the 1, 2, 3 exponentials that leave least, noise taken as white.

    Arguments as :func:`posterior`.
    """
    space = space_of(y.size, math.log(lo), math.log(hi))
    seen = seen_by(space, y, (0,))
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
    space = space_of(n, math.log(lo), math.log(hi))
    seen = seen_by(space, y)
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
        given_one(space, seen[model], modes[k - 2].centre, nu, ridge)
        for k in range(2, most + 1)
    ]
    for k in range(2, most + 1):
        first, density = first_points(space, modes, given, k)
        x, log_q = points_about(space, seen[model], first, density, nu, ridge)
        log_p = math.log(math.factorial(k)) - k * math.log(width)
        drawn.append((x, log_p - log_q))
    inside = [space.inside(x) for x, _ in drawn]
    p_tails = [p / sum(P_TAILS[:most]) for p in P_TAILS[:most]]
    # noise models that explain the likeliest tails far worse than the best one go
    best = np.array([[m.centre for m in modes][-1]])
    heights = np.array(
        [
            cells_of(s, space.inside(best), nu, ridge).log_l[0] if s.weight else -np.inf
            for s in seen
        ]
    )
    kept = np.flatnonzero(heights > heights.max() - _PRUNE)
    cells: list[tuple[int, int, Cells, FloatArray]] = []
    for c in kept:
        for k, (found, (_, log_w)) in enumerate(zip(inside, drawn, strict=True), 1):
            one = cells_of(seen[c], found, nu, ridge)
            cells.append((int(c), k, one, one.log_l + log_w + math.log(p_tails[k - 1])))
    return _gathered(cells, drawn, seen, nu, most)


def _gathered(
    cells: list[tuple[int, int, Cells, FloatArray]],
    drawn: list[tuple[FloatArray, FloatArray]],
    seen: tuple[Seen, ...],
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
    space: Space, seen: Seen, nu: float, most: int, near: Sequence[FloatArray]
) -> tuple[list[_Tried], float]:
    """Return the likeliest 1, 2, ... time constants under a noise model, and the ridge.

    Each with its precision and with what it leaves. ``near``: where they will lie.
    """
    first = cells_of(seen, space.of_grid[:, None, :], nu, 1e-9)
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
            rss = cells_of(seen, inside, nu, ridge).rss
            starts.append(tuples[int(np.argmin(rss))])
        if k > 1:
            # the fewer tails that fit best, and one more
            fewer = found[-1][0]
            count, rank = space.of_grid.shape
            known = np.broadcast_to(space.inside(fewer), (count, k - 1, rank))
            have = np.concatenate([known, space.of_grid[:, None, :]], axis=1)
            more = space.grid[int(np.argmin(cells_of(seen, have, nu, ridge).rss))]
            starts.append(np.append(fewer, more))
        ended = [_polished(space, seen, start, ridge) for start in starts]
        found.append(min(ended, key=lambda f: f[2]))
        ridge = max(found[-1][2] / nu, _LEAST_RIDGE)
    return found, ridge


def _modes(
    space: Space,
    seen: tuple[Seen, ...],
    nu: float,
    most: int,
    start: Sequence[FloatArray],
) -> tuple[int, list[Normal], float]:
    """Return the likeliest noise model, modes for 1, 2, ... tails, and the ridge."""
    found, ridge = _tried(space, seen[0], nu, most, start)
    best = space.inside(found[-1][0][None, :])
    model = int(np.argmax([cells_of(s, best, nu, ridge).log_l[0] for s in seen]))
    if model:
        near = [x for x, _, _ in found]
        found, ridge = _tried(space, seen[model], nu, most, near)
    modes = [normal_near(space, x, normal, rss / nu) for x, normal, rss in found]
    return model, modes, ridge


def _trapezoid(x: FloatArray) -> FloatArray:
    gaps = np.diff(x)
    w = np.zeros(x.size)
    w[:-1] += 0.5 * gaps
    w[1:] += 0.5 * gaps
    return w
