"""Host clocks, all through one object, so that a test can move them."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """What the recorder needs of time; nanoseconds."""

    def monotonic_ns(self) -> int:
        """Return a time that never goes back; its zero means nothing."""

    def utc_ns(self) -> int:
        """Return the wall clock, nanoseconds since 1970-01-01 UTC."""

    def wall_ns(self, elapsed_ns: int) -> int:
        """Return how long that much of the monotonic time takes on the wall clock."""

    def sleep_until_ns(self, monotonic_ns: int) -> None:
        """Wait until the monotonic clock shows at least this time."""


class HostClock:
    """The computer's own clock.

    Args:
        multiple: how many times faster than the wall clock the rig's time runs; the
            monotonic time is scaled by it. 1 for a real rig.
    """

    def __init__(self, multiple: float = 1.0) -> None:
        self._multiple = multiple
        self._start = time.monotonic_ns()

    def monotonic_ns(self) -> int:
        """Return scaled nanoseconds since this clock was made."""
        return int((time.monotonic_ns() - self._start) * self._multiple)

    def utc_ns(self) -> int:
        """Return the wall clock (never scaled)."""
        return time.time_ns()

    def wall_ns(self, elapsed_ns: int) -> int:
        """Return unscaled nanoseconds; what a wire does takes these."""
        return int(elapsed_ns / self._multiple)

    def sleep_until_ns(self, monotonic_ns: int) -> None:
        """Sleep until the scaled time; returns at once when it has passed."""
        left = (monotonic_ns - self.monotonic_ns()) / self._multiple
        if left > 0:
            time.sleep(left * 1e-9)
