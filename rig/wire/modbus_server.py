"""The server end of Modbus TCP: a bank of registers behind a loopback port.

Functions 3, 4 and 16 are answered; anything else gets exception 1, as the Modbus
application protocol specification V1.1b3 asks.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from typing import Protocol

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from records.errors import RigError
from records.rig import RegisterTable

from .loopback import loopback_only

logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
_log = logging.getLogger(__name__)

_TABLES: dict[int, RegisterTable] = {3: "holding", 4: "input"}
_WRITE = 16
_ALL = 65_536
_START_S = 10.0


class _NotListening(Exception):
    pass


class DeviceException(Exception):
    """A bank that wants a request answered with an exception of its own choice.

    Args:
        code: exception code (V1.1b3, section 7).
    """

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


class RegisterBank(Protocol):
    """What a server answers from; called from the server's own thread only."""

    def read(self, table: RegisterTable, address: int, count: int) -> tuple[int, ...]:
        """Return registers; LookupError for an address that does not exist."""

    def write(self, address: int, words: Sequence[int]) -> None:
        """Write holding registers; LookupError, or ValueError for a wrong value."""

    def tick(self) -> None:
        """Do what has to be done now and then between requests."""


class TcpServer:
    """Serves a bank on this computer until it is closed.

    Args:
        bank: what is served. host: a loopback address. port: 0 takes any free one.
        device: the device number it answers to; others get exception 11.
        tick_s: time between calls of the bank's ``tick``.

    Raises:
        InputError: ``rig_not_loopback``.
        RigError: ``port_in_use``.
    """

    def __init__(
        self,
        bank: RegisterBank,
        host: str = "127.0.0.1",
        port: int = 0,
        device: int = 1,
        tick_s: float = 0.05,
    ) -> None:
        self.host = loopback_only(host)
        self.port = port
        self.device = device
        self._bank = bank
        self._tick_s = tick_s
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._failed: BaseException | None = None
        self._listening = threading.Event()
        self._thread = threading.Thread(target=self._run, name="modbus-server")
        self._thread.daemon = True
        self._thread.start()
        self._listening.wait(_START_S)
        if isinstance(self._failed, _NotListening):
            raise RigError(
                "port_in_use", where=f"{self.host}:{port}", host=self.host, port=port
            ) from self._failed
        if self._stop is None:
            raise RuntimeError("the server did not start") from self._failed

    @property
    def failed(self) -> BaseException | None:
        """What stopped the server, or None."""
        return self._failed

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the server has stopped; return whether it has."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def close(self) -> None:
        """Stop listening, hang up on all clients and end the thread."""
        if self._loop is not None and self._stop is not None:
            with suppress(RuntimeError):  # the loop may have ended by itself
                self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as error:
            self._failed = error
            if self._stop is not None:
                _log.exception("the server stopped")
        finally:
            self._listening.set()

    async def _serve(self) -> None:
        async def answer(
            function: int,
            start: int,
            address: int,
            count: int,
            registers: list[int],
            written: list[int] | list[bool] | None,
        ) -> ExcCodes | None:
            offset = address - start
            return self._answer(function, offset, address, count, registers, written)

        async def absent(*_: object) -> ExcCodes | None:
            return ExcCodes.GATEWAY_NO_RESPONSE

        def space() -> SimData:
            return SimData(0, count=_ALL, datatype=DataType.REGISTERS)

        # Device 0 of the library stands for every number that is not declared.
        server = ModbusTcpServer(
            [
                SimDevice(self.device, [space()], action=answer),
                SimDevice(0, [space()], action=absent),
            ],
            address=(self.host, self.port),
        )
        try:
            await server.serve_forever(background=True)
        except RuntimeError as error:
            raise _NotListening(str(error)) from error
        listener = server.transport
        assert isinstance(listener, asyncio.Server)
        self.port = int(listener.sockets[0].getsockname()[1])
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        self._listening.set()
        try:
            await self._tick_until_stopped(self._stop)
        finally:
            shutdown: Callable[[], Awaitable[None]] = server.shutdown
            await shutdown()
            # One more turn, in which the closed connections say good-bye.
            await asyncio.sleep(0)

    async def _tick_until_stopped(self, stop: asyncio.Event) -> None:
        while not stop.is_set():
            self._bank.tick()
            try:
                await asyncio.wait_for(stop.wait(), self._tick_s)
            except TimeoutError:
                continue

    def _answer(
        self,
        function: int,
        offset: int,
        address: int,
        count: int,
        registers: list[int],
        written: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        try:
            if function in _TABLES and written is None:
                found = self._bank.read(_TABLES[function], address, count)
                registers[offset : offset + count] = found
            elif function == _WRITE and written is not None:
                self._bank.write(address, [int(word) for word in written])
            else:
                return ExcCodes.ILLEGAL_FUNCTION
        except DeviceException as error:
            return ExcCodes(error.code)
        except LookupError:
            return ExcCodes.ILLEGAL_ADDRESS
        except ValueError:
            return ExcCodes.ILLEGAL_VALUE
        except Exception:
            _log.exception("function %d at %d, %d registers", function, address, count)
            return ExcCodes.DEVICE_FAILURE
        return None
