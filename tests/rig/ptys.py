"""Serial ports for tests: a pseudo terminal with a lasting name and a scripted device.

Like the name that a system gives a USB adapter by its identity, the name stays when the
adapter is pulled out and put back.
"""

from __future__ import annotations

import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from records.rig import SerialLine
from rig.wire.rtu import RtuBus, RtuLink
from rig.wire.serial_port import SerialPort

# What a device does with what it hears: bytes to send and pauses in seconds.
Doing = Callable[[bytes], list[bytes | float]]


class Port:
    """A serial port with a device at its other end."""

    def __init__(self, name: Path, device: Doing) -> None:
        self.name = name
        self.heard: list[bytes] = []
        self.device = device
        self._fds: tuple[int, int] | None = None
        self._thread: threading.Thread | None = None
        self.put_back()

    def put_back(self) -> None:
        ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self._stop = threading.Event()
        self._fds = (ours, theirs)
        # One step, so that there is always one name or none.
        fresh = self.name.with_suffix(".new")
        fresh.symlink_to(os.ttyname(theirs))
        fresh.replace(self.name)
        self._thread = threading.Thread(target=self._serve, args=(ours, self._stop))
        self._thread.start()

    def pull(self) -> None:
        self._stop.set()
        assert self._thread is not None
        self._thread.join()
        assert self._fds is not None
        self.name.unlink()
        for fd in self._fds:
            os.close(fd)
        self._fds = None

    def say(self, data: bytes) -> None:
        """Send bytes that nobody asked for."""
        assert self._fds is not None
        os.write(self._fds[0], data)

    def close(self) -> None:
        if self._fds is not None:
            self.pull()

    def __enter__(self) -> Port:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _serve(self, fd: int, stop: threading.Event) -> None:
        while not stop.is_set():
            if not select.select([fd], [], [], 0.02)[0]:
                continue
            with suppress(OSError):
                data = os.read(fd, 4096)
                self.heard.append(data)
                for what in self.device(data):
                    if isinstance(what, float):
                        time.sleep(what)
                    else:
                        os.write(fd, what)


class Cable:
    """Two serial ports, each the other's far end."""

    def __init__(self) -> None:
        pairs = [pty.openpty(), pty.openpty()]
        self._ours = [ours for ours, _ in pairs]
        self._theirs = [theirs for _, theirs in pairs]
        for theirs in self._theirs:
            tty.setraw(theirs)
        self.one, self.other = (os.ttyname(theirs) for theirs in self._theirs)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._pump)
        self._thread.start()

    def _pump(self) -> None:
        one, other = self._ours
        while not self._stop.is_set():
            ready, _, _ = select.select([one, other], [], [], 0.05)
            for fd in ready:
                os.write(other if fd == one else one, os.read(fd, 4096))

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        for fd in (*self._ours, *self._theirs):
            os.close(fd)


def rtu_link(port: Port | str, timeout_s: float = 0.3, frame: str = "8N1") -> RtuLink:
    """Return a link over a bus of its own, at 115200 baud."""
    name = port if isinstance(port, str) else str(port.name)
    line = SerialLine(port=name, baud=115_200, frame=frame)
    return RtuLink(RtuBus(SerialPort(line, "box")), timeout_s, "box")
