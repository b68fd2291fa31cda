"""A bundle taken back, by another bench or into an archive that was lost."""

from __future__ import annotations

import hashlib
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

from records.archive import entry as kinds
from records.archive.chain import Archive, Item
from records.archive.files import Staged
from records.errors import InputError, IntegrityError
from records.run import Run
from records.runfile import read_sealed

from ..signoff.heads import SigningKey
from ..signoff.notes import read_note as read_signed
from ..signoff.notices import read_notice
from ..signoff.verify import verify
from .bundle import check_bundle, unpacked
from .keep import (
    RUN_NAME,
    Added,
    certificate_items,
    folder_of,
    judgement_item,
    notice_item,
    put_items,
    read_note,
    run_item,
    signed_note_item,
)

Stage = Callable[[Path | bytes, str], Staged]


def add_bundle(
    archive: Archive,
    path: Path,
    *,
    key: SigningKey,
    who: str,
    utc_ns: Callable[[], int] = time.time_ns,
) -> Added:
    """Keep a bundle's run with all its papers, all or none.

    What is there already, byte for byte, is not kept again. The plan lies in the run,
    and whose the keys inside are is for a person to say.

    Args:
        archive: where to; it is made where there is none.
        path: the bundle; it is checked first.
        key: signs the archive's head.
        who: by whom.
        utc_ns: the clock.

    Raises:
        InputError: no bundle of ours; the archive can't be written;
            ``archive_has_another``.
        IntegrityError: something in it was changed; the archive was.
    """
    check_bundle(path)
    archive.make(key, who, utc_ns)
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:

        def staged(source: Path | bytes, what: str) -> Staged:
            made = archive.stage(source, what)
            stack.callback(archive.drop, made)
            return made

        files = unpacked(path, Path(folder))
        run = read_sealed(Path(folder) / RUN_NAME)
        items = [item for file in files for item in _items(file, files, run, staged)]
        stack.pop_all()  # from here on the archive takes them away itself
        kept = put_items(archive, items, key, who, utc_ns)
    return Added(run.id, kept)


def _items(file: Path, files: Sequence[Path], run: Run, staged: Stage) -> list[Item]:
    """Return what of one file of a bundle is to be kept."""
    name = file.name
    if name == RUN_NAME:
        return [run_item(run, staged(file, "run file"))]
    if name.endswith(".pdf"):
        made = staged(file, "certificate")
        return list(certificate_items(run, verify(file), file, made, staged))
    if not name.endswith(".json"):
        return []  # plan and keys
    data = file.read_bytes()
    if name.startswith(kinds.JUDGEMENT):
        return [judgement_item(run, data, staged(file, "judgement"))]
    if name.startswith(tuple(kinds.SIGNED_NOTES)):
        note = read_signed(data, str(file))
        return [signed_note_item(run, note, staged(file, note.what))]
    if ".notice-" in name:
        notice = read_notice(file)
        for page in files:
            sha256 = hashlib.sha256(page.read_bytes()).hexdigest()
            if page.suffix == ".pdf" and sha256 == notice.sha256:
                place = Path(folder_of(run)) / page.name
                made = staged(file, "notice")
                return [notice_item(notice, place, run.id, made)]
        raise IntegrityError("notice_changed", where=name, why="of no page given")
    try:
        remark = read_note(data)
    except ValueError:
        raise InputError("file_not_ours", where=name, what="record to keep") from None
    if (remark.run, remark.run_sha256) != (run.id, run.sha256):
        raise IntegrityError("remark_of_another_run", where=name)
    return [
        Item(
            staged=staged(file, "note"),
            folder=folder_of(run),
            name="note-{n}.json",
            kind=kinds.NOTE,
            what=f"note on run {run.id}",
            about={"run": run.id},
        )
    ]
