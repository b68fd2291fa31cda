"""The lasting rate of a trapped pressure, told apart from the settling of its gas.

After a valve closes, trapped gas warms or cools towards its walls: the pressure runs
along one or two exponentials while a leak runs along a line. The rate is found as a
posterior: line plus one or two exponentials, their time constants, their amplitudes and
the noise's correlation all averaged over (a grid, no sampling; the same answer every
time). What the hold can't separate widens the interval instead of biasing the rate.

Model, with u the time over the hold, y in units of the amplitude's prior:
``y = a + r u + sum A_k exp(-u / tau_k) + e``, flat in a and r, A_k normal, ln tau_k
uniform up to the rig's longest time constant, e with correlation g phi^k at lag k.

Source: G. L. Bretthorst, "Bayesian Spectrum Analysis and Parameter Estimation" (1988),
chapters 3 and 4, for the closed form of linear amplitudes; G. H. Golub, V. Pereyra,
Inverse Problems 19 (2003) R1, for the separable least squares of the time constants.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import stdtr, stdtrit

from records.errors import Reason
from records.trace import FloatArray

from .steady import correlation, noise_models, robust_slope

_BLOCKS = 128
_NODES = 64
_NODES_TWO = 32
_PRUNE = 12.0
_P_TWO = 0.2
_SEPARATION = 3.0
_LEAST_BLOCKS = 24
_LEAST_SAMPLES = 72
_CLEAR = 0.2  # sd of ln tau below which data, not the prior, fix the time constant
# A tail that has run through so many time constants is over before the hold is: even
# twice as slow it leaves a line alone.
_OVER = 12.0


@dataclass(frozen=True, slots=True)
class Tail:
    """One exponential: amplitude at the start of the hold (SI) and time constant."""

    amplitude: float
    u_amplitude: float
    tau_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """A distribution as a sum of shifted and scaled t distributions."""

    weight: FloatArray
    centre: FloatArray
    scale: FloatArray
    dof: float

    def cdf(self, x: float) -> float:
        """Return the probability that the value lies at or below x."""
        return float(self.weight @ stdtr(self.dof, (x - self.centre) / self.scale))

    def quantile(self, p: float) -> float:
        """Return the value below which the probability is p."""
        step = float(stdtrit(self.dof, min(max(p, 1e-12), 1 - 1e-12)))
        ends = self.centre + step * self.scale
        lo, hi = float(ends.min()), float(ends.max())
        if not hi > lo:
            return lo
        margin = 1e-9 * (hi - lo)
        return float(
            brentq(
                lambda x: self.cdf(x) - p,
                lo - margin - 1e-9 * float(self.scale.max()),
                hi + margin + 1e-9 * float(self.scale.max()),
                xtol=1e-7 * (hi - lo),
                rtol=1e-12,
            )
        )

    def sd(self) -> float:
        """Return the standard deviation."""
        mean = float(self.weight @ self.centre)
        inside = self.scale**2 * self.dof / (self.dof - 2.0)
        return math.sqrt(float(self.weight @ (inside + (self.centre - mean) ** 2)))

    def condensed(self) -> Mixture:
        """Return the same distribution with like terms put together.

        Terms whose centres lie within a seventh of their scale, and whose scales differ
        by less than a tenth, become one of the same mean and variance.
        """
        rank = np.round(np.log(self.scale) / 0.1)
        place = np.round(self.centre / (0.15 * np.exp(0.1 * rank)))
        order = np.lexsort((place, rank))
        new = np.ones(order.size, dtype=bool)
        new[1:] = (np.diff(rank[order]) != 0) | (np.diff(place[order]) != 0)
        first = np.flatnonzero(new)
        w, c, s = self.weight[order], self.centre[order], self.scale[order]
        weight = np.add.reduceat(w, first)
        centre = np.add.reduceat(w * c, first) / weight
        apart = c - np.repeat(centre, np.diff(np.append(first, order.size)))
        inside = self.dof / (self.dof - 2.0)
        square = np.add.reduceat(w * (s**2 + apart**2 / inside), first) / weight
        return Mixture(weight, centre, np.sqrt(square), self.dof)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TailFit:
    """The lasting rate of a hold and what it was told apart from.

    Attributes:
        rate, sd: median and standard deviation of the lasting rate, SI per second.
        interval95: the 2.5 % and 97.5 % quantiles; the widest over several priors
            where the prior matters.
        posteriors: the rate's distribution under each prior that was tried.
        tails: the likeliest exponentials, fast one first; amplitudes at t = 0 of fit.
        sd_ln_tau: standard deviation of the slow time constant's logarithm.
        p_two: probability of two tails.
        mean_slope, u_mean_slope, dof_mean_slope: straight line through the same data.
        lrv: long-run over short-run variance of the noise.
        inseparable: True when the rate leans on the prior.
        reasons: why, ids of ``tail_inseparable``, ``tail_rising_or_creep``,
            ``hold_too_short``.
        used, dropped: samples. drop20: the first fifth was left out, because three or
            more tails are likely. rate_all: the rate with that fifth.
        start_s, stop_s: what the fit used. mean: level at the middle, SI.
        blocks: residual of the block means about the best fit, shape (n,), SI.
    """

    rate: float
    sd: float
    interval95: tuple[float, float]
    posteriors: tuple[Mixture, ...]
    tails: tuple[Tail, ...]
    sd_ln_tau: float
    p_two: float
    mean_slope: float
    u_mean_slope: float
    dof_mean_slope: float
    lrv: float
    inseparable: bool
    reasons: tuple[Reason, ...]
    used: int
    dropped: int
    drop20: bool
    rate_all: float
    start_s: float
    stop_s: float
    mean: float
    blocks: FloatArray

    def cdf(self, rate: float) -> float:
        """Return the probability that the rate lies at or below a value."""
        return sum(p.cdf(rate) for p in self.posteriors) / len(self.posteriors)

    def quantile(self, p: float) -> float:
        """Return a quantile, the outermost of the priors that were tried."""
        found = [m.quantile(p) for m in self.posteriors]
        return min(found) if p < 0.5 else max(found)

    @property
    def slow(self) -> Tail:
        """The slowest tail."""
        return self.tails[-1]


@dataclass(frozen=True, slots=True, eq=False)
class _Blocks:
    u: FloatArray
    y: FloatArray
    used: int
    dropped: int
    filled: int


def _block(t_s: FloatArray, y: FloatArray, n: int, resolution: float) -> _Blocks:
    """Return robust means over n equal times, each at its time's centre.

    A block's mean is taken about its median and the slope from the neighbours, with
    samples beyond five standard deviations left out.
    """
    start, width = float(t_s[0]), float(t_s[-1] - t_s[0])
    # half a sampling period on either side, so that blocks hold equal numbers
    pad = 0.5 * width / max(1, t_s.size - 1)
    x = (t_s - start + pad) / (width + 2.0 * pad) * n
    # a sample on the edge of two blocks goes to the same one, whatever the origin
    index = np.clip((x + 1e-6).astype(np.int64), 0, n - 1)
    edges = np.searchsorted(index, np.arange(n + 1))
    count = np.diff(edges)
    order = np.lexsort((y, index))
    ranked = y[order]
    have = count > 0
    centre = np.full(n, np.nan)
    low = np.minimum(edges[:-1] + (count - 1) // 2, y.size - 1)
    high = np.minimum(edges[:-1] + count // 2, y.size - 1)
    centre[have] = 0.5 * (ranked[low] + ranked[high])[have]
    at = np.arange(n)
    centre = np.interp(at, at[have], centre[have])
    slope = np.gradient(centre)
    residual = y - centre[index] - slope[index] * (x - index - 0.5)
    s = max(1.4826 * float(np.median(np.abs(residual))), 0.6 * resolution)
    keep = np.abs(residual) <= (5.0 * s if s > 0.0 else np.inf)
    kept = np.bincount(index[keep], minlength=n)
    total = np.bincount(index[keep], weights=residual[keep], minlength=n)
    full = kept >= max(1.0, np.median(count) / 3.0)
    mean = np.interp(at, at[full], (centre + total / np.maximum(kept, 1))[full])
    return _Blocks(
        (at + 0.5) / n,
        np.asarray(mean),
        int(keep.sum()),
        int((~keep).sum()),
        int((~full).sum()),
    )


def block_level(
    t_s: FloatArray, y: FloatArray, n: int, resolution: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Return robust means over n equal times: places in 0..1 and means, shape (n,)."""
    blocks = _block(t_s, y, n, resolution)
    return blocks.u, blocks.y


@functools.lru_cache(maxsize=8)
def _noise_tables(
    n: int,
) -> tuple[tuple[FloatArray, FloatArray, FloatArray, float, float, float], ...]:
    """Return per noise model: whitening, whitened line (q, r), log weights, ratio."""
    u = (np.arange(n) + 0.5) / n
    design = np.column_stack([np.ones(n), u - 0.5])
    out = []
    for phi, g, prior, lrv in noise_models():
        chol = np.linalg.cholesky(correlation(n, phi, g))
        white = np.linalg.solve(chol, np.column_stack([design, np.eye(n)]))
        q, r = np.linalg.qr(white[:, :2])
        log_v = 2.0 * float(np.log(np.diag(chol)).sum())
        log_x = 2.0 * float(np.log(np.abs(np.diag(r))).sum())
        out.append((white[:, 2:], q, r, math.log(prior), -0.5 * (log_v + log_x), lrv))
    return tuple(out)


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """What a set of time constants gives under one noise model; all of one shape.

    Attributes:
        log_l: logarithm of the marginal likelihood. rss: what is left unexplained.
        rate, sd: rate and its scale. a_slow, u_slow: amplitude of the slowest tail.
    """

    log_l: FloatArray
    rss: FloatArray
    rate: FloatArray
    sd: FloatArray
    a_slow: FloatArray
    u_slow: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Hold:
    """A hold's blocks as a fit sees them: ``y`` in units of the amplitude's prior."""

    u: FloatArray
    y: FloatArray

    @property
    def nu(self) -> float:
        """Degrees of freedom beside the line."""
        return float(self.u.size - 2)

    def _white(
        self, model: int, ln_tau: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, float, float]:
        """Return exponentials and data whitened, with the line projected out."""
        w, q, r, _, _, _ = _noise_tables(self.u.size)[model]
        z = w @ np.exp(-self.u[:, None] * np.exp(-ln_tau)[None, :])
        e = w @ self.y
        on_line, of_data = q.T @ z, q.T @ e
        inverse = np.linalg.inv(r)
        slope, v0 = (inverse @ of_data)[1], (inverse @ inverse.T)[1, 1]
        return (
            z - q @ on_line,
            e - q @ of_data,
            (inverse @ on_line)[1],
            float(slope),
            float(v0),
        )

    def one(self, model: int, ln_tau: FloatArray, ridge: float) -> _Cells:
        """Return the cells for one tail, shape (k,)."""
        z, e, cz, slope, v0 = self._white(model, ln_tau)
        d = np.einsum("ij,ij->j", z, z) + ridge
        a = (z.T @ e) / d
        rss = np.maximum(float(e @ e) - d * a**2, 1e-280)
        variance = rss / self.nu
        return _Cells(
            self._weight(model) - 0.5 * np.log(d / ridge) - 0.5 * self.nu * np.log(rss),
            rss,
            slope - cz * a,
            np.sqrt(variance * (v0 + cz**2 / d)),
            a,
            np.sqrt(variance / d),
        )

    def two(
        self, model: int, fast: FloatArray, slow: FloatArray, ridge: float
    ) -> _Cells:
        """Return the cells for two tails, shape (fast, slow)."""
        k = fast.size
        z, e, cz, slope, v0 = self._white(model, np.concatenate([fast, slow]))
        zf, zs = z[:, :k], z[:, k:]
        gf = (np.einsum("ij,ij->j", zf, zf) + ridge)[:, None]
        gs = (np.einsum("ij,ij->j", zs, zs) + ridge)[None, :]
        cross = zf.T @ zs
        det = np.maximum(gf * gs - cross**2, 1e-280)
        bf, bs = (zf.T @ e)[:, None], (zs.T @ e)[None, :]
        cf, cs = cz[:k, None], cz[None, k:]
        af = (gs * bf - cross * bs) / det
        a_slow = (gf * bs - cross * bf) / det
        rss = np.maximum(float(e @ e) - bf * af - bs * a_slow, 1e-280)
        variance = rss / self.nu
        spread = v0 + (gs * cf**2 - 2.0 * cross * cf * cs + gf * cs**2) / det
        log_l = (
            self._weight(model)
            - 0.5 * np.log(det / ridge**2)
            - 0.5 * self.nu * np.log(rss)
        )
        # closer than this, two tails are one tail written twice
        apart = slow[None, :] - fast[:, None] >= math.log(_SEPARATION)
        return _Cells(
            np.where(apart, log_l, -np.inf),
            rss,
            slope - cf * af - cs * a_slow,
            np.sqrt(variance * np.maximum(spread, v0)),
            a_slow,
            np.sqrt(variance * gf / det),
        )

    def _weight(self, model: int) -> float:
        table = _noise_tables(self.u.size)[model]
        return table[3] + table[4]


@dataclass(frozen=True, slots=True, eq=False)
class _Posterior:
    """A fit under one prior; time constants over the hold's length."""

    rate: Mixture
    ln_tau: float
    sd_ln_tau: float
    amplitude: float
    u_amplitude: float
    p_two: float
    lrv: float
    best: tuple[float, ...]


def _trapezoid(x: FloatArray) -> FloatArray:
    gaps = np.diff(x)
    w = np.zeros(x.size)
    w[:-1] += 0.5 * gaps
    w[1:] += 0.5 * gaps
    return w


def _spread(x: FloatArray, log_p: FloatArray) -> tuple[float, float]:
    """Return the peak's place and the standard deviation of a density on nodes."""
    p = np.exp(log_p - log_p.max()) * _trapezoid(x)
    total = p.sum()
    if not total > 0.0:
        return float(x[int(np.argmax(log_p))]), 0.0
    mean = float(p @ x) / total
    sd = math.sqrt(max(0.0, float(p @ (x - mean) ** 2) / total))
    return float(x[int(np.argmax(log_p))]), sd


def _near(centre: float, half: float, count: int, lo: float, hi: float) -> FloatArray:
    return np.linspace(max(lo, centre - half), min(hi, centre + half), count)


def _fine_one(hold: _Hold, model: int, grid: FloatArray, ridge: float) -> FloatArray:
    """Return nodes that resolve the posterior of one tail's time constant.

    Without them a tail that is well seen falls between the nodes of the grid and its
    interval is too narrow.
    """
    lo, hi = float(grid[0]), float(grid[-1])
    peak, sd = _spread(grid, hold.one(model, grid, ridge).log_l)
    half = 2.0 * (grid[1] - grid[0])
    if sd > 2.0 * half:
        return grid
    for _ in range(6):
        nodes = _near(peak, half, 25, lo, hi)
        peak, sd = _spread(nodes, hold.one(model, nodes, ridge).log_l)
        step = nodes[1] - nodes[0]
        if sd > 1.5 * step:
            break
        half = 2.0 * step
    return np.unique(np.concatenate([grid, _near(peak, 5.0 * sd, 25, lo, hi)]))


def _fine_two(
    hold: _Hold, model: int, grid: FloatArray, ridge: float
) -> tuple[FloatArray, FloatArray]:
    """Return nodes (fast, slow) that resolve the posterior of two time constants."""
    lo, hi = float(grid[0]), float(grid[-1])
    fast = slow = grid
    half = [0.0, 0.0]
    for turn in range(6):
        log_l = hold.two(model, fast, slow, ridge).log_l
        top = float(log_l.max())
        if not math.isfinite(top):
            return grid, grid
        p = np.exp(log_l - top)
        spreads = (
            _spread(fast, np.log(np.maximum(p.max(axis=1), 1e-300))),
            _spread(slow, np.log(np.maximum(p.max(axis=0), 1e-300))),
        )
        steps = (fast[1] - fast[0], slow[1] - slow[0])
        if all(s[1] > 1.5 * w for s, w in zip(spreads, steps, strict=True)):
            if turn == 0:
                return grid, grid
            half = [4.5 * spreads[0][1], 4.5 * spreads[1][1]]
            return (
                _near(spreads[0][0], half[0], 17, lo, hi),
                _near(spreads[1][0], half[1], 17, lo, hi),
            )
        half = [max(4.5 * s[1], 2.0 * w) for s, w in zip(spreads, steps, strict=True)]
        fast = _near(spreads[0][0], half[0], 25, lo, hi)
        slow = _near(spreads[1][0], half[1], 25, lo, hi)
    return fast, slow


def _posterior(hold: _Hold, lo: float, hi: float) -> _Posterior:
    """Return the posterior of the rate under one prior.

    Args:
        hold: blocks.
        lo: shortest time constant over the hold's length.
        hi: the longest.
    """
    ln_lo, ln_hi = math.log(lo), math.log(hi)
    grid = np.linspace(ln_lo, ln_hi, _NODES)
    models = _noise_tables(hold.u.size)
    start = hold.one(0, grid, 1e-12)
    # noise below a hundred-millionth of the amplitude is rounding
    ridge = max(float(start.rss.min()) / (hold.nu - 2.0), 1e-16)
    evidence = np.array(
        [_log_sum(hold.one(c, grid, ridge).log_l) for c in range(len(models))]
    )
    top = int(np.argmax(evidence))
    kept = np.flatnonzero(evidence > evidence[top] - _PRUNE)
    nodes = _fine_one(hold, top, grid, ridge)
    width = ln_hi - ln_lo
    log_node = np.log(np.maximum(_trapezoid(nodes), 1e-300)) - math.log(width)
    room = width - math.log(_SEPARATION)
    coarse = np.linspace(ln_lo, ln_hi, _NODES_TWO)
    fast, slow = (
        _fine_two(hold, top, coarse, ridge) if room > 0.3 else (grid[:0], grid[:0])
    )
    p_one = 1.0 - _P_TWO if fast.size else 1.0
    cells: list[tuple[_Cells, FloatArray, FloatArray, float, float]] = []
    for c in kept:
        one = hold.one(int(c), nodes, ridge)
        cells.append(
            (one, one.log_l + log_node + math.log(p_one), nodes, 0.0, models[c][5])
        )
        if fast.size:
            two = hold.two(int(c), fast, slow, ridge)
            area = np.outer(_trapezoid(fast), _trapezoid(slow)) / (0.5 * room**2)
            log_w = two.log_l + np.log(np.maximum(area, 1e-300)) + math.log(_P_TWO)
            wide = np.broadcast_to(slow[None, :], log_w.shape)
            cells.append((two, log_w, wide, 1.0, models[c][5]))

    def gathered(parts: Sequence[FloatArray]) -> FloatArray:
        return np.concatenate([np.ravel(p) for p in parts])

    log = gathered([c[1] for c in cells])
    w = np.exp(log - log.max())
    use = w > 1e-6
    w = w[use] / w[use].sum()
    ln_tau = gathered([c[2] for c in cells])[use]
    a = gathered([c[0].a_slow for c in cells])[use]
    u_a = gathered([c[0].u_slow for c in cells])[use]
    twos = gathered([np.full(c[1].shape, c[3]) for c in cells])[use]
    ratio = gathered([np.full(c[1].shape, c[4]) for c in cells])[use]
    mixture = Mixture(
        w,
        gathered([c[0].rate for c in cells])[use],
        gathered([c[0].sd for c in cells])[use],
        hold.nu,
    ).condensed()
    mean_ln, mean_a, p_two = float(w @ ln_tau), float(w @ a), float(w @ twos)
    best: tuple[float, ...]
    if p_two > 0.5:
        at = np.unravel_index(
            int(np.argmax(hold.two(top, fast, slow, ridge).log_l)),
            (fast.size, slow.size),
        )
        best = (float(fast[at[0]]), float(slow[at[1]]))
    else:
        best = (float(nodes[int(np.argmax(hold.one(top, nodes, ridge).log_l))]),)
    return _Posterior(
        mixture,
        mean_ln,
        math.sqrt(max(0.0, float(w @ (ln_tau - mean_ln) ** 2))),
        mean_a,
        math.sqrt(max(0.0, float(w @ (u_a**2 + (a - mean_a) ** 2)))),
        p_two,
        float(w @ ratio),
        best,
    )


def _log_sum(log: FloatArray) -> float:
    top = float(log.max())
    return top + math.log(float(np.exp(log - top).sum()))


def _range(width_s: float, tau_max_s: float) -> tuple[float, float]:
    lo = max(1.0 / width_s, 0.008)
    return lo, max(min(tau_max_s / width_s, 6.0), 2.0 * lo)


def fit_tail(
    t_s: FloatArray,
    y: FloatArray,
    *,
    tau_max_s: float,
    amplitude: float,
    resolution: float = 0.0,
) -> TailFit | Reason:
    """Return the lasting rate of a hold, or why there is none.

    Args:
        t_s: shape (n,), seconds, rising.
        y: shape (n,), SI, finite.
        tau_max_s: longest time constant with which the trapped gas settles.
        amplitude: largest settling that is plausible, one standard deviation, in y's
            unit.
        resolution: smallest step of the reading, SI.
    """
    n = t_s.size
    width = float(t_s[-1] - t_s[0]) if n > 1 else 0.0
    if n < _LEAST_SAMPLES:
        return Reason.of("too_few_samples", found=n, needed=_LEAST_SAMPLES)
    if width < 5.0 or not amplitude > 0.0:
        return Reason.of("hold_too_short", held_s=f"{width:.0f}", needed_s=5)
    fit = _fit_once(t_s, y, tau_max_s, amplitude, resolution)
    if fit.p_two <= 0.5:
        return fit
    # three and more tails look like two: the first fifth holds the fast ones
    late = t_s >= t_s[0] + 0.2 * width
    if int(late.sum()) < _LEAST_SAMPLES or 0.8 * width < 5.0:
        return fit
    return _fit_once(
        t_s[late], y[late], tau_max_s, amplitude, resolution, rate_all=fit.rate
    )


def _fit_once(
    t_s: FloatArray,
    y: FloatArray,
    tau_max_s: float,
    amplitude: float,
    resolution: float,
    rate_all: float | None = None,
) -> TailFit:
    count = t_s.size
    blocks = _block(t_s, y, _BLOCKS if count >= 3 * _BLOCKS else count // 3, resolution)
    pad = 1.0 + 1.0 / (count - 1)
    width = float(t_s[-1] - t_s[0]) * pad
    middle = float(np.median(blocks.y))

    def posterior(tau_max: float, scale: float) -> _Posterior:
        hold = _Hold(blocks.u, (blocks.y - middle) / scale)
        return _posterior(hold, *_range(width, tau_max))

    main = posterior(tau_max_s, amplitude)
    tried = [(main, amplitude)]
    tau = math.exp(main.ln_tau) * width
    if main.sd_ln_tau > 0.25 or tau > 0.6 * tau_max_s:
        # where data do not fix the time constant the prior does: try others
        for factor, more in ((2.0, 1.0), (4.0 / 3.0, 3.0)):
            scale = more * amplitude
            tried.append((posterior(factor * tau_max_s, scale), scale))
    rates = tuple(
        Mixture(
            p.rate.weight,
            p.rate.centre * scale / width,
            p.rate.scale * scale / width,
            p.rate.dof,
        )
        for p, scale in tried
    )
    low = min(m.quantile(0.025) for m in rates)
    high = max(m.quantile(0.975) for m in rates)
    rate = rates[0].quantile(0.5)
    # several priors: the standard deviation goes with the width of their union
    sd = (
        rates[0].sd()
        if len(rates) == 1
        else max(rates[0].sd(), (high - low) / (2.0 * 1.96))
    )
    a, u_a = main.amplitude * amplitude, main.u_amplitude * amplitude
    tails, residual = _best_fit(blocks, main.best, width, middle)
    tails = (*tails[:-1], Tail(a, u_a, tau))
    mean = robust_slope(t_s, y, resolution)
    # a slow tail's amplitude is ill known exactly where it matters most
    seen = abs(a) > 2.0 * u_a or abs(mean.slope - rate) > 3.0 * mean.u
    reasons = []
    if seen and tau > width / 3.0:
        reasons.append(
            Reason.of(
                "hold_too_short", held_s=f"{width:.0f}", needed_s=f"{4.0 * tau:.0f}"
            )
        )
    at_the_end = tau > 0.6 * tau_max_s and tau > width / _OVER
    if seen and at_the_end and main.sd_ln_tau > _CLEAR:
        reasons.append(
            Reason.of(
                "tail_inseparable",
                tau_s=f"{tau:.0f}",
                tau_max_s=f"{tau_max_s:.0f}",
                held_s=f"{width:.0f}",
            )
        )
    return TailFit(
        rate=rate,
        sd=sd,
        interval95=(low, high),
        posteriors=rates,
        tails=tails,
        sd_ln_tau=main.sd_ln_tau,
        p_two=main.p_two,
        mean_slope=mean.slope,
        u_mean_slope=mean.u,
        dof_mean_slope=mean.dof,
        lrv=main.lrv,
        inseparable=bool(reasons),
        reasons=tuple(reasons),
        used=blocks.used,
        dropped=blocks.dropped,
        drop20=rate_all is not None,
        rate_all=rate if rate_all is None else rate_all,
        start_s=float(t_s[0]),
        stop_s=float(t_s[-1]),
        mean=mean.mean,
        blocks=residual,
    )


def _best_fit(
    blocks: _Blocks, ln_tau: tuple[float, ...], width: float, middle: float
) -> tuple[tuple[Tail, ...], FloatArray]:
    """Return the likeliest tails, fast first, and what they leave of the blocks."""
    shapes = [np.exp(-blocks.u * math.exp(-x)) for x in ln_tau]
    design = np.column_stack([np.ones_like(blocks.u), blocks.u - 0.5, *shapes])
    y = blocks.y - middle
    found, *_ = np.linalg.lstsq(design, y, rcond=None)
    residual = np.asarray(y - design @ found, dtype=np.float64)
    s2 = float(residual @ residual) / max(1, y.size - design.shape[1])
    cov = s2 * np.linalg.pinv(design.T @ design)
    tails = tuple(
        Tail(
            float(found[2 + k]),
            math.sqrt(max(0.0, float(cov[2 + k, 2 + k]))),
            math.exp(x) * width,
        )
        for k, x in enumerate(ln_tau)
    )
    return tails, residual
