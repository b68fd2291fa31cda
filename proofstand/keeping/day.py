"""The page at a day's end: what came in, what became of it, what is left open."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from records.archive.chain import Archive
from records.archive.entry import JUDGEMENT
from records.archive.found import MOST, Query, RunFound
from records.archive.index import Index
from records.calibrationfile import load_record, load_reference
from records.errors import ProofstandError
from records.jobcard import JobCard
from records.jobfile import load_job
from records.run import Run
from records.runfile import read_sealed
from rig.rigfile import load_rig

from ..display import as_judged
from .keep import RUN_NAME, run_folder
from .times import begin_of

DUE_DAYS = 30
OLD_DAYS = 14
_LOOKED_BACK = 400  # days of job cards and records of the shop
_CLOSED = ("returned to service", "returned unrepaired", "scrapped")
_MOVEMENT = ("zero_offset", "closing_zero_change", "rig_leak")


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """Something that ends soon, or has ended: a calibration, a kit's rubber."""

    what: str
    due: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Open:
    """A job that nobody ended."""

    job: str
    serial: str
    customer: str
    received: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """All that the page tells.

    Attributes:
        received: serials of job cards received that day.
        verdicts: runs by verdict. endings: regulators by what became of them that day.
        retests: runs of a serial that was tested before on the same job.
        without: runs without a certificate, test report or condition report.
        moved: largest zero, closing zero change and rig leak seen, as shown.
        shifts, concessions: kept that day.
        simulated: runs of simulated rigs, which are not counted above.
        unread: records that could not be read.
    """

    day: date
    received: tuple[str, ...]
    runs: tuple[RunFound, ...]
    verdicts: dict[str, int]
    endings: dict[str, int]
    retests: tuple[RunFound, ...]
    without: tuple[RunFound, ...]
    open: tuple[Open, ...]
    moved: tuple[str, ...]
    due: tuple[Due, ...]
    shifts: int
    concessions: int
    simulated: int
    unread: tuple[str, ...]


def day_page(
    index: Index, archive: Archive, day: date, *, simulated: bool = False
) -> Day:
    """Return the page of a local day, as far as the records hold it.

    Args:
        index: of the archive, brought up to it.
        archive: where the records are.
        day: which.
        simulated: count runs of simulated rigs instead of real ones.
    """
    begin, end = begin_of(day), begin_of(day + timedelta(days=1))
    found = list(index.all_runs(Query(since_ns=begin, before_ns=end, most=MOST)))
    runs = tuple(run for run in found if run.simulated == simulated)
    unread: list[str] = []
    opened = _opened(archive, runs, unread)
    cards = _cards(index, archive, begin, opened, unread)
    return Day(
        day=day,
        received=tuple(
            serial
            for card in cards
            if card.intake is not None and card.intake.received == day
            for serial in card.known_serials
        ),
        runs=runs,
        verdicts=dict(Counter(run.verdict for run in runs)),
        endings=dict(
            Counter(
                ending.ending
                for card in cards
                for serial in card.known_serials
                for ending in card.of_serial(serial).disposition[-1:]
                if ending.date == day
            )
        ),
        retests=tuple(run for run in runs if _tested_before(index, run)),
        without=tuple(run for run in runs if not run.certificate),
        open=tuple(_old(cards, day)),
        moved=tuple(_moved(index, archive, runs, unread)),
        due=tuple(_due(index, archive, opened, cards, begin, day, unread)),
        shifts=len([e for e in index.entries(kind="shift") if begin <= e.utc_ns < end]),
        concessions=len(
            [e for e in index.entries(kind="concession") if begin <= e.utc_ns < end]
        ),
        simulated=len(found) - len(runs) if not simulated else 0,
        unread=tuple(unread),
    )


def _opened(archive: Archive, runs: Iterable[RunFound], unread: list[str]) -> list[Run]:
    found = []
    for run in runs:
        try:
            found.append(read_sealed(run_folder(archive, run.run) / RUN_NAME))
        except ProofstandError as error:
            unread.append(error.where or run.run)
    return found


def _cards(
    index: Index,
    archive: Archive,
    begin: int,
    runs: Iterable[Run],
    unread: list[str],
) -> list[JobCard]:
    """Return the card of each job as it was kept last; that of a run where none was."""
    cards = {run.header.job.id: run.header.job for run in runs}
    for path in _kept(index, archive, "job", begin):
        try:
            card = load_job(path)
        except ProofstandError as error:
            unread.append(error.where or str(path))
            continue
        cards[card.id] = card
    return list(cards.values())


def _kept(index: Index, archive: Archive, kind: str, begin: int) -> list[Path]:
    since = begin - _LOOKED_BACK * 86_400 * 10**9
    return [
        archive.folder / listed.path
        for listed in index.entries(kind=kind)
        if listed.utc_ns >= since
    ]


def _tested_before(index: Index, run: RunFound) -> bool:
    return any(
        other.job == run.job and other.started_ns < run.started_ns
        for other in index.by_serial(run.serial)
    )


def _old(cards: Iterable[JobCard], day: date) -> Iterable[Open]:
    for card in cards:
        intake = card.intake
        if intake is None or intake.received is None:
            continue
        if (day - intake.received).days < OLD_DAYS:
            continue
        for serial in card.known_serials:
            ended = card.of_serial(serial).disposition
            if not ended or ended[-1].ending not in _CLOSED:
                yield Open(
                    job=card.id,
                    serial=serial,
                    customer=intake.sender,
                    received=intake.received,
                )


def _moved(
    index: Index, archive: Archive, runs: Iterable[RunFound], unread: list[str]
) -> Iterable[str]:
    """Give the largest of each movement of the rig, as the judgements show it."""
    largest: dict[tuple[str, str, str], tuple[float, str]] = {}
    for run in runs:
        papers = [e for e in index.entries(run=run.run) if e.kind == JUDGEMENT]
        if not papers:
            continue
        path = archive.folder / papers[-1].path
        try:
            findings = json.loads(path.read_bytes())["judgements"][0]["findings"]
            for each in findings:
                if each["id"] not in _MOVEMENT or each["value"] is None:
                    continue
                said = as_judged(each).line
                named = (run.rig, str(each["channel"]), str(each["label"]))
                size = abs(float(each["value"]))
                if named not in largest or size > largest[named][0]:
                    largest[named] = (size, said)
        except (OSError, ValueError, KeyError, TypeError, IndexError):
            unread.append(str(path))
    for (rig, channel, label), (_, said) in sorted(largest.items()):
        where = f"{rig} {channel}".strip()
        yield f"{where}: {label}, largest {said}"


def _due(
    index: Index,
    archive: Archive,
    runs: Iterable[Run],
    cards: Iterable[JobCard],
    begin: int,
    day: date,
    unread: list[str],
) -> Iterable[Due]:
    """Give what is due within the days that are looked ahead, soonest first."""
    found: dict[str, date] = {}
    rigs = [run.header.rig for run in runs]
    for kind in ("rig", "calibration", "reference"):
        for path in _kept(index, archive, kind, begin):
            try:
                if kind == "rig":
                    rigs.append(load_rig(path))
                elif kind == "calibration":
                    record = load_record(path)
                    what = f"calibration of {record.rig} {record.channel}"
                    found[what] = record.due
                else:
                    reference = load_reference(path)
                    found[f"reference {reference.id}"] = reference.due
            except ProofstandError as error:
                unread.append(error.where or str(path))
    for rig in rigs:
        for channel in rig.channels:
            if channel.calibration is not None:
                what = f"calibration of {rig.id} {channel.id}"
                found[what] = max(channel.calibration.due, found.get(what, date.min))
    for card in cards:
        rebuild = card.rebuild
        if rebuild is not None and rebuild.keep_until is not None:
            named = " ".join(
                part for part in ("kit", rebuild.kit, "lot", rebuild.lot) if part
            )
            found[f"shelf life of {named}"] = rebuild.keep_until
    last = day + timedelta(days=DUE_DAYS)
    soon = [(due, what) for what, due in found.items() if due <= last]
    return [Due(what=what, due=due) for due, what in sorted(soon)]


def day_json(page: Day, runs: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return the page as JSON.

    Args:
        page: which.
        runs: its runs as JSON.
    """
    return {
        "schema": "proofstand.day/1",
        "day": page.day.isoformat(),
        "received": list(page.received),
        "runs": list(runs),
        "verdicts": page.verdicts,
        "endings": page.endings,
        "retests": [run.run for run in page.retests],
        "without_certificate": [run.run for run in page.without],
        "open_jobs": [
            {
                "job": each.job,
                "serial": each.serial,
                "customer": each.customer,
                "received": each.received.isoformat(),
            }
            for each in page.open
        ],
        "rig_movement": list(page.moved),
        "due": [{"what": d.what, "due": d.due.isoformat()} for d in page.due],
        "shift_checks": page.shifts,
        "concessions": page.concessions,
        "simulated_runs_not_counted": page.simulated,
        "unread": list(page.unread),
    }
