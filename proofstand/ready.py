"""What a test needs, looked at before anything is opened.

The same rules as when the test begins, one by one, so that each can be said beside the
field that it belongs to.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from pathlib import Path

from records.errors import InputError
from records.jobcard import JobCard
from records.jobfile import load_job, load_people, load_work_limits
from records.people import People
from records.plan import Plan
from records.planfile import plan_by_name
from records.rig import Rig
from records.runfile import check_place
from records.tomlfile import text_sha256
from rig.rigfile import load_rig

from .approvals import as_approved
from .bench.cardcheck import CardNote, card_check
from .bench.plancheck import check_plan
from .places import people_file, work_limits_file
from .procedure.engine import Engine, prepared_plan
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


def people_of(path: Path | None = None) -> People | None:
    """Return the list of people in a file, else the shop's own, else None.

    Raises:
        InputError: it is no such list; with file and line.
    """
    if path is None:
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
