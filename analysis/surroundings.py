"""Barometer and gas temperature over a hold: what they were, and how they moved."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from records.errors import Reason
from records.judgement import BudgetLine
from records.measure import STANDARD_PRESSURE_PA, STANDARD_TEMPERATURE_K, Reference
from records.trace import FloatArray, Trace

from .readings import Readings, resolution
from .steady import robust_slope, straight_line
from .tail import fit_tail

# How fast the air pressure may move where nothing records it (common practice, no
# source: 1 hPa an hour is an ordinary change of weather).
BAROMETER_PA_PER_S = 100.0 / 3600.0
_U_ROOM_K = 5.0
# Lags between a sensor's sheath and the gas, either may follow the other (common
# practice, no source), and how far back a trace is looked at for them.
_LAGS_S = (8.0, 15.0, 30.0, 60.0, 120.0)
_HISTORY_S = 600.0
_LAG_SHARE = 1.0 / 3.0
_BEGAN_S = (0.0, 60.0, 200.0, 600.0)  # how long before the hold a ramp began


@dataclass(frozen=True, slots=True)
class Drift:
    """A level, its slope in SI per second, and their standard uncertainties.

    Attributes:
        source: ``measured``, ``assumed``, or ``both`` where a measured slope and what
            the rig's traits say were put together.
        u_lag: what the unknown lag between sensor and gas adds to the slope.
    """

    level: float
    u_level: float
    slope: float
    u_slope: float
    dof: float | None
    source: str
    why: Reason | None = None
    u_lag: float = 0.0


def barometer(readings: Readings, part: int, start_s: float, stop_s: float) -> Drift:
    """Return the air pressure over a stretch, absolute, from the ambient channel."""
    channel = readings.channel("ambient")
    if channel is None or channel.reference is not Reference.ABSOLUTE:
        why = Reason.of("no_barometer")
    else:
        held = readings.stretch(channel, part, start_s, stop_s)
        if held.t_s.size >= 8 and held.width_s > 0.5 * (stop_s - start_s):
            line = robust_slope(held.t_s, held.value, resolution(channel))
            # a change of less than one step of the reading is not seen
            unseen = resolution(channel) / math.sqrt(12.0) * math.sqrt(2.0)
            u = math.hypot(line.u, unseen / max(held.width_s, 1.0))
            u_level = 100.0
            if channel.calibration is not None:
                u_level = channel.calibration.u_offset()
            return Drift(line.mean, u_level, line.slope, u, line.dof, "measured")
        why = held.trouble or Reason.of("no_barometer")
    return Drift(
        STANDARD_PRESSURE_PA, 5000.0, 0.0, BAROMETER_PA_PER_S, None, "assumed", why
    )


def temperature_lines(gas: Drift, sensitivity: float) -> list[BudgetLine]:
    """Return what the gas temperature's slope adds: one line for all sides at once.

    Args:
        gas: see :func:`gas_temperature`.
        sensitivity: change of the finding per K/s.
    """
    lines = [
        BudgetLine(
            source="gas_temperature",
            u=gas.u_slope,
            sensitivity=sensitivity,
            value=gas.slope,
            dof=gas.dof,
            type="A" if gas.source == "measured" else "B",
        )
    ]
    if gas.u_lag:
        lines.append(
            BudgetLine(
                source="gas_temperature_lag", u=gas.u_lag, sensitivity=sensitivity
            )
        )
    return lines


def barometer_line(air: Drift, sensitivity: float) -> list[BudgetLine]:
    """Return what the barometer's slope adds to a finding of gauge channels, if any."""
    if not sensitivity:
        return []
    return [
        BudgetLine(
            source="barometer",
            u=air.u_slope,
            sensitivity=sensitivity,
            value=air.slope,
            dof=air.dof,
            type="A" if air.source == "measured" else "B",
        )
    ]


def gas_temperature(
    readings: Readings, part: int, start_s: float, stop_s: float
) -> Drift:
    """Return the gas temperature over a stretch and its lasting drift, kelvin.

    The rig's traits say how fast it may move unseen; where a gas_temperature channel
    shows the drift (settling set apart, as in the pressure), both are put together by
    their weights.
    """
    prior = readings.drift_k_per_s
    channel = readings.channel("gas_temperature")
    assumed = Drift(STANDARD_TEMPERATURE_K, _U_ROOM_K, 0.0, prior, None, "assumed")
    if channel is None:
        return assumed
    held = readings.stretch(channel, part, start_s, stop_s)
    if held.t_s.size < 8 or held.width_s < 0.5 * (stop_s - start_s):
        return assumed
    level = float(np.median(held.value))
    if not 150.0 < level < 500.0:
        return assumed
    fit = fit_tail(
        held.t_s,
        held.value,
        tau_max_s=readings.tau_max_s,
        amplitude=readings.tail_k,
        resolution=resolution(channel),
    )
    known = Drift(level, 0.5, 0.0, prior, None, "assumed")
    if isinstance(fit, Reason):
        return known
    u_lag = math.hypot(
        _lag_term(readings.trace(channel, part), start_s, stop_s),
        fit.rate * _late_share(stop_s - start_s, readings.tau_max_s),
    )
    u_seen = math.hypot(fit.sd, resolution(channel) / 6.0**0.5 / held.width_s)
    if not prior > 0.0:
        return known
    if abs(fit.rate) > 3.0 * math.hypot(prior, u_seen):
        # it moves more than the traits allow: what was measured stands
        return Drift(level, 0.5, fit.rate, u_seen, None, "measured", u_lag=u_lag)
    weight = prior**2 / (prior**2 + u_seen**2)
    return Drift(
        level,
        0.5,
        weight * fit.rate,
        prior * math.sqrt(1.0 - weight),
        None,
        "both",
        u_lag=weight * u_lag,
    )


def _lag_term(trace: Trace, start_s: float, stop_s: float) -> float:
    """Return what an unknown lag makes of a sensor's slope over a stretch, K/s.

    Gas and sensor follow a wall or a room at paces of their own. The trace, from well
    before the stretch on, is seen through first-order lags as long as those of the
    trade; how far the slope moves with the lag is the term. An even ramp, however
    lately begun, moves it not: what a lag makes of its beginning dies away as that
    lag's exponential, which is set apart here as it is in a pressure. What wanders
    does. Lags beyond a third of the stretch can't be told from its slope.
    """
    seen = trace.between(start_s - _HISTORY_S, stop_s).good()
    if len(seen) < 8:
        return 0.0
    # an even grid of about 500 steps; a block's mean has little of the noise
    n = int(min(512, len(seen)))
    edges = (np.arange(n + 1) * len(seen)) // n
    count = np.diff(edges)
    t = np.add.reduceat(seen.t_s, edges[:-1]) / count
    k = np.add.reduceat(seen.value, edges[:-1]) / count
    grid = np.linspace(t[0], t[-1], n)
    k = np.interp(grid, t, k)
    step = float(grid[1] - grid[0])
    inside = grid >= start_s
    if int(inside.sum()) < 8 or not step > 0.0:
        return 0.0
    at = grid[inside]
    lead = float(np.mean(k[: max(1, n // 50)]))
    moved = []
    for lag in _LAGS_S:
        if lag > _LAG_SHARE * (stop_s - start_s):
            continue
        shift = (lagged(k - lead, step, lag) - (k - lead))[inside]
        since = at - at[0]
        design = np.column_stack([np.ones(at.size), since, np.exp(-since / lag)])
        moved.append(float(np.linalg.lstsq(design, shift, rcond=None)[0][1]))
    # none at all is as likely as any of them
    return math.sqrt(float(np.sum(np.square(moved))) / (len(moved) + 1))


def _late_share(hold_s: float, tau_max_s: float) -> float:
    """Return what share of a ramp's slope a gas may still lack over a hold, rms.

    For lags longer than the settling that is set apart in a pressure: what such a lag
    makes of the beginning of a ramp stays in the slope. Nobody knows when it began.

    Args:
        hold_s: length of the hold.
        tau_max_s: longest settling that is set apart.
    """
    lag = _LAGS_S[-1]  # the longest is what has to be covered, not the usual one
    if lag <= tau_max_s:
        return 0.0
    t = np.linspace(0.0, hold_s, 64)
    whole = straight_line(t, lag * np.exp(-t / lag)).slope
    lacks = [whole * math.exp(-since / lag) for since in _BEGAN_S]
    return math.sqrt(float(np.mean(np.square(lacks))))


def lagged(value: FloatArray, step_s: float, lag_s: float) -> FloatArray:
    """Return even samples as a first-order lag shows them, at rest at the first."""
    share = -math.expm1(-step_s / lag_s)
    first = float(value[0])
    followed = lfilter([share], [1.0, share - 1.0], value - first)
    return np.asarray(first + followed, dtype=np.float64)
