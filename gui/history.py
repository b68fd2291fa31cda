"""Samples of one channel as they grow, ready to be drawn at any length.

Beside the latest samples stand the lowest and highest of every 16, of every 256 and so
on, the coarser the farther back, so that a picture of any stretch is made of a few
thousand numbers and a day takes hardly more memory than an hour. What was let go of is
read again where it was recorded, if somebody looks that closely. Knows no Qt.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from records.trace import FloatArray, Trace

FOLD = 16
GAP_S = 1.0  # a wider gap breaks the line, as it does for analysis
# How many are kept at least: of the samples, then of each coarser level; the rest is
# let go of, the last level excepted. At 1 kHz: two minutes, a quarter of an hour, half
# an hour; at 20 readings a second: nearly two hours, fourteen, a day.
KEPT = (1 << 17, 1 << 16, 1 << 13, 1 << 17)
# So many samples are read again at most for one picture.
MOST_AGAIN = 1_000_000
_FIRST = 4096

Stretch = tuple[FloatArray, FloatArray]
ReadAgain = Callable[[float, float], Stretch | None]


class _Growing:
    """Rows of numbers that grow at their end and are let go of at their beginning.

    Args:
        columns: numbers of a row.
        kept: so many rows are kept at least.

    Attributes:
        first: number of the first row that is still here.
    """

    def __init__(self, columns: int, kept: int) -> None:
        self._room = np.empty((columns, _FIRST))
        self._kept = kept
        self._size = 0
        self.first = 0

    def add(self, rows: FloatArray) -> None:
        """Take rows, shape (columns, n)."""
        n = rows.shape[1]
        if n > 2 * self._kept:
            self.first += self._size + n - 2 * self._kept
            self._size, rows, n = 0, rows[:, -2 * self._kept :], 2 * self._kept
        elif self._size + n > 2 * self._kept:
            gone = self._size - min(self._kept, 2 * self._kept - n)
            self._room[:, : self._size - gone] = self._room[:, gone : self._size]
            self._size -= gone
            self.first += gone
        need = self._size + n
        if need > self._room.shape[1]:
            room = np.empty(
                (self._room.shape[0], min(max(need, 2 * self._size), 2 * self._kept))
            )
            room[:, : self._size] = self._room[:, : self._size]
            self._room = room
        self._room[:, self._size : need] = rows
        self._size = need

    @property
    def stop(self) -> int:
        """Number of the row that comes next."""
        return self.first + self._size

    def rows(self, first: int, stop: int) -> FloatArray:
        """Return rows by their numbers, shape (columns, n); a view, not to be kept."""
        return self._room[:, first - self.first : stop - self.first]

    @property
    def all(self) -> FloatArray:
        """All that is here, shape (columns, n); a view, not to be kept."""
        return self._room[:, : self._size]


class History:
    """One channel's samples, SI; NaN where nothing good was read.

    Attributes:
        read_again: gives the samples of a stretch as they were recorded, or None; where
            it is not set, what was let go of is only known coarsely.
    """

    def __init__(self) -> None:
        # of the samples time and value, of each level above time, lowest and highest
        self._levels = [_Growing(2, KEPT[0])]
        self._gaps: list[float] = []
        self._again: tuple[float, float, FloatArray, FloatArray] | None = None
        self.read_again: ReadAgain | None = None

    def __len__(self) -> int:
        """Return the number of samples, breaks of the line among them."""
        return self._levels[0].stop

    @property
    def last_s(self) -> float:
        """Time of the latest sample, or -1 before there is one."""
        t = self._levels[0].all[0]
        return float(t[-1]) if t.size else -1.0

    def add(self, trace: Trace) -> None:
        """Take new samples, each later than those before."""
        most = KEPT[0] // 2
        for first in range(0, len(trace), most):
            self._add(trace.rows(first, first + most))

    def _add(self, trace: Trace) -> None:
        t = np.array(trace.t_s, dtype=np.float64)
        value = np.where(trace.flags == 0, trace.value, np.nan)
        before = np.concatenate(([self.last_s if len(self) else t[0]], t[:-1]))
        wide = np.flatnonzero(t - before > GAP_S)
        if wide.size:
            middle = 0.5 * (t[wide] + before[wide])
            self._gaps += middle.tolist()
            t = np.insert(t, wide, middle)
            value = np.insert(value, wide, np.nan)
        self._levels[0].add(np.stack((t, value)))
        self._fold()

    def _fold(self) -> None:
        for level in range(len(KEPT) * 2):
            below = self._levels[level]
            if level + 1 == len(self._levels):
                if below.stop < FOLD:
                    return
                kept = KEPT[min(level + 1, len(KEPT) - 1)]
                self._levels.append(_Growing(3, kept))
            above = self._levels[level + 1]
            whole = below.stop // FOLD
            if whole > above.stop:
                rows = below.rows(above.stop * FOLD, whole * FOLD)
                above.add(
                    np.stack(
                        (
                            rows[0, ::FOLD],
                            _least(rows[1], FOLD),
                            _most(rows[-1], FOLD),
                        )
                    )
                )

    def between(self, start_s: float, stop_s: float) -> Stretch:
        """Return times and values with start_s <= t <= stop_s; views, not to be kept.

        What lies too far back to be read again in one piece is left out.

        Args:
            start_s: seconds from the part's start.
            stop_s: the same.
        """
        t, value = self._stretch_of(start_s, stop_s) or tuple(self._levels[0].all)
        lo = int(np.searchsorted(t, start_s, side="left"))
        hi = int(np.searchsorted(t, stop_s, side="right"))
        return t[lo:hi], value[lo:hi]

    def drawn(self, start_s: float, stop_s: float, buckets: int) -> Stretch:
        """Return a stretch with at most about two points a bucket, both ends kept.

        Lowest and highest of every bucket are kept, so no spike is lost.

        Args:
            start_s: begin of the stretch; one sample before it is given too.
            stop_s: end of the stretch; one sample after it is given too.
            buckets: how many to keep apart, such as the width in pixels.

        Returns:
            Times and values, shape (n,).
        """
        again = None
        level = self._level_for(start_s, stop_s, buckets)
        if level and self._coarse(level, start_s, stop_s, buckets):
            again = self._stretch_of(start_s, stop_s)
        if again is not None:
            lo, hi = _around(again[0], start_s, stop_s)
            rows = np.stack((again[0][lo:hi], again[1][lo:hi]))
            return _reduced(rows, 0, buckets)
        below = self._levels[level]
        lo, hi = (below.first + at for at in _around(below.all[0], start_s, stop_s))
        if level == 0 and hi - lo <= 4 * buckets:
            rows = below.rows(lo, hi)
            return rows[0], rows[1]
        parts = [_reduced(below.rows(lo, hi), lo, buckets)]
        if hi == below.stop:  # what is not folded up to this level yet
            parts += self._newest(level, stop_s)
            if self.last_s <= stop_s:
                last = self._levels[0].all[:, -1:]
                parts.append((last[0], last[1]))
        t = np.concatenate([part[0] for part in parts])
        value = np.concatenate([part[1] for part in parts])
        return self._broken(t, value) if level else (t, value)

    def extent(self, start_s: float, stop_s: float) -> tuple[float, float] | None:
        """Return lowest and highest value of a stretch, or None without a good one."""
        _, value = self.drawn(start_s, stop_s, 256)
        if not value.size or bool(np.all(np.isnan(value))):
            return None
        return float(np.fmin.reduce(value)), float(np.fmax.reduce(value))

    # --- inside ----------------------------------------------------------------------

    def _level_for(self, start_s: float, stop_s: float, buckets: int) -> int:
        """Return the coarsest level that still has enough rows, or reaches so far."""
        reaches = 0
        for level, rows in enumerate(self._levels):
            t = rows.all[0]
            if not t.size:
                break
            if rows.first and start_s < t[0]:
                reaches = level + 1
                continue
            lo, hi = _around(t, start_s, stop_s)
            if level > reaches and hi - lo < buckets:
                return level - 1
            if level == 0 and hi - lo <= 4 * buckets:
                return 0
        return min(max(len(self._levels) - 1, reaches), len(self._levels) - 1)

    def _coarse(self, level: int, start_s: float, stop_s: float, buckets: int) -> bool:
        """Tell whether a level shows less than a picture could."""
        lo, hi = _around(self._levels[level].all[0], start_s, stop_s)
        return hi - lo < buckets

    def _newest(self, level: int, stop_s: float) -> list[Stretch]:
        """Return what the levels below one have beyond it, the coarsest first."""
        parts: list[Stretch] = []
        for above in range(level, 0, -1):
            below = self._levels[above - 1]
            first = self._levels[above].stop * FOLD
            rows = below.rows(first, below.stop)
            rows = rows[:, : int(np.searchsorted(rows[0], stop_s, side="right")) + 1]
            if above == 1:
                parts.append((rows[0], rows[1]))
            else:
                parts.append((np.repeat(rows[0], 2), _in_order(rows[1], rows[2])))
        return parts

    def _broken(self, t: FloatArray, value: FloatArray) -> Stretch:
        """Break the line where nothing was read, however coarse the picture is."""
        if not self._gaps or not t.size:
            return t, value
        gaps = np.array(self._gaps)
        gaps = gaps[(gaps > t[0]) & (gaps < t[-1])]
        at = np.searchsorted(t, gaps)
        return np.insert(t, at, gaps), np.insert(value, at, np.nan)

    def _stretch_of(self, start_s: float, stop_s: float) -> Stretch | None:
        """Return samples that were let go of, read again; None where they are here."""
        here = self._levels[0]
        t = here.all[0]
        if not here.first or start_s >= t[0] or self.read_again is None:
            return None
        again = self._again
        if again is None or start_s < again[0] or stop_s > again[1]:
            rate = t.size / max(float(t[-1] - t[0]), 1e-9)
            span = min(stop_s, self.last_s) - start_s
            if span * rate > MOST_AGAIN:
                return None
            # more than is looked at, so that a look aside finds it here
            beside = min(span, 0.5 * (MOST_AGAIN / rate - span))
            start, stop = max(start_s - beside, 0.0), stop_s + beside
            found = self.read_again(start, stop)
            if found is None:
                return None
            again = self._again = (start, stop, *found)
        return again[2], again[3]


def _around(t: FloatArray, start_s: float, stop_s: float) -> tuple[int, int]:
    """Return the rows of a stretch, one more at either end."""
    lo = max(int(np.searchsorted(t, start_s, side="left")) - 1, 0)
    hi = min(int(np.searchsorted(t, stop_s, side="right")) + 1, t.size)
    return lo, hi


def _reduced(rows: FloatArray, first: int, buckets: int) -> Stretch:
    """Return rows as times and values, lowest and highest of as many as need be.

    Args:
        rows: time, value or lowest, highest; shape (2 or 3, n).
        first: number of the first row: the same rows stay together as time goes on.
        buckets: how many to keep apart at most, about.
    """
    n = rows.shape[1]
    many = max(n // buckets, 1)
    if many == 1 and rows.shape[0] == 2:
        return rows[0], rows[1]
    cuts = np.unique([0, *range(-first % many, n, many)])
    if not n:
        return rows[0], rows[1]
    t = rows[0, cuts]
    low, high = np.fmin.reduceat(rows[1], cuts), np.fmax.reduceat(rows[-1], cuts)
    return (
        np.append(np.repeat(t, 2), rows[0, -1]),
        np.append(_in_order(low, high), rows[1, -1]),
    )


def _in_order(low: FloatArray, high: FloatArray) -> FloatArray:
    """Return lows and highs in turn, as a falling or rising line has them."""
    middle = low + high
    falls = np.append(False, middle[1:] < middle[:-1])[: low.size]
    first = np.where(falls, high, low)
    second = np.where(falls, low, high)
    return np.column_stack((first, second)).ravel()


def _least(values: FloatArray, of: int) -> FloatArray:
    return np.asarray(np.fmin.reduce(values.reshape(-1, of), axis=1))


def _most(values: FloatArray, of: int) -> FloatArray:
    return np.asarray(np.fmax.reduce(values.reshape(-1, of), axis=1))
