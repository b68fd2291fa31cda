"""An instrument's own clock made into one time that only goes forward.

A clock may turn over (a 32-bit counter of microseconds does so every 71 minutes), start
again (the device was rebooted) or be set. None of that is time that passed on the
bench, so the recorder's time goes on without it, and what was shifted by how much is
told, so that the clock's own figure can be had back.
"""

from __future__ import annotations

from dataclasses import dataclass

BACK_NS = 1_000_000_000  # going back by less is an older answer, not a new start
AHEAD_NS = 5_000_000_000  # going ahead of the host by more is no passing of time
NEAR_NS = 100_000_000  # a guess may be ahead of the clock by so much
_SLACK = 0.5  # share by which the two clocks may differ over a stretch
_SLACK_NS = 500_000_000


@dataclass(frozen=True, slots=True)
class Shift:
    """The clock was found elsewhere than time had got to.

    Attributes:
        what: ``clock_turned`` (began at zero again, as declared) or ``clock_set``.
        t_ns: recorder's time at which. shift_ns: to subtract from recorded times from
            there on, to get the clock's own.
    """

    what: str
    t_ns: int
    shift_ns: int


class DeviceClock:
    """Places the readings of one instrument in time.

    Args:
        turn_ns: length of one turn of the clock; 0 for one that never turns over.
    """

    def __init__(self, turn_ns: float = 0.0) -> None:
        self.shift_ns = 0
        self.shifts: list[Shift] = []
        self.last_ns: int | None = None  # recorder's time of the newest reading
        self._turn_ns = round(turn_ns)
        self.host_ns = 0  # host time of the newest reading
        self._floor_ns = 0  # up to where time is already told
        self._odd: tuple[int, int] | None = None  # a clock that may have been set

    def guess(self, host_ns: int) -> int:
        """Return the time at which nothing was read, from the host's clock."""
        assert self.last_ns is not None
        guessed = self.last_ns + max(host_ns - self.host_ns, 1)
        self._floor_ns = max(guessed, self._floor_ns + 1)
        return self._floor_ns

    def place(self, t_ns: int, host_ns: int) -> tuple[int, bool]:
        """Return the recorder's time of a reading, and whether the reading is new.

        Args:
            t_ns: the instrument's clock.
            host_ns: the host's, at the same reading.
        """
        if self.last_ns is None:
            return self._took(t_ns, host_ns), True
        t = t_ns + self.shift_ns
        elapsed = host_ns - self.host_ns
        ahead = t - self.last_ns
        most = elapsed + round(_SLACK * elapsed) + AHEAD_NS
        if 0 < ahead <= most:
            if t <= self._floor_ns - NEAR_NS:  # the guesses ran ahead of it
                return self._set(t_ns, host_ns), True
            self._odd = None
            return self._took(t, host_ns), True
        if self._turn_ns:
            turned = t + self._turn_ns
            off = abs(turned - self.last_ns - elapsed)
            if turned > self._floor_ns and off <= _SLACK * elapsed + _SLACK_NS:
                return self._shift("clock_turned", t_ns, turned, host_ns), True
        if -BACK_NS < ahead <= 0 and elapsed < BACK_NS:
            return t, False
        return self._perhaps_set(t_ns, host_ns)

    def _perhaps_set(self, t_ns: int, host_ns: int) -> tuple[int, bool]:
        """Believe a clock that was set once it goes on from there like time."""
        assert self.last_ns is not None
        odd, self._odd = self._odd, (t_ns, host_ns)
        if odd is not None:
            moved, elapsed = t_ns - odd[0], host_ns - odd[1]
            if 0 < moved <= elapsed + _SLACK * elapsed + _SLACK_NS:
                return self._set(t_ns, host_ns), True
        return self.guess(host_ns), False  # after what was already told, in any case

    def _set(self, t_ns: int, host_ns: int) -> int:
        """Go on by the host's clock from where time had got to."""
        assert self.last_ns is not None
        t = max(self.last_ns + host_ns - self.host_ns, self._floor_ns + 1)
        return self._shift("clock_set", t_ns, t, host_ns)

    def _shift(self, what: str, t_ns: int, t: int, host_ns: int) -> int:
        self.shift_ns = t - t_ns
        self.shifts.append(Shift(what, t, self.shift_ns))
        self._odd = None
        return self._took(t, host_ns)

    def _took(self, t: int, host_ns: int) -> int:
        self.last_ns = self._floor_ns = t
        self.host_ns = host_ns
        return t
