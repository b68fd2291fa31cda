"""Rate of change of a trapped pressure where nothing else is known of the rig."""

from __future__ import annotations

import math

import numpy as np

from records.errors import Reason
from records.judgement import BudgetLine, Evidence
from records.measure import STANDARD_PRESSURE_PA, STANDARD_TEMPERATURE_K, Kind
from records.rig import Channel
from records.trace import Trace

from .estimate import Estimate, finite, not_measured, widened
from .events import find_holds
from .phases import ROLES, Label, Role, Scale, find_phases
from .rate import lasting_rate
from .readings import Readings, absolute_offset, barometer_share, resolution
from .real_gas import gas_law
from .surroundings import (
    barometer,
    barometer_line,
    gas_temperature,
    temperature_lines,
)


def holds(readings: Readings) -> list[tuple[int, float, float]]:
    """Return part, start and stop of every hold that the pressure channels show.

    An outlet that stands while gas flows is no hold, and one whose regulator reopened
    is one no longer.
    """
    found: list[tuple[int, float, float]] = []
    for part in readings.run.parts:
        labels = _labels(readings, part.number)
        for channel in readings.pressure_channels():
            if channel.role == "ambient":
                continue
            seen = find_holds(readings.trace(channel, part.number))
            if seen:
                found += [
                    (part.number, *cut) for h in seen if (cut := _shut(h, labels))
                ]
                break
    return found


def _labels(readings: Readings, part: int) -> list[Label]:
    traces: dict[Role, Trace] = {}
    scales: dict[Role, Scale] = {}
    for role in ROLES:
        channel = readings.channel(role)
        if channel is None or channel.measure_unit.kind is not Kind.PRESSURE:
            continue
        if absolute_offset(channel, 1.0) != 1.0:
            continue  # what is not gauge has no zero to be vented to
        low, high = (q.value_si for q in channel.span)
        traces[role] = readings.trace(channel, part)
        scales[role] = Scale(high - low, resolution(channel))
    return find_phases(traces, scales)


def _shut(hold: tuple[float, float], labels: list[Label]) -> tuple[float, float] | None:
    """Return what of a stretch without transitions the outlet was shut in."""
    start, stop = hold
    flowing = 0.0
    for label in labels:
        if label.kind == "steady":
            lo, hi = label.window_s
            flowing += max(0.0, min(hi, stop) - max(lo, start))
        elif label.kind == "reopened" and start < label.t_s < stop:
            stop = label.t_s
    return None if flowing > 0.5 * (stop - start) else (start, stop)


def pressure_decay_rate(
    readings: Readings, channel: Channel, part: int, start_s: float, stop_s: float
) -> Estimate:
    """Return the lasting rate of a channel's pressure over a hold.

    No volume is known, so it is no leak. It is at an even air pressure and temperature:
    what a barometer and a thermometer show is taken off; where there is none, what the
    weather and the rig's traits allow is in the budget.
    """
    held = readings.stretch(channel, part, start_s, stop_s)
    if held.t_s.size < 8:
        why = held.trouble or Reason.of(
            "too_few_samples", channel=channel.id, found=held.t_s.size, needed=8
        )
        return not_measured("pressure_decay_rate", channel.role, why)
    step = resolution(channel)
    level = float(np.mean(held.value)) + absolute_offset(channel, STANDARD_PRESSURE_PA)
    law = gas_law(readings.test_gas)
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
    air = barometer(readings, part, start_s, stop_s)
    gas = gas_temperature(readings, part, start_s, stop_s)
    per_kelvin = law.warming(max(abs(level), 1.0), gas.level)
    others += [
        *temperature_lines(gas, -per_kelvin),
        *barometer_line(air, barometer_share(channel)),
    ]
    shift = barometer_share(channel) * air.slope - per_kelvin * gas.slope
    value = rate.value + shift
    low, high = rate.interval
    interval, rest = widened((low + shift, high + shift), value, others)
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
            value=value,
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
