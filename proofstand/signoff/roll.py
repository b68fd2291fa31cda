"""The roll's record: who did what when, in lines that can't be changed unseen.

Each line of ``log.jsonl`` holds the digest of the line before it. A *head* lies apart,
with the keys: the last line and a signature by the shop's key over where the log then
ends. A line changed, taken out, put in or cut off is seen, so that nobody gets rid of
wrong tries by deleting them. The head is written first and holds the line whole: what a
computer that died did not finish is finished by the next writer.

An older copy of log and head together is not seen here; a page that was handed out, and
a backup, show it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding

from records.errors import InputError, IntegrityError
from records.people import Member, Role, Roll, name_key

from ..places import keys_dir, made, people_dir
from .keys import Key, read_file, shop_key
from .lock import locked, unwritable
from .shopkeys import known_keys

FORMAT = "proofstand.people/2"
LOG_NAME = "log.jsonl"
HEAD_NAME = "people-head.json"
PINS_FOLDER = "pins"
BEGIN, ADD, ROLES, GASES, RETIRE = "begin", "add", "roles", "gases", "retire"
PIN, RESET, TRY, RIGHT, DID = "pin", "reset", "try", "right", "did"
_ACTS = (BEGIN, ADD, ROLES, GASES, RETIRE, PIN, RESET, TRY, RIGHT, DID)
_LOOKS = 200  # at a record that somebody is just writing
_PAUSE_S = 0.01

Clock = Callable[[], int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One line of the record.

    Attributes:
        n: counted from 0. utc_ns: when. by: who did it. act: what.
        who: whom it is about. facts: more of it. before: digest of the line before.
    """

    n: int
    utc_ns: int
    by: str
    act: str
    who: str
    facts: Mapping[str, str] = field(default_factory=dict)
    before: str = ""

    @property
    def line(self) -> bytes:
        """The line's bytes, without its end."""
        told = {
            "n": self.n,
            "utc_ns": self.utc_ns,
            "by": self.by,
            "act": self.act,
            "who": self.who,
            "facts": dict(self.facts),
            "before": self.before,
        }
        return _json(told)

    @property
    def digest(self) -> str:
        """SHA-256 of the line."""
        return hashlib.sha256(self.line).hexdigest()


def _json(told: object) -> bytes:
    text = json.dumps(told, separators=(",", ":"), ensure_ascii=False)
    return text.encode("utf-8", "backslashreplace")


@dataclass(frozen=True, slots=True)
class Record:
    """The roll and all that it is a fold of."""

    roll: Roll
    events: tuple[Event, ...]


def log_path() -> Path:
    """Return the file of the record."""
    return people_dir() / LOG_NAME


def head_path() -> Path:
    """Return the file of its head."""
    return keys_dir() / HEAD_NAME


def read() -> Record | None:
    """Return the record, shown to be whole, or None where no roll was begun.

    Raises:
        InputError: it can't be read.
        IntegrityError: ``people_changed``.
    """
    head, data = _stable()
    if head is None and data is None:
        return None
    if head is None:
        raise _changed(head_path(), "its head is missing")
    events, _ = _checked(head, b"" if data is None else data)
    return Record(folded(events), events)


def _stable() -> tuple[bytes | None, bytes | None]:
    """Return head and log as they belong together while others may write."""
    head = _bytes(head_path())
    for _ in range(_LOOKS):
        data = _bytes(log_path())
        again = _bytes(head_path())
        if again == head:
            return head, data
        head = again
        time.sleep(_PAUSE_S)
    raise InputError("folder_busy", where=str(people_dir()))


def _bytes(path: Path) -> bytes | None:
    try:
        return read_file(path, "record of people")
    except InputError as error:
        if error.id == "file_missing":
            return None
        raise


def _changed(path: Path, why: str) -> IntegrityError:
    return IntegrityError("people_changed", where=str(path), why=why)


@dataclass(frozen=True, slots=True)
class _Head:
    start: int  # bytes of the log before the last line
    line: bytes
    key: str
    signature: str

    @property
    def signed(self) -> bytes:
        last = hashlib.sha256(self.line).hexdigest()
        told = {"format": FORMAT, "start": self.start, "last": last, "key": self.key}
        return _json(told)

    @property
    def data(self) -> bytes:
        told = {
            "format": FORMAT,
            "start": self.start,
            "line": self.line.decode("utf-8"),
            "key": self.key,
            "signature": self.signature,
        }
        return _json(told) + b"\n"


def _head_of(data: bytes) -> _Head:
    try:
        told = json.loads(data)
        head = _Head(
            int(told["start"]),
            str(told["line"]).encode("utf-8"),
            str(told["key"]),
            str(told["signature"]),
        )
        if head.data != data or head.start < 0:
            raise ValueError("other bytes")
    except (ValueError, KeyError, TypeError, AttributeError):
        raise _changed(head_path(), "its head was changed") from None
    signer = next((key for key in known_keys() if key.id == head.key), None)
    if signer is None:
        raise _changed(head_path(), "its head is signed by a key that is not here")
    try:
        signer.public.verify(
            bytes.fromhex(head.signature),
            head.signed,
            padding.PKCS1v15(),
            hashes.SHA256(),
        )
    except (InvalidSignature, ValueError):
        raise _changed(head_path(), "the signature of its head does not fit") from None
    return head


def _checked(head_data: bytes, data: bytes) -> tuple[tuple[Event, ...], bytes]:
    """Return the events, and the log as it has to be."""
    head = _head_of(head_data)
    tail = head.line + b"\n"
    if len(data) < head.start or not tail.startswith(data[head.start :]):
        raise _changed(log_path(), "lines were taken out, put in or changed")
    whole = data[: head.start] + tail
    events: list[Event] = []
    before = ""
    for n, line in enumerate(whole.split(b"\n")[:-1]):
        event = _event(line)
        if event is None or event.n != n or event.before != before:
            raise _changed(log_path(), f"line {n + 1} was changed")
        events.append(event)
        before = event.digest
    return tuple(events), whole


def _event(line: bytes) -> Event | None:
    try:
        event = Event(**json.loads(line))
        fits = event.line == line and event.act in _ACTS
    except (ValueError, TypeError):
        return None
    return event if fits else None


def folded(events: Sequence[Event]) -> Roll:
    """Return the roll as the events leave it."""
    first = events[0]
    members: dict[str, Member] = {}
    for event in events:
        key = name_key(event.who)
        if event.act in (BEGIN, ADD):
            members[key] = Member(
                name=event.who,
                roles=_roles(event.facts["roles"]),
                gases=_gases(event.facts["gases"]),
                since_ns=event.utc_ns,
                pin=event.facts["pin"],
            )
        elif event.act != DID:
            members[key] = _after(members[key], event)
    return Roll(id=first.digest, begun_ns=first.utc_ns, members=members)


def _after(member: Member, event: Event) -> Member:
    if event.act == ROLES:
        return replace(member, roles=_roles(event.facts["roles"]))
    if event.act == GASES:
        return replace(member, gases=_gases(event.facts["gases"]))
    if event.act == RETIRE:
        return replace(member, retired_ns=event.utc_ns)
    if event.act in (PIN, RESET):
        return replace(member, pin=event.facts["pin"], wrong=0)
    if event.act == TRY:
        return replace(member, wrong=member.wrong + 1, tried_ns=event.utc_ns)
    return replace(member, wrong=0)  # RIGHT


def _roles(text: str) -> tuple[Role, ...]:
    return tuple(Role(each) for each in text.split(", ") if each)


def _gases(text: str) -> tuple[str, ...]:
    return tuple(each for each in text.split(", ") if each)


def listed(values: Sequence[str]) -> str:
    """Return several words as an event holds them."""
    return ", ".join(values)


class Writer:
    """Adds events to the record while it holds the lock."""

    def __init__(self, record: Record | None, data: bytes, clock: Clock) -> None:
        self.record = record
        self._data = data
        self._clock = clock
        self._key: Key | None = None

    def now(self) -> int:
        """Return the time, UTC nanoseconds."""
        return self._clock()

    def add(self, act: str, who: str, by: str, /, **facts: str) -> Event:
        """Write one event for good.

        Raises:
            InputError: it can't be written. Once the head holds it, it counts, and the
                next writer brings it to the log.
        """
        events = () if self.record is None else self.record.events
        event = Event(
            n=len(events),
            utc_ns=self._clock(),
            by=by,
            act=act,
            who=who,
            facts=facts,
            before=events[-1].digest if events else "",
        )
        key = self._key = self._key or shop_key()
        unsigned = _Head(len(self._data), event.line, key.id, "")
        signature = key.signer.sign(unsigned.signed).value
        head = _Head(unsigned.start, event.line, key.id, signature)
        try:
            _replace(head_path(), head.data)
        except OSError as error:
            raise unwritable(head_path(), error) from None
        self._data += event.line + b"\n"
        self.settle(head.start)
        events = (*events, event)
        self.record = Record(folded(events), events)
        return event

    def settle(self, start: int) -> None:
        """Write to the log what the head holds and it lacks.

        Raises:
            InputError: it can't be written; the next writer does it.
        """
        try:
            handle = os.open(log_path(), os.O_RDWR | os.O_CREAT, 0o600)
            with os.fdopen(handle, "r+b") as file:
                file.seek(start)
                file.write(self._data[start:])
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise unwritable(log_path(), error) from None


@contextlib.contextmanager
def writing(clock: Clock) -> Iterator[Writer]:
    """Hold the record's lock, and what is on it, while the block runs.

    Raises:
        InputError: it can't be read or written. IntegrityError: ``people_changed``.
    """
    with locked(people_dir()):
        head, data = _bytes(head_path()), _bytes(log_path())
        if head is None and data is None:
            yield Writer(None, b"", clock)
            return
        if head is None:
            raise _changed(head_path(), "its head is missing")
        found = b"" if data is None else data
        events, whole = _checked(head, found)
        writer = Writer(Record(folded(events), events), whole, clock)
        if whole != found:
            writer.settle(len(found))
        yield writer


def _replace(path: Path, data: bytes) -> None:
    """Put a small private file in place, whole at any instant."""
    made(path.parent, private=True)
    beside = path.with_name(f".{secrets.token_hex(4)}.part")
    try:
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


# --- what a PIN is checked by ---------------------------------------------------------


def keep_pin(data: bytes) -> str:
    """Write what a PIN is checked by, and return its digest.

    Raises:
        InputError: it can't be written.
    """
    digest = hashlib.sha256(data).hexdigest()
    try:
        folder = made(people_dir() / PINS_FOLDER, private=True)
        _replace(folder / f"{digest}.json", data)
    except OSError as error:
        raise unwritable(people_dir() / PINS_FOLDER, error) from None
    return digest


def pin_kept(digest: str) -> bytes:
    """Return what a PIN is checked by.

    Raises:
        InputError: it can't be read. IntegrityError: ``people_changed``.
    """
    path = people_dir() / PINS_FOLDER / f"{digest}.json"
    data = _bytes(path)
    if data is None:
        raise changed_pin(digest, "is missing")
    if hashlib.sha256(data).hexdigest() != digest:
        raise changed_pin(digest, "was changed")
    return data


def changed_pin(digest: str, how: str) -> IntegrityError:
    """Return what to tell when a PIN can't be checked."""
    path = people_dir() / PINS_FOLDER / f"{digest}.json"
    return _changed(path, f"what a PIN is checked by {how}")


def forget_pin(digest: str) -> None:
    """Remove what a PIN was checked by that counts no more; it is no record."""
    with contextlib.suppress(OSError):
        (people_dir() / PINS_FOLDER / f"{digest}.json").unlink(missing_ok=True)
