"""A test led by a recorder in a process of its own, seen from the window.

A thread follows the journal, which is the record, and the live channel, and puts what
they tell into one queue in the order in which it was told. The recorder goes on when
the window lets go of it; when the recorder dies it is started again, and the step that
was on is repeated. Knows no Qt.
"""

from __future__ import annotations

import queue
import subprocess
import threading
import time
from collections.abc import Iterable
from dataclasses import replace

from proofstand.at_work import Order, read_note, start_recorder, words_path
from proofstand.following import Follower
from proofstand.live_channel import Watch, Watched, connected
from proofstand.log import our_fault
from proofstand.procedure.engine import Command
from proofstand.session import SessionEvent, Started, Troubled
from proofstand.session_text import Ended, Sealed, Told, Written
from records.errors import ProofstandError, RefusedError, RigError
from records.journal import is_held
from records.runfile import open_run

from .session_thread import (
    Final,
    Over,
    Readable,
    Restarted,
    ThreadEvent,
    paper_beside,
)

# A recorder that died so often since it last got on is not started again.
MOST_DEATHS = 3
GOT_ON_S = 60.0
START_S = 60.0  # a recorder has so long to leave its note
ANSWER_S = 3.0
BEAT_S = 0.04
# What waits for the window to draw; the journal keeps the rest until then.
MOST_WAITING = 16
WHOLE_BYTES = 50_000_000  # a run file up to this is taken into memory

# Recorders that were left to go on; kept so that their end is taken note of.
_left: list[subprocess.Popen[bytes]] = []


class SessionProcess:
    """One test, led by a recorder.

    Args:
        order: what the recorder does.
        attach: it is at work already, or died at it.
    """

    def __init__(self, order: Order, *, attach: bool = False) -> None:
        self.order = order
        self._attach = attach
        self._events: queue.Queue[ThreadEvent] = queue.Queue(MOST_WAITING)
        self._commands: queue.SimpleQueue[Command] = queue.SimpleQueue()
        self._unsaid: list[Command] = []
        self._let_go = threading.Event()
        self._follower = Follower(order.journal)
        self._told: list[ProofstandError] = []
        self._process: subprocess.Popen[bytes] | None = None
        self._token = ""
        self._thread = threading.Thread(target=self._run, name="session-link")

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether there is still something to come of it."""
        return self._thread.is_alive()

    def say(self, command: Command) -> None:
        """Give the recorder a command; it is taken after the next readings."""
        self._commands.put(command)

    def let_go(self) -> None:
        """Watch no more; the recorder goes on."""
        self._let_go.set()

    def drain(self, most: int = MOST_WAITING) -> list[ThreadEvent]:
        """Return what has come since, at most so many events."""
        found: list[ThreadEvent] = []
        while len(found) < most and not self._events.empty():
            found.append(self._events.get())
        return found

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait for the end; return whether it has come."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    # --- inside ----------------------------------------------------------------------

    def _run(self) -> None:
        try:
            self._lead()
        except ProofstandError as error:
            self._trouble(error)
        except BaseException as error:  # the last wall: said in words, kept in the log
            self._trouble(our_fault(error))
        finally:
            self._follower.close()
            self._leave_process()
            self._put(Over())

    def _put(self, event: ThreadEvent) -> None:
        while not self._let_go.is_set():
            try:
                self._events.put(event, timeout=0.1)
                return
            except queue.Full:
                continue

    def _trouble(self, error: ProofstandError) -> None:
        if error not in self._told:
            self._told.append(error)
            self._put(Troubled(error))

    def _lead(self) -> None:
        order, deaths, held_since = self.order, 0, 0.0
        if not self._attach:
            self._start(order)
        while not self._let_go.is_set():
            began = time.monotonic()
            watch = self._reach(order)
            if watch is not None and self._talk(watch):
                return
            if self._let_go.is_set():
                return
            if is_held(order.journal):  # it lives, and only does not answer
                held_since = held_since or time.monotonic()
                if time.monotonic() - held_since > START_S:
                    raise RefusedError("run_being_recorded", where=str(order.journal))
                self._let_go.wait(1.0)
                self._token = ""
                continue
            held_since = 0.0
            self._follow(None)  # the rest of what it wrote
            got_on = watch is not None and time.monotonic() - began > GOT_ON_S
            deaths = 1 if got_on else deaths + 1
            why = _last_words(order)
            if deaths > MOST_DEATHS:
                raise RigError("recorder_died", where=str(order.journal), why=why)
            self._put(Restarted(why))
            order = replace(order, resume=True)
            self._start(order)

    def _start(self, order: Order) -> None:
        note = read_note(order.journal)
        self._token = "" if note is None else note.token
        self._leave_process()
        self._process = start_recorder(order)

    def _leave_process(self) -> None:
        """Take note of an ended recorder; leave one that goes on to itself."""
        process, self._process = self._process, None
        if process is not None:
            if not self._let_go.is_set():
                _wait(process, START_S)
            _left.append(process)
        take_note_of_ended()

    def _reach(self, order: Order) -> Watch | None:
        """Return the way to the recorder, or None where there is none."""
        began = time.monotonic()
        until = began + START_S
        while not self._let_go.is_set():
            note = read_note(order.journal)
            if note is not None and note.token != self._token:
                try:
                    return connected(note.port, bytes.fromhex(note.token), ANSWER_S)
                except Watched:
                    if time.monotonic() - began > ANSWER_S:
                        raise RefusedError(
                            "recorder_watched", where=str(order.journal)
                        ) from None
                    # a window that is only just going is still counted
                    self._let_go.wait(BEAT_S)
                    continue
            process = self._process
            if process is None or process.poll() is not None:
                return None
            if time.monotonic() > until:
                process.kill()  # it never came so far as to open anything
                return None
            self._let_go.wait(BEAT_S)
        return None

    def _talk(self, watch: Watch) -> bool:
        """Pass on what is told until the end; return whether that was told."""
        try:
            while not self._let_go.is_set():
                self._say_all(watch)
                for event, at in watch.take(BEAT_S):
                    self._follow(at, watch)
                    ended = self._tell(event)
                    if self._let_go.is_set():
                        return False  # not heard: the next window is told of it
                    if ended:
                        watch.heard()
                        return True
        except (EOFError, OSError, ValueError):
            pass
        finally:
            watch.close()
        return False

    def _say_all(self, watch: Watch) -> None:
        while not self._commands.empty():
            self._unsaid.append(self._commands.get())
        while self._unsaid:
            watch.say(self._unsaid[0])
            self._unsaid.pop(0)

    def _follow(self, until: int | None, watch: Watch | None = None) -> None:
        """Put what the journal holds up to a length."""
        while not self._let_go.is_set():
            before = self._follower.offset
            found: Iterable[SessionEvent] = self._follower.take(until)
            for event in found:
                self._put(event)
                if isinstance(event, Started):
                    self._put(Readable(self._follower.again.stretch))
            if self._follower.offset == before:
                return
            if watch is not None:
                self._say_all(watch)

    def _final(self, sealed: Sealed) -> Final:
        """Return the run and its judgement; a long run without its samples."""
        run = self._follower.run(sealed.sha256, sealed.key_id)
        if run is None or sealed.out.stat().st_size < WHOLE_BYTES:
            run = open_run(sealed.out)
        return Final(
            run_path=sealed.out,
            run=run,
            judgement=sealed.judgement,
            paper=paper_beside(sealed.out, sealed.sha256),
            key_folder=sealed.key_folder,
            by=self.order.by or run.header.by or run.header.job.technician,
        )

    def _tell(self, event: Told) -> bool:
        """Put what was told over the channel; return whether it was the end."""
        match event:
            case Written():
                pass
            case Sealed():
                self._put(self._final(event))
            case Troubled(error):
                self._trouble(error)
            case Ended():
                return True
            case _:
                self._put(event)
        return False


def take_note_of_ended() -> None:
    """Take note of the recorders that were left and have ended since."""
    _left[:] = [each for each in _left if each.poll() is None]


def _wait(process: subprocess.Popen[bytes], seconds: float) -> None:
    try:
        process.wait(seconds)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _last_words(order: Order) -> str:
    """Return the last line of a recorder's error output, or ""."""
    try:
        said = words_path(order.journal).read_text("utf-8", "replace")
    except OSError:
        return ""
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    return lines[-1] if lines else ""
