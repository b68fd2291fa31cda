"""How noisy a short mean within a hold is, told by the whole of the hold."""

from __future__ import annotations

import math

import numpy as np

from records.trace import FloatArray


def sliding_means(y: FloatArray, width: int) -> FloatArray:
    """Return means over every run of ``width`` readings."""
    if y.size < width:
        return np.asarray([float(np.mean(y))])
    total = np.concatenate([[0.0], np.cumsum(y)])
    return np.asarray((total[width:] - total[:-width]) / width)


def readings_in(t_s: FloatArray, seconds: float) -> int:
    """Return how many readings so many seconds hold, at least 2."""
    usual = float(np.median(np.diff(t_s))) if t_s.size > 1 else 0.0
    return max(2, round(seconds / usual)) if usual > 0.0 else 2


def borrowed_noise(
    t_s: FloatArray, y: FloatArray, window_s: float
) -> tuple[float, float, float]:
    """Return u of a short mean from the noise of a whole hold, its dof, and a slope.

    The hold's settling is taken out; what is left is averaged over sliding windows as
    long as the reading, so that slow noise counts which the reading itself can't show.

    Args:
        t_s: shape (n,), seconds.
        y: shape (n,), SI.
        window_s: length of the short mean.

    Returns:
        Infinite u where the hold is shorter than four such windows.
    """
    span = float(t_s[-1] - t_s[0]) if t_s.size > 1 else 0.0
    windows = span / window_s
    if windows < 4.0 or t_s.size < 24:
        return math.inf, 2.0, 0.0
    x = t_s - t_s[0]
    shapes = np.column_stack(
        [np.ones_like(x), x / span, np.exp(-x / 3.0), np.exp(-x / 10.0)]
    )
    z = y - float(np.median(y))
    found, *_ = np.linalg.lstsq(shapes, z, rcond=None)
    means = sliding_means(z - shapes @ found, readings_in(t_s, window_s))
    slope = abs(found[1] / span - found[2] / 3.0 - found[3] / 10.0)
    free = windows - 2.0  # line and settling took some of the freedom
    u = float(np.std(means)) * math.sqrt(1.0 + 4.0 / free)
    return u, max(2.0, free / 2.0), float(slope)
