"""How hands reach a served rig: a client of their own, for simulated rigs only."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping

from records.errors import RefusedError, RigError
from rig.wire.modbus import TcpLink
from rig.wire.modbus_write import LoopbackWriter
from rig.wire.registers import decode

from .registermap import (
    DEVICE,
    VALVE_ADDRESS,
    VALVE_COUNT,
    valve_address,
    valve_words,
)
from .rigbody import VALVE_NAMES

PATIENCE_S = 15.0  # wall time for which a rig may be away
_RETRY_S = 0.25
_TIMEOUT_S = 2.0
_SAME = 1e-6  # of a position, which travels as float32


class ValveWriter:
    """Writes valve positions into a simulated rig on this computer.

    A rig that goes away is connected to again, for as long as the patience lasts. One
    that was started anew meanwhile has its valves elsewhere: they are put back.

    Args:
        host, port: where it is served. simulated: what its rig file says.
        device: its number. clock: wall clock, monotonic seconds.

    Raises:
        RefusedError: ``hands_on_real_rig``. InputError: ``rig_not_loopback``.
        RigError: not reached.
    """

    def __init__(
        self,
        host: str,
        port: int,
        *,
        simulated: bool,
        device: int = DEVICE,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if simulated is not True:
            raise RefusedError("hands_on_real_rig", where=f"{host}:{port}")
        self._writer = LoopbackWriter(host, port, device, _TIMEOUT_S)
        self._where = host, port, device
        self._clock = clock
        self._put: dict[str, float] = {}  # where the valves were put
        self._owed: dict[str, float] = {}  # what the rig has not taken yet
        self._away_since_s: float | None = None
        self._next_s = -math.inf

    @property
    def is_away(self) -> bool:
        """The rig has not taken what was last said to it."""
        return self._away_since_s is not None

    def positions(self) -> dict[str, float]:
        """Return where the valves of the rig stand, by name.

        Raises:
            RigError: not reached, or no answer.
        """
        host, port, device = self._where
        link = TcpLink(host, port, _TIMEOUT_S, "hand valves")
        try:
            words = link.read("holding", VALVE_ADDRESS, VALVE_COUNT, device)
        finally:
            link.close()
        return {
            name: float(decode(words[2 * i : 2 * i + 2], "float32", "ABCD"))
            for i, name in enumerate(VALVE_NAMES)
        }

    def found(self) -> dict[str, float]:
        """Take the valves as they stand, and return where that is.

        Raises:
            RigError: not reached, or no answer.
        """
        self._put = self.positions()
        return dict(self._put)

    def move(self, positions: Mapping[str, float]) -> None:
        """Write positions by the name of the valve, now or when the rig is back.

        Raises:
            RigError: refused, or away for longer than the patience.
        """
        self._put.update(positions)
        self._owed.update(positions)
        now = self._clock()
        if not self._owed or now < self._next_s:
            return
        try:
            if self.is_away:
                self._put_back()
            for name in list(self._owed):
                position = self._owed[name]
                self._writer.write(valve_address(name), valve_words(position))
                del self._owed[name]
        except RigError as error:
            if error.id == "instrument_refused":
                raise
            if self._away_since_s is None:
                self._away_since_s = now
            elif now - self._away_since_s > PATIENCE_S:
                raise
            self._next_s = self._clock() + _RETRY_S
            return
        self._away_since_s = None

    def _put_back(self) -> None:
        """Owe a rig that was started anew all that was ever put."""
        stand = self.positions()
        for name, position in self._put.items():
            if not math.isclose(stand[name], position, rel_tol=_SAME, abs_tol=1e-12):
                self._owed[name] = position

    def close(self) -> None:
        """Hang up."""
        self._writer.close()
