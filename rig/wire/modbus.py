"""The client end of Modbus TCP: an instrument is read, never written.

The library connects; frames are sent and looked at here, because it takes any number of
registers for an answer and spends more on a poll than the whole recorder does.

Source: Modbus application protocol specification V1.1b3 (functions 3 and 4, exception
codes) and Modbus messaging on TCP/IP implementation guide V1.0b (the header).
"""

from __future__ import annotations

import logging
import socket
import struct
import time
from collections.abc import Callable
from typing import Any, Protocol

from pymodbus.client import ModbusTcpClient

from records.errors import RigError
from records.rig import RegisterTable

from .counts import WireCounts
from .registers import decode, encode, named

__all__ = ["MOST_REGISTERS", "RegisterLink", "TcpLink", "decode", "encode"]

MOST_REGISTERS = 125  # in one answer (V1.1b3, 6.3 and 6.4)

_REQUEST = struct.Struct(">HHHBBHH")
_HEADER = struct.Struct(">HHH")  # transaction, protocol, length of what follows
_SHORTEST, _LONGEST = 3, 254  # unit, function and data (V1.0b, 3.1.3; 253 of PDU)
_MOST_BYTES = 4096

# Every failure becomes an error of ours, with its place; the library's own lines would
# only repeat it on the technician's screen.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)


class _Wrong(Exception):
    """Bytes that are no answer."""


class RegisterLink(Protocol):
    """A way to read registers of a device."""

    def read(
        self, table: RegisterTable, address: int, count: int, device: int
    ) -> tuple[int, ...]:
        """Return ``count`` registers from ``address`` on, 0 to 65535 each.

        Raises:
            RigError: no connection, no answer in time, refused, or a wrong answer.
        """

    def close(self) -> None:
        """Hang up."""


class TcpLink:
    """Reads the registers of a device over Modbus TCP.

    Args:
        host, port: where it answers.
        timeout_s: longest wait for a connection or an answer; nothing is tried twice.
        instrument: the instrument's id, for the error.

    Raises:
        RigError: ``instrument_no_connection``.
    """

    def __init__(
        self, host: str, port: int, timeout_s: float, instrument: str = ""
    ) -> None:
        self._host = host
        self._port = port
        self._instrument = instrument or f"{host}:{port}"
        self.line = f"{host}:{port}"  # what hangs on one gateway is asked in turn
        self.counts = WireCounts()
        self._timeout_s = timeout_s
        self._number = 0
        self._client: Any = ModbusTcpClient(
            host, port=port, timeout=timeout_s, retries=0
        )
        # The library does not type these two.
        self._dial: Callable[[], bool] = self._client.connect
        self._hang_up: Callable[[], None] = self._client.close
        self._connect(time.monotonic())

    def read(
        self, table: RegisterTable, address: int, count: int, device: int
    ) -> tuple[int, ...]:
        """Return registers; see :class:`RegisterLink`."""
        if not 1 <= count <= MOST_REGISTERS:
            raise ValueError(f"{count} registers do not go into one answer")
        start = time.monotonic()
        line = self._client.socket
        if line is None:
            self._connect(start, device, table, address, count)
            self.counts["reopened"] += 1
            line = self._client.socket
        function = 3 if table == "holding" else 4
        number = self._number = (self._number + 1) & 0xFFFF
        try:
            line.sendall(_REQUEST.pack(number, 0, 6, device, function, address, count))
            answer = self._answer(line, number, start)
        except TimeoutError as error:
            # A late answer must not be taken for that of the next request.
            self._hang_up()
            self.counts["silent"] += 1
            raise self._error(
                "instrument_silent", start, device, table, address, count
            ) from error
        except OSError as error:
            self._hang_up()
            raise self._error(
                "instrument_no_connection", start, device, table, address, count
            ) from error
        except _Wrong as error:
            self._hang_up()
            raise self._error(
                "instrument_wrong_answer",
                start,
                device,
                table,
                address,
                count,
                why=error,
            ) from error
        if answer[0] == device and answer[1] == function and answer[2] == 2 * count:
            if len(answer) == 3 + 2 * count:
                return struct.unpack_from(f">{count}H", answer, 3)
        raise self._not_right(answer, start, device, table, address, count)

    def _answer(self, line: socket.socket, number: int, start: float) -> bytes:
        """Return unit, function and data of the answer with a transaction number."""
        data = line.recv(_MOST_BYTES)
        while True:
            if not data:
                raise ConnectionResetError("the other end hung up")
            while len(data) >= _HEADER.size:
                found, protocol, length = _HEADER.unpack_from(data)
                if protocol != 0 or not _SHORTEST <= length <= _LONGEST:
                    raise _Wrong("its head is not that of Modbus TCP")
                if len(data) < _HEADER.size + length:
                    break
                answer = data[_HEADER.size : _HEADER.size + length]
                if found == number:
                    return answer
                self.counts["late"] += 1  # of a request that was given up
                data = data[_HEADER.size + length :]
            if time.monotonic() - start > self._timeout_s:
                if data:
                    self.counts["partial"] += 1
                    raise _Wrong(f"it broke off after {len(data)} bytes")
                raise TimeoutError
            try:
                more = line.recv(_MOST_BYTES)
            except TimeoutError:
                if not data:
                    raise
                self.counts["partial"] += 1
                raise _Wrong(f"it broke off after {len(data)} bytes") from None
            if not more:
                raise ConnectionResetError("the other end hung up")
            data += more

    def _not_right(
        self,
        answer: bytes,
        start: float,
        device: int,
        table: RegisterTable,
        address: int,
        count: int,
    ) -> RigError:
        """Return the error for an answer that is not the one asked for."""
        function = 3 if table == "holding" else 4
        if answer[0] != device:
            kind, why = "wrong_device", f"device {answer[0]} where {device} was asked"
        elif answer[1] == function | 0x80:
            self.counts["refused"] += 1
            return self._error(
                "instrument_refused",
                start,
                device,
                table,
                address,
                count,
                code=answer[2],
                registers=named(address, count),
                channels=self._instrument,
            )
        elif answer[1] != function:
            kind = "wrong_function"
            why = f"function {answer[1]} for a read of {table} registers"
        elif len(answer) != 3 + answer[2]:
            kind, why = "partial", "it is not as long as it says"
        else:
            kind = "wrong_count"
            why = f"{answer[2] // 2} registers where {count} were asked for"
        self.counts[kind] += 1
        id = "instrument_wrong_answer"
        return self._error(id, start, device, table, address, count, why=why)

    def close(self) -> None:
        """Hang up."""
        self._hang_up()

    def _connect(
        self,
        start: float,
        device: int = 0,
        table: str = "",
        address: int = 0,
        count: int = 0,
    ) -> None:
        if not self._dial():
            raise self._error(
                "instrument_no_connection", start, device, table, address, count
            )
        self._client.socket.settimeout(self._timeout_s)

    def _error(
        self,
        id: str,
        start: float,
        device: int,
        table: str,
        address: int,
        count: int,
        **facts: object,
    ) -> RigError:
        return RigError(
            id,
            where=self._instrument,
            instrument=self._instrument,
            at=f"{self._host} port {self._port}",
            host=self._host,
            port=self._port,
            device=device,
            table=table,
            address=address,
            count=count,
            waited_s=f"{time.monotonic() - start:.1f}",
            **facts,
        )
