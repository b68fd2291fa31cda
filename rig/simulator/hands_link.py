"""How hands reach a served rig: a client of their own, for simulated rigs only."""

from __future__ import annotations

from collections.abc import Mapping

from records.errors import RefusedError
from records.rig import Instrument
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


class ValveWriter:
    """Writes valve positions into a simulated rig on this computer.

    Args:
        host, port: where it is served. simulated: what its rig file says.

    Raises:
        RefusedError: ``hands_on_real_rig``. InputError: ``rig_not_loopback``.
        RigError: not reached.
    """

    def __init__(
        self, host: str, port: int, *, simulated: bool, device: int = DEVICE
    ) -> None:
        if simulated is not True:
            raise RefusedError("hands_on_real_rig", where=f"{host}:{port}")
        self._writer = LoopbackWriter(host, port, device)

    def move(self, positions: Mapping[str, float]) -> None:
        """Write positions by the name of the valve.

        Raises:
            RigError: not reached, no answer, or refused.
        """
        for name, position in positions.items():
            self._writer.write(valve_address(name), valve_words(position))

    def close(self) -> None:
        """Hang up."""
        self._writer.close()


def valve_positions(declared: Instrument) -> dict[str, float]:
    """Return where the valves of a served rig stand, by name.

    Raises:
        RigError: not reached, or no answer.
    """
    link = TcpLink(
        declared.host, declared.port, declared.timeout.value_si, "hand valves"
    )
    try:
        words = link.read("holding", VALVE_ADDRESS, VALVE_COUNT, declared.device)
    finally:
        link.close()
    return {
        name: float(decode(words[2 * i : 2 * i + 2], "float32", "ABCD"))
        for i, name in enumerate(VALVE_NAMES)
    }
