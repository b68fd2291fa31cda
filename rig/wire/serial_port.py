"""Serial ports: by name, by the identity of a USB adapter, or over the network.

The only reader of pyserial's list of ports. A port here may be lost and come back: it
is opened again by name or identity on the next use.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Callable
from typing import Any, Protocol

import serial
from serial.tools import list_ports

from records.errors import RigError
from records.rig import USB_PORT, SerialLine

try:
    import termios
except ImportError:  # Windows has no terminal settings
    _SETTING: type[Exception] = OSError
else:
    _SETTING = termios.error

_FAILURES = (serial.SerialException, OSError, _SETTING)
_WRITE_S = 1.0  # a port that takes nothing for so long is lost
SLICE_S = 0.02  # longest single wait for bytes; a deadline is met to within this
CHARACTER_BITS = (
    11  # start, 8 data, parity or second stop, stop (serial line V1.02, 2.5)
)
_FRAME = re.compile(r"([78])([NEO])([12])")
_PSEUDO_TERMINALS = "/dev/pts/"


class PortLost(Exception):
    """The port went away while it was used, or its other end hung up."""


class _Device(Protocol):
    """What is used of a pyserial port."""

    @property
    def in_waiting(self) -> int: ...

    def read(self, size: int, /) -> bytes: ...

    def write(self, data: bytes, /) -> int | None: ...

    def close(self) -> None: ...


def is_frame(text: str) -> bool:
    """Tell whether a text such as ``8E1`` describes a character on the wire."""
    return _FRAME.fullmatch(text) is not None


def is_network(port: str) -> bool:
    """Tell whether a port is reached over the network."""
    return "://" in port


def known_ports() -> list[str]:
    """Return the serial ports of this computer as a person would look for them."""
    found = []
    for port in sorted(list_ports.comports()):
        if port.vid is None or port.pid is None:
            found.append(port.device)
            continue
        identity = f"usb:{port.vid:04x}:{port.pid:04x}"
        if port.serial_number:
            identity += f":{port.serial_number}"
        found.append(f"{port.device} ({identity})")
    return found


def device_name(port: str, instrument: str = "") -> str:
    """Return the name that the system has now for a declared port.

    Raises:
        RigError: ``serial_port_missing``; the facts list the ports there are.
    """
    identity = USB_PORT.fullmatch(port)
    if identity is None:
        return port
    vid, pid, number = int(identity[1], 16), int(identity[2], 16), identity[3]
    fitting = [
        each.device
        for each in list_ports.comports()
        if (each.vid, each.pid) == (vid, pid) and number in (None, each.serial_number)
    ]
    if len(fitting) > 1:
        raise RigError(
            "serial_port_ambiguous",
            where=instrument or port,
            port=port,
            fitting=", ".join(sorted(fitting)),
        )
    if not fitting:
        raise _missing(port, instrument)
    return str(fitting[0])


def _missing(port: str, instrument: str) -> RigError:
    return RigError(
        "serial_port_missing",
        where=instrument or port,
        port=port,
        known=", ".join(known_ports()) or "none",
    )


class SerialPort:
    """A serial port, opened when it is first used and again when it was lost.

    Args:
        line: the port as declared.
        instrument: id of the instrument that uses it, for the error.
    """

    def __init__(self, line: SerialLine, instrument: str = "") -> None:
        self.line = line
        self.opened = 0  # how often it was opened
        self._instrument = instrument
        self._device: _Device | None = None
        self._hang_up: Callable[[], None] = lambda: None

    @property
    def character_s(self) -> float:
        """Time that one character takes on the wire, seconds."""
        return CHARACTER_BITS / self.line.baud

    @property
    def is_open(self) -> bool:
        """Tell whether it is open, as far as is known."""
        return self._device is not None

    def open(self) -> None:
        """Open it, unless it is open.

        Raises:
            RigError: ``serial_port_missing``, ``serial_port_ambiguous``,
                ``serial_port_in_use``, ``serial_port_other`` or
                ``serial_port_failed``.
        """
        if self._device is not None:
            return
        name = device_name(self.line.port, self._instrument)
        try:
            device = self._dial(name)
        except (*_FAILURES, ValueError) as error:
            raise self._trouble(name, error) from None
        self._device, self._hang_up = device, device.close
        self.opened += 1

    def _dial(self, name: str) -> _Device:
        parts = _FRAME.fullmatch(self.line.frame)
        assert parts is not None, "checked when the rig file is read"

        options: dict[str, Any] = {}
        if not is_network(name):
            options = {"exclusive": True, "write_timeout": _WRITE_S}

        def dial(parity: str) -> _Device:
            return serial.serial_for_url(
                name,
                baudrate=self.line.baud,
                bytesize=int(parts[1]),
                parity=parity,
                stopbits=int(parts[3]),
                timeout=SLICE_S,
                **options,
            )

        try:
            return dial(parts[2])
        except _SETTING:
            if not os.path.realpath(name).startswith(_PSEUDO_TERMINALS):
                raise
            return dial("N")  # without a wire there is no parity

    def _trouble(self, name: str, error: Exception) -> RigError:
        number = getattr(error, "errno", None)
        told = str(error)
        if number is None and (found := re.search(r"\[Errno (\d+)\]", told)):
            number = int(found[1])
        where = self._instrument or self.line.port
        if is_network(name):
            return RigError(
                "serial_port_failed", where=where, port=self.line.port, why=told
            )
        if number == errno.ENOENT or "FileNotFoundError" in told:
            return _missing(self.line.port, self._instrument)
        if number in (errno.ENOTTY, errno.EISDIR) or "Inappropriate ioctl" in told:
            return RigError(
                "serial_port_other",
                where=where,
                port=self.line.port,
                known=", ".join(known_ports()) or "none",
            )
        taken = "exclusively lock" in told or "PermissionError" in told
        if taken or number in (errno.EBUSY, errno.EAGAIN):
            return RigError("serial_port_in_use", where=where, port=self.line.port)
        return RigError(
            "serial_port_failed", where=where, port=self.line.port, why=told
        )

    def write(self, data: bytes) -> None:
        """Send bytes.

        Raises:
            PortLost: it went away.
        """
        try:
            self._used().write(data)
        except _FAILURES as error:
            raise self._lost(error) from None

    def read(self, size: int) -> bytes:
        """Return up to ``size`` bytes; fewer when they don't come within a slice.

        Raises:
            PortLost: it went away.
        """
        try:
            return self._used().read(size)
        except _FAILURES as error:
            raise self._lost(error) from None

    def waiting(self) -> int:
        """Return how many bytes have come (over the network: at least 1, or 0).

        Raises:
            PortLost: it went away.
        """
        try:
            return self._used().in_waiting
        except _FAILURES as error:
            raise self._lost(error) from None

    def close(self) -> None:
        """Let go of it."""
        self._device = None
        hang_up, self._hang_up = self._hang_up, lambda: None
        try:
            hang_up()
        except _FAILURES:
            return

    def _used(self) -> _Device:
        if self._device is None:
            raise PortLost("closed")
        return self._device

    def _lost(self, error: Exception) -> PortLost:
        self.close()
        return PortLost(str(error))
