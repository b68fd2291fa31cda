"""What is kept of a run, as lines and as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from records.archive.chain import Archive
from records.archive.entry import JUDGEMENT, NOTE, REJECTION
from records.archive.found import Listed, RunFound
from records.archive.index import Index
from records.boundary import Boundary
from records.errors import InputError
from records.tomlfile import to_jsonable

from ..display import plain
from .boundaries import boundaries_in, time_text
from .keep import Note, read_note
from .times import shown_moment


def runs_named(index: Index, what: str) -> tuple[RunFound, ...]:
    """Return the runs that an id, a serial or a certificate's number means.

    Raises:
        InputError: ``record_unknown``.
    """
    run = index.run(what)
    if run is None:
        paper = index.certificate(what.strip())
        run = index.run(paper.run) if paper is not None else None
    runs = (run,) if run is not None else index.by_serial(what)
    if not runs:
        where = str(index.archive.folder)
        raise InputError("record_unknown", where=where, given=plain(what))
    return runs


def rejected_runs(index: Index) -> frozenset[str]:
    """Return the ids of all runs that a lead set aside."""
    return frozenset(each.run for each in index.entries(kind=REJECTION))


def _note(archive: Archive, listed: Listed) -> Note | None:
    try:
        return read_note((archive.folder / listed.path).read_bytes())
    except (OSError, ValueError):
        return None  # `records check` tells what became of it


def _moved(archive: Archive, listed: Listed) -> Sequence[Boundary]:
    """Return the boundaries that a judgement was made with, moved by hand."""
    if listed.kind != JUDGEMENT:
        return ()
    try:
        (told,) = json.loads((archive.folder / listed.path).read_bytes())["judgements"]
        return boundaries_in(told)
    except (OSError, ValueError, KeyError, TypeError, InputError):
        return ()  # `records check` tells what became of it


def show_json(index: Index, archive: Archive, run: RunFound) -> dict[str, Any]:
    """Return what is kept of a run."""
    files = []
    for listed in index.entries(run=run.run):
        note = _note(archive, listed) if listed.kind == NOTE else None
        moved = _moved(archive, listed)
        files.append(
            {
                "n": listed.n,
                "kind": listed.kind,
                "path": listed.path,
                "what": listed.what,
                "sha256": listed.sha256,
                "size": listed.size,
                "kept": _moment(listed.utc_ns),
                "who": listed.who,
                "text": None if note is None else note.text,
                # only where there are any, as in the judgement itself
                **({"boundaries": to_jsonable(moved)} if moved else {}),
            }
        )
    return {"files": files}


def show_lines(index: Index, archive: Archive, run: RunFound) -> list[str]:
    """Return what is kept of a run as lines."""
    said = [
        f"  {name}: {plain(value)}"
        for name, value in (
            ("customer", run.customer),
            ("job", run.job),
            ("gas", run.gas),
            ("plan", f"{run.plan} version {run.plan_version}"),
            ("rig", f"{run.rig} {run.station}".strip()),
            ("tested by", run.tested_by),
        )
        if value
    ]
    for listed in index.entries(run=run.run):
        said.append(
            f"  record {listed.n}, {_moment(listed.utc_ns)}, {plain(listed.who)}: "
            f"{plain(listed.what)}"
        )
        said.append(f"    {archive.folder / listed.path}")
        said += [f"    {_moved_line(each)}" for each in _moved(archive, listed)]
        note = _note(archive, listed) if listed.kind == NOTE else None
        if note is not None:
            said += [f"    {plain(line)}" for line in note.text.splitlines()]
    return said


def _moved_line(moved: Boundary) -> str:
    begin, end, was_begin, was_end = map(
        time_text,
        (moved.begin_s, moved.end_s, moved.was_begin_s, moved.was_end_s),
    )
    return (
        f"moved by hand by {plain(moved.by)}: step {plain(moved.step)} is read from "
        f"{begin} to {end} min (recorded: {was_begin} to {was_end}). "
        f"Why: {plain(moved.why)}"
    )


def run_line(run: RunFound, rejected: frozenset[str]) -> str:
    """Return a run that was found as a line; ``rejected``: ids of all that were."""
    paper = f"  {run.title} {run.certificate}" if run.certificate else ""
    set_aside = "  REJECTED" if run.run in rejected else ""
    simulated = "  SIMULATED RIG" if run.simulated else ""
    return (
        f"{shown_moment(run.started_ns)}  {run.verdict:13} {plain(run.serial)}  "
        f"{plain(run.model)}  run {run.run}{plain(paper)}{set_aside}{simulated}"
    )


def _moment(utc_ns: int) -> str:
    return f"{datetime.fromtimestamp(utc_ns // 10**9, tz=UTC):%Y-%m-%dT%H:%M:%SZ}"
