"""Samples: blocks as they come from an instrument, traces as analysis reads them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
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
    if (
        isinstance(array, np.ndarray)
        and array.dtype == dtype
        and not array.flags.writeable
    ):
        return array  # nobody can write to it: a slice of it costs nothing
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


_CHUNK = 16_384  # samples turned into values at a time, so that they stay at hand
# A sample at a window's edge is in it, whatever a time's last digits say.
EDGE_S = 1e-6
_FAR_S = 9e9  # more seconds than nanoseconds can tell
_WINDOWS = 4  # whose times are kept for the next channel
_NO_TIMES: FloatArray = np.empty(0)
_NO_TIMES.flags.writeable = False


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Samples of one channel in time order, SI, never changed once built.

    Attributes:
        channel: id of the channel.
        t_s: shape (n,), seconds from the start of the part, strictly rising.
        value: shape (n,), SI; NaN where nothing was read.
        flags: shape (n,), see :class:`Flag`.
        repeated_s: shape (m,), times of samples that were left out because one with the
            same time came before, sorted.
        backward_s: the same of samples whose time lay before that of an earlier one.
    """

    channel: str
    t_s: FloatArray
    value: FloatArray
    flags: FlagArray
    repeated_s: FloatArray = field(default_factory=lambda: _NO_TIMES)
    backward_s: FloatArray = field(default_factory=lambda: _NO_TIMES)

    def __post_init__(self) -> None:
        """Freeze the arrays and check them."""
        for name, array, dtype in (
            ("t_s", self.t_s, np.float64),
            ("value", self.value, np.float64),
            ("flags", self.flags, np.uint8),
            ("repeated_s", self.repeated_s, np.float64),
            ("backward_s", self.backward_s, np.float64),
        ):
            if (
                array.__class__ is not np.ndarray
                or array.flags.writeable
                or array.dtype != dtype
            ):
                object.__setattr__(self, name, _frozen(array, dtype))
        if not self.t_s.shape == self.value.shape == self.flags.shape:
            raise ValueError(
                f"{self.channel}: times, values and flags differ in length"
            )
        if not bool((self.t_s[1:] > self.t_s[:-1]).all()):
            raise ValueError(f"{self.channel}: time must rise from sample to sample")

    def __len__(self) -> int:
        """Return the number of samples."""
        return int(self.t_s.size)

    def between(self, start_s: float, stop_s: float) -> Trace:
        """Return the samples with start_s <= t <= stop_s, to the microsecond."""
        start_s, stop_s = start_s - EDGE_S, stop_s + EDGE_S
        lo = int(np.searchsorted(self.t_s, start_s, side="left"))
        hi = int(np.searchsorted(self.t_s, stop_s, side="right"))
        return Trace(
            self.channel,
            self.t_s[lo:hi],
            self.value[lo:hi],
            self.flags[lo:hi],
            _within(self.repeated_s, start_s, stop_s),
            _within(self.backward_s, start_s, stop_s),
        )

    def after(self, t_s: float) -> Trace:
        """Return the samples that are later than a time, be it ever so little."""
        first = int(np.searchsorted(self.t_s, t_s, side="right"))
        return Trace(
            self.channel,
            self.t_s[first:],
            self.value[first:],
            self.flags[first:],
            self.repeated_s[self.repeated_s > t_s],
            self.backward_s[self.backward_s > t_s],
        )

    def rows(self, first: int, stop: int) -> Trace:
        """Return the samples from one number to before another."""
        cut = slice(first, stop)
        return Trace(self.channel, self.t_s[cut], self.value[cut], self.flags[cut])

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


def _within(times_s: FloatArray, start_s: float, stop_s: float) -> FloatArray:
    lo, hi = np.searchsorted(times_s, (start_s, stop_s), side="left")
    return times_s[lo : hi + int(np.searchsorted(times_s[hi:], stop_s, side="right"))]


class RecordedTrace(Trace):
    """A trace that turns readings into values only where they are asked for.

    An hour at 1 kHz is mostly waiting; who looks at a hold cuts it out with
    :meth:`between` and pays for the hold.

    Args:
        channel: id of the channel.
        t_ns: shape (n,), strictly rising.
        raw: shape (n,), as read.
        flags: shape (n,), see :class:`Flag`.
        origin_ns: the time of the part's start.
        values: turns readings into values, SI, reading by reading.
        seconds: times in seconds that were made of the same ``t_ns``, by origin and
            first and last row: channels of one instrument share them.
        row: the first sample's row in them.
    """

    __slots__ = (
        "_cached",
        "_flags",
        "_origin_ns",
        "_raw",
        "_row",
        "_seconds",
        "_t_ns",
        "_values",
    )
    _cached: dict[str, FloatArray]
    _flags: FlagArray
    _origin_ns: int
    _raw: FloatArray
    _row: int
    _seconds: dict[tuple[int, int, int], FloatArray]
    _t_ns: TimeArray
    _values: Callable[[FloatArray], FloatArray]

    def __init__(
        self,
        channel: str,
        t_ns: TimeArray,
        raw: FloatArray,
        flags: FlagArray,
        origin_ns: int,
        values: Callable[[FloatArray], FloatArray],
        seconds: dict[tuple[int, int, int], FloatArray] | None = None,
        row: int = 0,
    ) -> None:
        for name, given in (
            ("channel", channel),
            ("_t_ns", t_ns),
            ("_raw", raw),
            ("_flags", flags),
            ("_origin_ns", origin_ns),
            ("_values", values),
            ("_seconds", {} if seconds is None else seconds),
            ("_row", row),
            ("_cached", {}),
        ):
            object.__setattr__(self, name, given)

    def __len__(self) -> int:
        """Return the number of samples."""
        return int(self._t_ns.size)

    @property
    def t_s(self) -> FloatArray:
        """Shape (n,), seconds from the start of the part, strictly rising."""
        return self._kept("t_s", self._shared_times)

    @property
    def value(self) -> FloatArray:
        """Shape (n,), SI; NaN where nothing was read."""
        return self._kept("value", self._converted)

    @property
    def flags(self) -> FlagArray:
        """Shape (n,), see :class:`Flag`."""
        if self._flags.flags.writeable:
            object.__setattr__(self, "_flags", _frozen(self._flags, np.uint8))
        return self._flags

    @property
    def repeated_s(self) -> FloatArray:
        """None: an ordinary trace tells of such samples."""
        return _NO_TIMES

    @property
    def backward_s(self) -> FloatArray:
        """None: an ordinary trace tells of such samples."""
        return _NO_TIMES

    def between(self, start_s: float, stop_s: float) -> Trace:
        """Return the samples with start_s <= t <= stop_s, to the microsecond."""
        lo = self._first(start_s - EDGE_S)
        return self.rows(lo, max(lo, self._first(stop_s + EDGE_S)))

    def after(self, t_s: float) -> Trace:
        """Return the samples that are later than a time, be it ever so little."""
        first = int(np.searchsorted(self.t_s, t_s, side="right"))
        return Trace(
            self.channel,
            self.t_s[first:],
            self.value[first:],
            self.flags[first:],
            self.repeated_s[self.repeated_s > t_s],
            self.backward_s[self.backward_s > t_s],
        )

    def rows(self, first: int, stop: int) -> Trace:
        """Return the samples from one number to before another."""
        cut = slice(first, stop)
        return RecordedTrace(
            self.channel,
            self._t_ns[cut],
            self._raw[cut],
            self._flags[cut],
            self._origin_ns,
            self._values,
            self._seconds,
            self._row + first,
        )

    def _shared_times(self) -> FloatArray:
        window = (self._origin_ns, self._row, self._row + len(self))
        found: FloatArray | None = self._seconds.get(window)
        if found is None:
            found = _seconds(self._t_ns, self._origin_ns)
            found.flags.writeable = False
            if len(self._seconds) >= _WINDOWS:
                self._seconds.clear()
            self._seconds[window] = found
        return found

    def _first(self, t_s: float) -> int:
        """Return the first sample at a time or later."""
        if not abs(t_s) < _FAR_S:
            return len(self) if t_s > 0.0 else 0
        return int(np.searchsorted(self._t_ns, self._origin_ns + round(t_s * 1e9)))

    def _kept(self, name: str, make: Callable[[], FloatArray]) -> FloatArray:
        found: FloatArray | None = self._cached.get(name)
        if found is None:
            found = make()
            found.flags.writeable = False
            self._cached[name] = found
        return found

    def _converted(self) -> FloatArray:
        out = np.empty(len(self))
        with np.errstate(invalid="ignore", over="ignore"):
            # what is no number stays none, and is left out as such
            for i in range(0, out.size, _CHUNK):
                raw = np.ascontiguousarray(self._raw[i : i + _CHUNK])
                out[i : i + _CHUNK] = self._values(raw)
        return out


def _seconds(t_ns: TimeArray, origin_ns: int) -> FloatArray:
    return np.asarray((t_ns - origin_ns) * 1e-9, dtype=np.float64)
