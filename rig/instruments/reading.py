"""What an instrument gives, and what range and live zero say of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from records.rig import Channel, Instrument
from records.run import LOOP_SPAN_MA, LOOP_ZERO_MA, reading_si
from records.trace import Flag, FlagArray, FloatArray, TimeArray

# NAMUR NE 43: 3.8 to 20.5 mA is measurement, up to 3.6 and from 21 mA on a failure;
# what lies between is taken for neither.
MEASURED_MA = (3.8, 20.5)
FAILURE_MA = (3.6, 21.0)


@dataclass(frozen=True, slots=True, eq=False)
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
        self._channels = tuple(channels)
        self._low = np.array([c.span[0].value_si for c in channels])
        self._high = np.array([c.span[1].value_si for c in channels])
        self._loops = [i for i, c in enumerate(channels) if c.loop is not None]

    def flags(self, raw: FloatArray) -> FlagArray:
        """Return flags for raw numbers of shape (n, k)."""
        flags = np.zeros(raw.shape, dtype=np.uint8)
        finite = np.isfinite(raw)
        flags[~finite] = np.uint8(Flag.MISSING)
        si = np.column_stack(
            [reading_si(c, raw[:, i]) for i, c in enumerate(self._channels)]
        )
        outside = finite & ((si <= self._low) | (si >= self._high))
        flags[outside] |= np.uint8(Flag.SATURATED)
        for i in self._loops:
            loop = self._channels[i].loop
            assert loop is not None
            low, high = loop.low.value_si, loop.high.value_si
            current = LOOP_ZERO_MA + LOOP_SPAN_MA * (si[:, i] - low) / (high - low)
            gap = (current < MEASURED_MA[0]) | (current > MEASURED_MA[1])
            failure = (current <= FAILURE_MA[0]) | (current >= FAILURE_MA[1])
            flags[finite[:, i] & gap, i] |= np.uint8(Flag.SATURATED)
            flags[finite[:, i] & failure, i] |= np.uint8(Flag.DEVICE)
        return flags
