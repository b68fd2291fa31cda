"""The start sheet's rules: each field is looked at as it is typed. Knows no Qt."""

from __future__ import annotations

import re
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from proofstand.bench.cardcheck import CardNote
from proofstand.bench.cautions import Cautions, cautions_for
from proofstand.bench.shift import clock_words
from proofstand.commands.options import MOST_NAME, checked_name
from proofstand.ready import (
    ShiftState,
    cautions_wanted,
    check_out,
    check_plan_for,
    check_rig_for,
    job_at,
    journal_of,
    notes_on,
    plan_called,
    rig_at,
    shift_state,
)
from proofstand.shifts import declare_change
from proofstand.words.sentences import trouble
from records.errors import ProofstandError
from records.jobcard import JobCard
from records.measure import Kind
from records.plan import Plan
from records.rig import Rig
from records.shift import CautionsRead

from .wording import calibration_words, said

FIELDS = ("rig", "plan", "job", "out", "by", "label")


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What is typed, as it is."""

    rig: str = ""
    plan: str = ""
    job: str = ""
    out: str = ""
    by: str = ""
    label: str = ""


@dataclass(frozen=True, slots=True)
class Beside:
    """What stands beside a field: good news, or what is wrong and what to do."""

    words: str
    good: bool


@dataclass(frozen=True, slots=True)
class Sheet:
    """All fields looked at.

    Attributes:
        notes: what the rules of the job card say, stops first; None where there is no
            card yet.
        shift: how the rig's start-of-shift check stands.
        shift_wanted: the rig wants one.
        cautions: of this gas and pressure, None where they are not known yet.
        read: that who tests has read them in this shift, or None.
    """

    beside: dict[str, Beside]
    notes: tuple[CardNote, ...] | None = None
    shift: Beside = field(default_factory=lambda: Beside("", True))
    shift_wanted: bool = False
    cautions: Cautions | None = None
    read: CautionsRead | None = None

    @property
    def ready(self) -> bool:
        """Whether the test can begin."""
        return self.shift.good and all(each.good for each in self.beside.values())

    @property
    def first_bad(self) -> str:
        """The first field that is not good yet, or ""."""
        return next((f for f in FIELDS if not self.beside[f].good), "")


def look_at(given: Given) -> Sheet:
    """Look at every field, and at what has to fit together."""
    beside: dict[str, Beside] = {}
    try:
        checked_name(given.by.strip(), said("start", "by"))
    except ProofstandError:  # its own words are too long to stand beside it
        beside["by"] = Beside(said("start", "by_wrong", most=MOST_NAME), False)
    given = Given(**{name: _clean(getattr(given, name)) for name in FIELDS})
    rig = plan = job = None
    try:
        rig = rig_at(given.rig) if given.rig else None
        beside["rig"] = _rig_words(rig)
    except ProofstandError as error:
        beside["rig"] = _wrong(error)
    try:
        plan = plan_called(given.plan) if given.plan else None
        beside["plan"] = _plan_words(plan)
    except ProofstandError as error:
        beside["plan"] = _wrong(error)
    try:
        job = job_at(given.job) if given.job else None
        beside["job"] = _job_words(job)
    except ProofstandError as error:
        beside["job"] = _wrong(error)
    notes = None
    if job is not None:
        try:
            notes = notes_on(job, plan, rig, by=given.by, label=given.label)
        except ProofstandError as error:  # the list of people
            beside.setdefault("by", _wrong(error))
    _together(rig, plan, job, beside)
    stops = [note for note in notes or () if note.stops]
    if stops and beside["job"].good:
        beside["job"] = _wrong(stops[0].refusal(), others=len(stops) - 1)
    beside["out"] = _out_words(given.out)
    by, wanted = given.by, rig is not None and rig.wants_shift_check
    empty = Beside(_nobody_words(job, wanted=wanted), not wanted)
    beside.setdefault("by", Beside("", True) if by else empty)
    beside["label"] = _label_words(job, given.label)
    shift = Beside(said("start", "shift_no_rig"), True)
    cautions = read = None
    if rig is not None:
        state = _shift_of(rig, plan, given)
        shift = _shift_words(state)
        if job is not None and plan is not None:
            try:
                cautions, read = cautions_wanted(
                    job,
                    plan,
                    rig,
                    by=by,
                    relied=state.relied,
                    now_ns=time.time_ns(),
                )
            except ProofstandError as error:
                beside["job"] = _wrong(error)
    elif job is not None and plan is not None:
        with suppress(ProofstandError):
            cautions = cautions_for(job, plan)
    return Sheet(beside, notes, shift, wanted, cautions, read)


def declared_changed(given: Given, what: str) -> Beside:
    """Keep that something on the rig was changed; return what to say of it."""
    from proofstand.keeping.made import keep_shop  # loads long

    try:
        rig = rig_at(_clean(given.rig))
        now = time.time_ns()
        by = _clean(given.by)
        made = declare_change(rig.id, _clean(what), by, now, clock_words(now))
        if not rig.simulated:
            not_kept = keep_shop([(made, ".toml")], by=by)
            if not_kept is not None:
                raise not_kept
    except ProofstandError as error:
        return _wrong(error)
    return Beside(said("start", "changed_kept"), True)


def _shift_of(rig: Rig, plan: Plan | None, given: Given) -> ShiftState:
    with suppress(ProofstandError):  # of several stations; beginning says so
        rig = rig.for_station("")
    return shift_state(
        rig,
        plan,
        rig_path=given.rig,
        plan_name=given.plan,
        now_ns=time.time_ns(),
    )


def _shift_words(state: ShiftState) -> Beside:
    if state.refused is None and state.record is not None:
        words = said(
            "start",
            "shift_good",
            by=state.record.by,
            at=clock_words(state.record.utc_ns),
            until=clock_words(state.record.until_ns),
        )
        return Beside(words, True)
    if not state.wanted:
        return Beside(said("start", "shift_not_wanted"), True)
    assert state.refused is not None
    told = trouble(state.refused)
    return Beside(f"{told.what} {told.do}", False)


def card_rules(given: Given, job: JobCard) -> tuple[CardNote, ...]:
    """Return what the rules say of a card with the plan and rig that are named.

    Raises:
        InputError: the list of people can't be used.
    """
    given = Given(**{name: _clean(getattr(given, name)) for name in FIELDS})
    plan = rig = None
    try:
        plan = plan_called(given.plan) if given.plan else None
        rig = rig_at(given.rig) if given.rig else None
    except ProofstandError:
        pass  # the start sheet says what is wrong with them
    # all of a batch: which one is on the bench is asked on the start sheet
    found = [
        note
        for label in job.serials or ("",)
        for note in notes_on(job, plan, rig, by=given.by, label=label)
    ]
    return tuple(sorted(dict.fromkeys(found), key=lambda note: not note.stops))


def _clean(text: str) -> str:
    """Return a field without what can't be typed, such as a pasted end of line."""
    return "".join(sign for sign in text if sign.isprintable()).strip()


def _together(
    rig: Rig | None, plan: Plan | None, job: JobCard | None, beside: dict[str, Beside]
) -> None:
    if plan is not None and job is not None:
        try:
            plan = check_plan_for(plan, job)
        except ProofstandError as error:
            beside["job"] = _wrong(error)
    if plan is not None and rig is not None:
        try:
            check_rig_for(plan, rig)
        except ProofstandError as error:
            beside["rig"] = _wrong(error)


def _wrong(error: ProofstandError, others: int = 0) -> Beside:
    told = trouble(error)
    where = f"{told.where}: " if told.where else ""
    more = f" {said('start', 'more_stops', n=others)}" if others else ""
    return Beside(f"{where}{told.what} {told.do}{more}", False)


def _nobody_words(job: JobCard | None, *, wanted: bool) -> str:
    """Return what stands beside an empty name: whom the card names, if anybody."""
    if wanted or job is None or not job.technician.strip():
        return said("start", "by_wanted" if wanted else "by_empty")
    return said("start", "by_card", name=job.technician.strip())


def _label_words(job: JobCard | None, label: str) -> Beside:
    if not label:
        return Beside(said("start", "label_empty"), True)
    serial = job.serial_of(label) if job is not None else None
    if job is None or serial is None:
        return Beside("", True)  # said beside the card
    return Beside(said("start", "label_good", serial=serial), True)


def _needed() -> Beside:
    return Beside(said("start", "empty"), False)


def _rig_words(rig: Rig | None) -> Beside:
    if rig is None:
        return _needed()
    pressures = [c for c in rig.channels if c.measure_unit.kind is Kind.PRESSURE]
    words = said(
        "start",
        "rig_simulated" if rig.simulated else "rig_good",
        name=rig.name or rig.id,
        channels=", ".join(c.id for c in pressures),
        cal=calibration_words(rig, time.time_ns()),
    )
    return Beside(words, True)


def _plan_words(plan: Plan | None) -> Beside:
    if plan is None:
        return _needed()
    words = said(
        "start",
        "plan_good",
        title=plan.title,
        version=plan.version,
        status=plan.status,
        steps=len(plan.steps),
    )
    return Beside(words, True)


def _job_words(job: JobCard | None) -> Beside:
    if job is None:
        return _needed()
    r = job.regulator
    words = said("start", "job_good", serial=r.serial, model=r.model, gas=r.gas)
    return Beside(words, True)


def _out_words(text: str) -> Beside:
    if not text:
        return _needed()
    out = Path(text)
    try:
        check_out(out)
    except ProofstandError as error:
        return _wrong(error)
    return Beside(said("start", "out_good", journal=journal_of(out).name), True)


def suggested_out(job_path: str) -> str:
    """Return a run file that is free, named for the job's regulator and the day."""
    try:
        job = job_at(_clean(job_path))
    except ProofstandError:
        return ""
    serial = re.sub(r"[^A-Za-z0-9]+", "-", job.regulator.serial).strip("-") or "run"
    day = time.strftime("%Y%m%d")
    folder = Path(_clean(job_path)).parent
    number = 1
    while True:
        out = folder / f"{serial}-{day}-{number}.h5"
        if not out.exists() and not journal_of(out).exists():
            return str(out)
        number += 1
