"""A run that was found, as the cells of a row. Knows no Qt."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from proofstand.display import plain
from proofstand.signoff.certificate import Title
from proofstand.signoff.notices import Says
from records.archive import entry as kinds
from records.archive.chain import Archive
from records.archive.found import NOT_JUDGED, Listed, RunFound
from records.archive.index import Index

from .wording import moment, said

COLUMNS = (
    *("tested", "serial", "model", "gas", "plan", "verdict", "certificate"),
    "state",
)
# How wide each is, as shares of the whole.
SHARES = (19, 12, 19, 8, 15, 11, 13, 19)
_REVIEW, _REPLACED = Says.UNDER_REVIEW, Says.REPLACED
_GRAVE = {said("state", id) for id in ("damaged", "rejected", "under_review")}


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """One row.

    Attributes:
        cells: one text for each of ``COLUMNS``. verdict: for its sign, "" for none.
        grave: what became of it speaks against it.
    """

    run: RunFound
    cells: tuple[str, ...]
    verdict: str
    grave: bool = False


def rows_of(
    index: Index, archive: Archive, runs: Iterable[RunFound]
) -> tuple[RunRow, ...]:
    """Return the rows of runs, with what became of each since it was kept."""
    return tuple(
        row_of(run, states(archive, run, index.entries(run=run.run))) for run in runs
    )


def row_of(run: RunFound, state: Sequence[str]) -> RunRow:
    """Return a run's row."""
    judged = run.verdict != NOT_JUDGED
    return RunRow(
        run=run,
        cells=(
            moment(run.started_ns),
            plain(run.serial),
            plain(run.model),
            plain(run.gas),
            plain(f"{run.plan} {said('version', n=run.plan_version)}"),
            run.verdict,
            run.certificate,
            ", ".join(state),
        ),
        verdict=run.verdict if judged else "",
        grave=bool(_GRAVE & set(state)),
    )


def states(
    archive: Archive, run: RunFound, entries: Sequence[Listed]
) -> tuple[str, ...]:
    """Return what is to be said of a run beside its verdict, the gravest first."""
    there = {each.kind for each in entries}
    found = []
    if any(not as_kept(archive, each) for each in entries):
        found.append(said("state", "damaged"))
    if kinds.REJECTION in there:
        found.append(said("state", "rejected"))
    said_of = notices(entries)
    if _REPLACED in said_of:
        found.append(said("state", "replaced"))
    elif said_of and said_of[-1] == _REVIEW:
        found.append(said("state", "under_review"))
    if "concession" in there:
        found.append(said("state", "conceded"))
    if run.title == Title.TO_COUNTERSIGN:
        found.append(said("state", "to_countersign"))
    if kinds.NOTE in there:
        found.append(said("state", "noted"))
    if run.simulated:
        found.append(said("state", "simulated"))
    return tuple(found)


def notices(entries: Iterable[Listed]) -> list[str]:
    """Return what the notices beside a run's certificates say, in their order."""
    return [
        each.what.rsplit(": ", 1)[-1] for each in entries if each.kind == kinds.NOTICE
    ]


def as_kept(archive: Archive, listed: Listed) -> bool:
    """Tell whether a file is there, as long as it was kept; its bytes are not read."""
    if not listed.path:
        return True
    try:
        return (archive.folder / listed.path).stat().st_size == listed.size
    except OSError:
        return False
