"""Where a simulated rig can be reached: a port of this computer, or a serial port."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rig.wire.byte_server import ByteServer, Pieces, Responder
from rig.wire.modbus_server import TcpServer
from rig.wire.relay import Relay
from rig.wire.rtu_server import RtuAnswers

from .live import LiveRig
from .registermap import DEVICE
from .textline import PolledLines, StreamedLines
from .wirefaults import Timetable

ServedAs = Literal[
    "modbus-tcp", "modbus-rtu", "modbus-rtu-tcp", "ascii-polled", "ascii-stream"
]
SERVED_AS: tuple[ServedAs, ...] = (
    "modbus-tcp",
    "modbus-rtu",
    "modbus-rtu-tcp",
    "ascii-polled",
    "ascii-stream",
)


@dataclass(frozen=True, slots=True)
class Door:
    """How a simulated rig is served.

    Attributes:
        protocol: how it is spoken to. host, port: where it, or the hands' part of it,
            listens; 0 takes any free port.
        link: a lasting name for the pseudo terminal, or None.
        period_s: rig time between two lines of a stream.
        hands_port: where the hand valves are worked, where that is not the device's own
            port; 0 takes any free one.
    """

    protocol: ServedAs = "modbus-tcp"
    host: str = "127.0.0.1"
    port: int = 0
    link: Path | None = None
    period_s: float = 0.05
    hands_port: int = 0


class _RtuDevice:
    """One connection to the device in Modbus RTU."""

    def __init__(self, live: LiveRig, timetable: Timetable) -> None:
        self._live = live
        self._timetable = timetable
        self._answers = RtuAnswers(live, DEVICE)

    def took(self, data: bytes) -> Pieces:
        """Take bytes that came, return what to send for them."""
        pieces: list[tuple[float, bytes]] = []
        for request, answer in self._answers.took(data):
            pieces += self._timetable.pieces(request, answer, self._live.t_s)
        return pieces

    def tick(self, untaken: int) -> Pieces | None:
        """Let time go on; hang up while the device is starting again."""
        self._live.tick()
        return None if self._timetable.is_down(self._live.t_s) else ()


class Served:
    """The servers of one simulated rig.

    Attributes:
        host, port: of the device, where it is on the network.
        serial: name of its serial port, or "".
        hands_port: where the hand valves are worked, without faults of the wire.

    Raises:
        InputError: ``rig_not_loopback``. RigError: ``port_in_use``.
    """

    def __init__(self, door: Door, live: LiveRig, timetable: Timetable) -> None:
        self.serial = ""
        self._closing: list[Callable[[], None]] = []
        plain = door.protocol == "modbus-tcp"
        faulty = plain and timetable.has_any
        port = door.hands_port if faulty or not plain else door.port
        self._tcp = TcpServer(live, door.host, port, DEVICE)
        self._closing.append(self._tcp.close)
        self.host, self.port = self._tcp.host, self._tcp.port
        self.hands_port = self._tcp.port
        self._bytes: ByteServer | None = None
        try:
            if faulty:
                self._lay_cable(door, live, timetable)
            elif not plain:
                self._open_wire(door, live, timetable)
        except BaseException:
            self.close()
            raise

    @property
    def failed(self) -> BaseException | None:
        """What stopped a server, or None."""
        return self._tcp.failed or (self._bytes.failed if self._bytes else None)

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until a server has stopped; return whether one has."""
        if self._bytes is not None and self._bytes.wait(0.0):
            return True
        return self._tcp.wait(timeout_s)

    def close(self) -> None:
        """Stop serving."""
        for close in reversed(self._closing):
            with suppress(OSError):
                close()

    def _lay_cable(self, door: Door, live: LiveRig, timetable: Timetable) -> None:
        def back(answer: bytes) -> Pieces:
            return timetable.pieces(b"", answer, live.t_s)

        def up() -> bool:
            return not timetable.is_down(live.t_s)

        relay = Relay(self.host, door.port, self._tcp.port, back, up)
        self._closing.append(relay.close)
        self.port = relay.port

    def _open_wire(self, door: Door, live: LiveRig, timetable: Timetable) -> None:
        def responder() -> Responder:
            if door.protocol == "ascii-polled":
                return PolledLines(live, timetable)
            if door.protocol == "ascii-stream":
                return StreamedLines(live, timetable, door.period_s)
            return _RtuDevice(live, timetable)

        over_network = door.protocol == "modbus-rtu-tcp"
        server = ByteServer(
            responder,
            host=door.host,
            port=door.port if over_network else None,
            link=door.link,
            tick_s=0.005 if door.protocol == "ascii-stream" else 0.02,
        )
        self._bytes = server
        self._closing.append(server.close)
        self.serial = server.name
        self.port = server.port if over_network else self.port
