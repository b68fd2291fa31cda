"""The last test of a regulator before a run, from the archive or beside it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from records.archive.entry import key_of
from records.errors import ProofstandError
from records.run import Run, RunHeader
from records.runfile import open_run, read_sealed

from .keeping.home import home, index_of
from .keeping.keep import RUN_NAME, run_folder

MOST_BESIDE = 40  # run files that are opened in one folder, the newest first


def last_run_of(header: RunHeader, beside: Path | None) -> Run | None:
    """Return the last sealed test of the same regulator before a run, or None.

    A simulated run is compared with simulated ones only, a real one with real ones.

    Args:
        header: of the run.
        beside: the folder in which run files may lie too.
    """
    found = [*_beside(header, beside), *_kept(header)]
    return max(found, key=lambda run: run.header.started_utc_ns, default=None)


def _is_earlier(other: RunHeader, header: RunHeader) -> bool:
    mine, theirs = header.job.regulator, other.job.regulator
    return (
        key_of(mine.serial) == key_of(theirs.serial)
        and key_of(mine.model) == key_of(theirs.model)
        and other.rig.simulated == header.rig.simulated
        and other.started_utc_ns < header.started_utc_ns
    )


def _beside(header: RunHeader, folder: Path | None) -> Iterator[Run]:
    if folder is None or not folder.is_dir():
        return
    files = [path for path in folder.glob("*.h5") if path.is_file()]
    files.sort(key=lambda path: path.stat().st_mtime_ns, reverse=True)
    for path in files[:MOST_BESIDE]:
        try:
            run = open_run(path)
        except ProofstandError:
            continue  # damaged, or none of ours: nothing to compare with
        if _is_earlier(run.header, header):
            yield run


def _kept(header: RunHeader) -> Iterator[Run]:
    where = home()
    if header.rig.simulated or not where.archive.exists:
        return
    try:
        with index_of(where) as index:
            for each in index.by_serial(header.job.regulator.serial):
                if each.started_ns >= header.started_utc_ns or each.simulated:
                    continue
                run = read_sealed(run_folder(where.archive, each.run) / RUN_NAME)
                if _is_earlier(run.header, header):
                    yield run
                    return
    except ProofstandError:
        return
