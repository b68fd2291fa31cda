"""Rig check: what every channel gives when it is read for some seconds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from records.errors import ProofstandError
from records.measure import to_unit
from records.rig import Channel, Rig
from records.run import channel_trace
from records.trace import Block, Flag, FloatArray, Trace
from rig.acquisition import Acquisition, OpenInstrument, close_all, open_each
from rig.clock import HostClock

from ..display import digits_for, number, value_text
from .byteorder import orders_that_fit

SLOW = 0.95  # of the rate asked for
COARSE = 3.0  # times the declared resolution
VENTED = 0.01  # of the span: closer to zero counts as open to air
SOON_DAYS = 30


@dataclass(frozen=True, slots=True)
class Row:
    """One channel as text, and its numbers in SI."""

    channel: str
    stations: str
    value: str
    good: str
    noise: str
    resolution: str
    zero: str
    rate: str
    calibration: str
    faults: str
    look_at: str
    mean_si: float | None
    noise_si: float | None
    good_readings: int
    readings: int
    rate_hz: float
    asked_hz: float
    resolution_si: float
    resolution_seen_si: float | None
    zero_within: bool | None
    calibration_due: str | None
    flags: dict[str, int]
    orders_that_fit: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Return the row for ``--json``."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Checked:
    """What a rig gave.

    Attributes:
        rows: one for each channel.
        failed: by instrument, why it gave nothing, or could not have been recorded.
        counted: by instrument, what went wrong on its wire and how often.
    """

    rows: tuple[Row, ...]
    failed: Mapping[str, ProofstandError]
    counted: Mapping[str, Mapping[str, str]]

    @property
    def is_good(self) -> bool:
        """Every instrument answers and every channel gives good readings."""
        return not self.failed and all(row.good_readings for row in self.rows)


def check_rig(rig: Rig, seconds: float, folder: Path | None = None) -> Checked:
    """Read a rig, all of it, whatever of it fails.

    Args:
        rig: the rig.
        seconds: how long to read, rig time.
        folder: where the paths in the rig file begin; the current one if None.
    """
    clock = HostClock(rig.time_multiple)
    failed: dict[str, ProofstandError] = {}
    instruments: list[OpenInstrument] = []
    for declared, each in zip(
        rig.instruments, open_each(rig, clock, folder), strict=True
    ):
        if isinstance(each, ProofstandError):
            failed[declared.id] = each
        else:
            instruments.append(each)
    acquisition = Acquisition(1, instruments, clock)
    try:
        blocks, lost = acquisition.read_for(round(seconds * 1e9))
    finally:
        close_all(instruments)
    failed |= lost
    counted = acquisition.told()
    today = datetime.fromtimestamp(clock.utc_ns() / 1e9, UTC).date()
    rows = []
    for declared in rig.instruments:
        counts = counted.get(declared.id, {})
        for column, channel in enumerate(rig.columns(declared.id)):
            trace, raw = _read(
                channel,
                column,
                [b for b in blocks if b.instrument == declared.id],
                acquisition.part.origins.get(declared.id, 0),
            )
            asked = 1.0 / declared.period.value_si
            row = _row(channel, trace, raw, asked, today)
            if not len(trace):
                row = replace(row, good=f"0 of {counts.get('failed', 0)}")
            if declared.id in failed:
                row = replace(row, faults=failed[declared.id].id.replace("_", " "))
            rows.append(_with_counts(row, counts))
    return Checked(tuple(rows), failed, counted)


def _read(
    channel: Channel, column: int, blocks: Sequence[Block], origin_ns: int
) -> tuple[Trace, FloatArray]:
    """Return a channel's trace and its numbers as read; both empty without blocks."""
    if not blocks:
        nothing = np.empty(0)
        times, flags = nothing.astype(np.int64), nothing.astype(np.uint8)
        return channel_trace(channel, times, nothing, flags, 0), nothing
    t_ns = np.concatenate([b.t_ns for b in blocks])
    raw = np.concatenate([b.raw[:, column] for b in blocks])
    flags = np.concatenate([b.flags[:, column] for b in blocks])
    return channel_trace(channel, t_ns, raw, flags, origin_ns), raw


def _with_counts(row: Row, counted: Mapping[str, str]) -> Row:
    """Return a row that also says what went wrong on its instrument's wire."""
    told = ", ".join(
        f"{often} {what.replace('_', ' ')}" for what, often in shown(counted).items()
    )
    if not told:
        return row
    known = "" if row.faults == "none" else f"{row.faults}; "
    return replace(row, faults=f"{known}requests: {told}")


def shown(counted: Mapping[str, str]) -> dict[str, str]:
    """Return the counts that are worth a word: the rate tells of overruns."""
    return {what: often for what, often in counted.items() if what != "overrun"}


FLAG_WORDS = (
    (Flag.MISSING, "missing"),
    (Flag.LATE, "late"),
    (Flag.SATURATED, "outside the span"),
    (Flag.DEVICE, "device fault"),
)


def _row(
    channel: Channel, trace: Trace, raw: FloatArray, asked_hz: float, today: date
) -> Row:
    good = trace.good()
    unit = channel.measure_unit
    span_s = float(trace.t_s[-1] - trace.t_s[0]) if len(trace) > 1 else 0.0
    # of good readings: the others are no measurement
    share = len(good) / len(trace) if len(trace) else 0.0
    rate = share * (len(trace) - 1) / span_s if span_s > 0 else 0.0
    flags = {
        name: int(np.sum((trace.flags & flag) != 0))
        for flag, name in FLAG_WORDS
        if np.any((trace.flags & flag) != 0)
    }
    look_at = [
        f"{often} of {len(trace)} readings {name}" for name, often in flags.items()
    ]
    if not len(good):
        look_at.insert(0, "no good reading")
    mean = noise = None
    value = noise_text = "no good reading"
    if len(good):
        mean = float(np.mean(good.value))
        value = value_text(mean, unit.kind, channel.reference, unit)
    if len(good) > 2:
        # Differences leave out what the pressure itself does meanwhile.
        noise = float(np.std(np.diff(good.value)) / np.sqrt(2.0))
        noise_text = _step(noise, channel)
    if len(good) and rate < SLOW * asked_hz:
        look_at.append("slower than asked for")
    seen = _resolution_seen(good)
    resolution = _resolution_text(channel, seen)
    if seen is not None and seen > COARSE * channel.resolution.value_si:
        look_at.append("coarser than declared")
    zero, within = _zero(channel, mean)
    if within is False:
        look_at.append("zero beyond its uncertainty")
    due, due_text = _due(channel, today)
    if due_text:
        look_at.append(due_text)
    if channel.isolating_valve:
        look_at.append("isolating valve: is it open?")
    low, high = (q.value_si for q in channel.span)
    record = channel.calibration
    if record is not None and not record.covers(max(low, 0.0), high):
        assert record.range is not None
        top = record.range[1].typed
        look_at.append(f"calibrated up to {top} only, findings above it stay undecided")
    arrived = (trace.flags & Flag.MISSING) == 0
    # a loop's current says itself whether it is one; and a few wrong readings among
    # good ones are no matter of order
    doubtful = channel.loop is None and 2 * len(good) < int(np.sum(arrived))
    fits = orders_that_fit(channel, raw[arrived]) if doubtful else ()
    if fits:
        declared = "" if channel.register is None else channel.register.order
        others = " or ".join(f'"{order}"' for order in fits)
        look_at.append(f"order = {others} would fit the span, {declared} does not")
    return Row(
        channel.id,
        ", ".join(channel.serves),
        value,
        f"{len(good)} of {len(trace)}",
        noise_text,
        resolution,
        zero,
        f"{rate:.1f} of {asked_hz:.0f} Hz",
        due or "none",
        ", ".join(f"{n} {name}" for name, n in flags.items()) or "none",
        "; ".join(look_at),
        mean,
        noise,
        len(good),
        len(trace),
        rate,
        asked_hz,
        channel.resolution.value_si,
        seen,
        within,
        due,
        flags,
        fits,
    )


def _step(value: float, channel: Channel) -> str:
    unit = channel.measure_unit
    shown = to_unit(value, unit, difference=True)
    return f"{number(shown, digits_for(shown))} {unit.name}"


def _resolution_seen(good: Trace) -> float | None:
    """Return the smallest step between readings, SI; None where all are the same."""
    levels = np.unique(good.value)
    if levels.size < 2:
        return None
    steps = np.diff(levels)
    # what is smaller is the rounding of the arithmetic, not a step of the device
    real = steps[steps > 1e-9 * max(1.0, float(np.max(np.abs(levels))))]
    return float(real.min()) if real.size else None


def _resolution_text(channel: Channel, seen: float | None) -> str:
    declared = _step(channel.resolution.value_si, channel)
    return f"{declared}, seen {_step(seen, channel) if seen else 'no step'}"


def _zero(channel: Channel, mean: float | None) -> tuple[str, bool | None]:
    """Return how a channel that is open to air reads, and whether that is good."""
    if not channel.zero_at_vent or mean is None:
        return "-", None
    low, high = (q.value_si for q in channel.span)
    if abs(mean) > VENTED * (high - low):
        return "not vented", None
    if channel.calibration is None:
        return f"{_step(mean, channel)}, no calibration", None
    claimed = 2.0 * channel.calibration.u_offset()
    within = abs(mean) <= claimed
    word = "within" if within else "BEYOND"
    return f"{_step(mean, channel)}, {word} {_step(claimed, channel)}", within


def _due(channel: Channel, today: date) -> tuple[str | None, str]:
    if channel.calibration is None:
        return None, "no calibration"
    due = channel.calibration.due
    if channel.calibration.date > today:
        return due.isoformat(), "calibration dated later than today"
    left = (due - today).days
    if left < 0:
        return due.isoformat(), "calibration expired"
    soon = f"calibration due in {left} days" if left <= SOON_DAYS else ""
    return due.isoformat(), soon
