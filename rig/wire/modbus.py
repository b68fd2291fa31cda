"""The client end of Modbus TCP: an instrument is read, never written.

Source: Modbus application protocol specification V1.1b3 (functions 3 and 4, exception
codes) and Modbus messaging on TCP/IP implementation guide V1.0b (the header).
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Protocol

from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException

from records.errors import RigError
from records.rig import RegisterTable

from .counts import WireCounts
from .registers import decode, encode

__all__ = ["MOST_REGISTERS", "RegisterLink", "TcpLink", "decode", "encode"]

MOST_REGISTERS = 125  # in one answer (V1.1b3, 6.3 and 6.4)

# Every failure becomes an error of ours, with its place; the library's own lines would
# only repeat it on the technician's screen.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)


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
        self._client = ModbusTcpClient(host, port=port, timeout=timeout_s, retries=0)
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
        client = self._client
        holding = table == "holding"
        ask = client.read_holding_registers if holding else client.read_input_registers
        start = time.monotonic()

        def facts() -> dict[str, object]:
            return {
                "device": device,
                "table": table,
                "address": address,
                "count": count,
            }

        if client.socket is None:
            self._connect(start, **facts())
            self.counts["reopened"] += 1
        try:
            answer = ask(address, count=count, device_id=device)
        except ConnectionException as error:
            self._hang_up()
            raise self._error("instrument_no_connection", start, **facts()) from error
        except ModbusException as error:
            # A late answer must not be taken for that of the next request.
            self._hang_up()
            if "No response" in str(error):
                self.counts["silent"] += 1
                raise self._error("instrument_silent", start, **facts()) from error
            raise self._wrong(start, str(error), **facts()) from error
        except (OSError, ValueError, LookupError) as error:
            self._hang_up()
            raise self._wrong(start, str(error), **facts()) from error
        if answer.isError():
            code = getattr(answer, "exception_code", 0)
            self.counts["refused"] += 1
            raise self._error("instrument_refused", start, code=code, **facts())
        words = tuple(answer.registers)
        if answer.function_code != (3 if holding else 4):
            self.counts["wrong_function"] += 1
            why = f"function {answer.function_code} for a read of {table} registers"
            raise self._wrong(start, why, **facts())
        if len(words) != count:
            self.counts["wrong_count"] += 1
            why = f"{len(words)} registers where {count} were asked for"
            raise self._wrong(start, why, **facts())
        return words

    def close(self) -> None:
        """Hang up."""
        self._hang_up()

    def _connect(self, start: float, **facts: object) -> None:
        if not self._dial():
            raise self._error("instrument_no_connection", start, **facts)

    def _wrong(self, start: float, why: str, **facts: object) -> RigError:
        return self._error("instrument_wrong_answer", start, why=why, **facts)

    def _error(self, id: str, start: float, **facts: object) -> RigError:
        return RigError(
            id,
            where=self._instrument,
            instrument=self._instrument,
            at=f"{self._host} port {self._port}",
            host=self._host,
            port=self._port,
            waited_s=f"{time.monotonic() - start:.1f}",
            **facts,
        )
