"""What is told of one channel: the reading now, the highest of a hold, its trend.

All of it follows from the samples alone, not from how they came in blocks.
"""

from __future__ import annotations

import math

import numpy as np

from records.rig import Channel
from records.trace import Flag, Trace

from ..history import History

NOW_S = 0.5  # the reading now is the mean over so long
STALE_S = 1.0
TREND_S = 30.0
SHORTEST_TREND_S = 10.0
RATE_S = 10.0
_GONE = Flag.MISSING | Flag.LATE | Flag.DEVICE


class Live:
    """One channel while a test runs.

    Args:
        channel: as the rig declares it. period_s: time asked for between readings.
    """

    def __init__(self, channel: Channel, period_s: float) -> None:
        self.channel = channel
        self.history = History()
        self.missing = 0
        self._period_s = period_s
        self._last_s: float | None = None
        self._hold_s: float | None = None
        self._second = 0
        self._sum = 0.0
        self._count = 0
        self._highest: float | None = None

    def add(self, trace: Trace) -> None:
        """Take new samples."""
        if not len(trace):
            return
        self.missing += int(np.sum((trace.flags & np.uint8(_GONE)) != 0))
        times = (
            trace.t_s if self._last_s is None else np.append(self._last_s, trace.t_s)
        )
        gaps = np.diff(times) / self._period_s
        # A reading that came late fills the next place; only whole ones are missing.
        self.missing += int(np.sum(np.floor(gaps[gaps >= 2.0] + 0.5) - 1.0))
        self._last_s = float(trace.t_s[-1])
        self.history.add(trace)
        if self._hold_s is not None:
            good = trace.good()
            self._look_for_highest(good.t_s.tolist(), good.value.tolist())

    def hold_from(self, start_s: float | None) -> None:
        """Begin to look for the highest of a hold, from a time that may be past."""
        self._hold_s = start_s
        self._second, self._sum, self._count, self._highest = 0, 0.0, 0, None
        if start_s is not None:
            t, value = self.history.between(start_s, math.inf)
            good = np.isfinite(value)
            self._look_for_highest(t[good].tolist(), value[good].tolist())

    def _look_for_highest(self, times: list[float], values: list[float]) -> None:
        assert self._hold_s is not None
        for t, value in zip(times, values, strict=True):
            if t < self._hold_s:
                continue
            second = int(t - self._hold_s)
            if second != self._second:
                self._close_second()
                self._second = second
            self._sum += value
            self._count += 1

    def _close_second(self) -> None:
        if self._count:
            mean = self._sum / self._count
            if self._highest is None or mean > self._highest:
                self._highest = mean
        self._sum, self._count = 0.0, 0

    @property
    def highest(self) -> float | None:
        """Highest whole second's mean of the hold, SI."""
        return self._highest

    def now(self, at_s: float) -> float | None:
        """Return the reading at a time, or None where nothing good is at hand."""
        t, value = self.history.between(at_s - STALE_S, at_s)
        good = np.isfinite(value)
        if not good.any():
            return None
        late = good & (t >= float(t[good][-1]) - NOW_S)
        return float(np.mean(value[late]))

    def trend(self, from_s: float, to_s: float) -> float | None:
        """Return the change per second over a stretch, SI; None while it is short."""
        t, value = self.history.between(from_s, to_s)
        good = np.isfinite(value)
        if good.sum() < 8 or t[good][-1] - t[good][0] < SHORTEST_TREND_S:
            return None
        centred = t[good] - float(np.mean(t[good]))
        return float(np.dot(centred, value[good]) / np.dot(centred, centred))

    def rate(self, at_s: float) -> float:
        """Return how many readings a second came over the last ten seconds."""
        t, _ = self.history.between(at_s - RATE_S, at_s)
        span = float(t[-1] - t[0]) if t.size > 1 else 0.0
        return (t.size - 1) / span if span > 0.0 else 0.0
