"""The client end of Modbus RTU: one bus, several devices, each only ever read.

Source: Modbus over serial line specification V1.02 and Modbus application protocol
specification V1.1b3.

RTU has no number that ties an answer to its request. So nothing is taken for an answer
but a frame from the device that was asked, of the function and the number of registers
that were asked for, with a fitting CRC. After a request that was given up the same
device is not asked again until its late answer has come or can't be expected any more.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import NoReturn

from records.errors import RigError
from records.rig import RegisterTable

from .counts import WireCounts
from .modbus import MOST_REGISTERS
from .registers import named
from .rtu_frame import (
    EXCEPTION_SIZE,
    LONGEST,
    OVERHEAD,
    REQUEST_SIZE,
    Found,
    fits,
    frames_in,
    gap_s,
    read_request,
    registers,
)
from .serial_port import SLICE_S, PortLost, SerialPort, is_network

RETRIES = 1  # at once, after an answer that was broken on the way
_MOST_BYTES = 4 * LONGEST  # a line that says more without pause is never quiet


class _Broken(Exception):
    """No answer that could be taken.

    Attributes:
        kind: of ``WireCounts``. why: for the person. again: worth asking at once.
    """

    def __init__(self, kind: str, why: str, *, again: bool = False) -> None:
        super().__init__(why)
        self.kind = kind
        self.why = why
        self.again = again


class _Refused(Exception):
    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


@dataclass(frozen=True, slots=True)
class _Ask:
    """One request and what would answer it."""

    request: bytes
    device: int
    function: int
    count: int

    @property
    def size(self) -> int:
        """Number of bytes of the reply."""
        return OVERHEAD + 2 * self.count

    def is_answer(self, found: Found) -> bool:
        """Tell whether a frame is the reply that was asked for."""
        head = bytes((self.device, self.function, 2 * self.count))
        return found.kind == "reply" and found.frame.startswith(head)

    def is_refusal(self, found: Found) -> bool:
        """Tell whether a frame is the device's exception to this request."""
        head = bytes((self.device, self.function | 0x80))
        return found.kind == "exception" and found.frame.startswith(head)


@dataclass(slots=True)
class _Heard:
    """What the bus remembers of one device."""

    last: bytes = b""  # its last accepted reply
    given_up_s: float = 0.0  # until when the answer to a request given up may come
    behind: bool = False  # its last reply belonged to the request before


@dataclass(slots=True)
class RtuBus:
    """A serial port with one or more devices, asked in turn.

    Attributes:
        port: the port. gap_s: silence kept before each request.
    """

    port: SerialPort
    gap_s: float = 0.0
    _heard: dict[int, _Heard] = field(default_factory=dict)
    _request: bytes = b""
    _quiet_from_s: float = 0.0
    _echoes: bool = False
    _rest: bytes = b""

    def __post_init__(self) -> None:
        """Take the gap from the baud rate; a network has its own pauses."""
        if not is_network(self.port.line.port):
            self.gap_s = gap_s(self.port.line.baud)

    def exchange(self, ask: _Ask, timeout_s: float, counts: WireCounts) -> bytes:
        """Return the whole reply to a request.

        Raises:
            RigError: the port can't be opened. PortLost: it went away.
            _Broken, _Refused: see there.
        """
        if not self.port.is_open:
            self._rest, self._echoes = b"", False
            self.port.open()
            if self.port.opened > 1:
                counts["reopened"] += 1
        self._settle(ask, timeout_s, counts)
        left = self._quiet_from_s + self.gap_s - time.monotonic()
        if left > 0:
            time.sleep(left)
        self.port.write(ask.request)
        self._request = ask.request
        heard = self._heard.setdefault(ask.device, _Heard())
        deadline = time.monotonic() + timeout_s
        data = b""
        if not self._echoes:
            data = self._read_to(b"", EXCEPTION_SIZE, deadline)
            if data[:3] == bytes((ask.device, ask.function, 2 * ask.count)):
                data = self._read_to(data, ask.size, deadline)
                if len(data) == ask.size and fits(data):
                    heard.last = data
                    return data
            elif data[:2] == bytes((ask.device, ask.function | 0x80)) and fits(data):
                counts["refused"] += 1
                raise _Refused(data[2])
        return self._search(data, ask, deadline, timeout_s, counts)

    def was_behind(self, device: int) -> bool:
        """Tell, once, whether a device's last reply turned out to be a late one."""
        heard = self._heard.setdefault(device, _Heard())
        behind, heard.behind = heard.behind, False
        return behind

    def _read_to(self, data: bytes, size: int, deadline: float) -> bytes:
        """Return data grown to a size, or to what has come by the deadline."""
        while len(data) < size:
            more = self.port.read(size - len(data))
            now = time.monotonic()
            if more:
                data += more
                self._quiet_from_s = now
            elif now >= deadline:
                break
            elif data:
                break  # a pause inside a frame: looked at byte by byte
        return data

    def _search(
        self,
        data: bytes,
        ask: _Ask,
        deadline: float,
        timeout_s: float,
        counts: WireCounts,
    ) -> bytes:
        """Find the reply among whatever else comes until the deadline."""
        pieces = 1 if data else 0
        while True:
            found = frames_in(data, ask.request)
            for one in found:
                if ask.is_answer(one) or ask.is_refusal(one):
                    return self._picked(one, data, found, ask, pieces, counts)
            spare = len(data) - sum(len(one.frame) for one in found)
            now = time.monotonic()
            paused = now - self._quiet_from_s > max(self.gap_s, 1.5 * SLICE_S)
            broken = spare >= ask.size and paused
            if now >= deadline or broken or len(data) > _MOST_BYTES:
                self._give_up(data, found, spare, ask, now, timeout_s, counts)
            more = self.port.read(max(ask.size, EXCEPTION_SIZE))
            if more:
                # what the operating system hands over in two reads is no split frame
                pieces += paused
                data += more
                self._quiet_from_s = time.monotonic()

    def _picked(
        self,
        one: Found,
        data: bytes,
        found: list[Found],
        ask: _Ask,
        pieces: int,
        counts: WireCounts,
    ) -> bytes:
        before = [f for f in found if f.start < one.start]
        self._count_others(before, ask, counts)
        counts["stray"] += one.start - sum(len(f.frame) for f in before)
        counts["split"] += pieces > 1
        self._rest = data[one.start + len(one.frame) :]
        heard = self._heard.setdefault(ask.device, _Heard())
        if one.kind == "exception":
            counts["refused"] += 1
            raise _Refused(one.frame[2])
        heard.last = one.frame
        return one.frame

    def _count_others(
        self, found: list[Found], ask: _Ask | None, counts: WireCounts
    ) -> None:
        """Count frames that answer nothing that is asked now."""
        for one in found:
            if one.kind == "echo":
                counts["echo"] += 1
                self._echoes = True
                continue
            heard = self._heard.setdefault(one.frame[0], _Heard())
            if heard.given_up_s:
                counts["late"] += 1
                heard.given_up_s = 0.0
            elif ask is not None and one.frame[0] != ask.device:
                counts["wrong_device"] += 1
            elif ask is not None and one.frame[1] & 0x7F != ask.function:
                counts["wrong_function"] += 1
            elif ask is not None:
                counts["wrong_count"] += 1
            elif one.frame == heard.last:
                counts["duplicate"] += 1
            else:
                # One answer too many, and not the same: the one that was taken
                # before it belonged to an earlier request.
                counts["late"] += 1
                heard.behind = True

    def _give_up(
        self,
        data: bytes,
        found: list[Found],
        spare: int,
        ask: _Ask,
        now: float,
        timeout_s: float,
        counts: WireCounts,
    ) -> NoReturn:
        before = WireCounts(counts)
        self._count_others(found, ask, counts)
        others = [kind for kind in counts if counts[kind] > before[kind]]
        heard = self._heard.setdefault(ask.device, _Heard())
        if spare >= ask.size:
            counts["crc"] += 1
            raise _Broken("crc", "its check (CRC) does not fit", again=True)
        heard.given_up_s = now + timeout_s
        if spare and data[:1] == bytes((ask.device,)):
            counts["partial"] += 1
            raise _Broken("partial", f"it broke off after {spare} bytes")
        counts["stray"] += spare
        for kind, why in (
            ("wrong_count", f"another number of registers than {ask.count}"),
            ("wrong_function", f"an answer to another function than {ask.function}"),
            ("wrong_device", f"an answer from another device than {ask.device}"),
        ):
            if kind in others:
                raise _Broken(kind, why)
        if spare:
            raise _Broken("stray", f"{spare} bytes that are no answer")
        counts["silent"] += 1
        raise _Broken("silent", "")

    def _settle(self, ask: _Ask, timeout_s: float, counts: WireCounts) -> None:
        """Take what came unasked, and wait out an answer that is still owed."""
        data, self._rest = self._rest, b""
        heard = self._heard.setdefault(ask.device, _Heard())
        now = time.monotonic()
        owed_until, most = heard.given_up_s, now + 3.0 * timeout_s + 1.0
        if not (data or owed_until or self.port.waiting()):
            return
        while now < most:
            waiting = self.port.waiting()  # over the network 1 means some
            if not waiting:
                quiet = now - self._quiet_from_s > max(self.gap_s, SLICE_S)
                paid = owed_until and any(
                    one.frame[0] == ask.device for one in frames_in(data, self._request)
                )
                if quiet and (paid or now >= owed_until):
                    break
            more = self.port.read(waiting if waiting > 1 else 1)
            now = time.monotonic()
            if more:
                data += more
                self._quiet_from_s = now
        found = frames_in(data, self._request)
        self._count_others(found, None, counts)
        counts["stray"] += len(data) - sum(len(one.frame) for one in found)
        heard.given_up_s = 0.0


class RtuLink:
    """Reads the registers of one device on a bus.

    Args:
        bus: the bus it hangs on.
        timeout_s: longest wait for an answer.
        instrument: the instrument's id, for the error.
    """

    def __init__(self, bus: RtuBus, timeout_s: float, instrument: str = "") -> None:
        self.line = bus
        self.counts = WireCounts()
        self._bus = bus
        self._timeout_s = timeout_s
        self._instrument = instrument or bus.port.line.port
        self._device = 0

    def read(
        self, table: RegisterTable, address: int, count: int, device: int
    ) -> tuple[int, ...]:
        """Return registers; see :class:`~.modbus.RegisterLink`."""
        if not 1 <= count <= MOST_REGISTERS:
            raise ValueError(f"{count} registers do not go into one answer")
        self._device = device
        function = 3 if table == "holding" else 4
        request = read_request(device, function, address, count)
        assert len(request) == REQUEST_SIZE
        ask = _Ask(request, device, function, count)
        start = time.monotonic()
        facts = {"device": device, "table": table, "address": address, "count": count}
        for attempt in range(RETRIES + 1):
            try:
                return registers(self._bus.exchange(ask, self._timeout_s, self.counts))
            except PortLost as error:
                raise self._error(
                    "instrument_no_connection", start, why=error, **facts
                ) from error
            except _Refused as error:
                raise self._error(
                    "instrument_refused",
                    start,
                    code=error.code,
                    registers=named(address, count),
                    channels=self._instrument,
                    **facts,
                ) from error
            except _Broken as error:
                if error.again and attempt < RETRIES:
                    self.counts["retried"] += 1
                    continue
                if error.kind == "silent":
                    raise self._error("instrument_silent", start, **facts) from error
                raise self._error(
                    "instrument_wrong_answer", start, why=error.why, **facts
                ) from error
        raise AssertionError("unreachable")

    def was_behind(self) -> bool:
        """Tell, once, whether the last answer turned out to be a late one."""
        return self._bus.was_behind(self._device)

    def close(self) -> None:
        """Let go of the port; the other devices on it open it again."""
        self._bus.port.close()

    def _error(self, id: str, start: float, **facts: object) -> RigError:
        port = self._bus.port.line.port
        return RigError(
            id,
            where=self._instrument,
            instrument=self._instrument,
            at=port,
            port=port,
            waited_s=f"{time.monotonic() - start:.1f}",
            **facts,
        )
