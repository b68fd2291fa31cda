"""Recorders at work: what each was told to do, and where it is reached.

A recorder that a window started is a process of its own. It leaves a note in a folder
that only the user may look into; the next window finds the recorder by it. A note stays
behind where a recorder died, or ended while nobody watched.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any

from records.errors import InputError, ProofstandError, RefusedError
from records.journal import JournalTail
from records.rig import PRESSURE_ROLES, Instrument, Rig
from records.tomlfile import from_json, to_json
from rig.rigfile import load_rig

from .places import made, recorders_dir
from .ready import journal_of

FORMAT = "proofstand.recorder/1"
# A recorder writes ten times a second; one that died since is started again unasked.
LATELY_S = 600.0
AT_IT_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What a recorder is told to do; paths are absolute.

    Attributes:
        out: run file to make; its journal lies beside it.
        rig, plan, station, job, by, label, cautions_read_by, hands: see ``record``.
        key_folder: of the key that seals it, None for the shop's own.
        demo: folder of the demonstration shop where it is a whole simulated test.
        resume: go on with what lies there, as far as it got.
    """

    out: Path
    rig: Path | None = None
    plan: str = ""
    station: str = ""
    job: Path | None = None
    by: str = ""
    label: str = ""
    cautions_read_by: str = ""
    hands: str | None = None
    key_folder: Path | None = None
    demo: Path | None = None
    resume: bool = False

    @property
    def journal(self) -> Path:
        """What is written while the test runs."""
        return journal_of(self.out)


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Where a recorder is reached.

    Attributes:
        order: what it does. pid: its process, for people who look.
        port: of this computer; 0 where a terminal leads, which no window joins.
        token: without it nobody is talked to, hexadecimal.
    """

    format: str
    order: Order
    pid: int
    port: int
    token: str


def note_path(journal: Path) -> Path:
    """Return where the note of the recorder of a journal lies."""
    name = hashlib.sha256(str(journal).encode("utf-8", "surrogateescape")).hexdigest()
    return recorders_dir() / f"{name[:24]}.json"


def words_path(journal: Path) -> Path:
    """Return where a recorder's error output goes, for a fault before its log."""
    return note_path(journal).with_suffix(".err")


def write_note(note: Note) -> None:
    """Put a note in place; one of an earlier recorder of the same run goes.

    Raises:
        OSError: it can't be written.
    """
    path = note_path(note.order.journal)
    made(path.parent, private=True)
    beside = path.with_suffix(f".{os.getpid()}")
    beside.unlink(missing_ok=True)
    # nobody else may read the token, not even for a moment
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(to_json(note))
    os.replace(beside, path)


def read_note(journal: Path) -> Note | None:
    """Return the note of the recorder of a journal, or None."""
    return _read(note_path(journal))


def remove_note(journal: Path) -> None:
    """Forget a recorder: it was heard to its end."""
    for path in (note_path(journal), words_path(journal)):
        path.unlink(missing_ok=True)


def notes() -> list[Note]:
    """Return the notes of all recorders, the earliest first."""
    try:
        paths = [p for p in recorders_dir().iterdir() if p.suffix == ".json"]
        paths.sort(key=lambda path: path.stat().st_mtime_ns)
    except OSError:
        return []
    return [note for note in map(_read, paths) if note is not None]


@contextmanager
def led_at_terminal(order: Order) -> Iterator[None]:
    """Tell others for a while that a terminal leads a test on a rig and station.

    Raises:
        RefusedError: ``rig_in_use``: another one is at it.
    """
    refuse_taken(order)
    with suppress(OSError):  # who can't be told finds the rig in use by what it reads
        write_note(Note(format=FORMAT, order=order, pid=os.getpid(), port=0, token=""))
    try:
        yield
    finally:
        remove_note(order.journal)


def start_recorder(order: Order) -> subprocess.Popen[bytes]:
    """Start a recorder in a process that nothing of this one takes along.

    Raises:
        InputError: its folder of notes can't be written.
    """
    path = words_path(order.journal)
    command = [sys.executable, "-m", "proofstand.recorder", str(order.journal)]
    try:
        made(path.parent, private=True)
        with path.open("wb") as words:
            process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=words,
                **_apart(),
            )
    except OSError as error:
        raise InputError(
            "file_unwritable", where=str(path.parent), why=error.strerror or error
        ) from None
    assert process.stdin is not None
    with suppress(OSError), process.stdin:  # a recorder that died at once is seen later
        process.stdin.write(to_json(order))
    return process


def _apart() -> Mapping[str, Any]:
    """Return what keeps a closed terminal or a killed window from ending it."""
    if sys.platform == "win32":
        flags = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.DETACHED_PROCESS
        return {"creationflags": flags}
    return {"start_new_session": True}


class Standing(Enum):
    """How a test stands that an earlier window began."""

    ON = "its recorder is at work, or died so lately that it is to go on"
    LONG_DEAD = "it was interrupted, and who knows what is on the rig by now"
    SEALED = "it came to its end while nobody watched"


@dataclass(frozen=True, slots=True)
class AtWork:
    """A test that an earlier window began.

    Attributes:
        last_s: when it was last written to, seconds since 1970; 0 where unknown.
    """

    order: Order
    how: Standing
    last_s: float = 0.0


def found_at_work() -> list[AtWork]:
    """Return the tests that earlier windows began and nobody heard the end of.

    Those that are on come first. Notes of tests that never began are removed.
    """
    found = []
    for note in notes():
        order, last_s = note.order, 0.0
        if note.port == 0:
            _forget_dead_terminal(order)
            continue
        try:
            last_s = order.journal.stat().st_mtime
            lately = time.time() - last_s < LATELY_S
            how = Standing.ON if lately else Standing.LONG_DEAD
        except OSError:
            how = Standing.SEALED
            if not order.out.exists():
                if time.time() - note_path(order.journal).stat().st_mtime > LATELY_S:
                    remove_note(order.journal)
                    continue
                how = Standing.ON  # it is only being opened
        found.append(AtWork(order, how, last_s))
    return sorted(found, key=lambda each: each.how is not Standing.ON)


def _forget_dead_terminal(order: Order) -> None:
    """Remove the note of a terminal that was closed hard; its journal stays."""
    try:
        age_s = time.time() - order.journal.stat().st_mtime
    except OSError:
        age_s = time.time() - note_path(order.journal).stat().st_mtime
    if age_s > LATELY_S:
        remove_note(order.journal)


def serial_in(journal: Path) -> str:
    """Return the serial of a journal's regulator, "" where it can't be read."""
    tail = JournalTail(journal)
    try:
        tail.take()
        return "" if tail.header is None else tail.header.job.regulator.serial
    except ProofstandError:
        return ""
    finally:
        tail.close()


def refuse_taken(order: Order) -> None:
    """Refuse a test on a rig and station that another recorder is at.

    They are the same where the same is at the other end, whatever the rig file's name.

    Raises:
        RefusedError: ``rig_in_use``.
    """
    for note in notes():
        other = note.order
        if order.rig is None or other.journal == order.journal:
            continue
        try:
            age_s = time.time() - other.journal.stat().st_mtime
        except OSError:
            continue
        if age_s < AT_IT_S and _same_station(order, other):
            raise RefusedError(
                "rig_in_use", where=str(order.rig), journal=other.journal
            )


def _same_station(order: Order, other: Order) -> bool:
    """Tell whether two tests are of what is read at one station."""
    if order.rig is None or other.rig is None:
        return False
    ours, theirs = _seen_by(order), _seen_by(other)
    one_file = os.path.realpath(order.rig) == os.path.realpath(other.rig)
    if ours is None or theirs is None:
        return one_file and order.station == other.station
    if one_file:
        return ours.stations[0].id == theirs.stations[0].id
    return not _read_from(ours).isdisjoint(_read_from(theirs))


def _seen_by(order: Order) -> Rig | None:
    """Return the rig as the station of an order sees it, None where it can't be read.

    What is wrong with a file is told by who is to work with it.
    """
    assert order.rig is not None
    try:
        return load_rig(order.rig).for_station(order.station)
    except ProofstandError:
        return None


def _read_from(rig: Rig) -> frozenset[tuple[object, ...]]:
    """Return where the outlet of a station is read; without one, all its pressures.

    An inlet may be that of a supply which serves several rigs.
    """
    wires = {i.id: _wire(i) for i in rig.instruments if i.stored is None}
    found = [
        c for c in rig.channels if c.role in PRESSURE_ROLES and c.instrument in wires
    ]
    found = [c for c in found if c.role == "outlet"] or found
    return frozenset(
        (
            *wires[c.instrument],
            None if c.register is None else (c.register.table, c.register.address),
            c.column,
            c.field,
            # two stations of a rig may be led side by side
            rig.stations[0].id if len(c.serves) > 1 else "",
        )
        for c in found
    )


def _wire(instrument: Instrument) -> tuple[object, ...]:
    """Return what an instrument is reached by, other names of the same put right."""
    if instrument.serial is not None:
        port = instrument.serial.port
        if port.startswith("socket://"):
            host, _, number = port.removeprefix("socket://").rpartition(":")
            return _host(host), number, instrument.device
        if port.startswith("/"):  # a link of the system's to a device
            port = os.path.realpath(port)
        return port.lower(), instrument.device
    if instrument.host:
        return _host(instrument.host), str(instrument.port), instrument.device
    options = tuple(sorted((k, str(v)) for k, v in instrument.options.items()))
    return instrument.driver, options


def _host(name: str) -> str:
    return "127.0.0.1" if name.lower() in ("localhost", "::1") else name.lower()


def _read(path: Path) -> Note | None:
    try:
        note = from_json(path.read_bytes(), Note)
    except (OSError, ValueError):
        return None
    return note if note.format == FORMAT else None
