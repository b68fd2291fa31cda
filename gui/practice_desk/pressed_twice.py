"""A press that counts only when it is made twice, as what can't be taken back."""

from __future__ import annotations

from collections.abc import Callable

from ..bench_desk.presenter import STOP_AGAIN_S, STOP_FORGETS_S


class PressedTwice:
    """Asks at the first press, and forgets it after a while.

    Args:
        clock: seconds, only ever forward.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._first_s: float | None = None

    @property
    def asked(self) -> bool:
        """A first press stands."""
        first = self._first_s
        return first is not None and self._clock() - first <= STOP_FORGETS_S

    def press(self) -> bool:
        """Take a press; return whether it is the second one, and not by a bounce."""
        if self._first_s is None or not self.asked:
            self._first_s = self._clock()
            return False
        if self._clock() - self._first_s < STOP_AGAIN_S:
            return False
        self._first_s = None
        return True

    def forget(self) -> bool:
        """Forget a first press; return whether one stood."""
        stood, self._first_s = self.asked, None
        return stood

    def ran_out(self) -> bool:
        """Tell once that a first press was forgotten by itself."""
        if self._first_s is None or self.asked:
            return False
        self._first_s = None
        return True
