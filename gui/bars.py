"""Where a trace is dense and swings widely, columns are drawn in place of lines.

Thousands of long sloping lines that lie upon each other take ten times as long to draw
as the columns that they fill anyway. Knows no Qt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from records.trace import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Split:
    """A trace as drawn.

    Attributes:
        t, value: of the line, which is broken where there are columns.
        bars: left, right, lowest and highest of each column, shape (4, n).
    """

    t: FloatArray
    value: FloatArray
    bars: FloatArray


RUN = 8  # so many wide buckets side by side are worth it; a lone step stays a line
NO_BARS: FloatArray = np.empty((4, 0))


def split(t: FloatArray, value: FloatArray, tall: float) -> Split:
    """Return a trace as line and columns.

    Args:
        t: times, those of a bucket's lowest and highest alike; shape (n,).
        value: values, same shape.
        tall: a bucket that spans more becomes a column.
    """
    if t.size < 4:
        return Split(t, value, NO_BARS)
    pair = np.zeros(t.size, dtype=bool)
    pair[:-1] = t[1:] == t[:-1]
    with np.errstate(invalid="ignore"):
        pair[:-1] &= np.abs(value[1:] - value[:-1]) > tall
    at = np.flatnonzero(pair)
    at = at[at + 2 < t.size]
    begins = np.flatnonzero(np.diff(at, prepend=-9) != 2)
    many = np.diff(begins, append=at.size)
    at = at[np.repeat(many >= RUN, many)]
    if not at.size:
        return Split(t, value, NO_BARS)
    begins = at[np.diff(at, prepend=-9) != 2]
    low, high = np.fmin(value[at], value[at + 1]), np.fmax(value[at], value[at + 1])
    after = value[at + 2]  # where the line goes on, a column reaches there
    bars = np.stack((t[at], t[at + 2], np.fmin(low, after), np.fmax(high, after)))
    line = value.copy()
    line[at] = line[at + 1] = np.nan
    line[begins] = value[begins]  # the line before ends at the first column's edge
    return Split(t, line, bars)
