"""What an instrument gives, and what range and live zero say of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from records.rig import Channel, CurrentLoop, Instrument
from records.run import LOOP_SPAN_MA, LOOP_ZERO_MA
from records.trace import Flag, FlagArray, FloatArray, TimeArray

# NAMUR NE 43: 3.8 to 20.5 mA is measurement, up to 3.6 and from 21 mA on a failure;
# what lies between is taken for neither.
MEASURED_MA = (3.8, 20.5)
FAILURE_MA = (3.6, 21.0)


@dataclass(slots=True, eq=False)  # not frozen: that would cost more than the reading
class Reading:
    """One answer of an instrument.

    Attributes:
        t_ns: its own clock, or the host's at mid-request, nanoseconds.
        host_ns: the host's monotonic clock at mid-request, nanoseconds.
        raw: k numbers as read, before scale and offset; NaN where there is none.
        flags: k flags, as far as the wire knows; range and finiteness are looked at
            by the recorder.
        late_before: the answer before this one turned out to be an older one.
    """

    t_ns: int
    host_ns: int
    raw: Sequence[float] | FloatArray
    flags: Sequence[int] | FlagArray
    late_before: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Several answers at once, oldest first, as :class:`Reading`.

    Attributes:
        t_ns, host_ns: shape (n,). raw, flags: shape (n, k).
    """

    t_ns: TimeArray
    host_ns: TimeArray
    raw: FloatArray
    flags: FlagArray


class OpenInstrument(Protocol):
    """An instrument that can be read now; what a driver gives.

    An instrument may also have ``channels`` (then the recorder checks their ranges),
    ``line`` (instruments of one line are read in turn, different lines side by side),
    ``counts`` (a mapping of what went wrong to how often), ``every_s`` (time between
    two looks, where it is not the declared period) and ``doubtful`` True (its last
    answer may turn out to be an older one, so it is held back until the next).
    """

    declared: Instrument

    def read(self) -> Reading | Readings | None:
        """Return what is new, or None; it only ever reads.

        Raises:
            RigError: no connection, no answer in time, refused, or a wrong answer.
        """

    def close(self) -> None:
        """Hang up."""


class Ranges:
    """What the declared ranges say of raw numbers.

    Args:
        channels: in the order of the columns.
    """

    def __init__(self, channels: Sequence[Channel]) -> None:
        units = [c.measure_unit for c in channels]
        scales = [
            _si_scale(c, u.factor, u.offset)
            for c, u in zip(channels, units, strict=True)
        ]
        self._slope = np.array([slope for slope, _ in scales])
        self._shift = np.array([shift for _, shift in scales])
        self._low = np.array([c.span[0].value_si for c in channels])
        self._high = np.array([c.span[1].value_si for c in channels])
        # Raw numbers a hair inside both ends, for a quick look at what is all right.
        ends = np.sort(
            (np.array([self._low, self._high]) - self._shift) / self._slope, 0
        )
        hair = 1e-9 * (ends[1] - ends[0])
        self._raw_low, self._raw_high = ends[0] + hair, ends[1] - hair
        self._loops = [(i, c.loop) for i, c in enumerate(channels) if c.loop]

    def flags(self, raw: FloatArray) -> FlagArray | None:
        """Return flags for raw numbers of shape (n, k); None when all are good."""
        if not self._loops and (((raw > self._raw_low) & (raw < self._raw_high)).all()):
            return None
        si = raw * self._slope + self._shift
        inside = (si > self._low) & (si < self._high)
        finite = np.isfinite(raw)
        flags = np.where(finite, np.uint8(0), np.uint8(Flag.MISSING))
        flags[finite & ~inside] |= np.uint8(Flag.SATURATED)
        for i, loop in self._loops:
            current = current_ma(loop, si[:, i])
            gap = (current < MEASURED_MA[0]) | (current > MEASURED_MA[1])
            failure = (current <= FAILURE_MA[0]) | (current >= FAILURE_MA[1])
            flags[finite[:, i] & gap, i] |= np.uint8(Flag.SATURATED)
            flags[finite[:, i] & failure, i] |= np.uint8(Flag.DEVICE)
        return flags


def current_ma(loop: CurrentLoop, reading: FloatArray) -> FloatArray:
    """Return the current in mA that a transmitter's reading (SI) was made from."""
    low, high = loop.low.value_si, loop.high.value_si
    return LOOP_ZERO_MA + LOOP_SPAN_MA * (reading - low) / (high - low)


def reading_at_ma(loop: CurrentLoop, current: float) -> float:
    """Return a transmitter's reading (SI) at a current in mA."""
    low, high = loop.low.value_si, loop.high.value_si
    return low + (current - LOOP_ZERO_MA) / LOOP_SPAN_MA * (high - low)


def measured_range(channel: Channel) -> tuple[float, float]:
    """Return between which readings (SI, uncalibrated) a channel still measures.

    The recorder marks what reaches the ends of the span; a calibration has to see
    beyond them, because zero and full scale read a little off are what it is made for.
    So the span is widened by what NAMUR NE 43 leaves a 4 to 20 mA signal beyond its
    range: 1.25 % of it below, 3.125 % above. A transmitter's own 3.8 and 20.5 mA stay
    the ends of what it measures.
    """
    low, high = (end.value_si for end in channel.span)
    below, above = ((ma - LOOP_ZERO_MA) / LOOP_SPAN_MA for ma in MEASURED_MA)
    low, high = low + below * (high - low), low + above * (high - low)
    if channel.loop is not None:
        least, most = (reading_at_ma(channel.loop, ma) for ma in MEASURED_MA)
        hair = 1e-9 * (most - least)
        low, high = max(low, least - hair), min(high, most + hair)
    return low, high


def _si_scale(channel: Channel, factor: float, offset: float) -> tuple[float, float]:
    """Return slope and shift from raw numbers to SI, before calibration."""
    if channel.loop is None:
        return channel.scale * factor, channel.offset * factor + offset
    low, high = channel.loop.low.value_si, channel.loop.high.value_si
    slope = (high - low) / LOOP_SPAN_MA
    return channel.scale * slope, low + (channel.offset - LOOP_ZERO_MA) * slope
