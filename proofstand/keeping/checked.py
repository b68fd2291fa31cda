"""Looking over a whole archive: every byte, every line, what belongs to what.

Needs the folder and, to see by whom it was kept, the public key; nothing else.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from records.archive import entry as kinds
from records.archive.chain import HEAD_NAME, Archive, Head
from records.archive.entry import CHAIN_NAME, Entry, Fact, read_line
from records.archive.files import sha256_of
from records.errors import InputError, IntegrityError, ProofstandError
from records.run import Run
from records.runfile import read_sealed

from ..signoff.heads import PublicKey, public_keys
from ..signoff.notices import read_notice
from ..signoff.persons import moment
from ..signoff.verify import Verified, verify_by_any
from .glance import unlisted
from .keep import (
    certificate_facts,
    judgement_facts,
    notice_facts,
    read_note,
    run_facts,
    signed_note_facts,
)

_PATIENCE_S = 2.0
_POLL_S = 0.1


@dataclass(frozen=True, slots=True)
class Checked:
    """What was found of an archive.

    Attributes:
        folder: where it is. archive: its id.
        lines: of the chain, the first one that begins it not counted.
        last: digest of the last line: noted down elsewhere, it shows later on that
            nothing was cut off since.
        counted: files by kind.
        key: id of the key that signed the head. signature: "fits" or "not checked".
        unsigned: runs without a signature of their own.
        troubles: everything that is wrong, each with the file.
    """

    folder: Path
    archive: str
    lines: int
    last: str
    counted: Mapping[str, int]
    key: str
    signature: str
    unsigned: int
    certificates: frozenset[str]
    troubles: tuple[ProofstandError, ...]


def is_archive(path: Path) -> bool:
    """Tell whether a path is the folder of an archive, be it damaged."""
    return path.is_dir() and any(
        (path / name).is_file() for name in (HEAD_NAME, CHAIN_NAME)
    )


def check_archive(
    archive: Archive,
    keys: Sequence[Path] = (),
    *,
    noted: str = "",
    told: Callable[[int, int], None] = lambda done, of: None,
) -> Checked:
    """Check an archive to its last byte; reads only.

    Args:
        archive: which.
        keys: public keys, or folders with one: who may have signed. None given leaves
            open whose signatures they are.
        noted: digest of a line that was the last one once, "" for none.
        told: how many files were looked at, of how many.

    Raises:
        InputError: there is none, it can't be read, or a key is none.
    """
    known = public_keys(keys)
    troubles: list[ProofstandError] = []
    head = _try(archive.head, troubles)
    entries = _chain(archive, head, troubles)
    signature = "not checked"
    if head is not None and known:
        signer = next((key for key in known if head.is_signed_by(key)), None)
        if signer is not None:
            signature = "fits"
            troubles += _after_end(archive, entries, signer)
        else:
            ids = ", ".join(key.key_id[:16] for key in known)
            troubles.append(
                IntegrityError("head_signature_wrong", where=_at(archive, HEAD_NAME))
                if any(head.key == key.key_id for key in known)
                else IntegrityError(
                    "signature_wrong", where=_at(archive, HEAD_NAME), key=ids
                )
            )
    if noted and all(entry.digest != noted for entry in entries):
        troubles.append(
            IntegrityError("chain_lacks_noted", where=str(archive.chain_path))
        )
    whole = _files(archive, entries, troubles, told)
    troubles += unlisted(archive, {entry.path for entry in entries})
    unsigned = _contents(archive, whole, keys, troubles)
    last = entries[-1] if entries else None
    return Checked(
        archive.folder,
        entries[0].digest if entries else "",
        0 if last is None else last.n,
        "" if last is None else last.digest,
        Counter(entry.kind for entry in entries if entry.path),
        "" if head is None else head.key,
        signature,
        unsigned,
        frozenset(e.sha256 for e in whole if e.kind == kinds.CERTIFICATE),
        tuple(troubles),
    )


def _after_end(
    archive: Archive, entries: Sequence[Entry], signer: PublicKey
) -> list[ProofstandError]:
    """Return that a key signed the head after it was replaced, if it did."""
    if not signer.until or not entries or moment(entries[-1].utc_ns) <= signer.until:
        return []
    where, key = _at(archive, HEAD_NAME), signer.key_id[:16]
    return [
        IntegrityError("signature_after_end", where=where, key=key, until=signer.until)
    ]


def _at(archive: Archive, path: str) -> str:
    return str(archive.folder / path)


def _try(read: Callable[[], Head], troubles: list[ProofstandError]) -> Head | None:
    try:
        return read()
    except IntegrityError as error:
        troubles.append(error)
        return None


# --- the chain -----------------------------------------------------------------------


def _chain(
    archive: Archive, head: Head | None, troubles: list[ProofstandError]
) -> list[Entry]:
    """Return the chain's entries, and note all that is wrong with it."""
    until = time.monotonic() + _PATIENCE_S
    while head is not None and not _ends_there(archive, head):
        # perhaps a writer is at it just now
        if time.monotonic() > until:
            break
        time.sleep(_POLL_S)
        head = _try(archive.head, [])
    entries, torn = _lines(archive, troubles)
    if head is None:
        return entries
    troubles += _against_head(archive, head, entries, torn)
    return entries


def _ends_there(archive: Archive, head: Head) -> bool:
    try:
        return archive.chain_path.stat().st_size == head.end
    except OSError:
        return False


def _lines(
    archive: Archive, troubles: list[ProofstandError]
) -> tuple[list[Entry], int]:
    """Return all lines that can be read, and the bytes after the last whole one."""
    where = str(archive.chain_path)
    try:
        data = archive.chain_path.read_bytes()
    except FileNotFoundError:
        troubles.append(IntegrityError("chain_missing", where=where))
        return [], 0
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(
            "file_unreadable", where=where, what="chain of the archive", why=why
        ) from None
    *lines, torn = data.split(b"\n")
    entries: list[Entry] = []
    n, before = 0, ""
    for line in lines:
        try:
            entry = read_line(line, n, before, where)
        except IntegrityError as error:
            troubles.append(error)
            found = _as_it_is(line)
            if found is None:
                n, before = n + 1, _digest(line)
                continue
            entry = found
        entries.append(entry)
        n, before = entry.n + 1, _digest(line)
    return entries, len(torn)


def _digest(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()


def _as_it_is(line: bytes) -> Entry | None:
    """Return a line that is out of its place, to go on from; None where it is none."""
    try:
        told = json.loads(line)
        return read_line(line, int(told["n"]), str(told["before"]), "")
    except (ValueError, KeyError, TypeError, RecursionError, IntegrityError):
        return None


def _against_head(
    archive: Archive, head: Head, entries: list[Entry], torn: int
) -> list[ProofstandError]:
    where = str(archive.chain_path)
    try:
        size = archive.chain_path.stat().st_size
    except OSError:
        return []
    if not entries or entries[0].digest != head.archive:
        return [IntegrityError("head_of_another", where=_at(archive, HEAD_NAME))]
    last = entries[-1]
    if (last.digest, last.n, size) == (head.last, head.n, head.end):
        return []
    if head.start <= size < head.end:
        lacks = len(head.lines) - max(0, last.n - (head.n - len(head.lines)))
        return [IntegrityError("archive_unfinished", where=where, lacks=lacks)]
    if last.n < head.n or size < head.end:
        return [IntegrityError("chain_cut_short", where=where)]
    if last.n > head.n or torn:
        return [IntegrityError("chain_beyond_head", where=where)]
    return [IntegrityError("chain_not_of_head", where=where)]


# --- files ---------------------------------------------------------------------------


def _files(
    archive: Archive,
    entries: Sequence[Entry],
    troubles: list[ProofstandError],
    told: Callable[[int, int], None],
) -> list[Entry]:
    """Return entries whose file is there and as it was; note the others."""
    whole: list[Entry] = []
    for done, entry in enumerate(entries, 1):
        if entry.path:
            trouble = _file(archive, entry)
            if trouble is None:
                whole.append(entry)
            else:
                troubles.append(trouble)
        told(done, len(entries))
    return whole


def _file(archive: Archive, entry: Entry) -> ProofstandError | None:
    place = archive.folder / entry.path
    try:
        found = sha256_of(place)
    except FileNotFoundError:
        return IntegrityError("archive_file_missing", where=str(place))
    except OSError as error:
        why = error.strerror or str(error)
        return InputError("file_unreadable", where=str(place), what=entry.kind, why=why)
    if found != (entry.sha256, entry.size):
        return IntegrityError("archive_file_changed", where=str(place), n=entry.n)
    return None


# --- what is in the files, and what belongs to what ----------------------------------


def _contents(
    archive: Archive,
    whole: Sequence[Entry],
    keys: Sequence[Path],
    troubles: list[ProofstandError],
) -> int:
    """Check runs and their papers; return how many runs are unsigned."""
    runs: dict[str, list[Entry]] = {}
    for entry in whole:
        if entry.run:
            runs.setdefault(entry.run, []).append(entry)
    unsigned = 0
    numbers: Counter[str] = Counter()
    for entries in runs.values():
        own = [e for e in entries if e.kind == kinds.RUN]
        run: Run | None = None
        for entry in own:
            place = archive.folder / entry.path
            try:
                run, is_signed = _run(place, keys)
                unsigned += not is_signed
                _same(entry, run_facts(run), place)
            except ProofstandError as error:
                troubles.append(error)
        judged = {e.sha256 for e in entries if e.kind == kinds.JUDGEMENT}
        for entry in entries:
            place = archive.folder / entry.path
            try:
                if entry.kind == kinds.CERTIFICATE:
                    found = verify_by_any(place, keys)
                    _certificate(entry, found, run, judged, place)
                    named = f"{entry.about['number']} {entry.about['title']}"
                    numbers[named] += 1
                    if numbers[named] == 2:
                        troubles.append(
                            IntegrityError("certificate_number_twice", where=str(place))
                        )
                elif entry.kind == kinds.JUDGEMENT and run is not None:
                    _judgement(entry, run, place)
                elif entry.kind == kinds.NOTE:
                    _note(entry, run, place)
                elif entry.kind in kinds.SIGNED_NOTES:
                    _signed_note(entry, run, keys, place)
                elif entry.kind == kinds.NOTICE:
                    _notice(entry, entries, keys, archive)
            except ProofstandError as error:
                troubles.append(error)
        if not own and any(e.kind != kinds.RUN for e in entries):
            folder = archive.folder / entries[0].path
            if not any(t.where == str(folder.parent / "run.h5") for t in troubles):
                troubles.append(
                    IntegrityError("papers_without_run", where=str(folder.parent))
                )
    return unsigned


def _run(place: Path, keys: Sequence[Path]) -> tuple[Run, bool]:
    try:
        found = verify_by_any(place, keys)
    except IntegrityError as error:
        if error.id != "signature_missing":
            raise
        return read_sealed(place), False  # the chain's signature vouches for it
    return read_sealed(place), found.signature != "unsigned"


def _same(entry: Entry, facts: Mapping[str, Fact], place: Path) -> None:
    """Refuse an entry that says another thing than its file.

    Raises:
        IntegrityError: ``entry_differs``.
    """
    shown = {k: kinds.shown(v) if isinstance(v, str) else v for k, v in facts.items()}
    if dict(entry.about) != shown:
        names = sorted(
            name
            for name in {*entry.about, *shown}
            if entry.about.get(name) != shown.get(name)
        )
        raise IntegrityError(
            "entry_differs", where=str(place), n=entry.n, what=", ".join(names)
        )


def _certificate(
    entry: Entry,
    found: Verified,
    run: Run | None,
    judged: set[str],
    place: Path,
) -> None:
    if found.paper is None:
        raise InputError("file_not_ours", where=str(place), what="certificate")
    number = found.paper.number
    if run is not None and (found.run, found.sha256) != (run.id, run.sha256):
        raise IntegrityError(
            "certificate_of_another_run", where=str(place), number=number
        )
    if _digest(found.paper.judgement) not in judged:
        raise IntegrityError(
            "certificate_of_another_judgement", where=str(place), number=number
        )
    _same(entry, certificate_facts(found), place)


def _judgement(entry: Entry, run: Run, place: Path) -> None:
    try:
        facts = judgement_facts(place.read_bytes(), run)
    except (ValueError, OSError):
        raise IntegrityError("judgement_of_another_run", where=str(place)) from None
    _same(entry, facts, place)


def _note(entry: Entry, run: Run | None, place: Path) -> None:
    try:
        note = read_note(place.read_bytes())
        if run is not None and (note.run, note.run_sha256) != (run.id, run.sha256):
            raise ValueError
    except (ValueError, OSError):
        raise IntegrityError("remark_of_another_run", where=str(place)) from None
    _same(entry, {"run": note.run}, place)


def _signed_note(
    entry: Entry, run: Run | None, keys: Sequence[Path], place: Path
) -> None:
    """Refuse a signed note that is not of its run, or of another key."""
    note = verify_by_any(place, keys).note
    if note is None or note.what != entry.kind:
        raise InputError("file_not_ours", where=str(place), what=entry.kind)
    if run is not None and note.run_sha256 != run.sha256:
        raise IntegrityError("note_of_another_run", where=str(place), what=note.what)
    _same(entry, signed_note_facts(note), place)


def _notice(
    entry: Entry, entries: Sequence[Entry], keys: Sequence[Path], archive: Archive
) -> None:
    """Refuse a notice that is not of a certificate beside it, or of another key."""
    place = archive.folder / entry.path
    notice = read_notice(place)
    pages = [e for e in entries if e.kind == kinds.CERTIFICATE]
    page = next((e for e in pages if e.sha256 == notice.sha256), None)
    if page is None or verify_by_any(archive.folder / page.path, keys).key != (
        notice.key
    ):
        why = "it is of another certificate, or another key signed it"
        raise IntegrityError("notice_changed", where=str(place), why=why)
    _same(entry, notice_facts(notice, entry.run), place)
