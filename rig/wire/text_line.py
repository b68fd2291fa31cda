"""Instruments that speak in lines of text: asked for one, or talking by themselves.

A line has no number either that ties it to a request, so the same care is taken as on
a Modbus bus: after a request that was given up, its late line is waited out, and a line
too many tells that the one taken before it was an older one.
"""

from __future__ import annotations

import time

from records.errors import RigError

from .counts import WireCounts
from .serial_port import PortLost, SerialPort

_MOST = 1 << 20  # bytes taken at one look
_LONGEST = 4096  # bytes without an end of line that are no line any more
_PIECE = 2048  # as much at once is a backlog, and more of it may be on its way
_NEXT_PIECE_S = 0.005  # the system needs to bring the next one


class LinePort:
    """Lines from a serial port that nobody else uses.

    Args:
        port: the port. end: what ends a line.
        timeout_s: longest wait for a line.
        instrument: the instrument's id, for the error.
    """

    def __init__(
        self, port: SerialPort, end: bytes, timeout_s: float, instrument: str
    ) -> None:
        self.port = port
        self.counts = WireCounts()
        self._end = end
        self._timeout_s = timeout_s
        self._instrument = instrument
        self._rest = b""
        self._whole = False  # the next line is seen from its beginning
        self._last = b""
        self._heard_s = time.monotonic()
        self._given_up_s = 0.0
        self._behind = False

    def ask(self, request: bytes) -> bytes:
        """Send a request and return the line that answers it, without its end.

        Raises:
            RigError: no connection, no line in time, or one that broke off.
        """
        start = time.monotonic()
        try:
            self._open()
            self._settle()
            self.port.write(request)
            return self._answer(request.strip(), start)
        except PortLost as error:
            raise self.error("instrument_no_connection", start, why=error) from error

    def new_lines(self) -> list[bytes]:
        """Return the lines that came by themselves, oldest first, without their ends.

        Raises:
            RigError: no connection, or no line for longer than the timeout.
        """
        start = time.monotonic()
        try:
            if self._open():
                self._heard_s = start
            data = self._waiting_bytes()
        except PortLost as error:
            raise self.error("instrument_no_connection", start, why=error) from error
        lines = self._cut(data)
        if lines:
            self._heard_s = time.monotonic()
        elif time.monotonic() - self._heard_s > self._timeout_s:
            self.counts["silent"] += 1
            raise self.error("instrument_silent", self._heard_s)
        return lines

    def _waiting_bytes(self) -> bytes:
        """Return all that has come; the system hands a backlog over in pieces."""
        data, piece = b"", 0
        while len(data) < _MOST:
            waiting = self.port.waiting()
            if not waiting and piece >= _PIECE:
                time.sleep(_NEXT_PIECE_S)
                waiting = self.port.waiting()
            if not waiting:
                break
            # over the network 1 means some
            more = self.port.read(waiting if waiting > 1 else _LONGEST)
            piece = len(more)
            data += more
        return data

    def was_behind(self) -> bool:
        """Tell, once, whether the last answer turned out to be a late one."""
        behind, self._behind = self._behind, False
        return behind

    def close(self) -> None:
        """Let go of the port."""
        self.port.close()

    def error(self, id: str, start: float, **facts: object) -> RigError:
        """Return an error with the instrument's place."""
        port = self.port.line.port
        return RigError(
            id,
            where=self._instrument,
            instrument=self._instrument,
            at=port,
            port=port,
            waited_s=f"{time.monotonic() - start:.1f}",
            **facts,
        )

    def _open(self) -> bool:
        if self.port.is_open:
            return False
        self._rest, self._whole = b"", False
        self.port.open()
        if self.port.opened > 1:
            self.counts["reopened"] += 1
        return True

    def _cut(self, data: bytes) -> list[bytes]:
        """Return the whole lines in what came, keeping the rest for later."""
        if not data and self._end not in self._rest:
            return []
        *lines, self._rest = (self._rest + data).split(self._end)
        if lines and not self._whole:
            self._whole = True
            del lines[0]  # it began before we listened
        if len(self._rest) > _LONGEST:
            self.counts["garbled"] += 1
            self._rest, self._whole = b"", False
        return [line.strip(b"\r\n") for line in lines]

    def _settle(self) -> None:
        """Take what came unasked, and wait out a line that is still owed."""
        self._whole = True
        owed, self._given_up_s = self._given_up_s, 0.0
        now = time.monotonic()
        if not (self._rest or owed or self.port.waiting()):
            return
        most = now + 3.0 * self._timeout_s + 1.0
        lines: list[bytes] = []
        while now < most:
            more = self.port.read(_LONGEST)
            lines += self._cut(more)
            now = time.monotonic()
            if not more and (now >= owed or lines):
                break
        for line in lines:
            if owed:
                self.counts["late"] += 1
                owed = 0.0
            elif line == self._last:
                self.counts["duplicate"] += 1
            else:
                self.counts["late"] += 1
                self._behind = True
        self.counts["stray"] += len(self._rest)
        self._rest = b""

    def _answer(self, request: bytes, start: float) -> bytes:
        deadline = time.monotonic() + self._timeout_s
        while True:
            more = self.port.read(max(1, self.port.waiting()))
            lines = self._cut(more)
            while lines and lines[0] == request:
                self.counts["echo"] += 1
                del lines[0]
            if lines:
                self._last = lines[0]
                # More than one line: told apart before the next request.
                later = [*lines[1:], self._rest]
                self._rest = self._end.join(later)
                return lines[0]
            if time.monotonic() >= deadline:
                break
        self._given_up_s = time.monotonic() + self._timeout_s
        if self._rest:
            self.counts["partial"] += 1
            size = len(self._rest)
            why = f"the line broke off after {size} bytes"
            raise self.error("instrument_wrong_answer", start, why=why)
        self.counts["silent"] += 1
        raise self.error("instrument_silent", start)
