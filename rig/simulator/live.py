"""Lets a simulated rig's time run with the wall clock, and answers from it."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Sequence
from typing import Protocol

from records.rig import RegisterTable
from rig.wire.modbus_server import DeviceException

from .registermap import Wired
from .wirefaults import Timetable

_MOST_BEHIND_S = 0.25  # wall time; more can't be caught up without a client waiting
_AHEAD_S = 0.2  # rig time beyond the last reading
_WAITS_S = 8.0  # wall time after which nobody is taken to be reading any more


class TimedBank(Protocol):
    """A simulated rig; see :class:`~.devices.SimulatedRig`."""

    wired: tuple[Wired, ...]
    input_count: int

    @property
    def t_s(self) -> float:
        """Rig time."""

    def advance_to(self, t_s: float) -> None:
        """Let rig time go on."""

    def restart_clock(self) -> None:
        """Let the clock register begin at zero."""

    def read(self, table: RegisterTable, address: int, count: int) -> tuple[int, ...]:
        """Return registers."""

    def write(self, address: int, words: Sequence[int]) -> None:
        """Take a valve position."""


class LiveRig:
    """A simulated rig whose time runs from the first request on.

    It runs ``multiple`` times as fast as the wall clock, or slower where the computer
    or the reader can't keep up; the clock register tells. Several servers may ask it.

    Args:
        rig: what is served. multiple: see above. clock: wall clock, monotonic seconds.
        timetable: faults of the wire; the device's own part of them is done here.
    """

    def __init__(
        self,
        rig: TimedBank,
        multiple: float,
        clock: Callable[[], float],
        timetable: Timetable,
    ) -> None:
        self._rig = rig
        self._multiple = multiple
        self._clock = clock
        self._timetable = timetable
        self._reboots = sorted(timetable.reboots())
        self._lock = threading.RLock()
        self._anchor: tuple[float, float] | None = None
        self._read_at = -math.inf  # when it was last read, wall time
        self._read_to = 0.0  # up to where, rig time
        self._streams = False  # lines that it sends by itself move its time

    @property
    def t_s(self) -> float:
        """Rig time."""
        return self._rig.t_s

    @property
    def wired(self) -> tuple[Wired, ...]:
        """The transducers, as they stand in the registers."""
        return self._rig.wired

    @property
    def input_count(self) -> int:
        """How many input registers there are."""
        return self._rig.input_count

    def read(self, table: RegisterTable, address: int, count: int) -> tuple[int, ...]:
        """Answer a request.

        Raises:
            LookupError: a register that does not exist.
            DeviceException: the timetable wants one.
        """
        with self._lock:
            self._catch_up()
            self._read_at, self._read_to = self._clock(), self._rig.t_s
            code = self._timetable.exception(self._rig.t_s)
            if code is not None:
                raise DeviceException(code)
            return self._rig.read(table, address, count)

    def write(self, address: int, words: Sequence[int]) -> None:
        """Take a valve position."""
        with self._lock:
            self._catch_up()
            self._rig.write(address, words)

    def tick(self) -> None:
        """Keep time between requests."""
        with self._lock:
            if self._anchor is not None:
                self._catch_up()

    def due_s(self, ahead_s: float = math.inf) -> float:
        """Start time if it does not run, and return where it should be by now.

        Args:
            ahead_s: how far on it may go before the reader takes more; what it waits is
                not made up for. A reader that takes nothing for long is none.
        """
        with self._lock:
            now, at = self._clock(), self._rig.t_s
            if self._anchor is None:
                self._anchor = (now, at)
            wall, rig = self._anchor
            due = min(
                rig + (now - wall) * self._multiple,
                at + _MOST_BEHIND_S * self._multiple,
            )
            self._streams = True
            if ahead_s > 0.0:
                self._read_at = now
            if self._multiple > 1.0 and now - self._read_at < _WAITS_S:
                most = max(at + ahead_s, at)
                if due > most:
                    due = most
                    self._anchor = (now, due)
            return due

    def read_at(self, t_s: float) -> tuple[int, ...]:
        """Go on to a rig time and return all input registers of that moment."""
        with self._lock:
            self._go_on(t_s)
            return self._rig.read("input", 0, self._rig.input_count)

    def _catch_up(self) -> None:
        if self._streams:
            return
        now = self._clock()
        if self._anchor is None:
            self._anchor = (now, self._rig.t_s)
        wall, rig = self._anchor
        aim = rig + (now - wall) * self._multiple
        most = self._rig.t_s + _MOST_BEHIND_S * self._multiple
        waits = self._multiple > 1.0 and now - self._read_at < _WAITS_S
        if waits and not self._timetable.is_mute(self._rig.t_s):
            # Faster than real time it waits for its reader: a stall of a few hundredths
            # of a second on the computer is no gap of seconds on the bench. While it
            # answers nobody, nobody reads.
            most = min(most, self._read_to + _AHEAD_S)
        if aim > most:
            aim = max(most, self._rig.t_s)
            self._anchor = (now, aim)
        self._go_on(aim)

    def _go_on(self, t_s: float) -> None:
        while self._reboots and self._reboots[0] <= t_s:
            self._rig.advance_to(self._reboots.pop(0))
            self._rig.restart_clock()
        self._rig.advance_to(t_s)
