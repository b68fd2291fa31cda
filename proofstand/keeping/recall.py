"""Recall: a calibration or a reference that was found out of tolerance.

Which kept runs lean on it since it was last known to be good, what they would say with
the error taken off, and whom to tell. Looking writes nothing. What a quality lead signs
for, notices beside the papers and a record of the recall, goes into the archive at
once, all of it or nothing; done again it adds only what came in since.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from analysis.version import ANALYSIS_VERSION
from records.archive.chain import Archive, Item, Kept
from records.archive.found import MOST, Paper, Query
from records.archive.index import Index
from records.calibration import Calibration, CalibrationRecord, FoundError
from records.calibrationfile import load_record, load_reference
from records.errors import InputError, ProofstandError, RefusedError
from records.measure import Kind, Quantity, Reference
from records.people import Act, Signatory
from records.rig import Channel
from records.run import Run
from records.runfile import read_sealed

from ..signoff.heads import SigningKey
from ..signoff.keys import Key, key_for
from ..signoff.notes import (
    RECALL,
    Note,
    load_note,
    reason_of,
    signatory_json,
    signed,
)
from ..signoff.notices import Notice, Says, notice_bytes, notices_of, standing
from ..signoff.persons import AskPin, did, moment, no_pin
from ..signoff.roll import Clock
from ..signoff.signed_run import who_signs
from .anew import Rejudged
from .keep import RUN_NAME, notice_item, put_items, run_folder
from .nouns import recall_facts
from .rejudging import rejudged, rejudged_json
from .times import begin_of
from .workers import Here, Workers

_MOST_NAMED = 20  # of what the archive knows, in an error
_RISKY = "=+-@\t\r"  # a table program takes what begins so for a formula


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenError:
    """An error that a person states: what was shown less what was true.

    Attributes:
        zero: the same everywhere. share: of the value.
        points: (value, error), straight between them.
    """

    zero: Quantity | None = None
    share: Quantity | None = None
    points: tuple[tuple[Quantity, Quantity], ...] = ()

    def of(self, channel: Channel) -> FoundError:
        """Return the error in SI, once it is shown to be one of such a channel.

        Raises:
            RefusedError: ``recall_kind_wrong``.
        """
        kind = channel.measure_unit.kind
        step = Kind.TEMPERATURE_STEP if kind is Kind.TEMPERATURE else kind
        errors = [e for e in (self.zero, *(by for _, by in self.points)) if e]
        fits = all(
            e.kind is step and e.reference in (Reference.DIFFERENCE, Reference.NONE)
            for e in errors
        ) and all(
            (at.kind, at.reference) == (kind, channel.reference)
            for at, _ in self.points
        )
        if not fits:
            raise RefusedError(
                "recall_kind_wrong",
                where=channel.id,
                channel=channel.id,
                given=self.told,
                unit=channel.unit,
            )
        points = sorted((at.value_si, by.value_si) for at, by in self.points)
        return FoundError(
            zero=0.0 if self.zero is None else self.zero.value_si,
            share=0.0 if self.share is None else self.share.value_si,
            points=tuple(points),
        )

    @property
    def told(self) -> str:
        """The error in words."""
        said = [] if self.zero is None else [f"zero off by {self.zero.typed}"]
        said += [] if self.share is None else [f"span off by {self.share.typed}"]
        said += [f"off by {by.typed} at {at.typed}" for at, by in self.points]
        return ", ".join(said)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is recalled; just one of calibration, channel and reference is given.

    Attributes:
        calibration: id or file of the record whose points as found were out.
        rig, channel: a channel, with an error that is given.
        reference: id of an instrument that channels were calibrated against.
        error: what is given of a channel or a reference.
        since: last day on which it was known to be good; None looks into the archive.
        until: last day that is looked at; None: that of the calibration, or today.
        simulated: runs of simulated rigs instead of real ones.
    """

    calibration: str = ""
    rig: str = ""
    channel: str = ""
    reference: str = ""
    error: GivenError = field(default_factory=GivenError)
    since: date | None = None
    until: date | None = None
    simulated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What is recalled, as the archive knows it.

    Attributes:
        told: in words. good: what was good last, "" where the day was given.
        since, until: first and last day that is looked at.
        calibrations: hashes of the records that lean on a reference, None otherwise.
        record: whose points as found were out, None where the error was given.
    """

    wanted: Wanted
    told: str
    good: str
    since: date
    until: date
    record: CalibrationRecord | None = None
    calibrations: frozenset[str] | None = None

    @property
    def id(self) -> str:
        """The recall's number: the same for the same calibration and error."""
        said = {
            "record": "" if self.record is None else self.record.sha256,
            "rig": self.wanted.rig,
            "channel": self.wanted.channel,
            "reference": self.wanted.reference,
            "error": self.wanted.error.told,
            "simulated": self.wanted.simulated,
        }
        text = json.dumps(said, sort_keys=True, ensure_ascii=True)
        return f"RC-{hashlib.sha256(text.encode()).hexdigest()[:12].upper()}"

    @property
    def query(self) -> Query:
        """The runs that may lean on it."""
        rig = self.wanted.rig if self.record is None else self.record.rig
        return Query(
            since_ns=begin_of(self.since),
            before_ns=begin_of(self.until + timedelta(days=1)),
            rig="" if self.wanted.reference else rig,
            simulated=self.wanted.simulated,
            most=MOST,
        )

    def errors(self, run: Run) -> dict[str, FoundError]:
        """Return the error of each channel of a run that leans on it, by its id.

        Raises:
            InputError: ``calibration_of_other_readings``.
            RefusedError: ``recall_kind_wrong``.
        """
        found: dict[str, FoundError] = {}
        for channel in run.header.rig.channels:
            then = channel.calibration
            if self.calibrations is not None:
                if then is not None and then.record in self.calibrations:
                    found[channel.id] = self.wanted.error.of(channel)
            elif self.record is None:
                if channel.id == self.wanted.channel:
                    found[channel.id] = self.wanted.error.of(channel)
            elif channel.id == self.record.channel and not _is_of(then, self.record):
                if self.record.reads not in ("", channel.reads):
                    raise InputError(
                        "calibration_of_other_readings",
                        where=run.id,
                        record=self.record.id,
                        was=self.record.reads,
                        now=channel.reads,
                    )
                found[channel.id] = self.record.error_found(then)
        return found


def _is_of(then: Calibration | None, record: CalibrationRecord) -> bool:
    """Tell whether a run was made with the very record that found the error."""
    return then is not None and then.id == record.id and then.record == record.sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class Recalled:
    """A recall as it was looked at.

    Attributes:
        runs: all that lean on it, newest first.
    """

    found: Found
    runs: tuple[Rejudged, ...]

    @property
    def affected(self) -> tuple[Rejudged, ...]:
        """Those of which something comes out another, or can't be told."""
        return tuple(each for each in self.runs if each.differs)

    def named(self, *, every: bool) -> tuple[Rejudged, ...]:
        """Return those whose papers are to be put under review."""
        return self.runs if every else self.affected


# --- what is recalled ----------------------------------------------------------------


def look_up(index: Index, archive: Archive, wanted: Wanted, today: date) -> Found:
    """Return what is recalled, and since when it may have been wrong.

    Args:
        index: of the archive, brought up to it.
        archive: where the records are.
        wanted: what a person asks for.
        today: where no last day is known otherwise.

    Raises:
        InputError: ``record_unknown``, ``value_wrong``; a record can't be read.
        IntegrityError: a record was changed.
        RefusedError: ``recall_not_taken``, ``recall_within``,
            ``recall_no_good_record``, ``recall_unknown``.
    """
    if wanted.calibration:
        found = _by_record(index, archive, wanted)
    elif wanted.reference:
        _refuse_unknown_reference(index, archive, wanted.reference)
        found = _by_reference(index, archive, wanted, today)
    else:
        _refuse_unknown_channel(index, archive, wanted)
        found = _by_channel(index, archive, wanted, today)
    if found.until < found.since:
        right = f"not before {found.since}"
        raise InputError("value_wrong", key="--until", given=found.until, right=right)
    return found


def _records(index: Index, archive: Archive) -> Iterator[CalibrationRecord]:
    """Give the calibration records that are kept, the last one kept first."""
    for listed in reversed(index.entries(kind="calibration")):
        yield load_record(archive.folder / listed.path)


def _refuse_unknown_channel(index: Index, archive: Archive, wanted: Wanted) -> None:
    """Refuse a channel that no run and no calibration record knows."""
    rig, channel, simulated = wanted.rig, wanted.channel, wanted.simulated
    known: set[str] = set()
    for each in index.all_runs(Query(rig=rig, simulated=simulated, most=MOST)):
        try:
            run = read_sealed(run_folder(archive, each.run) / RUN_NAME)
        except ProofstandError:
            return  # it may know the channel; that it can't be read is told later
        known |= {f"{rig}/{one.id}" for one in run.header.rig.channels}
        if f"{rig}/{channel}" in known:
            return
    known |= {
        f"{record.rig}/{record.channel}"
        for record in _records(index, archive)
        if record.rig == rig
    }
    if f"{rig}/{channel}" in known:
        return
    if not known:
        every = index.all_runs(Query(simulated=simulated, most=MOST))
        known = {f"rig {each.rig}" for each in every}
    raise _unknown(archive, f"channel {channel} of rig {rig}", known)


def _refuse_unknown_reference(index: Index, archive: Archive, id: str) -> None:
    known = {record.reference.id for record in _records(index, archive)} | {
        load_reference(archive.folder / listed.path).id
        for listed in index.entries(kind="reference")
    }
    if id not in known:
        raise _unknown(archive, f"reference {id}", known)


def _unknown(archive: Archive, what: str, known: set[str]) -> RefusedError:
    named = sorted(known)
    told = ", ".join(named[:_MOST_NAMED]) or "none"
    if len(named) > _MOST_NAMED:
        told += f" and {len(named) - _MOST_NAMED} more"
    return RefusedError(
        "recall_unknown", where=str(archive.folder), what=what, known=told
    )


def _by_record(index: Index, archive: Archive, wanted: Wanted) -> Found:
    path = Path(wanted.calibration)
    if path.is_file():
        record = load_record(path)
    else:
        named = (r for r in _records(index, archive) if r.id == wanted.calibration)
        known = next(named, None)
        if known is None:
            where = str(archive.folder)
            raise InputError("record_unknown", where=where, given=wanted.calibration)
        record = known
    errors = record.as_found
    if errors is None:
        raise RefusedError("recall_not_taken", where=record.id, record=record.id)
    if errors.within:
        raise RefusedError("recall_within", where=record.id, record=record.id)
    since, good = _good(
        index, archive, wanted, record.rig, record.channel, record.date, record.id
    )
    return Found(
        wanted=wanted,
        told=(
            f"calibration {record.id} of channel {record.channel}, rig {record.rig}, "
            f"{record.date}: out of tolerance as found"
        ),
        good=good,
        since=since,
        until=wanted.until or record.date,
        record=record,
    )


def _by_channel(index: Index, archive: Archive, wanted: Wanted, today: date) -> Found:
    until = wanted.until or today
    since, good = _good(
        index, archive, wanted, wanted.rig, wanted.channel, until + timedelta(days=1)
    )
    return Found(
        wanted=wanted,
        told=f"channel {wanted.channel}, rig {wanted.rig}: {wanted.error.told}",
        good=good,
        since=since,
        until=until,
    )


def _good(
    index: Index,
    archive: Archive,
    wanted: Wanted,
    rig: str,
    channel: str,
    before: date,
    but: str = "",
) -> tuple[date, str]:
    """Return the day and the name of a channel's last good calibration.

    Raises:
        RefusedError: ``recall_no_good_record``.
    """
    if wanted.since is not None:
        return wanted.since, ""
    good = [
        record
        for record in _records(index, archive)
        if (record.rig, record.channel) == (rig, channel)
        and record.id != but
        and record.date <= before
        and record.as_left.within
    ]
    if not good:
        raise RefusedError(
            "recall_no_good_record",
            where=str(archive.folder),
            what=f"channel {channel} of rig {rig}",
        )
    last = max(good, key=lambda record: record.date)
    return last.date, f"calibration {last.id}"


def _by_reference(index: Index, archive: Archive, wanted: Wanted, today: date) -> Found:
    until = wanted.until or today
    since, good = wanted.since, ""
    if since is None:
        kept = [
            load_reference(archive.folder / listed.path)
            for listed in index.entries(kind="reference")
        ]
        days = [r.date for r in kept if r.id == wanted.reference and r.date <= until]
        if not days:
            raise RefusedError(
                "recall_no_good_record",
                where=str(archive.folder),
                what=f"reference {wanted.reference}",
            )
        since = max(days)
        good = f"reference {wanted.reference} as of {since}"
    leaning = frozenset(
        record.sha256
        for record in _records(index, archive)
        if record.reference.id == wanted.reference and since <= record.date <= until
    )
    return Found(
        wanted=wanted,
        told=f"reference {wanted.reference}: {wanted.error.told}",
        good=good,
        since=since,
        until=until,
        calibrations=leaning,
    )


def look(
    index: Index,
    archive: Archive,
    found: Found,
    told: Callable[[int], None] = lambda done: None,
    workers_for: Callable[[int], Workers] = lambda runs: Here(),
) -> Recalled:
    """Judge all runs that lean on it anew, with the error taken off; writes nothing.

    Args:
        index: of the archive, brought up to it.
        archive: where the runs are.
        found: what is recalled.
        told: is called with the number of runs that were judged so far.
        workers_for: returns who judges so many runs.
    """
    runs = []
    of = list(index.all_runs(found.query))
    workers = workers_for(len(of))
    for each in rejudged(index, archive, of, errors=found.errors, workers=workers):
        runs.append(replace(each, data=None))
        told(len(runs))
    return Recalled(found=found, runs=tuple(runs))


# --- whom to tell --------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ToTell:
    """A regulator whose customer is to be told; ``paper``: None where none was made."""

    customer: str
    run: Rejudged
    paper: Paper | None


def to_tell(runs: Iterable[Rejudged]) -> tuple[ToTell, ...]:
    """Return whom to tell of which regulator and paper, by customer."""
    rows = [
        ToTell(customer=each.run.customer, run=each, paper=paper)
        for each in runs
        for paper in (each.papers or (None,))
    ]
    return tuple(
        sorted(rows, key=lambda row: (row.customer.casefold(), row.run.serial))
    )


_COLUMNS = (
    *("customer", "serial", "model", "job", "tested", "run"),
    *("paper", "title", "verdict", "with_error", "findings"),
)


def customers_csv(runs: Iterable[Rejudged]) -> str:
    """Return whom to tell as a table, one line for each paper."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(_COLUMNS)
    for row in to_tell(runs):
        run = row.run.run
        table.writerow(
            map(
                _cell,
                (
                    *(row.customer, row.run.serial, run.model, run.job),
                    *(moment(run.started_ns), run.run),
                    row.paper.number if row.paper else "",
                    row.paper.title if row.paper else "",
                    row.paper.verdict if row.paper else row.run.before,
                    row.run.after or "can't be judged",
                    "; ".join(f"{c.step} {c.label}" for c in row.run.changes),
                ),
            )
        )
    return out.getvalue()


def _cell(text: str) -> str:
    return f"'{text}" if text.startswith(tuple(_RISKY)) else text


# --- signing for it ------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class NotMarked:
    """A paper that gets no notice, and why: an id of a trouble, or how it stands."""

    number: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked:
    """What was signed for.

    Attributes:
        note: the record of the recall, None where nothing was left to do.
        place: where it lies. marked: numbers of the papers that got a notice now.
        before: those that had one by this recall already. not_marked: the others.
    """

    note: Note | None
    place: Path | None
    marked: tuple[str, ...]
    before: tuple[str, ...]
    not_marked: tuple[NotMarked, ...]


def mark(
    archive: Archive,
    recalled: Recalled,
    *,
    why: str,
    by: str,
    head: SigningKey,
    every: bool = False,
    ask: AskPin = no_pin,
    key_folder: Path | None = None,
    utc_ns: Clock = time.time_ns,
) -> Marked:
    """Put papers under review and keep a record of the recall, all or nothing.

    Args:
        archive: where the papers are.
        recalled: what was looked at.
        why: in words.
        by: quality lead who signs for it.
        head: signs the archive's head.
        every: the papers of all runs, not only those that come out another.
        ask: asks for their PIN.
        key_folder: of the key that signed the papers; None takes the shop's.
        utc_ns: the clock.

    Raises:
        InputError: something given won't do; the archive can't be written.
        IntegrityError: the archive was changed.
        RefusedError: not by this person, or the key may not sign.
    """
    found = recalled.found
    reason = reason_of(why)
    key = key_for(simulated=found.wanted.simulated, folder=key_folder)
    if key is None:
        raise RefusedError("simulated_needs_demo_key", where=str(archive.folder))
    who = who_signs(key, by, Act.RECALL, ask, utc_ns)
    if not who.name:
        raise RefusedError("person_wanted", act=Act.RECALL.value)
    notices, before, not_marked = _notices(
        archive, recalled.named(every=every), found, who, key_folder, utc_ns
    )
    known = _recorded(archive, found.id)
    runs = [rejudged_json(each) for each in recalled.runs]
    if known is not None and not notices and known.facts["runs"] == runs:
        place = _last_place(archive, found.id)
        return Marked(
            note=None,
            place=place,
            marked=(),
            before=tuple(before),
            not_marked=tuple(not_marked),
        )
    note = _note(recalled, who, key, reason, every, notices, before, not_marked, utc_ns)
    # On record first: what is not there can be done again, what nobody knows of can't
    # be taken back.
    did(who, Act.RECALL, utc_ns=utc_ns, recall=found.id, what=found.told[:200])
    kept = _keep(archive, notices, note, found, head, who.name, utc_ns)
    return Marked(
        note=note,
        place=archive.folder / kept[-1].path,
        marked=tuple(notice.certificate for _, notice, _, _ in notices),
        before=tuple(before),
        not_marked=tuple(not_marked),
    )


_Ready = tuple[Path, Notice, bytes, str]


def _notices(
    archive: Archive,
    runs: Sequence[Rejudged],
    found: Found,
    who: Signatory,
    key_folder: Path | None,
    utc_ns: Clock,
) -> tuple[list[_Ready], list[str], list[NotMarked]]:
    """Return notices to keep, papers that have one already, and those that get none."""
    ready: list[_Ready] = []
    before: list[str] = []
    not_marked: list[NotMarked] = []
    seen: set[str] = set()
    for each in runs:
        for paper in each.papers:
            if paper.number in seen:
                continue
            seen.add(paper.number)
            page = archive.folder / paper.path
            try:
                notices = notices_of(page)
                if any(found.id in notice.why for notice in notices):
                    before.append(paper.number)
                    continue
                if standing(notices) == Says.REPLACED:
                    not_marked.append(NotMarked(number=paper.number, why=Says.REPLACED))
                    continue
                notice, data = notice_bytes(
                    page,
                    Says.UNDER_REVIEW,
                    f"Recall {found.id}: {found.told}"[:400],
                    who=who,
                    key_folder=key_folder,
                    utc_ns=utc_ns,
                )
            except ProofstandError as error:
                not_marked.append(NotMarked(number=paper.number, why=error.id))
                continue
            ready.append((Path(paper.path), notice, data, each.run.run))
    return ready, before, not_marked


def _note(
    recalled: Recalled,
    who: Signatory,
    key: Key,
    reason: str,
    every: bool,
    notices: Sequence[_Ready],
    before: Sequence[str],
    not_marked: Sequence[NotMarked],
    utc_ns: Clock,
) -> Note:
    found = recalled.found
    facts: dict[str, Any] = {
        "schema": RECALL,
        "recall": found.id,
        "found": found_json(found),
        "since": found.since.isoformat(),
        "until": found.until.isoformat(),
        "simulated": found.wanted.simulated,
        "analysis_version": ANALYSIS_VERSION,
        "every": every,
        "runs": [rejudged_json(each) for each in recalled.runs],
        "marked": [*before, *(notice.certificate for _, notice, _, _ in notices)],
        "not_marked": [{"number": n.number, "why": n.why} for n in not_marked],
        "by": signatory_json(who),
        "made": moment(utc_ns()),
        "why": reason,
    }
    return signed(facts, key)


def found_json(found: Found) -> dict[str, Any]:
    """Return what is recalled as JSON."""
    record = found.record
    return {
        "told": found.told,
        "good": found.good or None,
        "calibration": None
        if record is None
        else {"id": record.id, "sha256": record.sha256},
        "rig": found.wanted.rig if record is None else record.rig,
        "channel": found.wanted.channel if record is None else record.channel,
        "reference": found.wanted.reference or None,
        "error": None if record is not None else found.wanted.error.told,
    }


def _keep(
    archive: Archive,
    notices: Sequence[_Ready],
    note: Note,
    found: Found,
    head: SigningKey,
    who: str,
    utc_ns: Clock,
) -> tuple[Kept, ...]:
    with ExitStack() as stack:
        items: list[Item] = []
        for page, notice, data, run_id in notices:
            made = archive.stage(data, "notice")
            stack.callback(archive.drop, made)
            items.append(notice_item(notice, page, run_id, made))
        made = archive.stage(note.data, "recall")
        stack.callback(archive.drop, made)
        items.append(
            Item(
                staged=made,
                folder=f"shop/recall/{found.id}",
                name="recall-{n}.json",
                kind="recall",
                what=f"recall {found.id}",
                about=recall_facts(note),
            )
        )
        stack.pop_all()  # from here on the archive takes them away itself
        return put_items(archive, items, head, who, utc_ns)


def _last_place(archive: Archive, id: str) -> Path | None:
    places = sorted((archive.folder / "shop" / "recall" / id).glob("recall-*.json"))
    return places[-1] if places else None


def _recorded(archive: Archive, id: str) -> Note | None:
    """Return the record of this recall that was kept last, or None.

    Raises:
        IntegrityError: ``note_changed``.
    """
    place = _last_place(archive, id)
    return None if place is None else load_note(place, RECALL)
