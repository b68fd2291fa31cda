"""Levels and slopes of a stretch of readings whose noise is correlated in time.

Successive readings of a pressure are not independent, so the textbook uncertainty of a
mean or of a straight line is too small. Readings are averaged into at most 64 blocks.
A level and the steadiness take their intervals from :mod:`analysis.noise_average`; a
slope inflates its variance by the ratio of the long-run to the short-run variance
(first-order autoregression with its small-sample bias removed, or the average over a
grid of noise models, whichever is larger).

Source: N. F. Zhang, "Calculation of the uncertainty of the mean of autocorrelated
measurements", Metrologia 43 (2006) S276; D. J. Schuirmann, "A comparison of the two
one-sided tests procedure", J. Pharmacokinet. Biopharm. 15 (1987) 657.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from records.trace import FloatArray

from .noise_average import noise_average
from .noise_models import noise_models, whitenings

_BLOCKS = 64


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line by least squares.

    Attributes:
        intercept, slope: of y = intercept + slope x. u_intercept, u_slope: their
            standard errors for independent readings of equal spread.
        s: residual standard deviation. dof: readings less two.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    s: float
    dof: int


@dataclass(frozen=True, slots=True)
class Level:
    """A mean with the uncertainty that correlated readings leave.

    Attributes:
        mean, u, dof: mean, its standard uncertainty, its degrees of freedom.
        inflation: long-run over short-run variance of the block means.
        correlation_s: correlation time.
        used, dropped: readings taken and left out as spikes.
        too_slow: the noise is too slow for the stretch to tell its uncertainty.
        wanders: slow noise under faster noise; the uncertainty allows for it.
    """

    mean: float
    u: float
    dof: float
    inflation: float
    correlation_s: float
    used: int
    dropped: int
    too_slow: bool = False
    wanders: bool = False


@dataclass(frozen=True, slots=True)
class Slope:
    """A mean slope with the uncertainty that correlated readings leave, SI per s."""

    slope: float
    u: float
    dof: float
    mean: float
    s: float
    inflation: float


@dataclass(frozen=True, slots=True)
class Steadiness:
    """Whether a stretch is shown to be steady.

    Attributes:
        steady: True when the drift over the stretch is shown to lie within the limit.
        drift, u_drift: change over the whole stretch and its standard uncertainty.
        mean, u_mean, dof: see :class:`Level`.
        peak_to_peak: spread of the means over blocks.
        too_slow: the noise is too slow for the stretch to tell a drift from it.
    """

    steady: bool
    drift: float
    u_drift: float
    mean: float
    u_mean: float
    dof: float
    peak_to_peak: float
    too_slow: bool = False


def straight_line(x: FloatArray, y: FloatArray) -> Line:
    """Return the least-squares line through points, shape (n,), n of at least 3.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 4.1.4.1.
    """
    n = x.size
    if n < 3:
        raise ValueError("a line with its standard errors takes three points")
    x_mean, y_mean = float(np.mean(x)), float(np.mean(y))
    dx, dy = x - x_mean, y - y_mean
    sxx = float(dx @ dx)
    slope = float(dx @ dy) / sxx
    residual = dy - slope * dx
    s = math.sqrt(float(residual @ residual) / (n - 2))
    return Line(
        y_mean - slope * x_mean,
        slope,
        s * math.sqrt(1.0 / n + x_mean**2 / sxx),
        s / math.sqrt(sxx),
        s,
        n - 2,
    )


def keep_near(y: FloatArray, resolution: float = 0.0) -> np.ndarray:
    """Return which readings are no spikes against the median, shape (n,), bool.

    Source: F. R. Hampel, "The influence curve and its role in robust estimation",
    JASA 69 (1974) 383; 4.5 standard deviations from the median absolute deviation.
    """
    distance = np.abs(y - np.median(y))
    s = max(1.4826 * float(np.median(distance)), 0.6 * resolution)
    # a scale of zero means that most readings are equal: then nothing is a spike
    return distance <= (4.5 * s if s > 0.0 else np.inf)


def block_means(y: FloatArray, blocks: int = _BLOCKS) -> FloatArray:
    """Return means of nearly equal shares of the readings, in order."""
    n = min(blocks, y.size)
    edges = (np.arange(n + 1) * y.size) // n
    sums = np.add.reduceat(y, edges[:-1])
    return np.asarray(sums / np.diff(edges), dtype=np.float64)


def robust_level(t_s: FloatArray, y: FloatArray, resolution: float = 0.0) -> Level:
    """Return the mean of a stretch with an uncertainty that holds for its noise.

    Args:
        t_s: shape (n,), seconds.
        y: shape (n,), SI, finite.
        resolution: smallest step of the reading, SI.
    """
    keep = keep_near(y, resolution)
    kept = y[keep]
    centre = float(np.median(kept))
    # work about the median, so that a large level costs no digits
    e = block_means(kept - centre)
    n = e.size
    mean = float(np.mean(e))
    span = float(t_s[-1] - t_s[0]) if t_s.size > 1 else 0.0
    if n < 4:
        return Level(
            centre + mean, math.inf, 1.0, 1.0, span, kept.size, int((~keep).sum())
        )
    noise = noise_average(e - mean, 1)
    dof = _whole_dof(n / noise.ratio - 1.0)
    return Level(
        centre + mean,
        noise.half95 / float(stdtrit(dof, 0.975)),
        dof,
        noise.ratio,
        span / n * max(0.3, noise.correlation),
        kept.size,
        int((~keep).sum()),
        noise.too_slow,
        noise.wanders,
    )


def _whole_dof(dof: float) -> float:
    """Return degrees of freedom as a coverage factor takes them, at least 2.

    Source: JCGM 100:2008 (GUM), G.4.1: the next lower integer.
    """
    return float(max(2, math.floor(dof + 1e-9)))


def robust_slope(t_s: FloatArray, y: FloatArray, resolution: float = 0.0) -> Slope:
    """Return the mean slope of a stretch; arguments as :func:`robust_level`.

    Spikes are judged about the line, so that a steady fall drops no readings.
    """
    if y.size < 6:
        raise ValueError("a slope with its uncertainty takes six readings")
    t_mid = 0.5 * float(t_s[0] + t_s[-1])
    centre = float(np.median(y))
    x, z = t_s - t_mid, y - centre
    first = straight_line(x, z)
    keep = keep_near(z - first.slope * x, resolution)
    x, z = x[keep], z[keep]
    xb, zb = block_means(x), block_means(z)
    line = straight_line(xb, zb)
    residual = zb - line.intercept - line.slope * xb
    lrv, _ = long_run_ratio(residual, 2)
    dof = max(2.0, zb.size / lrv - 2.0)
    return Slope(
        line.slope,
        line.u_slope * math.sqrt(lrv),
        dof,
        centre + line.intercept,
        line.s,
        lrv,
    )


def steadiness(
    t_s: FloatArray, y: FloatArray, drift_limit: float, resolution: float = 0.0
) -> Steadiness:
    """Return whether a stretch is shown to be steady (two one-sided tests, 5 %).

    Args:
        t_s: shape (n,), seconds.
        y: shape (n,), SI.
        drift_limit: largest change over the stretch that counts as steady, SI.
        resolution: smallest step of the reading, SI.
    """
    good = np.isfinite(y) & np.isfinite(t_s)
    t_s, y = t_s[good], y[good]
    if y.size < 8:
        return Steadiness(False, 0.0, math.inf, math.nan, math.inf, 1.0, math.inf)
    level = robust_level(t_s, y, resolution)
    width = float(t_s[-1] - t_s[0])
    if width <= 0.0:
        return Steadiness(
            False, 0.0, math.inf, level.mean, level.u, 1.0, float(np.ptp(y))
        )
    # spikes are judged about the line, so that a drift drops no readings at its ends
    x, z = (t_s - t_s[0]) / width - 0.5, y - float(np.median(y))
    keep = keep_near(z - straight_line(x, z).slope * x, resolution)
    xb, zb = block_means(x[keep]), block_means(z[keep])
    line = straight_line(xb, zb)
    noise = noise_average(zb - line.intercept - line.slope * xb, 2)
    dof = _whole_dof(zb.size / noise.ratio - 2.0)
    blocks = block_means(z[keep], 16)
    return Steadiness(
        bool(abs(line.slope) + noise.half90 < drift_limit) and not noise.too_slow,
        line.slope,
        noise.half90 / float(stdtrit(dof, 0.95)),
        level.mean,
        level.u,
        level.dof,
        float(np.ptp(blocks)),
        noise.too_slow,
    )


def long_run_ratio(residual: FloatArray, fitted: int) -> tuple[float, float]:
    """Return the ratio of long-run to short-run variance, and a lag-1 correlation.

    Args:
        residual: shape (n,), about a mean (``fitted`` 1) or a line (``fitted`` 2).
        fitted: number of coefficients that were fitted.
    """
    n = residual.size
    power = float(residual @ residual)
    if power <= 0.0 or n < 6:
        return 1.0, 0.0
    rho = float(residual[1:] @ residual[:-1]) / power
    rho = min(0.97, max(0.0, rho + (1.0 + 3.0 * rho) * fitted / n))
    averaged = _averaged_ratio(residual, fitted)
    return max(1.0, (1.0 + rho) / (1.0 - rho), averaged), rho


def _averaged_ratio(residual: FloatArray, fitted: int) -> float:
    n = residual.size
    logs, ratios = [], []
    for each in whitenings(n, fitted, noise_models()):
        e = each.white @ residual
        rss = float(e @ e)
        if rss <= 0.0:
            return 1.0
        logs.append(each.log_weight - 0.5 * (n - fitted) * math.log(rss))
        ratios.append(each.model.long_run)
    log = np.asarray(logs)
    p = np.exp(log - log.max())
    return float(p @ np.asarray(ratios) / p.sum())
