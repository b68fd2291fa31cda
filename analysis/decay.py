"""Rate of change of a trapped pressure where nothing else is known of the rig."""

from __future__ import annotations

import math

import numpy as np

from records.errors import Reason
from records.judgement import BudgetLine, Evidence
from records.measure import STANDARD_PRESSURE_PA, STANDARD_TEMPERATURE_K
from records.rig import Channel

from .estimate import Estimate, finite, not_measured, widened
from .events import find_holds
from .rate import lasting_rate
from .readings import Readings, absolute_offset, resolution
from .real_gas import gas_law


def holds(readings: Readings) -> list[tuple[int, float, float]]:
    """Return part, start and stop of every hold that the pressure channels show."""
    found: list[tuple[int, float, float]] = []
    for part in readings.run.parts:
        for channel in readings.pressure_channels():
            if channel.role == "ambient":
                continue
            seen = find_holds(readings.trace(channel, part.number))
            if seen:
                found += [(part.number, start, stop) for start, stop in seen]
                break
    return found


def pressure_decay_rate(
    readings: Readings, channel: Channel, part: int, start_s: float, stop_s: float
) -> Estimate:
    """Return the lasting rate of a channel's pressure over a hold.

    No volume, barometer or gas temperature is assumed to be known, so it is no leak.
    """
    held = readings.stretch(channel, part, start_s, stop_s)
    if held.t_s.size < 8:
        why = held.trouble or Reason.of(
            "too_few_samples", channel=channel.id, found=held.t_s.size, needed=8
        )
        return not_measured("pressure_decay_rate", channel.role, why)
    step = resolution(channel)
    level = float(np.mean(held.value)) + absolute_offset(channel, STANDARD_PRESSURE_PA)
    law = gas_law(readings.run.header.plan.test_gas)
    rate = lasting_rate(
        held.t_s,
        held.value,
        tau_max_s=readings.tau_max_s,
        amplitude=readings.tail_k
        * law.warming(max(abs(level), 1.0), STANDARD_TEMPERATURE_K),
        resolution=step,
        direction=-1,
    )
    if isinstance(rate, Reason):
        return not_measured("pressure_decay_rate", channel.role, rate)
    record = channel.calibration
    others = [
        BudgetLine(
            source="calibration_gain",
            u=0.0 if record is None else record.u_gain(),
            sensitivity=rate.value,
        ),
        BudgetLine(
            source="resolution",
            u=step / math.sqrt(6.0),
            sensitivity=1.0 / max(held.width_s, 1.0),
        ),
    ]
    interval, rest = widened(rate.interval, rate.value, others)
    notes: list[Reason] = []
    if readings.traits is None and not rate.notes:
        # nothing says how slowly this gas settles: the widest of the trade was taken
        notes.append(
            Reason.of(
                "tail_inseparable",
                tau_max_s=f"{readings.tau_max_s:.0f}",
                tail_k=f"{readings.tail_k:g}",
                held_s=f"{held.width_s:.0f}",
            )
        )
    return finite(
        Estimate(
            id="pressure_decay_rate",
            channel=channel.role,
            value=rate.value,
            interval=interval,
            u=math.hypot(rate.u, rest.u),
            lines=(rate.line(), *others),
            evidence=Evidence(
                part=part,
                window_s=(start_s, stop_s),
                used=rate.used,
                dropped=held.dropped + rate.dropped,
                model=rate.model(),
                notes=(*rate.notes, *notes),
            ),
            trouble=(held.trouble,) if held.trouble else (),
            doubt=(*rate.notes, *notes, *rate.doubt),
        )
    )
