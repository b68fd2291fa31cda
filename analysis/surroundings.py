"""Barometer and gas temperature over a hold: what they were, and how they moved."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from records.errors import Reason
from records.measure import STANDARD_PRESSURE_PA, STANDARD_TEMPERATURE_K, Reference

from .readings import Readings, resolution
from .steady import robust_slope
from .tail import fit_tail

# How fast the air pressure may move where nothing records it (common practice, no
# source: 1 hPa an hour is an ordinary change of weather).
BAROMETER_PA_PER_S = 100.0 / 3600.0
_U_ROOM_K = 5.0


@dataclass(frozen=True, slots=True)
class Drift:
    """A level, its slope in SI per second, and their standard uncertainties.

    Attributes:
        source: ``measured``, ``assumed``, or ``both`` where a measured slope and what
            the rig's traits say were put together.
    """

    level: float
    u_level: float
    slope: float
    u_slope: float
    dof: float | None
    source: str
    why: Reason | None = None


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
    u_seen = math.hypot(fit.sd, resolution(channel) / 6.0**0.5 / held.width_s)
    if not prior > 0.0:
        return known
    if abs(fit.rate) > 3.0 * math.hypot(prior, u_seen):
        # it moves more than the traits allow: what was measured stands
        return Drift(level, 0.5, fit.rate, u_seen, None, "measured")
    weight = prior**2 / (prior**2 + u_seen**2)
    return Drift(
        level, 0.5, weight * fit.rate, prior * math.sqrt(1.0 - weight), None, "both"
    )
