"""What a test needs, looked at before anything is opened.

The same rules as when the test begins, one by one, so that each can be said beside the
field that it belongs to.
"""

from __future__ import annotations

import datetime
import shlex
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from records.errors import InputError, ProofstandError, RefusedError
from records.jobcard import JobCard
from records.jobfile import load_job, load_people, load_work_limits
from records.people import People
from records.plan import Plan
from records.planfile import plan_by_name
from records.rig import Rig
from records.runfile import check_place
from records.shift import CAUTIONS_FORMAT, CautionsRead, ShiftRecord, ShiftRelied
from records.tomlfile import text_sha256
from rig.rigfile import load_rig

from . import shifts
from .approvals import as_approved
from .bench.cardcheck import CardNote, card_check
from .bench.cautions import Cautions, cautions_for, were_read
from .bench.plancheck import check_plan
from .bench.shift import clock_words, leaning_step, relied_on
from .places import people_file, work_limits_file
from .procedure.engine import Engine, prepared_plan
from .signoff.persons import the_roll
from .words.sentences import trouble


def rig_at(path: str) -> Rig:
    """Return the rig of a rig file.

    Raises:
        InputError: with file and line.
    """
    return load_rig(Path(path))


def plan_called(name: str) -> Plan:
    """Return a plan by its file or the id of a built-in one, with its approval.

    Raises:
        InputError: with file and line.
        IntegrityError: the record of its approval was changed.
    """
    plan, text = plan_by_name(name)
    return as_approved(plan, text_sha256(text))


def job_at(path: str) -> JobCard:
    """Return a job card.

    Raises:
        InputError: with file and line, or a set pressure that is none.
    """
    return load_job(Path(path))


def journal_of(out: Path) -> Path:
    """Return the journal that is written beside a run file while a test runs."""
    return out.with_suffix(".journal")


def check_out(out: Path) -> None:
    """Refuse a run file that can't be made, and its journal.

    Raises:
        InputError: ``file_exists``, ``file_unwritable`` or ``value_wrong``.
    """
    journal = journal_of(out)
    check_run_file(out, journal)
    check_place(journal, "journal")


def check_run_file(out: Path, journal: Path) -> None:
    """Refuse a run file that can't be made from a journal that may be there.

    Raises:
        InputError: ``file_exists``, ``file_unwritable`` or ``value_wrong``.
    """
    if out == journal or not out.name:
        raise InputError(
            "value_wrong", key="--out", given=out, right="a name such as RUN.h5"
        )
    check_place(out, "run file")


def check_plan_for(plan: Plan, job: JobCard) -> Plan:
    """Return the plan with what it takes from the job card filled in.

    Raises:
        InputError: ``job_target_missing``.
        RefusedError: ``no_purge_statement``, ``pressure_above_rating``.
    """
    return prepared_plan(plan, job)


def check_rig_for(plan: Plan, rig: Rig) -> None:
    """Refuse a rig that can't run a plan.

    Raises:
        InputError: a channel is missing, or a transducer would be damaged.
        RefusedError: a hold of the plan can't see its own limit on this rig.
    """
    Engine(plan, rig)
    check_plan(plan, rig)


@dataclass(frozen=True, slots=True)
class ShiftState:
    """How the shift's check stands behind a test.

    Attributes:
        wanted: the test may not begin without one.
        record: the latest check of this rig and station, failed or not, or None.
        relied: what the test relies on, or None.
        refused: why there is nothing to rely on, or None.
    """

    wanted: bool
    record: ShiftRecord | None
    relied: ShiftRelied | None
    refused: ProofstandError | None


def shift_state(
    rig: Rig, plan: Plan | None, *, rig_path: str, plan_name: str, now_ns: int
) -> ShiftState:
    """Return how the shift's check stands behind a test.

    Args:
        rig: as its station sees it.
        plan: of the test, None where none is named yet.
        rig_path: as given, for what to do.
        plan_name: the same.
        now_ns: UTC.
    """
    leans = plan is not None and leaning_step(plan) is not None
    wanted = rig.wants_shift_check or leans
    station = rig.stations[0].id if rig.stations else ""
    record = None
    try:
        record = shifts.latest_check(rig.id, station)
        relied = relied_on(
            record,
            shifts.latest_change(rig.id),
            rig=rig,
            plan=plan,
            now_ns=now_ns,
            command=shift_command(rig_path, station, plan_name),
        )
    except ProofstandError as error:
        return ShiftState(wanted, record, None, error.at(error.where or rig_path))
    return ShiftState(wanted, record, relied, None)


def shift_command(rig_path: str, station: str, plan_name: str) -> str:
    """Return the command that makes a test possible."""
    words = ["proofstand", "rig", "shift", "--rig", shlex.quote(rig_path or "RIG.toml")]
    if station:
        words += ["--station", shlex.quote(station)]
    if plan_name:
        words += ["--plan", shlex.quote(plan_name)]
    return " ".join([*words, "--by", "NAME"])


def shift_relied_on(
    rig: Rig, plan: Plan, *, rig_path: str, plan_name: str, now_ns: int
) -> ShiftRelied | None:
    """Return what a test relies on; None on a simulated rig that has no valid check.

    Raises:
        RefusedError: ``shift_check_missing`` and its fellows.
        IntegrityError: a record was changed.
    """
    state = shift_state(
        rig, plan, rig_path=rig_path, plan_name=plan_name, now_ns=now_ns
    )
    if state.wanted and state.refused is not None:
        raise state.refused
    return state.relied


def cautions_wanted(
    job: JobCard,
    plan: Plan,
    rig: Rig,
    *,
    by: str,
    relied: ShiftRelied | None,
    now_ns: int,
) -> tuple[Cautions, CautionsRead | None]:
    """Return the cautions of a test, and the reading of them that still holds.

    Raises:
        RefusedError: ``gas_toxic``.
        IntegrityError: a record was changed.
    """
    wanted = cautions_for(job, plan)
    latest = shifts.latest_cautions_read(by, now_ns) if by else None
    shift = "" if relied is None else relied.id
    held = were_read(latest, wanted, rig=rig, shift=shift, now_ns=now_ns)
    return wanted, latest if held else None


def read_cautions(
    job: JobCard,
    plan: Plan,
    rig: Rig,
    *,
    by: str,
    read_by: str,
    relied: ShiftRelied | None,
    now_ns: int,
) -> CautionsRead | None:
    """Return who read the cautions of a test; kept where it was said now.

    A simulated rig that wants no shift check wants no name either.

    Args:
        job: of the test.
        plan: of the test.
        rig: as its station sees it.
        by: who tests.
        read_by: who says now to have read them, or "".
        relied: the shift's check that the test relies on.
        now_ns: UTC.

    Raises:
        RefusedError: ``cautions_not_read``, ``gas_toxic``.
        InputError: read by another than who tests; the record can't be kept.
    """
    if by and read_by and by != read_by:
        raise InputError(
            "value_wrong",
            key="--cautions-read-by",
            given=read_by,
            right=f"the name of who tests, {by}",
        )
    name = (by or read_by).strip()
    wanted, held = cautions_wanted(
        job, plan, rig, by=name, relied=relied, now_ns=now_ns
    )
    if held is not None:
        return held
    if not read_by.strip():
        if not rig.wants_shift_check:
            return None
        raise RefusedError(
            "cautions_not_read",
            where=job.id,
            gases=" and ".join(wanted.gases),
            pressure=wanted.pressure,
            by=name or "nobody",
        )
    return shifts.keep_cautions_read(
        CautionsRead(
            format=CAUTIONS_FORMAT,
            by=name,
            utc_ns=now_ns,
            when=clock_words(now_ns),
            shift="" if relied is None else relied.id,
            rig=rig.id,
            station=rig.stations[0].id if rig.stations else "",
            gases=wanted.gases,
            pressure=wanted.pressure,
            cautions=wanted.ids,
        )
    )


def people_of(path: Path | None = None) -> People | None:
    """Return the list of people in a file, else the shop's own, else None.

    The shop's own is its roll, and where there is none yet the file of its settings.

    Raises:
        InputError: it is no such list; with file and line.
        IntegrityError: the roll's record was changed.
    """
    if path is None:
        roll = the_roll()
        if roll is not None:
            return roll.people
        path = people_file()
        if not path.exists():
            return None
    return load_people(path)


def job_on_bench(job: JobCard, label: str) -> JobCard:
    """Return the card of the regulator whose label was scanned, of a batch's card."""
    serial = job.serial_of(label) if label.strip() else None
    return job if serial is None or not job.serials else job.of_serial(serial)


def notes_on(
    job: JobCard,
    plan: Plan | None = None,
    rig: Rig | None = None,
    *,
    by: str = "",
    label: str = "",
    people: Path | None = None,
) -> tuple[CardNote, ...]:
    """Return what the card's rules say of a test today.

    The shop's own list of people says nothing of a simulated rig: anyone may work it.

    Raises:
        InputError: the list of people, or of work limits, can't be used.
    """
    limits = work_limits_file()
    anyone = people is None and rig is not None and rig.simulated
    return card_check(
        job,
        plan,
        rig,
        datetime.date.today(),
        by=by,
        people=None if anyone else people_of(people),
        label=label,
        limits=load_work_limits(limits) if limits.exists() else None,
    )


def refuse_stops(notes: Iterable[CardNote], at: str = "") -> None:
    """Refuse a test that a rule of the card stops.

    Args:
        notes: of the card.
        at: the card, as a person would look for it.

    Raises:
        RefusedError: the first stop.
    """
    for note in notes:
        if note.stops:
            raise note.refusal(at)


def note_words(note: CardNote) -> tuple[str, str]:
    """Return what a note says and what to do about it."""
    told = trouble(note.refusal())
    return told.what, told.do
