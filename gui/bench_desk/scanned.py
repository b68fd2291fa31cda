"""What a scanner types is told apart from what hands type. Knows no Qt.

A scanner that acts as a keyboard sends a label's signs a few milliseconds apart and
ends with Enter; hands are slower, and only by chance quick for two signs.
"""

from __future__ import annotations

import time
from collections.abc import Callable

GAP_S = 0.05  # between two signs of a scan, and before its Enter
LEAST_SIGNS = 4
# An Enter so soon after any sign may end a scan of which a busy computer saw the rest
# late: it is no press that somebody meant.
CLOSE_S = 0.1


class Burst:
    """The signs that came last, as long as they came without a pause.

    Args:
        clock: seconds, only ever forward; tests hand in their own.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._signs = ""
        self._at = float("-inf")

    def take(self, sign: str) -> bool:
        """Take a sign that was typed; return whether one came just before it."""
        now = self._clock()
        goes_on = now - self._at <= GAP_S
        self._signs = self._signs + sign if goes_on else sign
        self._at = now
        return goes_on

    @property
    def scan(self) -> str:
        """What was scanned, asked when Enter comes; "" where hands typed it."""
        whole = len(self._signs) >= LEAST_SIGNS
        return self._signs if whole and self._clock() - self._at <= GAP_S else ""

    @property
    def close(self) -> bool:
        """Whether a sign came so close before that an Enter now may be a scanner's."""
        return self._clock() - self._at <= CLOSE_S

    def forget(self) -> None:
        """Begin anew."""
        self._signs, self._at = "", float("-inf")
