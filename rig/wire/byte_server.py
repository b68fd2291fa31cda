"""The server end of a wire of plain bytes: a pseudo terminal, or a TCP port.

What is said on it is up to a responder; this moves bytes at their times. A pseudo
terminal stands in for a serial port: who opens its name talks to the server.
"""

from __future__ import annotations

import heapq
import logging
import os
import select
import socket
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from records.errors import InputError, RigError

from .loopback import loopback_only

_log = logging.getLogger(__name__)
Pieces = Sequence[tuple[float, bytes]]  # seconds from now, and what to send then
_MOST = 4096


class Responder(Protocol):
    """What answers on one connection; called from the server's own thread only."""

    def took(self, data: bytes) -> Pieces:
        """Take bytes that came, return what to send for them."""

    def tick(self, untaken: int) -> Pieces | None:
        """Return what to send unasked; None: hang up now.

        Args:
            untaken: bytes sent that the other end has not taken, as far as is known.
        """


class _End:
    """One connection: a descriptor, who answers on it, and what is still to be sent."""

    def __init__(
        self,
        fd: int,
        responder: Responder,
        close: Callable[[], None],
        waiting: Callable[[], int] = lambda: 0,
    ) -> None:
        self.fd = fd
        self.responder = responder
        self.close = close
        self._outbox: list[tuple[float, int, bytes]] = []
        self._number = 0
        self._waiting = waiting

    @property
    def untaken(self) -> int:
        """Bytes that the other end has not taken; of a network it is not known."""
        return sum(len(data) for _, _, data in self._outbox) + self._waiting()

    def later(self, pieces: Pieces) -> None:
        """Remember what to send."""
        now = time.monotonic()
        for delay_s, data in pieces:
            self._number += 1
            heapq.heappush(self._outbox, (now + delay_s, self._number, data))

    def next_due(self) -> float | None:
        """Return when the next piece is due."""
        return self._outbox[0][0] if self._outbox else None

    def send_due(self) -> None:
        """Send what is due; what nobody takes is lost, as on a real wire."""
        now = time.monotonic()
        while self._outbox and self._outbox[0][0] <= now:
            data = heapq.heappop(self._outbox)[2]
            with suppress(BlockingIOError):
                os.write(self.fd, data)


class ByteServer:
    """Serves responders until it is closed.

    Args:
        responder: makes one for each connection.
        host, port: a loopback port to listen on; without a port a pseudo terminal.
        link: a name to give the pseudo terminal, or None.
        tick_s: time between two ticks.

    Raises:
        InputError: ``rig_not_loopback``, or ``value_wrong``: no pseudo terminals here.
        RigError: ``port_in_use``.
    """

    def __init__(
        self,
        responder: Callable[[], Responder],
        *,
        host: str = "",
        port: int | None = None,
        link: Path | None = None,
        tick_s: float = 0.02,
    ) -> None:
        self.host, self.port, self.name = host, port or 0, ""
        self.failed: BaseException | None = None
        self._responder = responder
        self._tick_s = tick_s
        self._ends: dict[int, _End] = {}
        self._listener: socket.socket | None = None
        self._link = link
        self._stop_read, self._stop_write = os.pipe()
        try:
            if port is None:
                self._open_terminal()
            else:
                self._listen(loopback_only(host), port)
        except BaseException:
            os.close(self._stop_read)
            os.close(self._stop_write)
            raise
        self._thread = threading.Thread(target=self._run, name="byte-server")
        self._thread.daemon = True
        self._thread.start()

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the server has stopped; return whether it has."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def close(self) -> None:
        """Hang up on all and end the thread."""
        if self._thread.is_alive():
            with suppress(OSError):
                os.write(self._stop_write, b"x")
        self._thread.join()

    def _open_terminal(self) -> None:
        try:
            import fcntl
            import pty
            import termios
            import tty
        except ImportError:
            raise InputError(
                "value_wrong",
                key="protocol",
                given="a serial port",
                right="modbus-tcp or modbus-rtu-tcp; this system has no pseudo "
                "terminals",
            ) from None
        ours, theirs = pty.openpty()
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        self.name = os.ttyname(theirs)

        def close() -> None:
            os.close(ours)
            os.close(theirs)  # kept open so that a reader may come and go

        def waiting() -> int:
            held = fcntl.ioctl(theirs, termios.FIONREAD, bytes(4))
            return int.from_bytes(held, sys.byteorder)

        self._ends[ours] = _End(ours, self._responder(), close, waiting)
        if self._link is not None:
            try:
                if self._link.is_symlink():
                    self._link.unlink()  # of a server that was here before
                self._link.symlink_to(self.name)
            except OSError as error:
                close()
                raise InputError(
                    "file_unwritable",
                    where=str(self._link),
                    why=error.strerror or error,
                ) from None
            self.name = str(self._link)

    def _listen(self, host: str, port: int) -> None:
        try:
            self._listener = socket.create_server((host, port))
        except OSError as error:
            raise RigError(
                "port_in_use", where=f"{host}:{port}", host=host, port=port
            ) from error
        self.host, self.port = host, int(self._listener.getsockname()[1])

    def _run(self) -> None:
        try:
            while self._turn():
                pass
        except Exception as error:
            self.failed = error
            _log.exception("the server stopped")
        finally:
            for end in self._ends.values():
                with suppress(OSError):
                    end.close()
            if self._listener is not None:
                self._listener.close()
            if self._link is not None:
                with suppress(OSError):
                    self._link.unlink()
            os.close(self._stop_read)
            os.close(self._stop_write)

    def _turn(self) -> bool:
        """Do what is next; False when told to stop."""
        dues = [due for end in self._ends.values() if (due := end.next_due())]
        wait = max(0.0, min([self._tick_s, *(d - time.monotonic() for d in dues)]))
        watched: list[int | socket.socket] = [self._stop_read, *self._ends]
        if self._listener is not None:
            watched.append(self._listener)
        ready, _, _ = select.select(watched, [], [], wait)
        if self._stop_read in ready:
            return False
        if self._listener is not None and self._listener in ready:
            line, _ = self._listener.accept()
            line.setblocking(False)
            end = _End(line.fileno(), self._responder(), line.close)
            self._ends[end.fd] = end
        for end in list(self._ends.values()):
            if not self._serve(end, end.fd in ready):
                del self._ends[end.fd]
                end.close()
        return True

    def _serve(self, end: _End, ready: bool) -> bool:
        """Serve one connection; False when it is over."""
        try:
            if ready:
                data = os.read(end.fd, _MOST)
                if not data:
                    return False
                end.later(end.responder.took(data))
            pieces = end.responder.tick(end.untaken)
            if pieces is None:
                # a terminal has nobody to hang up on
                return self._listener is None
            end.later(pieces)
            end.send_due()
        except BlockingIOError:
            return True
        except OSError:
            return self._listener is None
        return True
