"""The archive's folder: files that are never overwritten, told by a signed chain.

How a file comes in, so that a computer that dies at any instant leaves nothing half
kept: it is staged whole beside (`files.stage`); then the *head*, one small file with
the new lines of the chain and a signature over where the chain then ends, replaces the
last head: from here on it is kept. Last the files get their places and the chain its
lines. What was not finished then, the next writer does from the head: `settle`.

The head's signature covers the last line's digest, and with it every line before, and
the chain's length: a line changed, taken out, put in, moved or cut off is seen. An
older copy of the whole folder is not; a certificate that was handed out, or a head that
was noted down elsewhere, shows that.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from ..errors import InputError, IntegrityError
from ..runfile import Signature
from . import files
from .entry import (
    ARCHIVE,
    CHAIN_NAME,
    FORMAT,
    Entry,
    Fact,
    is_safe,
    read_line,
    shown,
)

HEAD_NAME = "head.json"
HEAD_FORMAT = "proofstand.archive-head/1"
_LEFT_OVER_S = 86_400.0


class KnownKey(Protocol):
    """A key that knows signatures of its own."""

    @property
    def key_id(self) -> str:
        """The key's id."""

    def fits(self, data: bytes, signature: Signature) -> bool:
        """Tell whether this key made a signature over these bytes."""


class HeadKey(KnownKey, Protocol):
    """A key that signs heads."""

    def sign(self, data: bytes) -> Signature:
        """Return the signature over bytes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """Where the chain ends, and the lines that were added last.

    Attributes:
        archive: digest of the chain's first line, which names the archive.
        start: bytes of the chain before these lines. lines: without end of line.
        key: id of the key that signed it. signature: hexadecimal.
    """

    archive: str
    start: int
    lines: tuple[str, ...]
    key: str = ""
    signature: str = ""

    @property
    def added(self) -> bytes:
        """The bytes that follow in the chain from ``start`` on."""
        return "".join(line + "\n" for line in self.lines).encode()

    @property
    def end(self) -> int:
        """Bytes of the whole chain."""
        return self.start + len(self.added)

    @property
    def last(self) -> str:
        """Digest of the chain's last line."""
        return hashlib.sha256(self.lines[-1].encode()).hexdigest()

    @property
    def n(self) -> int:
        """Number of the chain's last line."""
        return int(json.loads(self.lines[-1])["n"])

    @property
    def hangs_together(self) -> bool:
        """Each line follows on the one before, so that the signature covers all."""
        before = [json.loads(line)["before"] for line in self.lines[1:]]
        return before == [
            hashlib.sha256(line.encode()).hexdigest() for line in self.lines[:-1]
        ]

    @property
    def signed_bytes(self) -> bytes:
        """The bytes that its signature covers."""
        return _json(
            {
                "format": HEAD_FORMAT,
                "archive": self.archive,
                "n": self.n,
                "last": self.last,
                "bytes": self.end,
                "key": self.key,
            }
        )

    @property
    def data(self) -> bytes:
        """The file's bytes."""
        told = {
            "format": HEAD_FORMAT,
            "archive": self.archive,
            "start": self.start,
            "lines": list(self.lines),
            "key": self.key,
            "signature": self.signature,
        }
        return _json(told) + b"\n"

    def signed(self, key: HeadKey) -> Head:
        """Return it signed by a key."""
        named = replace(self, key=key.key_id, signature="")
        return replace(named, signature=key.sign(named.signed_bytes).value)

    def is_signed_by(self, key: KnownKey) -> bool:
        """Tell whether a key made its signature."""
        return self.key == key.key_id and key.fits(
            self.signed_bytes, Signature(self.key, self.signature)
        )


def _json(told: dict[str, object]) -> bytes:
    return json.dumps(told, separators=(",", ":"), ensure_ascii=False).encode()


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """A staged file that is to be kept.

    Attributes:
        folder: where, from the archive's on, with slashes.
        name: its file's name; ``{n}`` in it stands for the next free number, and a file
            of the same content under another number is taken for it.
        kind, what, about: as in :class:`Entry`.
    """

    staged: files.Staged
    folder: str
    name: str
    kind: str
    what: str
    about: dict[str, Fact] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of an item.

    Attributes:
        path: where it lies, from the archive's folder on.
        entry: its line, None where the same content lay there already.
    """

    path: str
    entry: Entry | None


class Archive:
    """A folder that keeps records for good."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @property
    def chain_path(self) -> Path:
        """The chain's file."""
        return self.folder / CHAIN_NAME

    @property
    def head_path(self) -> Path:
        """The head's file."""
        return self.folder / HEAD_NAME

    @property
    def exists(self) -> bool:
        """Tell whether there is an archive, be it damaged."""
        return self.head_path.exists() or self.chain_path.exists()

    def stage(self, source: Path | bytes, what: str = "file") -> files.Staged:
        """Copy what is to be kept into the folder; nothing is kept by that yet.

        Raises:
            InputError: see :func:`files.stage`.
        """
        return files.stage(self.folder, source, what)

    def make(
        self,
        key: HeadKey,
        who: str,
        utc_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        """Begin an archive in a folder that is new or empty, unless there is one.

        Raises:
            InputError: ``archive_unwritable``, ``archive_folder_taken``.
        """
        if self.exists:
            return
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise files.unwritable(self.folder, error) from None
        with files.locked(self.folder):
            if self.exists:
                return  # another writer was quicker
            if any(not files.is_our_own(f.name) for f in self.folder.iterdir()):
                raise InputError("archive_folder_taken", where=str(self.folder))
            first = Entry(
                n=0,
                path="",
                kind=ARCHIVE,
                sha256="",
                size=0,
                utc_ns=utc_ns(),
                who=shown(who),
                what="the archive begins",
                about={"format": FORMAT, "id": secrets.token_hex(16)},
            )
            head = Head(
                archive=first.digest, start=0, lines=(first.line.decode(),)
            ).signed(key)
            self._commit(head)

    def head(self) -> Head:
        """Return the head as it stands in its file; its signature is not looked at.

        Raises:
            InputError: ``archive_missing``, ``file_unreadable``, ``format_newer``.
            IntegrityError: ``head_missing``, ``head_changed``.
        """
        path = self.head_path
        try:
            data = path.read_bytes()
        except FileNotFoundError:
            if self.chain_path.exists():
                raise IntegrityError("head_missing", where=str(path)) from None
            raise InputError("archive_missing", where=str(self.folder)) from None
        except OSError as error:
            why = error.strerror or str(error)
            if not self.folder.is_dir():
                raise InputError("archive_missing", where=str(self.folder)) from None
            raise InputError(
                "file_unreadable", where=str(path), what="archive", why=why
            ) from None
        try:
            told = json.loads(data)
            if _is_newer(told.get("format")):
                raise InputError(
                    "format_newer",
                    where=str(path),
                    found=told["format"],
                    wanted=HEAD_FORMAT,
                )
            head = Head(
                archive=str(told["archive"]),
                start=int(told["start"]),
                lines=tuple(map(str, told["lines"])),
                key=str(told["key"]),
                signature=str(told["signature"]),
            )
            # hexadecimal in one way only, so that no byte is free
            plain = bytes.fromhex(head.signature).hex() == head.signature
            whole = plain and head.data == data and head.n >= 0 and head.hangs_together
        except (ValueError, KeyError, TypeError, AttributeError, IndexError):
            whole = False
        if not whole:
            raise IntegrityError("head_changed", where=str(path)) from None
        return head

    def entries(self, start: int = 0, n: int = 0, before: str = "") -> Iterator[Entry]:
        """Give the chain's whole lines in order, each shown to follow on the last.

        Args:
            start: byte of the chain to begin at.
            n: number of the line there.
            before: digest of the line before.

        Raises:
            InputError: the chain can't be read.
            IntegrityError: ``chain_missing``, ``chain_changed``,
                ``chain_out_of_order``.
        """
        path = self.chain_path
        try:
            with path.open("rb") as file:
                file.seek(start)
                for line in file:
                    if not line.endswith(b"\n"):
                        return  # not written to its end: `settle` knows more
                    entry = read_line(line[:-1], n, before, str(path))
                    yield entry
                    n, before = n + 1, entry.digest
        except FileNotFoundError:
            if self.head_path.exists():
                raise IntegrityError("chain_missing", where=str(path)) from None
            raise InputError("archive_missing", where=str(self.folder)) from None
        except OSError as error:
            raise InputError(
                "file_unreadable",
                where=str(path),
                what="chain of the archive",
                why=error.strerror or str(error),
            ) from None

    def settle(self) -> bool:
        """Finish what a writer that died had begun, under the lock.

        Returns:
            Whether anything had to be done.

        Raises:
            InputError: ``archive_busy``, ``archive_unwritable``.
            IntegrityError: the folder is not as any writer of ours leaves it.
        """
        if self.is_settled():
            return False
        with files.locked(self.folder):
            return self._settle(self.head())

    def is_settled(self) -> bool:
        """Tell whether the chain ends where the head says.

        Raises:
            InputError, IntegrityError: see :meth:`head`.
        """
        head = self.head()
        try:
            with self.chain_path.open("rb") as file:
                file.seek(0, os.SEEK_END)
                if file.tell() != head.end:
                    return False
                file.seek(head.start)
                return file.read() == head.added
        except OSError:
            return False

    def add(
        self,
        items: Sequence[Item],
        *,
        key: HeadKey,
        who: str,
        utc_ns: Callable[[], int] = time.time_ns,
        wait_s: float = files.WAIT_S,
        trusted: Sequence[KnownKey] = (),
    ) -> tuple[Kept, ...]:
        """Keep staged files for good, all of them or none.

        Args:
            items: what to keep, in the order of their lines.
            key: signs the new head.
            who: by whom.
            utc_ns: the clock.
            wait_s: how long to wait for another writer.
            trusted: other keys that may have signed the head that stands there. One by
                any other is not covered up by a signature over it.

        Raises:
            InputError: ``archive_busy``, ``archive_unwritable``,
                ``archive_has_another``.
            IntegrityError: the chain was changed.
        """
        try:
            with files.locked(self.folder, wait_s):
                head = self.head()
                if not any(head.is_signed_by(known) for known in (key, *trusted)):
                    raise IntegrityError("head_not_signed", where=str(self.head_path))
                self._settle(head)
                kept = self._kept(items, head, who, utc_ns())
                new = [k.entry.line.decode() for k in kept if k.entry is not None]
                if new:
                    added = Head(
                        archive=head.archive, start=head.end, lines=tuple(new)
                    ).signed(key)
                    try:
                        self._commit(added)
                    except BaseException:  # Ctrl-C, too
                        if self._may_stand(added):
                            # It is kept; `settle` needs the staged files for the rest.
                            items = ()
                        raise
        finally:
            for item in items:
                self.drop(item.staged)
        return kept

    def drop(self, staged: files.Staged) -> None:
        """Take a staged copy away that is not wanted any more."""
        _drop(staged.path)

    def _kept(
        self, items: Sequence[Item], head: Head, who: str, now: int
    ) -> tuple[Kept, ...]:
        """Return what becomes of each item, with lines that follow on the head's."""
        kept: list[Kept] = []
        taken: dict[str, str] = {}
        n, before = head.n, head.last
        for item in items:
            path, is_new = self._place(item, taken)
            if not is_new:
                kept.append(Kept(path, None))
                continue
            n += 1
            entry = Entry(
                n=n,
                path=path,
                kind=item.kind,
                sha256=item.staged.sha256,
                size=item.staged.bytes,
                utc_ns=now,
                who=shown(who),
                what=shown(item.what),
                about={
                    name: shown(fact) if isinstance(fact, str) else fact
                    for name, fact in item.about.items()
                },
                before=before,
            )
            before = entry.digest
            taken[path] = entry.sha256
            kept.append(Kept(path, entry))
        return tuple(kept)

    def _place(self, item: Item, taken: dict[str, str]) -> tuple[str, bool]:
        """Return where an item goes, and whether it is new there."""
        if not all(map(is_safe, item.folder.split("/"))):
            raise ValueError(f"no folder of an archive: {item.folder!r}")
        number = 1
        while True:
            path = f"{item.folder}/{item.name.replace('{n}', f'{number:03d}')}"
            place = self.folder / path
            try:
                there = taken.get(path) or files.sha256_of(place)[0]
            except FileNotFoundError:
                return path, True
            except OSError as error:
                raise files.unwritable(place, error) from None
            if there == item.staged.sha256:
                return path, False
            if "{n}" not in item.name:
                raise InputError("archive_has_another", where=str(place))
            number += 1

    def _commit(self, head: Head) -> None:
        """Put a head in place and do what it says; the lock is held."""
        try:
            files.replace(self.head_path, head.data)
        except OSError as error:
            raise files.unwritable(self.folder, error) from None
        self._settle(head)

    def _may_stand(self, head: Head) -> bool:
        """Tell whether a head is in its place, or can't be looked at."""
        try:
            return self.head_path.read_bytes() == head.data
        except OSError:
            return True

    def _settle(self, head: Head) -> bool:
        """Bring folder and chain to what the head says; the lock is held."""
        path = self.chain_path
        try:
            size = path.stat().st_size if path.exists() else 0
            if size < head.start:
                raise IntegrityError("chain_cut_short", where=str(path))
            there = b""
            if size:
                with path.open("rb") as file:
                    file.seek(head.start)
                    there = file.read(len(head.added) + 1)
            if there == head.added:
                return False
            if not head.added.startswith(there):
                raise IntegrityError("chain_beyond_head", where=str(path))
            for line in head.lines:
                self._put(json.loads(line))
            with path.open("ab") as file:
                file.write(head.added[len(there) :])
                file.flush()
                os.fsync(file.fileno())
            files.sync_folder(self.folder)
            self._sweep()
        except OSError as error:
            raise files.unwritable(self.folder, error) from None
        return True

    def _put(self, told: dict[str, object]) -> None:
        path, sha256 = str(told["path"]), str(told["sha256"])
        if not path:
            return
        place = self.folder / path
        if place.exists() and files.sha256_of(place)[0] == sha256:
            return
        for ready in sorted((self.folder / files.STAGE_NAME).glob(f"{sha256}.*")):
            if files.sha256_of(ready)[0] == sha256:
                files.put(ready, place)
                return
        raise IntegrityError("archive_file_missing", where=str(place))

    def _sweep(self) -> None:
        """Take away staged copies that dead writers left behind."""
        incoming = self.folder / files.STAGE_NAME
        if not incoming.is_dir():
            return
        now = time.time()
        for found in incoming.iterdir():
            try:
                age = now - found.stat().st_mtime
            except OSError:
                continue
            if age > _LEFT_OVER_S:
                _drop(found)


def _drop(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError:
        return  # a copy left over harms nobody; the next writer sweeps it


def _is_newer(format: object) -> bool:
    stem, number = HEAD_FORMAT.rsplit("/", 1)
    if not isinstance(format, str) or not format.startswith(stem + "/"):
        return False
    found = format.rsplit("/", 1)[1]
    return found.isdigit() and int(found) > int(number)
