"""A quick look at an archive's folder: what is missing, cut short or none of its own.

No byte of a record is read; that is what ``check_archive`` is for.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator
from pathlib import Path

from records.archive.chain import HEAD_NAME, Archive
from records.archive.entry import CHAIN_NAME
from records.archive.files import is_our_own
from records.errors import IntegrityError, ProofstandError

MOST_LINES = 20_000  # of the chain; a longer one takes longer than a glance
MOST_TOLD = 100


def glance(
    archive: Archive, look: Callable[[], None] = lambda: None
) -> tuple[ProofstandError, ...] | None:
    """Return what can be seen to be wrong in an archive's folder, at most a hundred.

    Args:
        archive: which; it has to be there.
        look: is called now and then; what it raises ends the look.

    Returns:
        Each with its file; None where the archive is too long for a glance.

    Raises:
        IntegrityError: the chain itself was changed. InputError: it can't be read.
    """
    if archive.head().n > MOST_LINES:
        return None
    found: list[ProofstandError] = []
    listed: set[str] = set()
    for entry in archive.entries():
        if entry.n % 200 == 0:
            look()
        if not entry.path:
            continue
        listed.add(entry.path)
        place = archive.folder / entry.path
        try:
            size = place.stat().st_size
        except OSError:
            found.append(IntegrityError("archive_file_missing", where=str(place)))
            continue
        if size != entry.size:
            found.append(
                IntegrityError("archive_file_changed", where=str(place), n=entry.n)
            )
    for trouble in unlisted(archive, listed):
        look()
        found.append(trouble)
    return tuple(found[:MOST_TOLD])


def unlisted(archive: Archive, listed: Collection[str]) -> Iterator[ProofstandError]:
    """Give the files that lie in the folder and that the chain does not tell.

    Args:
        archive: which.
        listed: paths that it tells, from the archive's folder on.
    """
    own = {HEAD_NAME, CHAIN_NAME}
    for folder, inside, names in os.walk(archive.folder):
        here = Path(folder).relative_to(archive.folder)
        if here == Path():
            inside[:] = [name for name in inside if not is_our_own(name)]
        for name in sorted(names):
            path = (here / name).as_posix()
            if path not in listed and path not in own and not is_our_own(name):
                where = str(archive.folder / path)
                yield IntegrityError("archive_file_unlisted", where=where)
