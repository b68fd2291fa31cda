"""Samples gathered in bins of a tenth of a second, however they are cut into blocks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from records.trace import Flag, FloatArray, TimeArray

BIN_S = 0.1
GAP_S = 1.0
_UNUSABLE = int(Flag.MISSING | Flag.DEVICE | Flag.LATE)
_EMPTY = 1.5  # bins, from one to the next: a bin between them is empty
# Small enough that a piece stays in the processor's cache from one look to the next.
_PIECE = 1 << 17
_EDGE = 1e-6  # of a bin: a sample on the edge belongs to the bin that begins there

Piece = tuple[bool, list[float], list[float]]


class Bins:
    """Makes one value of all samples of a tenth of a second.

    The time of a bin is the middle between its first and last sample, its value their
    median (of two, their mean); a bin that no sample fell into lies on the straight
    line between its neighbours. After a wide gap all begins anew.

    Args:
        width_s: of a bin, where it is not a tenth of a second.
    """

    def __init__(self, width_s: float = BIN_S) -> None:
        self._width = width_s
        self._last_t = -np.inf  # of all samples, so that time never goes back
        self._begin()

    def _begin(self) -> None:
        self._origin: float | None = None
        self._number = 0
        self._open_t: list[FloatArray] = []
        self._open_y: list[FloatArray] = []
        self._last: tuple[float, float] | None = None  # the last bin

    def feed(
        self, t_s: ArrayLike, value: ArrayLike, flags: ArrayLike | None = None
    ) -> list[Piece]:
        """Take further samples and return the bins that they finish.

        Args:
            t_s: shape (n,), seconds; a sample that goes back in time counts as of
                the time of the one before it.
            value: shape (n,), SI.
            flags: shape (n,), see :class:`records.trace.Flag`.

        Returns:
            Pieces without a gap: whether a gap came before it, times, values.
        """
        times = np.atleast_1d(np.asarray(t_s, np.float64))
        values = np.atleast_1d(np.asarray(value, np.float64))
        if times.shape != values.shape:
            raise ValueError(f"{times.shape} times for {values.shape} values")
        marks = None if flags is None else np.atleast_1d(np.asarray(flags))
        found: list[Piece] = []
        for start in range(0, times.size, _PIECE):
            cut = slice(start, start + _PIECE)
            t, y = times[cut], values[cut]
            keep = np.isfinite(y)
            if marks is not None and marks[cut].any():
                keep &= (marks[cut] & _UNUSABLE) == 0
            if not keep.all():
                t, y = t[keep], y[keep]
            if t.size:
                self._sort(t, y, found)
        return found

    def _sort(self, t: FloatArray, y: FloatArray, found: list[Piece]) -> None:
        before = self._last_t
        steps = np.diff(t)
        if not (t[0] >= before and np.isfinite(t[-1]) and np.all(steps >= 0.0)):
            known = np.isfinite(t)
            if not known.any():
                return
            t, y = t[known], y[known]
            t = np.maximum(np.maximum.accumulate(t), before)
            steps = np.diff(t)
        self._last_t = float(t[-1])
        wide = GAP_S + self._width
        gaps = [0] if before > -np.inf and t[0] - before > wide else []
        if steps.size and steps.max() > wide:
            gaps += (np.flatnonzero(steps > wide) + 1).tolist()
        start = 0
        for stop in gaps:
            if stop > start:
                self._between_gaps(t[start:stop], y[start:stop], found)
            self._close(found, *_one(self._open_t, self._open_y))
            self._begin()
            found.append((True, [], []))
            start = stop
        self._between_gaps(t[start:], y[start:], found)

    def _between_gaps(self, t: FloatArray, y: FloatArray, found: list[Piece]) -> None:
        if self._origin is None:
            self._origin = float(t[0])
        last = int((t[-1] - self._origin) / self._width) + 2
        ends = np.arange(self._number + 1, max(last, self._number) + 1) - _EDGE
        at = np.searchsorted(t, self._origin + ends * self._width)
        at = at[at < t.size]
        self._number += at.size
        if at.size == 0:
            self._open_t.append(t.copy())
            self._open_y.append(y.copy())
            return
        first = int(at[0])
        self._open_t.append(t[:first])
        self._open_y.append(y[:first])
        self._close(found, *_one(self._open_t, self._open_y))
        full = np.flatnonzero(np.diff(at))
        starts, counts = at[full], at[full + 1] - at[full]
        if starts.size:
            middle = 0.5 * (t[starts] + t[starts + counts - 1])
            times, values = middle.tolist(), _medians(y, starts, counts).tolist()
            before = self._last
            empty = _EMPTY * self._width
            if before is None or np.diff(middle, prepend=before[0]).max() < empty:
                self._last = (times[-1], values[-1])
                found.append((False, times, values))
            else:
                self._close(found, times, values)
        # copies: the block is its owner's
        self._open_t = [t[at[-1] :].copy()]
        self._open_y = [y[at[-1] :].copy()]

    def _close(
        self, found: list[Piece], times: list[float], values: list[float]
    ) -> None:
        """Add finished bins, and those between that are empty."""
        out_t: list[float] = []
        out_y: list[float] = []
        before = self._last
        for t, y in zip(times, values, strict=True):
            if before is not None and t - before[0] >= _EMPTY * self._width:
                missing = round((t - before[0]) / self._width) - 1
                for i in range(1, missing + 1):
                    share = i / (missing + 1)
                    out_t.append(before[0] + share * (t - before[0]))
                    out_y.append(before[1] + share * (y - before[1]))
            out_t.append(t)
            out_y.append(y)
            before = (t, y)
        self._last = before
        if out_t:
            found.append((False, out_t, out_y))


def _one(
    times: Sequence[FloatArray], values: Sequence[FloatArray]
) -> tuple[list[float], list[float]]:
    t, y = np.concatenate(times), np.concatenate(values)
    if t.size == 0:
        return [], []
    middle = 0.5 * (t[0] + t[-1])
    return [float(middle)], _medians(y, np.array([0]), np.array([t.size])).tolist()


def _medians(y: FloatArray, starts: TimeArray, counts: TimeArray) -> FloatArray:
    """Return the median of each bin: of an even number, the upper one; of two, mean."""
    out = np.empty(starts.size)
    for count in np.unique(counts).tolist():
        rows = np.flatnonzero(counts == count)
        first = starts[rows]
        if rows.size * count == first[-1] + count - first[0]:
            block = y[first[0] : first[0] + rows.size * count].reshape(-1, count)
        else:
            block = y[first[:, None] + np.arange(count)]
        if count < 3:
            out[rows] = block[:, 0] if count == 1 else 0.5 * (block[:, 0] + block[:, 1])
        else:
            middle = count // 2
            out[rows] = np.partition(block, middle, axis=1)[:, middle]
    return out
