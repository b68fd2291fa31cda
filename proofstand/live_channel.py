"""The live channel between a recorder and the window that watches it.

A socket on this computer only; both ends prove that they know the token of the
recorder's note before anything is said. What is said is plain text
(``session_text``), never code. The recorder never waits for whoever watches.
"""

from __future__ import annotations

import hmac
import logging
import queue
import secrets
import socket
import threading
import time
from collections.abc import Iterable
from contextlib import suppress
from multiprocessing.connection import Client, Connection, Listener
from pathlib import Path

from .procedure.engine import Command
from .session import Asked, Closed, Judged, SessionEvent, Started, Troubled
from .session_text import (
    LONGEST,
    Ended,
    Sealed,
    Told,
    Written,
    command_text,
    event_text,
    read_command,
    read_event,
)

HOST = "127.0.0.1"
HEARD = b"heard"
BUSY = b"busy"
OPEN = b"open"
_SIZE = 32  # bytes of a challenge
_PATIENCE_S = 5.0  # for a proof
_FULL = 10_000  # messages that wait for a watcher who does not take them

# TypeError: closed by another thread while this one was at it
_GONE = (OSError, EOFError, ValueError, TypeError)

_log = logging.getLogger(__name__)


def _proof(token: bytes, side: bytes, challenge: bytes) -> bytes:
    return hmac.digest(token, side + challenge, "sha256")


class Door:
    """The recorder's end.

    One may watch at a time. Who comes later is told all that was said before, so that
    it sees the test as if it had been there from the start.
    """

    def __init__(self) -> None:
        self.token = secrets.token_bytes(_SIZE)
        self._listener = Listener((HOST, 0))
        address = self._listener.address
        assert isinstance(address, tuple)
        self.port = int(address[1])
        self._lock = threading.Lock()
        self._said: list[tuple[type[Told], bytes]] = []
        self._commands: queue.SimpleQueue[Command] = queue.SimpleQueue()
        self._to_watcher: queue.SimpleQueue[bytes | None] | None = None
        self._heard = threading.Event()
        self._journal: Path | None = None
        self._length = 0
        threading.Thread(target=self._accept, name="door", daemon=True).start()

    # --- the session's side ----------------------------------------------------------

    def tell(self, event: SessionEvent | Sealed | Ended) -> None:
        """Tell an event; of what stands in the journal, how far that is written."""
        if isinstance(event, Started):
            self._journal = event.journal
        told: Told = Written()
        if isinstance(event, Asked | Judged | Closed | Troubled | Sealed | Ended):
            told = event
        if self._journal is not None:
            with suppress(OSError):  # it goes once the run is sealed
                self._length = self._journal.stat().st_size
        text = event_text(told, self._length)
        with self._lock:
            kind = type(told)
            if kind in (Judged, Written):  # only the latest counts
                self._said = [each for each in self._said if each[0] is not kind]
            self._said.append((kind, text))
            if self._to_watcher is not None:
                if self._to_watcher.qsize() > _FULL:
                    self._to_watcher.put(None)
                    self._to_watcher = None
                else:
                    self._to_watcher.put(text)

    def commands(self) -> Iterable[Command]:
        """Return what was said since."""
        said: list[Command] = []
        while not self._commands.empty():
            said.append(self._commands.get())
        return said

    def wait_until_heard(self, seconds: float) -> bool:
        """Wait until a watcher has heard the end; return whether one has."""
        return self._heard.wait(seconds)

    def close(self) -> None:
        """Take nobody any more."""
        with suppress(OSError):
            self._listener.close()
        with self._lock:
            if self._to_watcher is not None:
                self._to_watcher.put(None)

    # --- the watcher's side ----------------------------------------------------------

    def _accept(self) -> None:
        while True:
            try:
                connection = self._listener.accept()
            except OSError:
                return  # closed
            threading.Thread(
                target=self._serve, args=(connection,), name="watcher", daemon=True
            ).start()

    def _serve(self, connection: Connection) -> None:
        try:
            if not _asked_for_proof(connection, self.token):
                return
            mine: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
            with self._lock:
                if self._to_watcher is not None:
                    connection.send_bytes(BUSY)
                    return
                for _, text in self._said:
                    mine.put(text)
                self._to_watcher = mine
            connection.send_bytes(OPEN)
            teller = threading.Thread(
                target=_send, args=(connection, mine), name="teller", daemon=True
            )
            teller.start()
            try:
                self._listen(connection)
            finally:
                with self._lock:
                    if self._to_watcher is mine:
                        self._to_watcher = None
                mine.put(None)
                teller.join()  # one thread alone closes what both use
        except _GONE:
            pass  # whoever it was has gone
        finally:
            connection.close()

    def _listen(self, connection: Connection) -> None:
        while True:
            text = connection.recv_bytes(LONGEST)
            if text == HEARD:
                self._heard.set()
                continue
            try:
                self._commands.put(read_command(text))
            except ValueError:
                _log.exception("a command that can't be read")


def _asked_for_proof(connection: Connection, token: bytes) -> bool:
    challenge = secrets.token_bytes(_SIZE)
    connection.send_bytes(challenge)
    if not connection.poll(_PATIENCE_S):
        return False
    answer = connection.recv_bytes(2 * _SIZE)
    proof, theirs = answer[:_SIZE], answer[_SIZE:]
    if not hmac.compare_digest(proof, _proof(token, b"watcher", challenge)):
        return False
    connection.send_bytes(_proof(token, b"recorder", theirs))
    return True


def _send(connection: Connection, texts: queue.SimpleQueue[bytes | None]) -> None:
    with suppress(*_GONE):
        while (text := texts.get()) is not None:
            connection.send_bytes(text)
    with (
        suppress(*_GONE),
        socket.fromfd(
            connection.fileno(), socket.AF_INET, socket.SOCK_STREAM
        ) as both_ways,
    ):
        both_ways.shutdown(socket.SHUT_RDWR)  # ends the listening too


class Watch:
    """The window's end.

    Raises:
        OSError, EOFError: nobody answers, or not the recorder of the note.
        Watched: somebody else watches already.
    """

    def __init__(self, port: int, token: bytes) -> None:
        self._connection = Client((HOST, port))
        try:
            self._prove(token)
        except BaseException:
            self._connection.close()
            raise

    def _prove(self, token: bytes) -> None:
        challenge = self._recv()
        mine = secrets.token_bytes(_SIZE)
        self._connection.send_bytes(_proof(token, b"watcher", challenge) + mine)
        if not hmac.compare_digest(self._recv(), _proof(token, b"recorder", mine)):
            raise EOFError("another program answers there")
        if self._recv() != OPEN:
            raise Watched

    def _recv(self) -> bytes:
        if not self._connection.poll(_PATIENCE_S):
            raise EOFError("no answer")
        return self._connection.recv_bytes(LONGEST)

    def take(self, wait_s: float) -> list[tuple[Told, int]]:
        """Return what was told since, each with the length of the journal then.

        Raises:
            EOFError, OSError: the recorder has gone.
        """
        told: list[tuple[Told, int]] = []
        while self._connection.poll(0.0 if told else wait_s):
            told.append(read_event(self._connection.recv_bytes(LONGEST)))
        return told

    def say(self, command: Command) -> None:
        """Give a command.

        Raises:
            OSError: the recorder has gone.
        """
        self._connection.send_bytes(command_text(command))

    def heard(self) -> None:
        """Say that the end was heard: the recorder need not wait any longer."""
        with suppress(OSError):
            self._connection.send_bytes(HEARD)

    def close(self) -> None:
        """Watch no more; the recorder goes on."""
        self._connection.close()


class Watched(Exception):
    """Another window watches this recorder."""


def connected(port: int, token: bytes, seconds: float) -> Watch | None:
    """Return the window's end, tried for so long; None where nobody answers.

    Raises:
        Watched: another window watches.
    """
    until = time.monotonic() + seconds
    while True:
        try:
            return Watch(port, token)
        except (OSError, EOFError, ValueError):
            if time.monotonic() >= until:
                return None
            time.sleep(0.05)
