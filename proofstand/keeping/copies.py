"""A copy of the archive, and an archive from a copy: both read back to the end."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from records.archive import files
from records.archive.chain import Archive, Head
from records.archive.entry import Entry
from records.errors import InputError, IntegrityError

from .checked import check_archive

Told = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Copied:
    """A copy that was made or brought up to its archive.

    Attributes:
        folder: of the copy. records: in it now. copied: of them just now.
        last: digest of the last line of its chain.
    """

    folder: str
    records: int
    copied: int
    last: str

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON."""
        return asdict(self)


def back_up(archive: Archive, out: Path, told: Told = lambda done, of: None) -> Copied:
    """Bring a copy up to an archive; each file that is copied is read back.

    The copy's chain has to be the beginning of the archive's, so that an archive whose
    past was changed never spoils a good copy.

    Raises:
        InputError: ``archive_folder_taken``, ``archive_unwritable``, and what can't be
            read.
        IntegrityError: ``copy_differs`` when the copy is of another archive or of
            another past; a file of the archive was changed or is missing.
    """
    head, entries = _read(archive)
    copy = Archive(out)
    if out.resolve().is_relative_to(archive.folder.resolve()):
        raise InputError("archive_folder_taken", where=str(out))
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise files.unwritable(out, error) from None
    with files.locked(out):
        had = _had(copy, entries)
        new = entries[had:]
        for done, entry in enumerate(new, 1):
            if entry.path:
                _copy(archive, copy, entry)
            told(done, len(new))
        _finish(copy, head, entries, had)
    return Copied(
        str(out), len(entries) - 1, len([e for e in new if e.path]), head.last
    )


def restore(
    copy: Archive,
    into: Path,
    keys: Sequence[Path] = (),
    told: Told = lambda done, of: None,
) -> Copied:
    """Make an archive from a copy, which is checked before and after.

    Args:
        copy: what to take back.
        into: a folder that is new or empty.
        keys: public keys of who may have signed.
        told: how far it got.

    Raises:
        InputError: ``archive_folder_taken``; what can't be read or written.
        IntegrityError: ``copy_damaged``; the copy is not whole, nothing was made.
    """
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise InputError("archive_folder_taken", where=str(into))
    _refuse_damaged(copy, keys)
    made = back_up(copy, into, told)
    _refuse_damaged(Archive(into), keys)
    return made


def _refuse_damaged(archive: Archive, keys: Sequence[Path]) -> None:
    found = check_archive(archive, keys)
    if found.troubles:
        first = found.troubles[0]
        raise IntegrityError(
            "copy_damaged",
            where=str(archive.folder),
            n=len(found.troubles),
            first=first.where,
        )


def _read(archive: Archive) -> tuple[Head, list[Entry]]:
    """Return an archive's head and the entries up to it.

    Raises:
        IntegrityError: the chain does not end where its head says.
    """
    head = archive.head()
    entries: list[Entry] = []
    for entry in archive.entries():
        entries.append(entry)
        if entry.n == head.n:
            break
    if not entries or entries[-1].digest != head.last:
        raise IntegrityError("chain_cut_short", where=str(archive.chain_path))
    return head, entries


def _had(copy: Archive, entries: Sequence[Entry]) -> int:
    """Return how many entries a copy has, once it is shown to be one of this archive.

    Raises:
        InputError: ``archive_folder_taken``.
        IntegrityError: ``copy_differs``.
    """
    if not copy.chain_path.exists():
        strange = [f for f in copy.folder.iterdir() if not files.is_our_own(f.name)]
        known = {entry.path.split("/")[0] for entry in entries}
        if any(f.name not in known for f in strange):
            raise InputError("archive_folder_taken", where=str(copy.folder))
        return 0
    had = 0
    for entry in copy.entries():
        if had >= len(entries) or entries[had].digest != entry.digest:
            raise IntegrityError("copy_differs", where=str(copy.folder), n=entry.n)
        had += 1
    return had


def _copy(archive: Archive, copy: Archive, entry: Entry) -> None:
    source, place = archive.folder / entry.path, copy.folder / entry.path
    wanted = (entry.sha256, entry.size)
    try:
        if place.exists() and files.sha256_of(place) == wanted:
            return  # a copy that was broken off got so far
    except OSError as error:
        raise files.unwritable(place, error) from None
    staged = copy.stage(source, entry.kind)
    try:
        if (staged.sha256, staged.bytes) != wanted:
            raise IntegrityError("archive_file_changed", where=str(source), n=entry.n)
        try:
            files.put(staged.path, place)
            if files.sha256_of(place) != wanted:
                raise IntegrityError("copy_misread", where=str(place))
        except FileExistsError:
            raise IntegrityError("copy_differs", where=str(place), n=entry.n) from None
        except OSError as error:
            raise files.unwritable(place, error) from None
    finally:
        copy.drop(staged)


def _finish(copy: Archive, head: Head, entries: Sequence[Entry], had: int) -> None:
    """Give the copy its lines and its head, once all files are there."""
    added = b"".join(entry.line + b"\n" for entry in entries[had:])
    kept = sum(len(entry.line) + 1 for entry in entries[:had])
    try:
        with copy.chain_path.open("ab") as file:
            file.truncate(kept)  # a line that was broken off
            file.write(added)
            file.flush()
            os.fsync(file.fileno())
        files.replace(copy.head_path, head.data)
    except OSError as error:
        raise files.unwritable(copy.folder, error) from None
