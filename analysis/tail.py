"""The lasting rate of a trapped pressure, told apart from the settling of its gas.

After a valve closes, trapped gas warms or cools towards its walls and the walls towards
the room: the pressure runs along a few exponentials while a leak runs along a line. The
rate is found as a posterior, see :mod:`.tail_posterior`; what the hold can't separate
widens the interval instead of biasing the rate.

Model, with u the time over the hold, y in units of the amplitude's prior:
``y = a + r u + sum A_k exp(-u / tau_k) + e``, flat in a and r, A_k normal, ln tau_k
uniform up to the rig's longest time constant, e with correlation g phi^k at lag k.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from records.errors import Reason
from records.trace import FloatArray

from .mixture import Mixture
from .steady import robust_slope
from .tail_posterior import Posterior, likeliest, posterior
from .tail_shapes import shapes

IntArray = NDArray[np.int64]
_BLOCKS = 128
_FASTEST = 0.15  # of a block
_CELLS = 8  # of a block at most
_LEAST_CELL = 12  # samples
_LEAST_SAMPLES = 72
_CLEAR = 0.2  # sd of ln tau below which data, not the prior, fix the time constant
_NEAR_END = 0.6  # of the longest time constant
_LARGE = 1.2  # times the amplitude's standard deviation
_VAGUE = 0.25  # sd of ln tau beyond which the prior has a say
# A tail that has run through so many time constants is over before the hold is: even
# twice as slow it leaves a line alone.
_OVER = 12.0


@dataclass(frozen=True, slots=True)
class Tail:
    """One exponential: amplitude at the start of the hold (SI) and time constant."""

    amplitude: float
    u_amplitude: float
    tau_s: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TailFit:
    """The lasting rate of a hold and what it was told apart from.

    Attributes:
        rate, sd: value and standard deviation of the lasting rate, SI per second.
        interval95: the 2.5 % and 97.5 % quantiles; the widest of several priors where
            the settling is about as slow or as large as the rig's traits allow.
        posteriors: the rate's distribution under each prior that was tried.
        tails: the likeliest exponentials, fast one first; amplitudes at t = 0 of fit.
        sd_ln_tau: standard deviation of the slow time constant's logarithm.
        p_tails: probability of one, two, three tails.
        mean_slope, u_mean_slope, dof_mean_slope: straight line through the same data.
        lrv: long-run over short-run variance of the noise.
        inseparable: True when the rate leans on the prior.
        reasons: why, ids of ``tail_inseparable``, ``tail_rising_or_creep``,
            ``hold_too_short``.
        used, dropped: samples.
        start_s, stop_s: what the fit used. mean: level at the middle, SI.
        levels: the block means that were fitted, shape (n,), SI, over equal times.
        blocks: residual of the block means about the best fit, same shape.
    """

    rate: float
    sd: float
    interval95: tuple[float, float]
    posteriors: tuple[Mixture, ...]
    tails: tuple[Tail, ...]
    sd_ln_tau: float
    p_tails: tuple[float, ...]
    mean_slope: float
    u_mean_slope: float
    dof_mean_slope: float
    lrv: float
    inseparable: bool
    reasons: tuple[Reason, ...]
    used: int
    dropped: int
    start_s: float
    stop_s: float
    mean: float
    levels: FloatArray
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

    Spikes are told in up to eight cells of a block, each about its own median and the
    slope from its neighbours, so that a fast tail is not taken for one: samples beyond
    five standard deviations are left out.
    """
    start, width = float(t_s[0]), float(t_s[-1] - t_s[0])
    fine = n * min(_CELLS, max(1, t_s.size // (n * _LEAST_CELL)))
    # half a sampling period on either side, so that blocks hold equal numbers
    pad = 0.5 * width / max(1, t_s.size - 1)
    x = (t_s - (start - pad)) * (fine / (width + 2.0 * pad))
    # a sample on the edge of two cells goes to the same one, whatever the origin
    index = (x + 1e-6).astype(np.int64)
    np.clip(index, 0, fine - 1, out=index)
    count = np.bincount(index, minlength=fine)
    have = count > 0
    centre = _medians(y, index, count)
    at = np.arange(fine)
    centre = np.interp(at, at[have], centre[have])
    slope = np.gradient(centre)
    x -= index
    x -= 0.5
    residual = y - centre[index] - slope[index] * x
    size = np.abs(residual)
    s = max(1.4826 * float(np.median(size)), 0.6 * resolution)
    # where a fast tail bends within a cell, the cell's own spread is the measure
    spread = np.maximum(s, 1.4826 * np.nan_to_num(_medians(size, index, count)))
    keep = size <= (5.0 * spread[index] if s > 0.0 else np.inf)
    kept = np.bincount(index, weights=keep, minlength=fine)
    total = np.bincount(index, weights=np.where(keep, residual, 0.0), minlength=fine)
    full = kept >= max(1.0, float(np.median(count)) / 3.0)
    if not full.any():
        full = have
    level = centre + total / np.maximum(kept, 1.0)
    mean = np.interp(at, at[full], level[full]).reshape(n, -1).mean(axis=1)
    used = int(keep.sum())
    return _Blocks(
        (np.arange(n) + 0.5) / n,
        np.asarray(mean),
        used,
        int(keep.size) - used,
        int((~full).sum()),
    )


def _about(
    t_s: FloatArray,
    y: FloatArray,
    rough: _Blocks,
    ln_tau: FloatArray,
    resolution: float,
) -> _Blocks:
    """Return the blocks once more, each reading taken about a curve through them.

    About the curve a block is flat: it does not matter where in it the readings lie,
    and a spike is one wherever it stands.
    """
    n = rough.u.size
    middle = float(np.median(rough.y))
    design = np.column_stack([np.ones(n), rough.u - 0.5, shapes(rough.u, ln_tau)])
    # near equal shapes have huge amplitudes that cancel, also sample by sample
    found, *_ = np.linalg.lstsq(design, rough.y - middle, rcond=1e-10)
    pad = 0.5 * float(t_s[-1] - t_s[0]) / (t_s.size - 1)
    u = (t_s - (t_s[0] - pad)) / (t_s[-1] - t_s[0] + 2.0 * pad)
    curve = found[0] + found[1] * (u - 0.5)
    for size, x in zip(found[2:], ln_tau, strict=True):
        curve += size * np.exp(u * -math.exp(-x))
    residual = y - middle - curve
    index = np.minimum((u * n + 1e-6).astype(np.int64), n - 1)
    count = np.bincount(index, minlength=n)
    size = np.abs(residual - np.nan_to_num(_medians(residual, index, count))[index])
    s = max(1.4826 * float(np.median(size)), 0.6 * resolution)
    keep = size <= (5.0 * s if s > 0.0 else np.inf)
    kept = np.bincount(index, weights=keep, minlength=n)
    total = np.bincount(index, weights=np.where(keep, residual, 0.0), minlength=n)
    full = kept >= max(1.0, float(np.median(kept)) / 3.0)
    at = np.arange(n)
    mean = np.interp(at, at[full], (total / np.maximum(kept, 1.0))[full])
    used = int(keep.sum())
    return _Blocks(
        rough.u,
        np.asarray(middle + design @ found + mean),
        used,
        int(keep.size) - used,
        int((~full).sum()),
    )


def _medians(y: FloatArray, index: IntArray, count: IntArray) -> FloatArray:
    """Return the median of each cell, NaN where it is empty; ``index`` rises."""
    first = np.cumsum(count) - count
    rows = np.full((count.size, max(1, int(count.max()))), np.inf)
    rows[index, np.arange(y.size) - first[index]] = y
    rows.sort(axis=1)
    at = np.arange(count.size)
    low = rows[at, np.maximum(count - 1, 0) // 2]
    high = rows[at, np.minimum(count // 2, rows.shape[1] - 1)]
    middle = np.where(count > 0, 0.5 * (low + high), np.nan)
    return np.asarray(middle, dtype=np.float64)


def block_level(
    t_s: FloatArray, y: FloatArray, n: int, resolution: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Return robust means over n equal times: places in 0..1 and means, shape (n,)."""
    blocks = _block(t_s, y, n, resolution)
    return blocks.u, blocks.y


def _range(width_s: float, tau_max_s: float) -> tuple[float, float]:
    # what settles faster is over within a share of the first block
    lo = max(1.0 / width_s, _FASTEST / _BLOCKS)
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
    count = t_s.size
    rough = _block(t_s, y, _BLOCKS if count >= 3 * _BLOCKS else count // 3, resolution)
    pad = 1.0 + 1.0 / (count - 1)
    width = float(t_s[-1] - t_s[0]) * pad
    middle = float(np.median(rough.y))
    lo, hi = _range(width, tau_max_s)
    start = likeliest((rough.y - middle) / amplitude, lo, hi)
    blocks = _about(t_s, y, rough, start[-1], resolution)

    def found(tau_max: float, size: float = 1.0) -> tuple[Posterior, float]:
        unit = size * amplitude
        y = (blocks.y - middle) / unit
        return posterior(y, *_range(width, tau_max), start), unit

    tried = [found(tau_max_s)]
    main, _ = tried[0]
    tau = math.exp(main.ln_tau) * width
    a, u_a = main.amplitude * amplitude, main.u_amplitude * amplitude
    # the rig may settle more slowly, or further, than its traits say: what then?
    if abs(a) > 2.0 * u_a and tau > _NEAR_END * tau_max_s:
        tried.append(found(2.0 * tau_max_s))
    of_main = [main.rate.quantile(p) * amplitude / width for p in (0.025, 0.975)]
    ends = [end * width for end in of_main]
    settled = max(float(np.ptp(blocks.y - end * blocks.u)) for end in ends)
    if max(abs(a), settled if main.sd_ln_tau > _VAGUE else 0.0) > _LARGE * amplitude:
        tried.append(found(tau_max_s, 3.0))
    rates = tuple(
        Mixture(
            p.rate.weight,
            p.rate.centre * unit / width,
            p.rate.scale * unit / width,
            p.rate.dof,
        )
        for p, unit in tried
    )
    low = min([of_main[0], *(m.quantile(0.025) for m in rates[1:])])
    high = max([of_main[1], *(m.quantile(0.975) for m in rates[1:])])
    rate = min(max(main.value * amplitude / width, low), high)
    # several priors: the standard deviation goes with the width of their union
    sd = (
        rates[0].sd()
        if len(rates) == 1
        else max(rates[0].sd(), (high - low) / (2.0 * 1.96))
    )
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
    at_the_end = tau > _NEAR_END * tau_max_s and tau > width / _OVER
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
        p_tails=main.p_tails,
        mean_slope=mean.slope,
        u_mean_slope=mean.u,
        dof_mean_slope=mean.dof,
        lrv=main.lrv,
        inseparable=bool(reasons),
        reasons=tuple(reasons),
        used=blocks.used,
        dropped=blocks.dropped,
        start_s=float(t_s[0]),
        stop_s=float(t_s[-1]),
        mean=mean.mean,
        levels=blocks.y,
        blocks=residual,
    )


def _best_fit(
    blocks: _Blocks, ln_tau: tuple[float, ...], width: float, middle: float
) -> tuple[tuple[Tail, ...], FloatArray]:
    """Return the likeliest tails, fast first, and what they leave of the blocks."""
    tails = shapes(blocks.u, np.asarray(ln_tau))
    design = np.column_stack([np.ones_like(blocks.u), blocks.u - 0.5, tails])
    y = blocks.y - middle
    found, *_ = np.linalg.lstsq(design, y, rcond=None)
    residual = np.asarray(y - design @ found, dtype=np.float64)
    s2 = float(residual @ residual) / max(1, y.size - design.shape[1])
    cov = s2 * np.linalg.pinv(design.T @ design)
    likeliest = tuple(
        Tail(
            float(found[2 + k]),
            math.sqrt(max(0.0, float(cov[2 + k, 2 + k]))),
            math.exp(x) * width,
        )
        for k, x in enumerate(ln_tau)
    )
    return likeliest, residual
