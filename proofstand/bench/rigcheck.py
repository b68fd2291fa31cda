"""Rig check: what every channel gives when it is read for some seconds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from records.measure import to_unit
from records.rig import Channel, Rig
from records.run import channel_trace
from records.trace import Block, Flag, Trace
from rig.acquisition import Acquisition, open_instruments
from rig.clock import HostClock

from ..display import digits_for, number, value_text


@dataclass(frozen=True, slots=True)
class Row:
    """One channel as text, and its numbers in SI."""

    channel: str
    value: str
    noise: str
    rate: str
    calibration: str
    faults: str
    mean_si: float | None
    noise_si: float | None
    rate_hz: float
    asked_hz: float
    resolution_si: float

    def as_json(self) -> dict[str, Any]:
        """Return the row for ``--json``."""
        return asdict(self)


def check_rig(rig: Rig, seconds: float) -> list[Row]:
    """Read a rig and return a row per channel.

    Args:
        rig: the rig.
        seconds: how long to read, rig time.

    Raises:
        RigError: an instrument can't be reached or does not answer.
    """
    clock = HostClock(rig.time_multiple)
    instruments = open_instruments(rig, clock)
    try:
        acquisition = Acquisition(1, instruments, clock)
        until = clock.monotonic_ns() + round(seconds * 1e9)
        blocks: list[Block] = []
        for block in acquisition.blocks():
            blocks.append(block)
            if clock.monotonic_ns() >= until:
                break
    finally:
        for instrument in instruments:
            instrument.close()
    counted = acquisition.told()
    today = datetime.fromtimestamp(clock.utc_ns() / 1e9, UTC).date()
    rows = []
    for instrument in instruments:
        id = instrument.declared.id
        ours = [b for b in blocks if b.instrument == id]
        t_ns = np.concatenate([b.t_ns for b in ours])
        raw = np.concatenate([b.raw for b in ours])
        flags = np.concatenate([b.flags for b in ours])
        origin = acquisition.part.origins[id]
        asked = 1.0 / instrument.declared.period.value_si
        for column, channel in enumerate(rig.columns(id)):
            trace = channel_trace(
                channel, t_ns, raw[:, column], flags[:, column], origin
            )
            row = _row(channel, trace, asked, today.isoformat())
            rows.append(_with_counts(row, counted[id]))
    return rows


def _with_counts(row: Row, counted: Mapping[str, str]) -> Row:
    """Return a row that also says what went wrong on its instrument's wire."""
    if not counted:
        return row
    told = ", ".join(
        f"{often} {what.replace('_', ' ')}" for what, often in counted.items()
    )
    known = "" if row.faults == "none" else f"{row.faults}; "
    return replace(row, faults=f"{known}requests: {told}")


def _row(channel: Channel, trace: Trace, asked_hz: float, today: str) -> Row:
    good = trace.good()
    unit = channel.measure_unit
    span_s = float(trace.t_s[-1] - trace.t_s[0]) if len(trace) > 1 else 0.0
    rate = (len(trace) - 1) / span_s if span_s > 0 else 0.0
    faults = [
        f"{int(np.sum((trace.flags & flag) != 0))} {name}"
        for flag, name in (
            (Flag.MISSING, "missing"),
            (Flag.LATE, "late"),
            (Flag.SATURATED, "outside the span"),
            (Flag.DEVICE, "device fault"),
        )
        if np.any((trace.flags & flag) != 0)
    ]
    mean = noise = None
    value = noise_text = "no good reading"
    if len(good):
        mean = float(np.mean(good.value))
        value = value_text(mean, unit.kind, channel.reference, unit)
    if len(good) > 2:
        # Differences leave out what the pressure itself does meanwhile.
        noise = float(np.std(np.diff(good.value)) / np.sqrt(2.0))
        shown = to_unit(noise, unit, difference=True)
        noise_text = f"{number(shown, digits_for(shown))} {unit.name}"
    calibration = channel.calibration
    if calibration is None:
        due = "none"
        faults.append("no calibration")
    else:
        due = calibration.due.isoformat()
        if due < today:
            faults.append("calibration expired")
    return Row(
        channel.id,
        value,
        noise_text,
        f"{rate:.1f} of {asked_hz:.0f} Hz",
        due,
        ", ".join(faults) or "none",
        mean,
        noise,
        rate,
        asked_hz,
        channel.resolution.value_si,
    )
