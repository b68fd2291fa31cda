"""A clock for tests that do not wait."""

from __future__ import annotations


class StepClock:
    """Time passes by sleeping only, so as fast as the computer can."""

    def __init__(self, now_ns: int = 0) -> None:
        self.now_ns = now_ns

    def monotonic_ns(self) -> int:
        return self.now_ns

    def utc_ns(self) -> int:
        return self.now_ns

    def wall_ns(self, elapsed_ns: int) -> int:
        return elapsed_ns

    def sleep_until_ns(self, monotonic_ns: int) -> None:
        self.now_ns = max(self.now_ns, monotonic_ns)
