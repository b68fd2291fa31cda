"""Keeping what the shop makes where it is made: approvals, checks, people and so on.

What is made has a place of its own already and counts from there; a copy goes into the
shop's archive. One that can't be kept now is told, and kept by ``records add`` later.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

from records.archive import entry as kinds
from records.archive.chain import Archive, Item
from records.archive.entry import safe_name
from records.archive.files import Staged
from records.errors import InputError, ProofstandError
from records.runfile import read_sealed
from records.shift import ShiftRecord

from ..shifts import RECORD
from ..signoff import roll
from ..signoff.notes import Note
from ..signoff.notices import read_notice
from ..signoff.verify import verify
from ..words.sentences import trouble
from .home import head_key, home, who_is
from .keep import (
    RUN_NAME,
    certificate_items,
    folder_of,
    judgement_bytes,
    judgement_item,
    kept_run,
    notice_item,
    page_kept,
    put_items,
    run_item,
    signed_note_item,
)
from .nouns import ROLL_FORMAT, shop_item, sort_of

Stage = Callable[[Path | bytes, str], Staged]


def keep_shop(
    sources: Sequence[tuple[Path | bytes, str]],
    *,
    by: str,
) -> InputError | None:
    """Keep records of the shop in its archive, all or none.

    Args:
        sources: each a file, or its bytes, and the ending of its name.
        by: who made them.

    Returns:
        Why it could not be kept, or None.
    """

    def items(archive: Archive, stage: Stage) -> list[Item]:
        found = []
        for source, ending in sources:
            made = stage(source, "record")
            path = made.path if isinstance(source, bytes) else source
            found.append(shop_item(path, sort_of(path), made, ending))
        return found

    return _kept(items, by=by)


def keep_shift(folder: Path, record: ShiftRecord, rig_file: Path) -> InputError | None:
    """Keep a shift's check with the runs that it leans on, and the rig file.

    Args:
        folder: of the check.
        record: what lies in it.
        rig_file: of the rig that was checked.
    """

    def items(archive: Archive, stage: Stage) -> list[Item]:
        place = folder / RECORD
        found = []
        for part in record.parts:
            if part.file:
                made = stage(folder / part.file, "run file")
                found.append(
                    Item(
                        staged=made,
                        folder=f"shop/shift/{safe_name(record.id)}",
                        name=safe_name(part.file),
                        kind=kinds.SHIFT_RUN,
                        what=f"{part.what} of shift {record.id}",
                        about={
                            "shift": record.id,
                            "part": part.what,
                            "run_id": part.run,
                            "run_sha256": part.sha256,
                        },
                    )
                )
        found.append(shop_item(rig_file, "rig", stage(rig_file, "rig"), ".toml"))
        found.append(shop_item(place, "shift", stage(place, "shift check"), ".toml"))
        return found

    return _kept(items, by=record.by)


def keep_roll(by: str) -> InputError | None:
    """Keep the list of people as it stands, without PINs, and where its record ends."""
    return keep_shop([(roll_bytes(), ".json")], by=by)


def roll_bytes() -> bytes:
    """Return the list of people as it is kept.

    Raises:
        InputError, IntegrityError: it can't be read, or there is none.
    """
    record = roll.read()
    if record is None:
        raise InputError("file_missing", where=str(roll.log_path()), what="roll")
    told = {
        "format": ROLL_FORMAT,
        "id": record.roll.id,
        "begun_ns": record.roll.begun_ns,
        "events": len(record.events),
        "last": record.events[-1].digest,
        "people": [
            {
                "name": member.name,
                "roles": list(member.roles),
                "gases": list(member.gases),
                "since_ns": member.since_ns,
                "retired_ns": member.retired_ns,
            }
            for member in record.roll.members.values()
        ],
    }
    return json.dumps(told, ensure_ascii=False, indent=1).encode("utf-8")


def keep_note(
    run_path: Path,
    note_path: Path,
    note: Note,
    *,
    by: str,
    archive: Path | None = None,
    key_folder: Path | None = None,
) -> InputError | None:
    """Keep a concession, rejection or confirmation with the run that it is of.

    What is signed by a demonstration key is of a simulated rig and kept only where an
    archive is named.

    Args:
        run_path: the run's file.
        note_path: the note's.
        note: what it says.
        by: who made it.
        archive: folder of the archive, None for the shop's.
        key_folder: of the key that signs that one's head, None for the shop's.
    """
    if note.demo and archive is None:
        return None

    def items(archive: Archive, stage: Stage) -> list[Item]:
        made = stage(run_path, "run file")
        run = read_sealed(made.path)
        found = [run_item(run, made)]
        if not (archive.folder / folder_of(run) / RUN_NAME).exists():
            judged = judgement_bytes(run, who="")
            found.append(judgement_item(run, judged, stage(judged, "judgement")))
        found.append(signed_note_item(run, note, stage(note_path, "note")))
        return found

    return _kept(items, by=by, archive=archive, key_folder=key_folder)


def keep_countersigned(
    page: Path,
    *,
    by: str,
    archive: Path | None = None,
    key_folder: Path | None = None,
) -> InputError | None:
    """Keep a page that was countersigned beside the one that waited for it.

    What a demonstration key signed is of a simulated rig and kept only where an archive
    is named.

    Args:
        page: the page with both signatures.
        by: who countersigned it.
        archive: folder of the archive, None for the shop's.
        key_folder: of the key that signs that one's head, None for the shop's.
    """
    named = archive is not None

    def items(archive: Archive, stage: Stage) -> list[Item]:
        made = stage(page, "certificate")
        found = verify(made.path)
        if found.simulated and not named:
            return []
        run = kept_run(archive, found, page)
        return list(certificate_items(run, found, page, made, stage))

    return _kept(items, by=by, archive=archive, key_folder=key_folder)


def keep_notice(
    notice_path: Path,
    *,
    by: str,
    archive: Path | None = None,
    key_folder: Path | None = None,
) -> InputError | None:
    """Keep a notice beside its certificate, where the archive has that.

    Args:
        notice_path: the notice.
        by: who put it there.
        archive: folder of the archive, None for the shop's.
        key_folder: of the key that signs that one's head, None for the shop's.
    """

    def items(archive: Archive, stage: Stage) -> list[Item]:
        notice = read_notice(notice_path)
        place = page_kept(archive, notice)
        if place is None:
            return []
        made = stage(notice_path, "notice")
        return [notice_item(notice, place, place.parent.name, made)]

    return _kept(items, by=by, archive=archive, key_folder=key_folder)


def _kept(
    items: Callable[[Archive, Stage], list[Item]],
    *,
    by: str,
    archive: Path | None = None,
    key_folder: Path | None = None,
) -> InputError | None:
    try:
        where = home(archive).archive
        key, who = head_key(key_folder), who_is(by)
        with ExitStack() as stack:

            def stage(source: Path | bytes, what: str) -> Staged:
                where.make(key, who)
                made = where.stage(source, what)
                stack.callback(where.drop, made)
                return made

            found = items(where, stage)
            if found:
                stack.pop_all()  # from here on the archive takes them away itself
                put_items(where, found, key, who, time.time_ns)
    except ProofstandError as error:
        return InputError("not_kept_yet", where=error.where, why=trouble(error).what)
    return None
