"""What the calibrations that a finding leans on say of it, and what they do not."""

from __future__ import annotations

import datetime
from collections.abc import Iterable

import numpy as np

from records.calibration import Calibration
from records.errors import Reason
from records.judgement import (
    FINDINGS,
)
from records.measure import Kind, to_unit
from records.rig import Channel
from records.run import Run

from .estimate import Estimate
from .found import GAUGES
from .interstage import ROLE as BETWEEN
from .readings import Readings


def why_blind(estimate: Estimate, readings: Readings) -> list[Reason]:
    """Return why the calibrations that a finding leans on say nothing of it."""
    channels = [c for c in map(readings.channel, _read_on(estimate)) if c is not None]
    unknown = [
        c.id for c in channels if c.calibration is None or not c.calibration.terms
    ]
    if unknown:
        return [Reason.of("no_calibration", channel=", ".join(unknown))]
    day = _day(readings.run)
    found: list[Reason] = []
    for channel in channels:
        record = channel.calibration
        assert record is not None
        if record.date > day:
            found.append(
                Reason.of(
                    "calibration_later",
                    channel=channel.id,
                    date=record.date.isoformat(),
                )
            )
        found += _beyond(channel, record, estimate, readings)
    return found


def _beyond(
    channel: Channel, record: Calibration, estimate: Estimate, readings: Readings
) -> list[Reason]:
    """Return a reason where a finding was read beyond what was compared."""
    window = estimate.evidence.window_s
    if record.range is None or window is None:
        return []
    held = readings.looked_at(channel, estimate.evidence.part, *window)
    read = held.value[(held.t_s >= window[0]) & (held.t_s <= window[1])]
    if not read.size:
        return []
    # what noise does around zero is no reading below the range
    low, high = float(np.mean(read)), float(np.max(read))
    if record.covers(low, high):
        return []
    unit = channel.measure_unit
    return [
        Reason.of(
            "outside_calibration",
            channel=channel.id,
            highest=f"{to_unit(high, unit):.4g} {channel.unit}",
            low=record.range[0].typed,
            high=record.range[1].typed,
        )
    ]


def _day(run: Run) -> datetime.date:
    seconds = run.header.started_utc_ns / 1e9
    return datetime.datetime.fromtimestamp(seconds, tz=datetime.UTC).date()


def _read_on(estimate: Estimate) -> tuple[str, ...]:
    """Return the roles whose calibration a finding leans on; none for what is seen."""
    if estimate.id == "gauge_zero" or FINDINGS[estimate.id].kind is Kind.COUNT:
        return ()
    between = (BETWEEN,) if f"volume_{BETWEEN}" in dict(estimate.evidence.model) else ()
    return (estimate.channel,) if estimate.channel else (*GAUGES, *between)


def why_expired(estimate: Estimate, readings: Readings) -> list[Reason]:
    """Return the calibrations that a finding leans on and that were overdue."""
    roles = list(_read_on(estimate))
    if FINDINGS[estimate.id].kind in (Kind.LEAK, Kind.RATE):
        roles += ["ambient", "gas_temperature"]
    channels = [readings.channel(role) for role in roles]
    return overdue([c for c in channels if c is not None], readings.run)


def overdue(channels: Iterable[Channel], run: Run) -> list[Reason]:
    """Return the calibrations of channels that were due before the day of the run."""
    day = _day(run)
    return [
        Reason.of(
            "calibration_expired",
            channel=c.id,
            due=c.calibration.due.isoformat(),
        )
        for c in channels
        if c.calibration is not None and c.calibration.due < day
    ]
