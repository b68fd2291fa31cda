"""The simulated rig as a device that speaks in lines of text.

A line is the clock in microseconds and one number for each transducer, with a check at
its end: the exclusive or of the bytes before the star, as NMEA 0183 has it.
"""

from __future__ import annotations

from collections.abc import Sequence

from records.rig import RegisterTable
from rig.wire.byte_server import Pieces
from rig.wire.modbus_server import DeviceException
from rig.wire.registers import decode

from .live import LiveRig
from .registermap import CLOCK_ADDRESS, WIRED, Wired
from .wirefaults import Timetable

ASK = "R"  # what asks for a line
END = "\r\n"
TABLE: RegisterTable = "input"
_MOST_WAITING = 4096
_MOST_LINES = 16  # that nobody has taken yet; a terminal holds some sixty


def decimals(wired: Wired) -> int:
    """Return how many places after the point a number of that transducer has."""
    return {"Pa": 1, "kPa": 4}.get(wired.unit, 3)


def pattern(wired: Sequence[Wired] = WIRED) -> str:
    """Return the regular expression that such a line fits."""
    numbers = " ".join(rf"(?P<{w.make.role}>-?\d+\.\d+)" for w in wired)
    return rf"(?P<checked>(?P<clock>\d+) {numbers})\*(?P<check>[0-9A-F]{{2}})"


def line(words: Sequence[int], wired: Sequence[Wired] = WIRED) -> bytes:
    """Return the line for the input registers of one moment."""
    clock = decode(words[CLOCK_ADDRESS : CLOCK_ADDRESS + 4], "uint64", "ABCD")
    numbers = []
    for one in wired:
        taken = words[one.address : one.address + 2]
        number = decode(taken, one.type, one.order) * one.scale
        numbers.append(f"{number:.{decimals(one)}f}")
    return checked(f"{clock} {' '.join(numbers)}")


def checked(body: str) -> bytes:
    """Return a line with its check and end."""
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"{body}*{total:02X}{END}".encode()


class PolledLines:
    """Answers each request with one line."""

    def __init__(self, live: LiveRig, timetable: Timetable) -> None:
        self._live = live
        self._timetable = timetable
        self._data = b""

    def took(self, data: bytes) -> Pieces:
        """Take bytes that came, return what to send for them."""
        *asked, self._data = (self._data + data)[-_MOST_WAITING:].split(b"\n")
        pieces: list[tuple[float, bytes]] = []
        for request in asked:
            if request.strip() != ASK.encode():
                continue
            try:
                words = self._live.read(TABLE, 0, self._live.input_count)
                answer = line(words, self._live.wired)
            except DeviceException:
                answer = b"ERROR" + END.encode()
            pieces += self._timetable.pieces(request + b"\n", answer, self._live.t_s)
        return pieces

    def tick(self, untaken: int) -> Pieces | None:
        """Let time go on."""
        self._live.tick()
        return ()


class StreamedLines:
    """Sends a line each period by itself; rig time runs from the first look on.

    Faster than real time it waits for whoever reads, as the rig does that is asked:
    lines that nobody has taken yet hold it up.
    """

    def __init__(self, live: LiveRig, timetable: Timetable, period_s: float) -> None:
        self._live = live
        self._timetable = timetable
        self._period_s = period_s
        self._number = 0
        self._longest = 0

    def took(self, data: bytes) -> Pieces:
        """Nothing that is said to it matters."""
        return ()

    def tick(self, untaken: int) -> Pieces | None:
        """Return the lines whose time has come."""
        pieces: list[tuple[float, bytes]] = []
        now = self._live.due_s(
            ahead_s=self._period_s * (_MOST_LINES - untaken // max(self._longest, 1))
        )
        while (self._number + 1) * self._period_s <= now:
            self._number += 1
            at = self._number * self._period_s
            words = self._live.read_at(at)
            said = line(words, self._live.wired)
            self._longest = max(self._longest, len(said))
            pieces += self._timetable.pieces(b"", said, at)
        return pieces
