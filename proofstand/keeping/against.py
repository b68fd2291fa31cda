"""What the shop's archive knows against a run or a page, with what lies beside it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from records.archive.entry import safe_name
from records.errors import InputError
from records.run import Run

from ..signoff.against import (
    Against,
    Rejected,
    rejected_by_note,
    rejected_on_record,
    standing_of,
)
from ..signoff.notes import REJECTION, load_note
from ..signoff.notices import Notice, Says, notices_of
from ..signoff.verify import verify
from .home import home
from .keep import run_folder


def known_against_page(archive: Path | None = None) -> Callable[[Path], Against]:
    """Return what tells what speaks against a page, wherever its file lies.

    The archive is asked by the number, so that a copy stands as its certificate does.
    What a simulated rig made is looked for only where an archive is named.

    Args:
        archive: folder of the archive, None for the shop's.
    """

    def look(page: Path) -> Against:
        found = verify(page)
        beside = notices_of(page)
        folder = _folder(archive, found.run, simulated=found.simulated)
        kept: list[Notice] = []
        if folder is not None and found.paper is not None:
            stem = f"certificate-{safe_name(found.paper.number)}"
            for name in (f"{stem}.pdf", f"{stem}-countersigned.pdf"):
                if (folder / name).is_file():
                    kept += notices_of(folder / name)
        return Against(
            rejected=rejected_run(folder, found.sha256),
            notices=standing_of((*kept, *beside)),
        )

    return look


def known_against_run(archive: Path | None = None) -> Callable[[Run], Against]:
    """Return what tells which pages of a run are under review, or if it was rejected.

    Of a run of two regulators only the pages of the one that is asked of count.

    Args:
        archive: as for :func:`known_against_page`.
    """

    def look(run: Run) -> Against:
        folder = _folder(archive, run.id, simulated=run.header.rig.simulated)
        notices: list[Notice] = []
        if folder is not None:
            for page in sorted(folder.glob("certificate-*.pdf")):
                found = notices_of(page)
                if found and _is_of(page, run):
                    notices += found
        return Against(
            rejected=rejected_run(folder, run.sha256),
            notices=tuple(
                notice
                for notice in standing_of(notices)
                if notice.says == Says.UNDER_REVIEW
            ),
        )

    return look


def _folder(archive: Path | None, run_id: str, *, simulated: bool) -> Path | None:
    """Return the folder of a run that is kept, or None."""
    if simulated and archive is None:
        return None
    try:
        return run_folder(home(archive).archive, run_id)
    except InputError as error:
        if error.id != "record_unknown":
            raise
        return None


def rejected_run(folder: Path | None, run_sha256: str) -> Rejected | None:
    """Return a run's rejection, by the record of people or as its folder keeps it."""
    known = rejected_on_record(run_sha256)
    if known is not None or folder is None:
        return known
    for path in sorted(folder.glob("rejection-*.json")):
        note = load_note(path, REJECTION)
        if note.run_sha256 == run_sha256:
            return rejected_by_note(note)
    return None


def _is_of(page: Path, run: Run) -> bool:
    """Tell whether a page is of a run and of the regulator that it was taken for."""
    found = verify(page)
    if found.sha256 != run.sha256 or found.paper is None:
        return False
    serials = {
        str(each["regulator"]["serial"])
        for each in json.loads(found.paper.judgement)["judgements"]
    }
    return run.header.job.regulator.serial in serials
