"""A regulator's life: all that the archive has of one serial and model, in time order.

From the archive's own files alone, each compared with what the chain tells of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from records.archive import entry as kinds
from records.archive.chain import Archive
from records.archive.entry import key_of, safe_name
from records.archive.found import Listed, RunFound
from records.archive.index import Index
from records.errors import ProofstandError
from records.jobcard import JobCard
from records.jobfile import load_job
from records.runfile import read_sealed

from .reviewed import KeptPaper, paper_of, read_as_kept
from .times import begin_of
from .trend import AS_FOUND


class Happened(StrEnum):
    """What an event of a life is."""

    RECEIVED = "received"
    AS_FOUND = "as found"
    REBUILT = "rebuilt"
    TESTED = "tested"
    RETESTED = "tested again"
    PAPER = "paper"
    ENDED = "ended"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happened.

    Attributes:
        utc_ns: when; of what has only a day, its begin here. day_only: it has.
        what: which sort. verdict: of a test, "" else.
        words: what is said of it: kit and lot, a note, how it ended.
        by: who. run: the run that it belongs to, or None. paper: kind of a paper.
        job: number of its job.
    """

    utc_ns: int
    what: Happened
    job: str = ""
    day_only: bool = False
    verdict: str = ""
    words: str = ""
    by: str = ""
    run: RunFound | None = None
    paper: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """All events, the newest first, and what could not be read."""

    serial: str
    model: str
    events: tuple[Event, ...]
    unread: tuple[ProofstandError, ...]


def life_of(index: Index, archive: Archive, serial: str, model: str) -> Life:
    """Return the life of one regulator as the archive has it.

    Args:
        index: of the archive, brought up to it.
        archive: where the files are.
        serial: as stamped.
        model: as stamped; another model's serial may be the same.
    """
    unread: list[ProofstandError] = []
    runs = [r for r in index.by_serial(serial) if key_of(r.model) == key_of(model)]
    events: list[Event] = []
    cards: dict[str, JobCard] = {}
    tested: set[str] = set()
    for run in reversed(runs):  # the oldest first
        events.append(_test(run, tested))
        for listed in index.entries(run=run.run):
            try:
                if listed.kind == kinds.RUN:
                    read_as_kept(archive, listed)
                    header = read_sealed(archive.folder / listed.path).header
                    cards[header.job.id] = header.job
                elif listed.kind != kinds.JUDGEMENT:
                    data = read_as_kept(archive, listed)
                    paper = paper_of(archive, listed, data)
                    events.append(_paper(run, listed, paper))
            except ProofstandError as error:
                unread.append(error)
    cards |= _kept_cards(index, archive, cards, unread)
    for card in cards.values():
        events += _of_card(card, serial)
    order = {what: n for n, what in enumerate(Happened)}
    events.sort(key=lambda event: (event.utc_ns, order[event.what]), reverse=True)
    return Life(serial=serial, model=model, events=tuple(events), unread=tuple(unread))


def _test(run: RunFound, tested: set[str]) -> Event:
    what = Happened.TESTED
    if run.plan == AS_FOUND:
        what = Happened.AS_FOUND
    elif run.job and run.job in tested:
        what = Happened.RETESTED
    else:
        tested.add(run.job)
    return Event(
        utc_ns=run.started_ns,
        what=what,
        job=run.job,
        verdict=run.verdict,
        by=run.tested_by,
        run=run,
    )


def _paper(run: RunFound, listed: Listed, paper: KeptPaper) -> Event:
    words = paper.what if not paper.text else f"{paper.what}: {paper.text}"
    return Event(
        utc_ns=listed.utc_ns,
        what=Happened.PAPER,
        job=run.job,
        words=words,
        by=paper.by or paper.who,
        run=run,
        paper=listed.kind,
    )


def _kept_cards(
    index: Index,
    archive: Archive,
    known: dict[str, JobCard],
    unread: list[ProofstandError],
) -> dict[str, JobCard]:
    """Return the jobs' cards as they were kept last, which tell how a job ended."""
    wanted = {f"shop/job/{safe_name(id)}/" for id in known}
    found: dict[str, JobCard] = {}
    for listed in index.entries(kind="job") if wanted else ():
        if not any(listed.path.startswith(folder) for folder in wanted):
            continue
        try:
            read_as_kept(archive, listed)
            card = load_job(archive.folder / listed.path)
        except ProofstandError as error:
            unread.append(error)
            continue
        found[card.id] = card
    return found


def _of_card(card: JobCard, serial: str) -> Iterator[Event]:
    """Give what a job card tells of one regulator."""
    same = [each for each in card.known_serials if key_of(each) == key_of(serial)]
    own = card.of_serial(same[0]) if same else card
    intake, rebuild = own.intake, own.rebuild
    if intake is not None and intake.received is not None:
        reason = ", ".join(p for p in (intake.sender, intake.reason) if p)
        yield _on(intake.received, Happened.RECEIVED, own, reason, intake.by)
    if rebuild is not None and rebuild.date is not None:
        kit = " ".join(p for p in (rebuild.kit, rebuild.lot) if p)
        parts = ", ".join(
            part.name for part in rebuild.parts if part.done == "replaced"
        )
        words = "; ".join(p for p in (kit, parts) if p)
        yield _on(rebuild.date, Happened.REBUILT, own, words, rebuild.by)
    for each in own.disposition:
        if each.date is not None:
            yield _on(each.date, Happened.ENDED, own, each.ending, each.by)


def _on(day: date, what: Happened, card: JobCard, words: str, by: str) -> Event:
    return Event(
        utc_ns=begin_of(day),
        day_only=True,
        what=what,
        job=card.id,
        words=words,
        by=by,
    )
