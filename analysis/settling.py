"""Settling time: how long after shut-off the outlet came to stay near its level."""

from __future__ import annotations

import math

import numpy as np

from records.errors import Reason
from records.judgement import BudgetLine, Evidence
from records.rig import Channel
from records.trace import FloatArray

from .budget import combine, coverage_factor
from .estimate import Estimate, finite, not_measured
from .events import ShutOff
from .hold_noise import borrowed_noise, readings_in, sliding_means
from .marks import Performance
from .readings import Readings

BAND_SHARE = 0.01  # of the pressure that flowed
_MEAN_S = 0.5
_LEVEL_SHARE = 0.1  # of the hold, at its end
_LATE_SHARE = 0.5  # of the hold, in which it has to have stayed
_SURE = 2.0  # standard deviations of a mean
_MOST_NOISE = 0.3  # of the band


def settling_time(
    readings: Readings, outlet: Channel, done: Performance, shut: ShutOff
) -> Estimate:
    """Return the time from shut-off until the outlet stays within its band.

    The ends of the interval are where it left a band narrower, and one wider, by twice
    the noise for the last time: a band that a slow curve creeps into makes it wide.
    """
    assert done.hold is not None
    held = readings.stretch(outlet, done.part, shut.t50_s, done.hold[1])
    if held.trouble is not None:
        return not_measured("settling_time", outlet.role, held.trouble)
    if held.width_s < 8.0 * _MEAN_S:
        why = Reason.of(
            "hold_too_short",
            held_s=f"{held.width_s:.1f}",
            needed_s=f"{8.0 * _MEAN_S:.0f}",
        )
        return not_measured("settling_time", outlet.role, why)
    asked = done.step.band
    band = BAND_SHARE * abs(shut.before) if asked is None else asked.value_si
    at, off, noise = _distances(held.t_s - shut.t50_s, held.value)
    evidence = Evidence(
        part=done.part,
        window_s=(shut.t50_s, done.hold[1]),
        used=held.used,
        dropped=held.dropped,
        model=(("band", band), ("noise_of_a_mean", noise)),
    )

    def missing(id: str) -> Estimate:
        facts = {"band_pa": f"{band:.3g}", "noise_pa": f"{noise:.2g}"}
        why = Reason.of(id, **facts)
        return not_measured("settling_time", outlet.role, why, evidence=evidence)

    if not noise <= _MOST_NOISE * band:
        return missing("settling_hidden")
    half = _LATE_SHARE * held.width_s
    first, value, last = (
        _stays(at, off, band + k * _SURE * noise) for k in (1.0, 0.0, -1.0)
    )
    if value > half:
        return missing("not_settled")
    if last > half:
        return missing("settling_hidden")
    lines = [
        BudgetLine(
            source="noise",
            u=max(last - first, float(np.median(np.diff(at)))) / (2.0 * _SURE),
            value=value,
            type="A",
        ),
        BudgetLine(source="shut_off", u=shut.u_s),
    ]
    combined = combine(lines)
    own = coverage_factor(None) * math.hypot(shut.u_s, 0.5 * (at[1] - at[0]))
    low = value - math.hypot(value - first, own)
    high = value + math.hypot(last - value, own)
    return finite(
        Estimate(
            id="settling_time",
            channel=outlet.role,
            value=value,
            interval=(max(0.0, low), high),
            u=combined.u,
            dof=combined.dof,
            lines=tuple(lines),
            evidence=evidence,
        )
    )


def _distances(t_s: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return times, how far short means lie from the level, and their noise."""
    width = readings_in(t_s, _MEAN_S)
    centre = float(np.median(y))
    means = sliding_means(y - centre, width)
    at = sliding_means(t_s, width)
    end = at >= at[-1] - _LEVEL_SHARE * (at[-1] - at[0])
    late = t_s >= t_s[-1] - 0.7 * (t_s[-1] - t_s[0])
    noise, _, _ = borrowed_noise(t_s[late], y[late] - centre, _MEAN_S)
    return at, np.abs(means - float(np.mean(means[end]))), noise


def _stays(at: FloatArray, off: FloatArray, band: float) -> float:
    """Return from when on nothing lies beyond a band, seconds after shut-off."""
    beyond = np.flatnonzero(off > band)
    if beyond.size == 0:
        return 0.0
    i = int(beyond[-1])
    if i + 1 >= at.size:
        return float(at[-1])
    share = (off[i] - band) / (off[i] - off[i + 1]) if off[i] > off[i + 1] else 1.0
    return float(at[i] + min(1.0, max(0.0, share)) * (at[i + 1] - at[i]))
