"""What is wrong with samples that wire and range can't know: stuck, jumps, gaps.

Nothing is changed or filled in: samples get flags, and a stretch says what it holds and
what it left out, class by class. Of very many samples a stretch gives means over short
equal times, made after the bad ones were left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from records.errors import Reason
from records.trace import Flag, FloatArray, Trace

from .events import smallest_step

_MEDIAN_WIDTH = 11
_JUMP_FACTOR = 6.0
_STUCK_S = 1.0
_STUCK_SHARE = 0.02
# thresholds of what a stretch may lack before it is no evidence any more
_BAD_SHARE = 0.05
_GAP_SHARE = 0.02
_GAP_S = 1.0
_CLIPPED_SHARE = 0.05
# A stretch of more samples is looked through by rows of them, and given as means.
_MANY = 4096
_ROW = 32
_RANGE_OF_ROW = 4.14  # mean range of 32 normal readings over their deviation
_MEAN_S = (0.1, 0.05, 0.02, 0.01, 0.005, 0.002)
_LEAST_IN_MEAN = 4
# Above this a row of 32 may hold a jump: its range in deviations of the noise.
_WIDE = 5.0
_UNLIKELY = 7.0  # ln of the odds against a run of equal readings by chance
# Fewer steps of scatter than this, and the steps hide what the pressure does.
_SAME_SHARE = 0.7
_COARSE = 0.35

CLASSES = (
    "missing",
    "late",
    "saturated",
    "device",
    "no_number",
    "stuck",
    "jump",
    "repeated",
    "backward",
)
_FLAG_OF = {
    "missing": Flag.MISSING,
    "late": Flag.LATE,
    "saturated": Flag.SATURATED,
    "device": Flag.DEVICE,
    "stuck": Flag.STUCK,
    "jump": Flag.JUMP,
}


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """The usable samples of a channel between two times.

    Attributes:
        channel: id. start_s, stop_s: what was asked for.
        t_s, value: shape (n,), good samples, SI; of very many their means over equal
            short times (at most 0.1 s).
        used, dropped: how many samples were good, and how many were not.
        gaps: start and stop of stretches without a good sample, wider than usual.
        trouble: why it is no evidence, or None.
        left_out: how many samples of each class were not used, none that is zero.
        coarse: why no change can be told from it, or None: steps that hide the noise.
        each: how many samples a value is the mean of, about.
    """

    channel: str
    start_s: float
    stop_s: float
    t_s: FloatArray
    value: FloatArray
    used: int
    dropped: int
    gaps: tuple[tuple[float, float], ...] = ()
    trouble: Reason | None = None
    left_out: tuple[tuple[str, int], ...] = ()
    coarse: Reason | None = None
    each: float = 1.0

    @property
    def width_s(self) -> float:
        """Time from the first to the last good sample."""
        return float(self.t_s[-1] - self.t_s[0]) if self.t_s.size else 0.0


def usual_noise(trace: Trace) -> float:
    """Return the standard deviation of a sample from second differences, SI.

    Of a long trace 64 pieces are looked at, evenly spread.
    """
    n, length = len(trace), _MANY // 64
    if n <= _MANY:
        pieces = [trace]
    else:
        starts = np.linspace(0, n - length, 64).astype(int).tolist()
        pieces = [trace.rows(i, i + length) for i in starts]
    second = [np.diff(piece.good().value, n=2) for piece in pieces]
    found = np.abs(np.concatenate(second))
    return float(1.4826 * np.median(found) / 6.0**0.5) if found.size >= 6 else 0.0


def never_moves(trace: Trace) -> bool:
    """Tell whether all good samples of a trace read the same."""
    good = trace.good().value
    return bool(good.size) and bool(good.min() == good.max())


def flagged(trace: Trace, resolution: float, noise: float | None = None) -> Trace:
    """Return a trace with ``STUCK`` and ``JUMP`` set where they are seen.

    A run of equal values longer than one second and than 2 % of the trace is stuck
    where it is longer than chance would make it: how often neighbours are equal
    elsewhere tells that, so that coarse steps and an instrument that gives each reading
    several times are not called stuck. A trace of equal values throughout is stuck
    where the channel usually shows noise. A jump is a sample that lies far from the
    running median of eleven (Hampel).

    Args:
        trace: samples of one stretch.
        resolution: smallest step of the reading, SI.
        noise: usual noise of the channel, SI, or None when not known.
    """
    good = _good(trace)
    t, y = (trace.t_s, trace.value) if good is None else _of(trace, good)
    if y.size < _MEDIAN_WIDTH:
        return trace
    jumps, stuck, _ = _seen(t, y, resolution, noise)
    if not jumps.size and not stuck:
        return trace
    flags = np.array(trace.flags, dtype=np.uint8)
    _mark(flags, good, jumps, stuck)
    return Trace(trace.channel, trace.t_s, trace.value, flags)


def _good(trace: Trace) -> NDArray[np.bool_] | None:
    """Return which samples are good, or None where all are."""
    finite = np.isfinite(trace.value)
    if bool(finite.all()) and not bool(trace.flags.any()):
        return None
    return np.asarray(finite & (trace.flags == 0))


def _of(trace: Trace, good: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    return trace.t_s[good], trace.value[good]


def _mark(
    flags: NDArray[np.uint8],
    good: NDArray[np.bool_] | None,
    jumps: NDArray[np.int64],
    stuck: list[tuple[int, int]],
) -> None:
    place = np.arange(flags.size) if good is None else np.flatnonzero(good)
    flags[place[jumps]] |= np.uint8(Flag.JUMP)
    for start, stop in stuck:
        flags[place[start:stop]] |= np.uint8(Flag.STUCK)


def _seen(
    t: FloatArray, y: FloatArray, resolution: float, noise: float | None
) -> tuple[NDArray[np.int64], list[tuple[int, int]], float]:
    """Return jumps, runs that are stuck, and the share cut off at an end."""
    rows = _Rows.of(y)
    step = max(resolution, _smallest_step(y))
    return (
        _jumps(y, rows, step),
        _stuck(t, y, rows, resolution, noise),
        _clipped(y, rows, step),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Highest and lowest of each row of 32 readings, where there are very many."""

    high: FloatArray
    low: FloatArray

    @classmethod
    def of(cls, y: FloatArray) -> _Rows | None:
        if y.size <= _MANY:
            return None
        high = low = y[: y.size // _ROW * _ROW]
        for _ in range(_ROW.bit_length() - 1):  # by halves: faster than row by row
            high = np.maximum(high[0::2], high[1::2])
            low = np.minimum(low[0::2], low[1::2])
        return cls(high, low)


def _spread(y: FloatArray) -> FloatArray:
    """Return up to 128 rows of neighbours, evenly spread, shape (rows, 32)."""
    table = y[: y.size // _ROW * _ROW].reshape(-1, _ROW)
    return table[:: max(1, table.shape[0] // 128)]


def _smallest_step(y: FloatArray) -> float:
    """Return the smallest change from reading to reading, of many a part looked at."""
    if y.size > _MANY:
        table = _spread(y)
        steps = np.abs(np.diff(table, axis=1))
        moved = steps[steps > 1e-12 * float(np.abs(table).max())]
        if moved.size:
            return float(moved.min())
    return smallest_step(y)


def _jumps(y: FloatArray, rows: _Rows | None, step: float) -> NDArray[np.int64]:
    if rows is None:
        distance = np.abs(y - running_median(y))
        middle = float(np.median(distance))
        moved = distance[distance > 0.0]
        if middle == 0.0 and moved.size > 0.1 * y.size:
            # readings given several times each: they scatter from one to the next
            middle = float(np.median(moved))
        scale = max(1.4826 * middle, 0.6 * step)
        return np.flatnonzero(distance > _JUMP_FACTOR * scale)
    ranges = rows.high - rows.low
    scale = max(float(np.median(ranges)) / _RANGE_OF_ROW, 0.6 * step)
    # what lies far from a median lies not much less far from the mean of its row
    near = 0.75 * _JUMP_FACTOR * scale
    wide = np.flatnonzero(ranges > _WIDE * scale)
    table = y[: ranges.size * _ROW].reshape(-1, _ROW)[wide]
    row, column = np.nonzero(np.abs(table - table.mean(axis=1)[:, None]) > near)
    at = np.concatenate(
        [wide[row] * _ROW + column, np.arange(ranges.size * _ROW, y.size)]
    )
    distance = np.abs(y[at] - _median_around(y, at))
    far: NDArray[np.int64] = at[distance > _JUMP_FACTOR * scale]
    return far


def running_median(y: FloatArray) -> FloatArray:
    """Return the median of each reading and its neighbours, shape as y, slope kept."""
    return _median_around(y, np.arange(y.size))


def _median_around(y: FloatArray, at: NDArray[np.int64]) -> FloatArray:
    half = _MEDIAN_WIDTH // 2
    place = np.arange(-half, half + 1)
    wanted = at[:, None] + place[None, :]
    last = y.size - 1
    # turned about its ends, so that a slope goes on
    inside = np.clip(
        np.where(wanted > last, 2 * last - wanted, np.abs(wanted)), 0, last
    )
    windows = y[inside]
    windows = np.where(wanted < 0, 2.0 * y[0] - windows, windows)
    windows = np.where(wanted > last, 2.0 * y[-1] - windows, windows)
    # on a slope the middle of a window is no median of it: take its slope out first
    slope = np.median(windows[:, half + 1 :], axis=1) - np.median(
        windows[:, :half], axis=1
    )
    share = place / (half + 1.0)
    return np.asarray(np.median(windows - slope[:, None] * share[None, :], axis=1))


def _stuck(
    t: FloatArray,
    y: FloatArray,
    rows: _Rows | None,
    resolution: float,
    noise: float | None,
) -> list[tuple[int, int]]:
    if rows is not None and not bool((rows.high == rows.low).any()):
        return []
    longest = max(_STUCK_S, _STUCK_SHARE * float(t[-1] - t[0]))
    runs = [(a, b) for a, b in _equal_runs(y) if t[b - 1] - t[a] > longest]
    if not runs:
        return []
    if y.size - sum(b - a for a, b in runs) < max(64, 0.1 * y.size) and len(runs) == 1:
        # the rest is too little to tell what is usual
        step = max(resolution, _smallest_step(y))
        return runs if noise is not None and noise > 0.5 * step else []
    if len(runs) >= 5:
        # an instrument that gives each reading many times stands still all the time
        usual = float(np.median([b - a for a, b in runs]))
        runs = [(a, b) for a, b in runs if b - a > 3.0 * usual]
    same = np.diff(y) == 0.0
    rest = np.ones(same.size, dtype=bool)
    for a, b in runs:
        rest[a : b - 1] = False
    chance = _equal_share(same[rest])
    if chance >= 1.0 or _coarse(y[:-1][rest], resolution):
        return []
    by_chance = 0.0
    if chance > 0.0:
        by_chance = (math.log(y.size) + _UNLIKELY) / -math.log(chance)
    return [(a, b) for a, b in runs if b - a > by_chance]


def _equal_share(same: NDArray[np.bool_]) -> float:
    """Return how often neighbours are equal where they are equal most often."""
    if same.size < 64:
        return float(np.mean(same)) if same.size else 1.0
    shares = same[: same.size // 64 * 64].reshape(-1, 64).mean(axis=1)
    return float(np.percentile(shares, 95.0))


def _equal_runs(y: FloatArray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(y) != 0.0) + 1
    bounds: NDArray[np.int64] = np.concatenate([[0], edges, [y.size]])
    long = np.flatnonzero(np.diff(bounds) >= 8)
    return [(int(bounds[i]), int(bounds[i + 1])) for i in long]


def _clipped(y: FloatArray, rows: _Rows | None, step: float) -> float:
    """Return the share of readings that stand at one end, cut off there, or 0.

    Noise thins out towards its highest reading; where it was cut off many readings
    share the highest value, more than lie just below it, and their neighbours lie more
    than one step away.
    """
    found = 0.0
    for sign in (1.0, -1.0):
        if rows is None:
            top = sign * float((sign * y).max())
        else:
            ends = rows.high if sign > 0.0 else rows.low
            top = sign * float((sign * ends).max())
            if float(np.mean(ends == top)) < _CLIPPED_SHARE:
                continue
        at = y == top
        share = float(np.mean(at))
        if share < _CLIPPED_SHARE or share > 0.999:
            continue
        depth = sign * (top - y)
        below = float(np.mean((depth > 0.0) & (depth < 1.5 * step)))
        chance = math.sqrt((share + below) * y.size)
        if (share - below) * y.size < 3.0 * chance:
            continue  # few readings share an end by chance, and none lie beside it
        beside = np.flatnonzero(at[1:] != at[:-1])
        around = np.maximum(depth[beside], depth[beside + 1])
        if beside.size >= 10 and share > 2.0 * below and np.median(around) > 1.5 * step:
            found = max(found, share)
    return found


def _coarse(y: FloatArray, resolution: float) -> bool:
    """Tell whether steps hide what the pressure does: too little noise to cross them.

    Equal neighbours alone do not tell it (slow noise has many): nor may readings differ
    by more than a part of a step that lie a sixteenth of the stretch apart.
    """
    if y.size < 64:
        return False
    same = np.diff(_spread(y), axis=1) == 0.0
    if float(np.mean(same)) <= _SAME_SHARE:
        return False
    step = _smallest_step(y) or resolution
    lag = y.size // 16
    apart = (y[lag:] - y[:-lag])[:: max(1, y.size // _MANY)]
    return math.sqrt(0.5 * float(np.mean(apart**2))) < _COARSE * step


def gaps(t_s: FloatArray, start_s: float, stop_s: float) -> list[tuple[float, float]]:
    """Return stretches without a sample that are wider than usual, ends included."""
    if t_s.size < 2:
        return [(start_s, stop_s)]
    if t_s.size > _MANY:
        marks = np.append(t_s[::_ROW], t_s[-1])
        longer = np.diff(marks)
        wide = max(_GAP_S, 5.0 * float(np.median(longer[:-1])) / _ROW)
        rows = np.flatnonzero(longer > wide)
        if rows.size < 0.05 * longer.size:
            found = [(start_s, float(t_s[0]))] if t_s[0] - start_s > wide else []
            for row in rows.tolist():
                t = t_s[row * _ROW : (row + 1) * _ROW + 1]
                at = np.flatnonzero(np.diff(t) > wide)
                found += [(float(t[i]), float(t[i + 1])) for i in at]
            return found + (
                [(float(t_s[-1]), stop_s)] if stop_s - t_s[-1] > wide else []
            )
    usual = float(np.median(np.diff(t_s)))
    wide = max(_GAP_S, 5.0 * usual)
    t = np.concatenate([[start_s], t_s, [stop_s]])
    at = np.flatnonzero(np.diff(t) > wide)
    return [(float(t[i]), float(t[i + 1])) for i in at]


def stretch(
    trace: Trace,
    start_s: float,
    stop_s: float,
    resolution: float,
    *,
    noise: float | None = None,
    least: int = 8,
) -> Stretch:
    """Return the good samples between two times, and why they may be no evidence.

    Args:
        trace: a channel's samples.
        start_s: seconds from the part's start.
        stop_s: the same.
        resolution: smallest step of the reading, SI.
        noise: usual noise of the channel, SI.
        least: fewest samples that can be used.
    """
    window = trace.between(start_s, stop_s)
    n = len(window)
    good = _good(window)
    t, y = (window.t_s, window.value) if good is None else _of(window, good)
    flags = window.flags
    clipped = 0.0
    if y.size >= _MEDIAN_WIDTH:
        jumps, stuck, clipped = _seen(t, y, resolution, noise)
        if jumps.size or stuck:
            flags = np.array(flags, dtype=np.uint8)
            _mark(flags, good, jumps, stuck)
            good = np.asarray((flags == 0) & np.isfinite(window.value))
            t, y = _of(window, good)
    found_gaps = gaps(t, start_s, stop_s)
    left_out = _left_out(window, flags, good)
    trouble = _trouble(
        trace.channel,
        (start_s, stop_s),
        n,
        t.size,
        left_out,
        clipped,
        least,
        found_gaps,
    )
    coarse = None
    if _coarse(y, resolution):
        coarse = Reason.of("resolution_too_coarse", channel=trace.channel)
    used = int(t.size)
    t, y = _means(t, y)
    return Stretch(
        trace.channel,
        start_s,
        stop_s,
        t,
        y,
        used,
        n - used,
        tuple(found_gaps),
        trouble,
        tuple((name, count) for name, count in left_out.items() if count),
        coarse,
        used / t.size if t.size else 1.0,
    )


def _left_out(
    window: Trace, flags: NDArray[np.uint8], good: NDArray[np.bool_] | None
) -> dict[str, int]:
    """Return how many samples of each class are not used."""
    counts = dict.fromkeys(CLASSES, 0)
    counts["repeated"] = int(window.repeated_s.size)
    counts["backward"] = int(window.backward_s.size)
    if good is None:
        return counts
    bad = flags[~good]
    for name, flag in _FLAG_OF.items():
        counts[name] = int(np.count_nonzero(bad & np.uint8(flag)))
    counts["no_number"] = int(np.count_nonzero(bad == 0))
    return counts


def _trouble(
    channel: str,
    window: tuple[float, float],
    n: int,
    usable: int,
    left_out: dict[str, int],
    clipped: float,
    least: int,
    found_gaps: list[tuple[float, float]],
) -> Reason | None:
    """Return why the samples of a window are no evidence, the plainest cause first."""

    def share(count: float, of: int = n) -> str:
        return f"{100.0 * count / max(1, of):.1f} %"

    backward = left_out["backward"]
    if backward > _BAD_SHARE * (n + backward):
        return Reason.of(
            "time_not_rising", channel=channel, share=share(backward, n + backward)
        )
    if n == 0:
        return Reason.of("too_few_samples", channel=channel, found=0, needed=least)
    if left_out["saturated"]:
        return Reason.of(
            "samples_saturated", channel=channel, share=share(left_out["saturated"])
        )
    if left_out["stuck"] > _STUCK_SHARE * n:
        return Reason.of(
            "samples_stuck", channel=channel, share=share(left_out["stuck"])
        )
    if clipped:
        return Reason.of(
            "samples_clipped", channel=channel, share=f"{100.0 * clipped:.1f} %"
        )
    if n - usable > _BAD_SHARE * n:
        return Reason.of("samples_bad", channel=channel, share=share(n - usable))
    if usable < least:
        return Reason.of("too_few_samples", channel=channel, found=usable, needed=least)
    longest = max(_GAP_S, _GAP_SHARE * (window[1] - window[0]))
    wide = [gap for gap in found_gaps if gap[1] - gap[0] > longest]
    if wide:
        a, b = max(wide, key=lambda gap: gap[1] - gap[0])
        return Reason.of(
            "gap_in_window", channel=channel, start_s=f"{a:.1f}", stop_s=f"{b:.1f}"
        )
    return None


def _means(t: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return means over equal short times of very many samples, others as they are."""
    if t.size <= _MANY:
        return t, y
    start, span = float(t[0]), float(t[-1] - t[0])
    period = span / (t.size - 1)
    width = next((w for w in _MEAN_S if span / w >= _MANY), 0.0)
    if width < _LEAST_IN_MEAN * period:
        return t, y
    # from half a period before, so that no sample lies on an edge
    edges = start - 0.5 * period + width * np.arange(int(span / width) + 2)
    line = start + period * np.arange(0, t.size, _ROW)
    even = bool(np.abs(t[::_ROW] - line).max() < 0.25 * period)
    if even:
        first = np.ceil((edges - start) / period - 1e-6).astype(np.int64)
        first = np.unique(np.maximum(first, 0))
    else:
        first = np.unique(np.searchsorted(t, edges))
    first = first[first < t.size]
    stop = np.append(first[1:], t.size)
    if even:
        times = 0.5 * (t[first] + t[stop - 1])
    else:
        times = start + np.add.reduceat(t - start, first) / (stop - first)
    return times, np.add.reduceat(y, first) / (stop - first)
