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

    When a key was pressed is asked of the system where it tells: a window that was busy
    takes keys late, and all at once.

    Args:
        clock: seconds, only ever forward, for keys whose time is not told.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self.forget()

    def forget(self) -> None:
        """Begin anew."""
        self._signs, self._at, self._taken = "", float("-inf"), float("-inf")

    def take(self, sign: str, at_s: float | None = None) -> bool:
        """Take a sign that was typed; return whether one came just before it."""
        at = self._when(at_s)
        goes_on = at - self._at <= GAP_S
        self._signs = self._signs + sign if goes_on else sign
        self._at, self._taken = at, self._clock()
        return goes_on

    def scan(self, at_s: float | None = None) -> str:
        """Return what was scanned where Enter comes now; "" where hands typed it."""
        whole = len(self._signs) >= LEAST_SIGNS
        return self._signs if whole and self._when(at_s) - self._at <= GAP_S else ""

    def close(self, at_s: float | None = None) -> bool:
        """Tell whether an Enter now comes so close that it may be a scanner's."""
        return self._when(at_s) - self._at <= CLOSE_S

    @property
    def on(self) -> bool:
        """Whether a sign was taken only just now, whenever its key was pressed."""
        return self._clock() - self._taken <= CLOSE_S

    def _when(self, at_s: float | None) -> float:
        return self._clock() if at_s is None else at_s
