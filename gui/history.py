"""Samples of one channel as they grow, ready to be drawn at any length.

Beside the samples stand the lowest and highest of every 16, of every 256 and so on, so
that a picture of any stretch is made of a few thousand numbers at most. Knows no Qt.
"""

from __future__ import annotations

import numpy as np

from records.trace import FloatArray, Trace

FOLD = 16
GAP_S = 1.0  # a wider gap breaks the line, as it does for analysis
_FIRST = 4096


class _Growing:
    """A float array that grows at its end."""

    def __init__(self) -> None:
        self._room = np.empty(_FIRST)
        self.size = 0

    def add(self, values: FloatArray) -> None:
        need = self.size + values.size
        if need > self._room.size:
            room = np.empty(max(need, 2 * self._room.size))
            room[: self.size] = self._room[: self.size]
            self._room = room
        self._room[self.size : need] = values
        self.size = need

    @property
    def all(self) -> FloatArray:
        return self._room[: self.size]


class History:
    """One channel's samples, SI; NaN where nothing good was read."""

    def __init__(self) -> None:
        self._t = _Growing()
        self._value = _Growing()
        self._lows: list[_Growing] = []
        self._highs: list[_Growing] = []

    def __len__(self) -> int:
        """Return the number of samples, breaks of the line among them."""
        return self._t.size

    @property
    def last_s(self) -> float:
        """Time of the latest sample, or -1 before there is one."""
        return float(self._t.all[-1]) if self._t.size else -1.0

    def add(self, trace: Trace) -> None:
        """Take new samples, each later than those before."""
        if not len(trace):
            return
        t = np.array(trace.t_s, dtype=np.float64)
        value = np.where(trace.flags == 0, trace.value, np.nan)
        before = np.concatenate(([self.last_s if len(self) else t[0]], t[:-1]))
        wide = np.flatnonzero(t - before > GAP_S)
        if wide.size:
            t = np.insert(t, wide, 0.5 * (t[wide] + before[wide]))
            value = np.insert(value, wide, np.nan)
        self._t.add(t)
        self._value.add(value)
        self._fold()

    def _fold(self) -> None:
        level = 0
        lows = highs = self._value.all
        while True:
            if level == len(self._lows):
                if lows.size < FOLD:
                    return
                self._lows.append(_Growing())
                self._highs.append(_Growing())
            done = self._lows[level].size
            whole = lows.size // FOLD
            if whole > done:
                cut = slice(done * FOLD, whole * FOLD)
                self._lows[level].add(_least(lows[cut], FOLD))
                self._highs[level].add(_most(highs[cut], FOLD))
            lows, highs = self._lows[level].all, self._highs[level].all
            level += 1

    def between(self, start_s: float, stop_s: float) -> tuple[FloatArray, FloatArray]:
        """Return times and values with start_s <= t <= stop_s; views, not to be kept.

        Args:
            start_s: seconds from the part's start.
            stop_s: the same.
        """
        t = self._t.all
        lo = int(np.searchsorted(t, start_s, side="left"))
        hi = int(np.searchsorted(t, stop_s, side="right"))
        return t[lo:hi], self._value.all[lo:hi]

    def drawn(
        self, start_s: float, stop_s: float, buckets: int
    ) -> tuple[FloatArray, FloatArray]:
        """Return a stretch with at most about two points a bucket, both ends kept.

        Lowest and highest of every bucket are kept, so no spike is lost.

        Args:
            start_s: begin of the stretch; one sample before it is given too.
            stop_s: end of the stretch; one sample after it is given too.
            buckets: how many to keep apart, such as the width in pixels.

        Returns:
            Times and values, shape (n,).
        """
        t = self._t.all
        lo = max(int(np.searchsorted(t, start_s, side="left")) - 1, 0)
        hi = min(int(np.searchsorted(t, stop_s, side="right")) + 1, t.size)
        if hi - lo <= 4 * buckets:
            return t[lo:hi], self._value.all[lo:hi]
        size, level = 1, 0
        while level < len(self._lows) and (hi - lo) // (size * FOLD) >= buckets:
            size, level = size * FOLD, level + 1
        lows = self._value.all if level == 0 else self._lows[level - 1].all
        highs = lows if level == 0 else self._highs[level - 1].all
        first, last = lo // size, min(hi // size, lows.size)
        many = max((last - first) // buckets, 1)
        last = first + (last - first) // many * many
        low = _least(lows[first:last], many)
        high = _most(highs[first:last], many)
        edges = t[first * size : last * size : size * many]
        rest_from = last * size
        step = max((hi - rest_from) // 64, 1)
        rest_to = rest_from + (hi - rest_from) // step * step
        tail = self._value.all[rest_from:rest_to]
        low = np.concatenate((low, _least(tail, step)))
        high = np.concatenate((high, _most(tail, step)))
        edges = np.concatenate((edges, t[rest_from:rest_to:step]))
        return (
            np.append(np.repeat(edges, 2), t[hi - 1]),
            np.append(_in_order(low, high), self._value.all[hi - 1]),
        )

    def extent(self, start_s: float, stop_s: float) -> tuple[float, float] | None:
        """Return lowest and highest value of a stretch, or None without a good one."""
        _, value = self.drawn(start_s, stop_s, 256)
        if not value.size or bool(np.all(np.isnan(value))):
            return None
        return float(np.fmin.reduce(value)), float(np.fmax.reduce(value))


def _in_order(low: FloatArray, high: FloatArray) -> FloatArray:
    """Return lows and highs in turn, as a falling or rising line has them."""
    middle = low + high
    falls = np.append(False, middle[1:] < middle[:-1])
    first = np.where(falls, high, low)
    second = np.where(falls, low, high)
    return np.column_stack((first, second)).ravel()


def _least(values: FloatArray, of: int) -> FloatArray:
    return np.asarray(np.fmin.reduce(values.reshape(-1, of), axis=1))


def _most(values: FloatArray, of: int) -> FloatArray:
    return np.asarray(np.fmax.reduce(values.reshape(-1, of), axis=1))
