"""Function 16, for the hands of a simulated rig only; no instrument is written."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence

from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ModbusException

from records.errors import RigError

from .loopback import loopback_only
from .registers import named

logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)


class LoopbackWriter:
    """Writes holding registers of a device on this computer.

    Raises:
        InputError: ``rig_not_loopback``: the host is another computer.
        RigError: ``instrument_no_connection``.
    """

    def __init__(
        self, host: str, port: int, device: int, timeout_s: float = 2.0
    ) -> None:
        self._host = loopback_only(host)
        self._port = port
        self._device = device
        self._client = ModbusTcpClient(
            self._host, port=port, timeout=timeout_s, retries=0
        )
        # The library does not type these two.
        self._dial: Callable[[], bool] = self._client.connect
        self._hang_up: Callable[[], None] = self._client.close
        self._connect()

    def write(self, address: int, words: Sequence[int]) -> None:
        """Write registers from ``address`` on.

        Raises:
            RigError: not reached, no answer, or refused.
        """
        start = time.monotonic()
        try:
            answer = self._client.write_registers(
                address, list(words), device_id=self._device
            )
        except (ModbusException, OSError) as error:
            self._hang_up()
            raise self._error("instrument_silent", start) from error
        if answer.isError():
            code = getattr(answer, "exception_code", 0)
            raise self._error(
                "instrument_refused",
                start,
                code=code,
                address=address,
                table="holding",
                registers=named(address, len(words)),
                channels="a hand valve",
            )

    def close(self) -> None:
        """Hang up."""
        self._hang_up()

    def _connect(self) -> None:
        start = time.monotonic()
        if not self._dial():
            raise self._error("instrument_no_connection", start)

    def _error(self, id: str, start: float, **facts: object) -> RigError:
        return RigError(
            id,
            where="hands",
            instrument="hand valves",
            at=f"{self._host} port {self._port}",
            host=self._host,
            port=self._port,
            device=self._device,
            waited_s=f"{time.monotonic() - start:.1f}",
            **facts,
        )
