"""What the regulator's vent shows: when gas began to come out of it, and when it ended.

A flow reading at the open vent, or the pressure in the bonnet. As the outlet is raised,
the diaphragm pushes air out of the vent too, in proportion to the rate of rise, and
what weeps weeps more. A discharge is what comes out while the outlet rises less for it:
the vent's reading over the outlet's rate stands out of what it was before, or the vent
lets gas out and the outlet does not rise.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from records.measure import STD_CM3_MIN, Kind
from records.rig import Channel
from records.trace import Flag, FloatArray, Trace

VENT_ROLES = ("vent_flow", "bonnet")
# Less coming out of the vent is no discharge yet; common practice, no source.
LEAST_FLOW = 1.0 * STD_CM3_MIN
_MOST_OVER = 5.0 * STD_CM3_MIN  # so much more is one, whatever came out before
BIN_S = 0.25
MEAN_S = 2.0 * BIN_S
STAYS_S = 1.0
LAG_S = 0.5  # of the meter and of the gas on its way
QUIET_S = 4.0
_OVER = 4  # bins, over which a rate is taken
# A discharge may have begun so long before it stood out.
BEGUN_WITHIN_S = MEAN_S + _OVER * BIN_S + LAG_S
CEASED_WITHIN_S = MEAN_S + LAG_S
_OUT_OF_NOISE = 6.0
_AT_REST = 2.0  # times its noise: such a rate is none
_EVEN = 0.25
_MORE = 2.0  # times what the diaphragm pushes out
_LEAST_READINGS = 8


def vent_readings(trace: Trace) -> Trace:
    """Return what may be used of a reading at the vent.

    One beyond its span says that much comes out, which is all that is asked of it.
    """
    use = (trace.flags & ~np.uint8(Flag.SATURATED) == 0) & np.isfinite(trace.value)
    return Trace(trace.channel, trace.t_s[use], trace.value[use], trace.flags[use])


def discharge_level(channel: Channel, quiet: FloatArray) -> float | None:
    """Return the reading below which the vent does not discharge, or None.

    Args:
        channel: at the vent or in the bonnet.
        quiet: its readings before the outlet was raised, SI.
    """
    if quiet.size < _LEAST_READINGS:
        return None
    level = float(np.median(quiet))
    step = channel.resolution.value_si
    spread = max(float(np.std(quiet)), step / math.sqrt(12.0))
    readings = max(quiet.size * MEAN_S / QUIET_S, 1.0)
    over = max(_OUT_OF_NOISE * spread / math.sqrt(readings), 4.0 * step)
    if channel.measure_unit.kind is Kind.LEAK:
        # what wept before weeps about twice as much when the outlet is twice as high
        over = max(over, LEAST_FLOW, min(level, _MOST_OVER))
    return level + over


def began(
    vent: Trace, outlet: Trace, begun_s: float, level: float, quiet: float
) -> float | None:
    """Return when a discharge stood out, or None.

    Args:
        vent: good readings at the vent, SI, from before the outlet was raised on.
        outlet: the same of the outlet, Pa.
        begun_s: when raising was asked for.
        level: see :func:`discharge_level`.
        quiet: what the vent read before.
    """
    if vent.t_s.size < _LEAST_READINGS or outlet.t_s.size < _LEAST_READINGS:
        return None
    start = max(vent.t_s[0], outlet.t_s[0])
    stop = min(vent.t_s[-1], outlet.t_s[-1])
    edges = np.arange(start, stop + 1e-9, BIN_S)
    if edges.size < 2 * _OVER + 3:
        return None
    t = edges[1:]
    flow, pa = (_binned(x, edges) for x in (vent, outlet))
    flow = 0.5 * (flow[1:] + flow[:-1])  # ends with its second bin
    pa = 0.5 * (pa[1:] + pa[:-1])
    t = t[1:]
    rate = np.full(t.size, math.nan)
    rate[_OVER:] = (pa[_OVER:] - pa[:-_OVER]) / (_OVER * BIN_S)
    noise = _noise_of_rate(outlet, begun_s)
    out = flow - quiet
    even = np.zeros(t.size, dtype=bool)
    even[2 * _OVER :] = np.abs(rate[2 * _OVER :] - rate[_OVER:-_OVER]) < _EVEN * (
        np.abs(rate[2 * _OVER :])
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(rate > 0.0, out / rate, math.inf)
    pushed = np.where(even & (rate > _OUT_OF_NOISE * noise), share, math.inf)
    pushed = np.maximum(np.minimum.accumulate(pushed), 0.0)
    rests = rate < _AT_REST * noise
    lets_out = (t > begun_s) & (flow > level) & (rests | (share > _MORE * pushed))
    return _stays(t, lets_out)


def ceased(vent: Trace, level: float) -> float | None:
    """Return when the vent came down to a level and stayed there, or None."""
    if vent.t_s.size < _LEAST_READINGS:
        return None
    edges = np.arange(vent.t_s[0], vent.t_s[-1] + 1e-9, BIN_S)
    if edges.size < 4:
        return None
    flow = _binned(vent, edges)
    return _stays(edges[2:], 0.5 * (flow[1:] + flow[:-1]) < level)


def _binned(trace: Trace, edges: FloatArray) -> FloatArray:
    """Return means between edges; where nothing was read, as before or after."""
    cut = np.searchsorted(trace.t_s, edges)
    count = np.diff(cut)
    sums = np.concatenate([[0.0], np.cumsum(trace.value)])
    with np.errstate(divide="ignore", invalid="ignore"):
        means = np.diff(sums[cut]) / count
    if not count.all() and count.any():
        there = np.flatnonzero(count)
        means = np.interp(np.arange(count.size), there, means[there])
    return np.asarray(means)


def _noise_of_rate(outlet: Trace, begun_s: float) -> float:
    """Return the standard deviation of a rate that is none, from before, Pa/s."""
    quiet = outlet.value[outlet.t_s <= begun_s]
    if quiet.size < _LEAST_READINGS:
        quiet = outlet.value[: 4 * _LEAST_READINGS]
    spread = float(np.std(np.diff(quiet))) / math.sqrt(2.0)
    each = outlet.t_s[-1] - outlet.t_s[0]
    in_mean = max(MEAN_S * outlet.t_s.size / each, 1.0) if each > 0.0 else 1.0
    return math.sqrt(2.0 / in_mean) * spread / (_OVER * BIN_S)


def _stays(t_s: FloatArray, there: NDArray[np.bool_]) -> float | None:
    """Return the first moment from which something stays so for a second, or None."""
    need = round(STAYS_S / BIN_S) + 1
    run = 0
    for at, so in zip(t_s, there, strict=True):
        run = run + 1 if so else 0
        if run == need:
            return float(at - STAYS_S)
    return None
