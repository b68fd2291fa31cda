"""Samples: blocks as they come from an instrument, traces as analysis reads them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
TimeArray = NDArray[np.int64]
FlagArray = NDArray[np.uint8]


class Flag(IntFlag):
    """What is wrong with a sample; zero is a good one.

    The rig knows the first four from wire and range; the last two are derived.
    """

    GOOD = 0
    MISSING = 1
    LATE = 2
    SATURATED = 4
    DEVICE = 8
    STUCK = 16
    JUMP = 32


BAD = Flag.MISSING | Flag.LATE | Flag.SATURATED | Flag.DEVICE | Flag.STUCK | Flag.JUMP


def flag_runs(flags: FlagArray) -> TimeArray:
    """Return flags as runs of equal ones; samples that are good make none.

    Args:
        flags: shape (n, k).

    Returns:
        Shape (m, 4): column, first row, row after the last, flag; by column and row.
    """
    n = flags.shape[0]
    found = []
    for column in np.flatnonzero(flags.any(axis=0)).tolist():
        ours = flags[:, column]
        edges = np.concatenate(([0], np.flatnonzero(np.diff(ours)) + 1, [n]))
        starts, stops = edges[:-1], edges[1:]
        marked = ours[starts] != 0
        rows = np.stack([starts, stops, ours[starts].astype(np.int64)], axis=1)[marked]
        found.append(np.insert(rows, 0, column, axis=1))
    if not found:
        return np.empty((0, 4), dtype=np.int64)
    return np.concatenate(found).astype(np.int64)


def flags_of_runs(runs: TimeArray, n: int, k: int) -> FlagArray:
    """Return the flags, shape (n, k), that :func:`flag_runs` made the runs of."""
    flags = np.zeros((n, k), dtype=np.uint8)
    for column, start, stop, flag in runs.tolist():
        flags[start:stop, column] = flag
    return flags


def _frozen(array: ArrayLike, dtype: type[np.generic]) -> NDArray[np.generic]:
    copy = np.array(array, dtype=dtype)
    copy.flags.writeable = False  # a frozen dataclass does not freeze its arrays
    return copy


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Samples of one instrument as they were read.

    Attributes:
        part: number of the run's part.
        instrument: id of the instrument.
        t_ns: shape (n,), the instrument's clock (or the host's), nanoseconds.
        raw: shape (n, k), what was read, in the register's own counts; NaN if nothing.
        flags: shape (n, k), see :class:`Flag`.
    """

    part: int
    instrument: str
    t_ns: TimeArray
    raw: FloatArray
    flags: FlagArray

    def __post_init__(self) -> None:
        """Freeze the arrays and check their shapes."""
        object.__setattr__(self, "t_ns", _frozen(self.t_ns, np.int64))
        object.__setattr__(self, "raw", _frozen(self.raw, np.float64))
        object.__setattr__(self, "flags", _frozen(self.flags, np.uint8))
        n = self.t_ns.shape
        if self.raw.ndim != 2 or self.raw.shape[:1] != n:
            raise ValueError(f"raw has shape {self.raw.shape} for {n} times")
        if self.flags.shape != self.raw.shape:
            raise ValueError(f"flags {self.flags.shape} do not fit {self.raw.shape}")


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Samples of one channel in time order, SI, never changed once built.

    Attributes:
        channel: id of the channel.
        t_s: shape (n,), seconds from the start of the part, strictly rising.
        value: shape (n,), SI; NaN where nothing was read.
        flags: shape (n,), see :class:`Flag`.
    """

    channel: str
    t_s: FloatArray
    value: FloatArray
    flags: FlagArray

    def __post_init__(self) -> None:
        """Freeze the arrays and check them."""
        object.__setattr__(self, "t_s", _frozen(self.t_s, np.float64))
        object.__setattr__(self, "value", _frozen(self.value, np.float64))
        object.__setattr__(self, "flags", _frozen(self.flags, np.uint8))
        if not self.t_s.shape == self.value.shape == self.flags.shape:
            raise ValueError(
                f"{self.channel}: times, values and flags differ in length"
            )
        if self.t_s.size > 1 and not bool(np.all(np.diff(self.t_s) > 0.0)):
            raise ValueError(f"{self.channel}: time must rise from sample to sample")

    def __len__(self) -> int:
        """Return the number of samples."""
        return int(self.t_s.size)

    def between(self, start_s: float, stop_s: float) -> Trace:
        """Return the samples with start_s <= t <= stop_s."""
        lo = int(np.searchsorted(self.t_s, start_s, side="left"))
        hi = int(np.searchsorted(self.t_s, stop_s, side="right"))
        return Trace(
            self.channel, self.t_s[lo:hi], self.value[lo:hi], self.flags[lo:hi]
        )

    def good(self) -> Trace:
        """Return only the samples that carry no flag and are finite."""
        keep = (self.flags == 0) & np.isfinite(self.value)
        return Trace(self.channel, self.t_s[keep], self.value[keep], self.flags[keep])

    def at(self, times_s: FloatArray, max_gap_s: float = 1.0) -> FloatArray:
        """Return the value at given times, by straight lines between good samples.

        Args:
            times_s: shape (m,), seconds from the start of the part.
            max_gap_s: the widest gap between good samples that is bridged.

        Returns:
            Shape (m,), SI; NaN outside the trace and inside a wider gap.
        """
        good = self.good()
        wanted = np.asarray(times_s, dtype=np.float64)
        out = np.full(wanted.shape, np.nan)
        if len(good) == 0:
            return out
        hi = np.clip(np.searchsorted(good.t_s, wanted), 0, len(good) - 1)
        lo = np.where(good.t_s[hi] == wanted, hi, np.maximum(hi - 1, 0))
        inside = (wanted >= good.t_s[0]) & (wanted <= good.t_s[-1])
        near = good.t_s[hi] - good.t_s[lo] <= max_gap_s
        use = inside & near
        out[use] = np.interp(wanted[use], good.t_s, good.value)
        return out
