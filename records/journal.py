"""The journal: what a recorder writes while a test runs, record after record.

A journal only ever grows. Each record is ``length, kind, CRC-32, payload``; a recorder
killed at any instant leaves every record that it finished, and at most one torn one at
the end. A further part of an interrupted run goes on behind that end. The layout is
told in ``docs/run-file.md``.
"""

from __future__ import annotations

import json
import os
import struct
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import numpy as np

from .errors import InputError, IntegrityError, RefusedError
from .run import Mark, Part, Run, RunHeader, RunState, Samples
from .tomlfile import from_json, to_json
from .trace import Block, FlagArray, flag_runs, flags_of_runs

try:
    import fcntl
except ImportError:  # not on Windows: a live journal can't be told from a dead one
    fcntl = None  # type: ignore[assignment]

MAGIC = b"proofstand.journal/2\n"
_READABLE = (MAGIC, b"proofstand.journal/1\n")
_FAMILY = b"proofstand.journal/"
_HEAD = struct.Struct("<IBI")
_BLOCK = struct.Struct("<HHIH")
_HEADER, _PART, _SAMPLES_1, _MARK, _TRUTH, _CLOSE, _SAMPLES, _RESUMED = range(1, 9)
_RUN = np.dtype([("column", "<u2"), ("start", "<u4"), ("stop", "<u4"), ("flag", "u1")])
_LONGEST = 1 << 24  # bytes in one record; damage can claim any length
_CHUNK = 1 << 22  # read at a time from a journal that is still written


class JournalWriter:
    """Appends records to a journal; each is handed to the system before it returns.

    Args:
        path: the journal; must not exist, see :meth:`resume` for one that does.
        header: what is known of the run.
        behind: an interrupted journal as read, to go on behind.

    Raises:
        InputError: ``file_exists``, ``file_unwritable``.
        RefusedError: ``run_being_recorded``.
    """

    def __init__(
        self, path: Path, header: RunHeader, *, behind: Journal | None = None
    ) -> None:
        self.path = path
        self._instruments = [i.id for i in header.rig.instruments]
        try:
            mode = "xb" if behind is None else "ab"
            self._file: IO[bytes] = path.open(mode, buffering=0)
        except FileExistsError:
            raise InputError("file_exists", where=str(path), what="journal") from None
        except OSError as error:
            raise InputError(
                "file_unwritable", where=str(path), why=error.strerror or error
            ) from None
        self._lock(0 if behind is None else behind.length)
        if behind is not None:
            try:
                self._write(_RESUMED, json.dumps({"torn": behind.torn_bytes}).encode())
                self.sync()
            except InputError:
                self._file.close()
                raise
            return
        try:
            self._write_all(MAGIC)
            self._write(_HEADER, to_json(header))
            self.sync()
        except InputError as error:
            self._file.close()
            path.unlink()  # nothing was recorded in it yet
            raise InputError(
                "file_unwritable", where=str(path), why=error.facts["why"]
            ) from None

    def _lock(self, length: int) -> None:
        """Make sure that nobody else writes, nor has written since it was read."""
        free = True
        if fcntl is not None:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                free = False
        if not free or self._file.tell() != length:
            self._file.close()
            raise RefusedError("run_being_recorded", where=str(self.path))

    @classmethod
    def resume(cls, path: Path) -> tuple[JournalWriter, Journal]:
        """Go on behind the end of an interrupted run's journal.

        What a kill left torn at the end stays where it is, and is told to be that.

        Returns:
            The writer, and what the journal held before.

        Raises:
            InputError: no journal of ours, an older format, or not interrupted.
            IntegrityError: it is damaged inside.
            RefusedError: a recorder still writes it.
        """
        read = read_interrupted(path)
        return cls(path, read.run.header, behind=read), read

    def _write(self, kind: int, payload: bytes) -> None:
        check = zlib.crc32(payload, zlib.crc32(bytes([kind])))
        self._write_all(_HEAD.pack(len(payload), kind, check) + payload)

    def _write_all(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            try:
                written = self._file.write(view)
            except OSError as error:  # disk full, folder gone
                raise self._stopped(error) from None
            view = view[written or 0 :]

    def _stopped(self, error: OSError) -> InputError:
        return InputError(
            "journal_unwritable", where=str(self.path), why=error.strerror or error
        )

    def part(self, part: Part) -> None:
        """Write a part; written again when one of its origins becomes known."""
        self._write(_PART, to_json(part))

    def block(self, block: Block) -> None:
        """Write a block of samples."""
        n, k = block.raw.shape
        head = _BLOCK.pack(block.part, self._instruments.index(block.instrument), n, k)
        runs = _packed(block.flags)
        self._write(_SAMPLES, head + block.t_ns.tobytes() + block.raw.tobytes() + runs)

    def mark(self, mark: Mark) -> None:
        """Write a mark."""
        self._write(_MARK, to_json(mark))

    def truth(self, truth: Mapping[str, Any]) -> None:
        """Write a simulator's true parameters."""
        self._write(_TRUTH, json.dumps(dict(truth), sort_keys=True).encode())

    def sync(self) -> None:
        """Wait until everything written is on the disk."""
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            raise self._stopped(error) from None

    def close(self, how: str) -> None:
        """Write the close record and close the file.

        Args:
            how: how the run ended, as ``"done"`` or ``"abandoned"``.
        """
        self._write(_CLOSE, json.dumps({"how": how}).encode())
        self.drop()

    def drop(self) -> None:
        """Close the file without a close record: the run stays interrupted."""
        if not self._file.closed:
            try:
                self.sync()
            finally:
                self._file.close()


@dataclass(slots=True)
class _Found:
    header: RunHeader | None = None
    parts: dict[int, Part] = field(default_factory=dict)
    marks: list[Mark] = field(default_factory=list)
    samples: dict[tuple[int, str], list[Samples]] = field(default_factory=dict)
    truth: dict[str, Any] | None = None
    closed: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Journal:
    """A journal as read.

    Attributes:
        run: what it holds, ``state`` recording, interrupted, closed or damaged.
        closed: how the run ended, or None when there is no close record.
        torn_bytes: bytes at the end that are no whole record.
        damaged_records: records inside whose check does not fit, left out.
        sha256: digest of the whole file. length: bytes that it has.
        format: as its first line says.
    """

    run: Run
    closed: str | None
    torn_bytes: int
    damaged_records: int
    sha256: str
    length: int = 0
    format: str = ""


def read_journal(path: Path) -> Journal:
    """Read a journal, whole or cut off at any byte.

    Raises:
        InputError: missing, empty, or no journal of ours.
        IntegrityError: its first record is damaged, so nothing can be told.
    """
    import hashlib

    data, live = _bytes_of(path)
    found = _Found()
    bad = 0
    gap = 0  # length of the damage right before this record
    end = len(MAGIC)
    for start, kind, payload, fits in _records(data):
        if not fits:
            bad += 1
            gap = len(payload)
            if found.header is None:
                raise IntegrityError("journal_damaged", where=str(path), at=start)
            continue
        if kind == _RESUMED and gap and json.loads(bytes(payload))["torn"] == gap:
            bad -= 1  # the torn end of the part before, as it was found then
        _take(found, kind, payload, path)
        gap = 0
        end = start + _HEAD.size + len(payload)
    if found.header is None:
        raise IntegrityError("journal_damaged", where=str(path), at=len(MAGIC))
    if bad:
        state = RunState.DAMAGED
    elif found.closed is not None:
        state = RunState.CLOSED
    else:
        state = RunState.RECORDING if live else RunState.INTERRUPTED
    run = Run(
        header=found.header,
        state=state,
        sha256="",
        key_id="",
        parts=tuple(found.parts.values()),
        marks=tuple(found.marks),
        truth=found.truth,
        samples=_joined(found.samples),
    )
    return Journal(
        run,
        found.closed,
        len(data) - end,
        bad,
        hashlib.sha256(data).hexdigest(),
        len(data),
        _name(data[: len(MAGIC)]),
    )


def _name(magic: bytes) -> str:
    return magic.decode("ascii").strip()


def read_interrupted(path: Path) -> Journal:
    """Read the journal of an interrupted run that can be gone on with.

    Raises:
        InputError: no journal of ours, an older format, or not interrupted.
        IntegrityError: it is damaged inside.
        RefusedError: a recorder still writes it.
    """
    read = read_journal(path)
    state = read.run.state
    if state is RunState.RECORDING:
        raise RefusedError("run_being_recorded", where=str(path))
    if read.damaged_records:
        raise IntegrityError("journal_damaged", where=str(path), at="inside")
    told = state.value
    if read.format != _name(MAGIC):
        told = f"{told}, of the older format {read.format}"
    if told != RunState.INTERRUPTED.value:
        raise InputError(
            "run_state_wrong", where=str(path), state=told, wanted="interrupted"
        )
    return read


def is_journal(path: Path) -> bool:
    """Tell by its first bytes whether a file is a journal of ours."""
    try:
        with path.open("rb") as file:
            return file.read(len(_FAMILY)) == _FAMILY
    except OSError:
        return False


@dataclass(frozen=True, slots=True)
class JournalClosed:
    """The close record: how the run ended."""

    how: str


JournalRecord = RunHeader | Part | Block | Mark | JournalClosed


class JournalTail:
    """Reads a journal while it is written, record after record, and locks nothing.

    Args:
        path: the journal; it need not be there yet.

    Attributes:
        offset: bytes taken so far.
        header: once it was read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.offset = 0
        self.header: RunHeader | None = None
        self._file: IO[bytes] | None = None

    def take(
        self, most: int = _CHUNK, until: int | None = None
    ) -> list[tuple[int, JournalRecord]]:
        """Return the whole records that came since, each with where it begins.

        Args:
            most: bytes read at a time, about.
            until: take nothing that begins there or later.

        Raises:
            IntegrityError: the header is damaged. InputError: it can't be read.
        """
        end = None if until is None else until - self.offset
        if end is not None and end <= 0:
            return []
        data = self._read(most if end is None else min(most, end))
        found = self._records(data)
        if not found and len(data) == most:  # one record may be longer than that
            found = self._records(self._read(_LONGEST + _HEAD.size))
        return found

    def go_to(self, offset: int, header: RunHeader) -> None:
        """Go on from the beginning of a record; the header is known from before."""
        self.offset, self.header = offset, header

    def close(self) -> None:
        """Leave the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _read(self, most: int) -> bytes:
        try:
            if self._file is None:
                self._file = self.path.open("rb", buffering=0)
            self._file.seek(self.offset)
            return self._file.read(most)
        except FileNotFoundError:
            return b""
        except OSError as error:
            raise InputError(
                "file_unreadable",
                where=str(self.path),
                what="journal",
                why=error.strerror,
            ) from None
        finally:
            if os.name == "nt":  # an open file could not be removed by its writer
                self.close()

    def _records(self, data: bytes) -> list[tuple[int, JournalRecord]]:
        at = 0
        if self.offset == 0:
            if len(data) < len(MAGIC):
                return []
            if not data.startswith(_READABLE):
                raise IntegrityError("journal_damaged", where=str(self.path), at=0)
            at = len(MAGIC)
        found: list[tuple[int, JournalRecord]] = []
        while at + _HEAD.size <= len(data):
            payload = _payload_at(data, at)
            if payload is None:
                beyond = _next_record(data, at)
                if beyond is None:
                    break  # the rest of it is still to come
                at = beyond
                continue
            record = self._record(data[at + 4], payload)
            if record is not None:
                found.append((self.offset + at, record))
            at += _HEAD.size + len(payload)
        if self.header is not None:  # else all of it is read again
            self.offset += at
        return found

    def _record(self, kind: int, payload: memoryview) -> JournalRecord | None:
        if kind == _HEADER:
            self.header = from_json(bytes(payload), RunHeader)
            return self.header
        if self.header is None:
            raise IntegrityError("journal_damaged", where=str(self.path), at=len(MAGIC))
        if kind == _PART:
            return from_json(bytes(payload), Part)
        if kind == _MARK:
            return from_json(bytes(payload), Mark)
        if kind == _CLOSE:
            return JournalClosed(json.loads(bytes(payload))["how"])
        if kind in (_SAMPLES, _SAMPLES_1):
            part, instrument, s = _samples(self.header, kind, payload)
            return Block(part, instrument, s.t_ns, s.raw, s.flags)
        return None


def _next_record(data: bytes, at: int) -> int | None:
    """Return where the next whole record begins behind a torn one, or None."""
    last = len(data) - _HEAD.size
    return next((i for i in range(at + 1, last + 1) if _payload_at(data, i)), None)


def refuse_if_live(path: Path) -> None:
    """Refuse to touch a journal that a recorder still writes.

    Raises:
        RefusedError: ``run_being_recorded``.
    """
    if _bytes_of(path)[1]:
        raise RefusedError("run_being_recorded", where=str(path))


def is_held(path: Path) -> bool:
    """Tell whether a recorder is at a journal; False where that can't be found out."""
    try:
        with path.open("rb") as file:
            return _held(file)
    except OSError:
        return False


def _held(file: IO[bytes]) -> bool:
    if fcntl is not None:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return True
    return False


def _bytes_of(path: Path) -> tuple[bytes, bool]:
    """Return a journal's bytes and whether a recorder still holds it."""
    try:
        with path.open("rb") as file:
            live = _held(file)
            data = file.read()
    except FileNotFoundError:
        raise InputError("file_missing", where=str(path), what="journal") from None
    except OSError as error:
        raise InputError(
            "file_unreadable", where=str(path), what="journal", why=error.strerror
        ) from None
    if not data:
        raise InputError("file_empty", where=str(path), what="journal")
    if not data.startswith(_READABLE):
        if data.startswith(_FAMILY):
            found = data.split(b"\n", 1)[0].decode("ascii", "replace")
            raise InputError(
                "format_newer",
                where=str(path),
                found=found,
                wanted=_name(MAGIC),
            )
        if _FAMILY.startswith(data[: len(MAGIC)]):
            raise IntegrityError("journal_damaged", where=str(path), at=len(data))
        raise InputError("file_not_ours", where=str(path), what="journal")
    return data, live


def _records(data: bytes) -> Iterator[tuple[int, int, memoryview, bool]]:
    """Yield (start, kind, payload, check fits) up to the last whole record.

    After a place that is no whole record the next one is searched for byte by byte;
    only one found later shows that the place is damage and not the torn end.
    """
    start = len(MAGIC)
    damaged_at: int | None = None
    while start + _HEAD.size <= len(data):
        payload = _payload_at(data, start)
        if payload is None:
            damaged_at = start if damaged_at is None else damaged_at
            start += 1
            continue
        if damaged_at is not None:
            yield damaged_at, 0, memoryview(data)[damaged_at:start], False
            damaged_at = None
        yield start, data[start + 4], payload, True
        start += _HEAD.size + len(payload)


def _payload_at(data: bytes, start: int) -> memoryview | None:
    """Return the payload of a whole record that begins here, or None."""
    length, kind, check = _HEAD.unpack_from(data, start)
    stop = start + _HEAD.size + length
    if not _HEADER <= kind <= _RESUMED or not 0 < length <= _LONGEST:
        return None
    if stop > len(data):
        return None
    payload = memoryview(data)[start + _HEAD.size : stop]
    return payload if zlib.crc32(payload, zlib.crc32(bytes([kind]))) == check else None


def _take(found: _Found, kind: int, payload: memoryview, path: Path) -> None:
    if kind == _HEADER:
        found.header = from_json(bytes(payload), RunHeader)
    elif kind == _PART:
        part = from_json(bytes(payload), Part)
        found.parts[part.number] = part
    elif kind == _MARK:
        found.marks.append(from_json(bytes(payload), Mark))
    elif kind == _TRUTH:
        found.truth = json.loads(bytes(payload))
    elif kind == _CLOSE:
        found.closed = json.loads(bytes(payload))["how"]
    elif kind in (_SAMPLES, _SAMPLES_1) and found.header is not None:
        part_number, instrument, samples = _samples(found.header, kind, payload)
        found.samples.setdefault((part_number, instrument), []).append(samples)
    elif kind != _RESUMED:
        raise IntegrityError("journal_damaged", where=str(path), at=f"kind {kind}")


def _samples(
    header: RunHeader, kind: int, payload: memoryview
) -> tuple[int, str, Samples]:
    """Return part, instrument and samples of a block's record."""
    part_number, index, n, k = _BLOCK.unpack_from(payload)
    at = _BLOCK.size
    t_ns = np.frombuffer(payload, np.int64, n, at)
    raw = np.frombuffer(payload, np.float64, n * k, at + 8 * n).reshape(n, k)
    tail = at + 8 * n * (1 + k)
    if kind == _SAMPLES_1:
        flags = np.frombuffer(payload, np.uint8, n * k, tail).reshape(n, k)
    else:
        flags = _unpacked(payload, tail, n, k)
    return part_number, header.rig.instruments[index].id, Samples(t_ns, raw, flags)


def _packed(flags: FlagArray) -> bytes:
    """Return a count and runs of equal flags; good samples make none."""
    runs = flag_runs(flags)
    table = np.empty(len(runs), dtype=_RUN)
    for name, column in zip(_RUN.names or (), runs.T, strict=True):
        table[name] = column
    return len(runs).to_bytes(4, "little") + table.tobytes()


def _unpacked(payload: memoryview, at: int, n: int, k: int) -> FlagArray:
    count = int.from_bytes(payload[at : at + 4], "little")
    if count == 0:
        return np.zeros((n, k), dtype=np.uint8)
    table = np.frombuffer(payload, _RUN, count, at + 4)
    runs = np.stack([table[name].astype(np.int64) for name in _RUN.names or ()], axis=1)
    return flags_of_runs(runs, n, k)


def _joined(
    found: dict[tuple[int, str], list[Samples]],
) -> dict[tuple[int, str], Samples]:
    return {
        key: Samples(
            np.concatenate([b.t_ns for b in group]),
            np.concatenate([b.raw for b in group]),
            np.concatenate([b.flags for b in group]),
        )
        for key, group in found.items()
    }
