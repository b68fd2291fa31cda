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
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any

from records.errors import InputError, RefusedError
from records.tomlfile import from_json, to_json

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
        port: of this computer. token: without it nobody is talked to, hexadecimal.
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
    """A test that an earlier window began."""

    order: Order
    how: Standing


def found_at_work() -> list[AtWork]:
    """Return the tests that earlier windows began and nobody heard the end of.

    Those that are on come first. Notes of tests that never began are removed.
    """
    found = []
    for note in notes():
        order = note.order
        try:
            age_s = time.time() - order.journal.stat().st_mtime
            how = Standing.ON if age_s < LATELY_S else Standing.LONG_DEAD
        except OSError:
            how = Standing.SEALED
            if not order.out.exists():
                if time.time() - note_path(order.journal).stat().st_mtime > LATELY_S:
                    remove_note(order.journal)
                    continue
                how = Standing.ON  # it is only being opened
        found.append(AtWork(order, how))
    return sorted(found, key=lambda each: each.how is not Standing.ON)


def refuse_taken(order: Order) -> None:
    """Refuse a test on a rig and station that another recorder is at.

    Raises:
        RefusedError: ``rig_in_use``.
    """
    for note in notes():
        other = note.order
        if order.rig is None or other.journal == order.journal:
            continue
        if (other.rig, other.station) != (order.rig, order.station):
            continue
        try:
            age_s = time.time() - other.journal.stat().st_mtime
        except OSError:
            continue
        if age_s < AT_IT_S:
            raise RefusedError(
                "rig_in_use", where=str(order.rig), journal=other.journal
            )


def _read(path: Path) -> Note | None:
    try:
        note = from_json(path.read_bytes(), Note)
    except (OSError, ValueError):
        return None
    return note if note.format == FORMAT else None
