"""What is wrong with samples that wire and range can't know: stuck, jumps, gaps.

Nothing is changed or filled in: samples get flags, and a stretch says what it holds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
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


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """The usable samples of a channel between two times.

    Attributes:
        channel: id. start_s, stop_s: what was asked for.
        t_s, value: shape (n,), good samples, SI.
        used, dropped: how many were good, and how many were not.
        gaps: start and stop of stretches without a good sample, wider than usual.
        trouble: why it is no evidence, or None.
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

    @property
    def width_s(self) -> float:
        """Time from the first to the last good sample."""
        return float(self.t_s[-1] - self.t_s[0]) if self.t_s.size else 0.0


def usual_noise(trace: Trace) -> float:
    """Return the standard deviation of a sample from second differences, SI."""
    good = trace.good()
    if len(good) < 8:
        return 0.0
    second = np.diff(good.value, n=2)
    return float(1.4826 * np.median(np.abs(second)) / 6.0**0.5)


def flagged(trace: Trace, resolution: float, noise: float | None = None) -> Trace:
    """Return a trace with ``STUCK`` and ``JUMP`` set where they are seen.

    A run of equal values longer than one second and than 2 % of the trace is stuck
    where the other samples scatter by more than half a step; a trace of equal values
    throughout is stuck where the channel usually shows noise. A jump is a sample that
    lies far from the running median of eleven (Hampel).

    Args:
        trace: samples of one stretch.
        resolution: smallest step of the reading, SI.
        noise: usual noise of the channel, SI, or None when not known.
    """
    flags = np.array(trace.flags, dtype=np.uint8)
    good = np.flatnonzero((trace.flags == 0) & np.isfinite(trace.value))
    if good.size < _MEDIAN_WIDTH:
        return trace
    t, y = trace.t_s[good], trace.value[good]
    step = max(resolution, smallest_step(y))
    distance = np.abs(y - running_median(y))
    # the spread of second differences is not widened by a run that stands still
    scale = max(1.4826 * float(np.median(distance)), 0.6 * step)
    flags[good[distance > _JUMP_FACTOR * scale]] |= np.uint8(Flag.JUMP)
    for start, stop in _equal_runs(y):
        longest = max(_STUCK_S, _STUCK_SHARE * float(t[-1] - t[0]))
        if t[stop - 1] - t[start] <= longest:
            continue
        rest = np.concatenate([y[:start], y[stop:]])
        if rest.size < 4:
            moves = 0.0 if noise is None else noise
        else:
            moves = float(np.std(np.diff(rest))) / 2.0**0.5
        if moves > 0.5 * step and moves > 0.0:
            flags[good[start:stop]] |= np.uint8(Flag.STUCK)
    return Trace(trace.channel, trace.t_s, trace.value, flags)


def running_median(y: FloatArray, width: int = _MEDIAN_WIDTH) -> FloatArray:
    """Return the median of each reading and its neighbours, shape as y, slope kept."""
    half = width // 2
    # turned about its ends, so that a slope goes on
    head = 2.0 * y[0] - y[half:0:-1]
    tail = 2.0 * y[-1] - y[-2 : -half - 2 : -1]
    padded = np.concatenate([head, y, tail])
    windows = sliding_window_view(padded, width)
    # on a slope the middle of a window is no median of it: take its slope out first
    slope = np.median(windows[:, half + 1 :], axis=1) - np.median(
        windows[:, :half], axis=1
    )
    place = (np.arange(width) - half) / (half + 1.0)
    return np.asarray(np.median(windows - slope[:, None] * place[None, :], axis=1))


def _equal_runs(y: FloatArray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(y) != 0.0) + 1
    bounds: NDArray[np.int64] = np.concatenate([[0], edges, [y.size]])
    long = np.flatnonzero(np.diff(bounds) >= 8)
    return [(int(bounds[i]), int(bounds[i + 1])) for i in long]


def gaps(t_s: FloatArray, start_s: float, stop_s: float) -> list[tuple[float, float]]:
    """Return stretches without a sample that are wider than usual, ends included."""
    if t_s.size < 2:
        return [(start_s, stop_s)]
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
    window = flagged(trace.between(start_s, stop_s), resolution, noise)
    bad = (window.flags != 0) | ~np.isfinite(window.value)
    keep = ~bad
    t, y = window.t_s[keep], window.value[keep]
    found_gaps = gaps(t, start_s, stop_s)
    n, dropped = len(window), int(bad.sum())

    def share(flag: Flag) -> float:
        return float(np.mean((window.flags & flag) != 0)) if n else 0.0

    trouble: Reason | None = None
    facts = {"channel": trace.channel}
    if n == 0:
        trouble = Reason.of("too_few_samples", **facts, found=0, needed=least)
    elif share(Flag.SATURATED) > 0.0:
        trouble = Reason.of(
            "samples_saturated", **facts, share=f"{100 * share(Flag.SATURATED):.1f} %"
        )
    elif share(Flag.STUCK) > _STUCK_SHARE:
        trouble = Reason.of(
            "samples_stuck", **facts, share=f"{100 * share(Flag.STUCK):.1f} %"
        )
    elif dropped > _BAD_SHARE * n:
        trouble = Reason.of("samples_bad", **facts, share=f"{100 * dropped / n:.1f} %")
    elif t.size < least:
        trouble = Reason.of("too_few_samples", **facts, found=t.size, needed=least)
    elif any(
        b - a > max(_GAP_S, _GAP_SHARE * (stop_s - start_s)) for a, b in found_gaps
    ):
        a, b = max(found_gaps, key=lambda gap: gap[1] - gap[0])
        trouble = Reason.of(
            "gap_in_window", **facts, start_s=f"{a:.1f}", stop_s=f"{b:.1f}"
        )
    return Stretch(
        trace.channel,
        start_s,
        stop_s,
        t,
        y,
        int(t.size),
        dropped,
        tuple(found_gaps),
        trouble,
    )
