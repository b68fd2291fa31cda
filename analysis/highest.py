"""Highest outlet pressure of a hold, without what noise adds to a maximum.

The largest of many noisy means lies above the largest true one: of a flat hold of 30 s
by about twice the standard deviation of a mean over one second. How much depends on how
many means lie so near the top that any of them may be the largest; that many normal
numbers have the maximum that is taken off. The interval needs no such count to be
right at its upper end: what is truly highest was read at some moment, and that reading
is no larger than the largest. Its lower end is that of all means near the top, so the
interval is skew, and holds 95 % or more.

Source of the expected maximum: G. Blom, "Statistical Estimates and Transformed
Beta-Variables" (1958), (n - 0.375) / (n + 0.25).
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtri, stdtrit

from records.judgement import BudgetLine, Evidence
from records.rig import Channel
from records.trace import FloatArray

from .estimate import Estimate, finite, not_measured, widened
from .hold_noise import borrowed_noise, readings_in, sliding_means
from .readings import Readings, calibration_lines, resolution, resolution_line
from .steady import robust_level

MEAN_S = 1.0
_CLOSED_S = 3.0  # after the start, so long as the closing may still go on
_NEAR = 3.5  # standard deviations below the top that may be the top
_MOST_LOCAL = 3.0
_TRIED = 6.0


def lockup_highest(
    readings: Readings, outlet: Channel, part: int, window: tuple[float, float]
) -> Estimate:
    """Return the highest outlet pressure, averaged over one second, of a hold.

    What noise alone adds to a maximum is taken off; the interval is skew.
    """
    held = readings.stretch(outlet, part, *window)
    trouble = (held.trouble,) if held.trouble else ()
    if held.t_s.size < 8:
        assert held.trouble is not None
        return not_measured("lockup_highest", outlet.role, held.trouble)
    centre = float(np.median(held.value))
    width = readings_in(held.t_s, MEAN_S)
    means = sliding_means(held.value - centre, width)
    top = int(np.argmax(means))
    noise, dof = _noise_of_a_mean(held.t_s, held.value - centre, resolution(outlet))
    count = _near_the_top(means, noise, width)
    raw = centre + float(means[top])
    added = noise * float(ndtri((count - 0.375) / (count + 0.25)))
    student = float(stdtrit(max(2, math.floor(dof)), 0.975))
    most = student / float(ndtri(0.975)) * float(ndtri(0.975 ** (1.0 / count)))
    value = raw - added
    ends = (raw - max(student, most) * noise, raw + student * noise)
    others = [
        *calibration_lines(outlet, value, difference=False),
        resolution_line(outlet),
    ]
    interval, _ = widened(ends, value, others)
    line = BudgetLine(
        source="noise",
        u=(ends[1] - ends[0]) / (2.0 * student),
        value=value,
        dof=dof,
        type="A",
    )
    _, combined = widened(ends, value, [line, *others])
    at = held.t_s[min(top + width // 2, held.t_s.size - 1)]
    return finite(
        Estimate(
            id="lockup_highest",
            channel=outlet.role,
            value=value,
            interval=interval,
            u=combined.u,
            dof=combined.dof,
            lines=(line, *others),
            evidence=Evidence(
                part=part,
                window_s=window,
                used=held.used,
                dropped=held.dropped,
                model=(
                    ("at_s", float(at)),
                    ("largest_mean", raw),
                    ("added_by_noise", added),
                ),
            ),
            trouble=trouble,
        )
    )


def _noise_of_a_mean(
    t_s: FloatArray, y: FloatArray, step: float
) -> tuple[float, float]:
    """Return the standard deviation of a mean over one second, and its dof."""
    rest = t_s >= t_s[0] + _CLOSED_S
    u, dof, _ = borrowed_noise(t_s[rest], y[rest], MEAN_S)
    width = readings_in(t_s, MEAN_S)
    apart = sliding_means(y, width)[::width]
    second = np.abs(np.diff(apart, n=2))
    if not math.isfinite(u):
        level = robust_level(t_s, y, step)
        return level.u, level.dof
    # means that are alike say less of their scatter than as many that are not
    alike = _alike(apart)
    free = max(2.0, apart.size * (1.0 - alike) / (1.0 + alike) - 2.0)
    if 0.5 * free < dof:
        u, dof = u * math.sqrt(1.0 + 2.0 / free), max(2.0, 0.5 * free)
    if second.size >= 8:
        # what leaps or bends within the hold is no noise; slow noise is not seen here
        local = 1.4826 * float(np.median(second)) / math.sqrt(6.0)
        u = min(u, max(_MOST_LOCAL * local, step / math.sqrt(12.0 * width)))
    return u, dof


def _near_the_top(means: FloatArray, noise: float, width: int) -> float:
    """Return how many independent means may be the largest, at least 1."""
    if noise <= 0.0:
        return 1.0
    near = int(np.sum(means > float(means.max()) - _NEAR * noise))
    alike = _alike(means[::width])
    # Most of flat noise lies so near its top, and means that slide over white
    # noise reach as high as several times as many that do not overlap (by trial).
    return max(1.0, _TRIED * near / width * (1.0 - alike) / (1.0 + alike))


def _alike(apart: FloatArray) -> float:
    """Return the correlation of means that follow each other, a curve taken out."""
    if apart.size < 12:
        return 0.0
    x = np.linspace(-1.0, 1.0, apart.size)
    rest = apart - np.polynomial.Polynomial.fit(x, apart, 2)(x)
    power = float(rest @ rest)
    if power <= 0.0:
        return 0.0
    found = float(rest[1:] @ rest[:-1]) / power
    return min(0.8, max(0.0, found + (1.0 + 3.0 * found) / apart.size))
