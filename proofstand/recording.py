"""Recording a test from a rig file to a sealed run file."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

from records.errors import InputError, ProofstandError, RefusedError
from records.jobcard import JobCard
from records.jobfile import load_job
from records.journal import read_interrupted, read_journal
from records.plan import Plan, Step
from records.planfile import plan_by_name
from records.rig import Rig
from records.run import MarkKind, RunHeader
from records.runfile import Seal, open_run, seal
from records.shift import CautionsRead, ShiftRelied
from rig.acquisition import close_all, open_instruments
from rig.clock import HostClock
from rig.rigfile import load_rig

from .bench.cardcheck import CardNote
from .bench.cautions import Cautions
from .bench.plancheck import check_plan
from .bench.shift import leaning_step
from .procedure.engine import Command, Engine, prepared_plan
from .procedure.resuming import finds_regulator
from .ready import (
    cautions_wanted,
    job_on_bench,
    notes_on,
    read_cautions,
    refuse_stops,
    shift_relied_on,
)
from .room import Room
from .runs import new_header
from .session import Closed, Marked, Session, SessionEvent
from .signoff.keys import signer_for
from .so_far import SoFar

if TYPE_CHECKING:
    from .simulated import FarWorker


# A window that follows a journal opens it for a moment at a time.
REMOVE_TRIES, REMOVE_S = 50, 0.1

AskCautions = Callable[[Cautions], str]


def nobody_reads(cautions: Cautions) -> str:
    """Return that nobody is there to read cautions."""
    return ""


@dataclass(frozen=True, slots=True)
class Recorded:
    """A run that was recorded and sealed.

    Attributes:
        rig_seconds: length of the recording, rig time.
        connected_seconds: from the regulator connected to disconnected, rig time.
    """

    run: str
    seal: Seal
    rig_seconds: float
    connected_seconds: float


def record(
    *,
    rig_path: Path,
    plan_name: str,
    job_path: Path,
    out: Path,
    journal: Path,
    hands: str | None,
    by: str,
    key_folder: Path | None,
    tell: Callable[[SessionEvent], None],
    commands: Callable[[], Iterable[Command]],
    watched: bool = False,
    station: str = "",
    label: str = "",
    people: Path | None = None,
    warn: Callable[[Sequence[CardNote]], None] = lambda notes: None,
    approvals: Path | None = None,
    cautions_read_by: str = "",
    ask_cautions: AskCautions = nobody_reads,
) -> Recorded:
    """Lead a test, record it, seal it; the journal goes once the seal is checked.

    Args:
        rig_path: rig file.
        plan_name: a file, or the id of a built-in one.
        job_path: job card.
        out: run file to make.
        journal: written beside it meanwhile.
        hands: ``simulated``, or None where people work the valves.
        by: who tests.
        key_folder: of the key that seals it.
        tell: called with each event.
        commands: returns what people said since.
        watched: findings are looked at within holds too.
        station: where the rig has several.
        label: scanned from the regulator's label, "" where nothing was.
        people: list of who may work on which gas; None takes the shop's, if any.
        warn: called once with all that the card's rules say, before any refusal.
        approvals: folder that the plan's approval is looked for in; None takes the
            user's.
        cautions_read_by: who says to have read the cautions for this gas and pressure.
        ask_cautions: shows them where nobody has said so for this shift, and returns
            who has read them now, or "".

    Raises:
        InputError: a file can't be used; the rig has several stations and none is said.
        RigError: the rig failed; the journal stays.
        RefusedError: a rule of the card stops the test; no shift check stands behind
            it; the cautions were not read; simulated hands on a real rig, or a key that
            may not sign here.
    """
    rig = load_rig(rig_path)
    plan, plan_text = plan_by_name(plan_name)
    job = load_job(job_path)
    try:
        rig = rig.for_station(station)
    except InputError as error:
        raise error.at(str(rig_path)) from None
    notes = notes_on(job, plan, rig, by=by, label=label, people=people)
    warn(notes)
    refuse_stops(notes, str(job_path))
    job = job_on_bench(job, label)
    prepared = prepared_plan(plan, job)
    try:
        # before anything is opened: can this rig run this plan
        Engine(prepared, rig)
        check_plan(prepared, rig)
    except (InputError, RefusedError) as error:
        raise error.at(str(rig_path)) from None
    relied, read = _allowed(
        job,
        prepared,
        rig,
        by=by,
        rig_path=str(rig_path),
        plan_name=plan_name,
        read_by=cautions_read_by,
        ask=ask_cautions,
    )
    header = new_header(
        origin="record",
        job=job,
        plan=prepared,
        plan_text=plan_text,
        rig=rig,
        utc_ns=time.time_ns(),
        by=by,
        approvals=approvals,
        shift=relied,
        cautions=read,
    )
    return lead(
        header,
        rig,
        out=out,
        journal=journal,
        hands=hands,
        by=by,
        key_folder=key_folder,
        tell=tell,
        commands=commands,
        watched=watched,
        resume=False,
        where=rig_path,
    )


def resume(
    *,
    journal: Path,
    rig_path: Path | None,
    out: Path,
    hands: str | None,
    by: str,
    key_folder: Path | None,
    tell: Callable[[SessionEvent], None],
    commands: Callable[[], Iterable[Command]],
    watched: bool = False,
    cautions_read_by: str = "",
    ask_cautions: AskCautions = nobody_reads,
) -> Recorded:
    """Go on with an interrupted run in a new part of it; then as :func:`record`.

    Args:
        journal: of the interrupted run; it is gone on with.
        rig_path: the rig file, where its instruments answer elsewhere now, or None.
        out: the run file to make.
        hands: ``simulated``, or None where people work the valves.
        by: who goes on with it.
        key_folder: of the key that seals it.
        tell: called with each event.
        commands: returns what people said since.
        watched: findings are looked at within holds too.
        cautions_read_by: see :func:`record`.
        ask_cautions: the same.

    Raises:
        InputError: no interrupted journal; the rig is not the one that it was.
        IntegrityError: the journal is damaged inside.
        RigError, RefusedError: see :func:`record`.
    """
    before = read_interrupted(journal).run
    header = before.header
    rig = header.rig
    if rig_path is not None:
        rig = _elsewhere(rig, load_rig(rig_path).for_station(header.station), rig_path)
    _allowed(
        header.job,
        header.plan,
        rig,
        by=by or header.by,
        rig_path="" if rig_path is None else str(rig_path),
        plan_name=header.plan.id,
        read_by=cautions_read_by,
        ask=ask_cautions,
        began_with=header.shift,
    )
    return lead(
        header,
        rig,
        out=out,
        journal=journal,
        hands=hands,
        by=by,
        key_folder=key_folder,
        tell=tell,
        commands=commands,
        watched=watched,
        resume=True,
        where=journal if rig_path is None else rig_path,
        on=Engine.restored(header.plan, rig, before.marks).step,
    )


def _allowed(
    job: JobCard,
    plan: Plan,
    rig: Rig,
    *,
    by: str,
    rig_path: str,
    plan_name: str,
    read_by: str,
    ask: AskCautions,
    began_with: ShiftRelied | None = None,
) -> tuple[ShiftRelied | None, CautionsRead | None]:
    """Return the shift's check that a test relies on, and who read its cautions.

    Raises:
        RefusedError: there is none, or they were not; see ``ready``. A test that takes
            its rig-hold from a check is not gone on with under another one.
    """
    now_ns = time.time_ns()
    relied = shift_relied_on(
        rig, plan, rig_path=rig_path, plan_name=plan_name, now_ns=now_ns
    )
    other = began_with is not None and relied is not None and relied != began_with
    if other and began_with is not None and leaning_step(plan) is not None:
        raise RefusedError("shift_record_ended", where=rig.id, shift=began_with.id)
    name = by or read_by
    wanted, held = cautions_wanted(
        job, plan, rig, by=name, relied=relied, now_ns=now_ns
    )
    if held is None and not read_by and rig.wants_shift_check:
        read_by = ask(wanted)
    read = read_cautions(
        job, plan, rig, by=by, read_by=read_by, relied=relied, now_ns=now_ns
    )
    return relied, read


def _elsewhere(was: Rig, now: Rig, path: Path) -> Rig:
    """Return the rig with the addresses of now, when nothing else differs.

    Raises:
        InputError: ``rig_changed``.
    """
    known = {i.id: i for i in was.instruments}
    moved = tuple(
        replace(
            i,
            host=known[i.id].host,
            port=known[i.id].port,
            serial=known[i.id].serial,
        )
        if i.id in known
        else i
        for i in now.instruments
    )
    same = replace(now, instruments=moved, hand_valves=was.hand_valves)
    differing = [
        f.name for f in fields(Rig) if getattr(was, f.name) != getattr(same, f.name)
    ]
    if differing:
        raise InputError("rig_changed", where=str(path), what=", ".join(differing))
    return now


def lead(
    header: RunHeader,
    rig: Rig,
    *,
    out: Path,
    journal: Path,
    hands: str | None,
    by: str,
    key_folder: Path | None,
    tell: Callable[[SessionEvent], None],
    commands: Callable[[], Iterable[Command]],
    watched: bool,
    resume: bool,
    where: Path,
    on: Step | None = None,
) -> Recorded:
    """Lead what a header says on its rig, record it, seal it.

    Args:
        header: of the run; its plan is prepared.
        rig: as its instruments answer now.
        out: run file to make.
        journal: written beside it meanwhile.
        hands: ``simulated``, or None where people work the valves.
        by: who tests.
        key_folder: of the key that seals it.
        tell: called with each event.
        commands: returns what people said since.
        watched: findings are looked at within holds too.
        resume: the journal is there already and is gone on with.
        where: the file that the rig is from, for messages and the paths in it.
        on: the step that is gone on with.

    Raises:
        InputError, RigError, RefusedError: see :func:`record`.
    """
    if hands is not None and not rig.simulated:
        raise RefusedError("hands_on_real_rig", where=str(where))
    signer = signer_for(simulated=rig.simulated, folder=key_folder)
    clock = HostClock(rig.time_multiple)
    instruments = open_instruments(rig, clock, where.parent)
    worker: FarWorker | None = None
    if hands is not None:
        from .simulated import hands_over_the_wire

        try:
            worker = hands_over_the_wire(
                rig,
                family=header.job.regulator.family
                if header.job.upstream is None
                else "pair",
                go_on=resume,
                regulator_on=on is not None and finds_regulator(on),
            )
        except ProofstandError:
            close_all(instruments)
            raise
    seconds = 0.0
    opened: dict[str, float] = {}

    def listen(event: SessionEvent) -> None:
        nonlocal seconds
        if isinstance(event, Closed):
            seconds = event.rig_seconds
        elif isinstance(event, Marked) and event.mark.kind is MarkKind.OPENED:
            opened[event.mark.data["act"]] = event.mark.t_s
        tell(event)

    session = Session(
        header=header,
        plan=header.plan,
        rig=rig,
        journal=journal,
        instruments=instruments,
        clock=clock,
        tell=listen,
        hands=worker,
        so_far=SoFar(header, within_holds=watched),
        room=Room(journal),
        resume=resume,
        by=by,
    )
    try:
        session.run(commands)
    finally:
        if worker is not None:
            worker.close()
    made = seal(journal, out, signer)
    _remove(journal)
    connected = opened.get("disconnect", 0.0) - opened.get("fit_regulator", 0.0)
    return Recorded(header.id, made, seconds, max(connected, 0.0))


def finish(journal: Path, out: Path, *, key_folder: Path | None) -> None:
    """Seal a test that was over when its recorder died; what is sealed stays.

    Args:
        journal: closed; none where only it was removed already.
        out: the run file to make, or that was made.
        key_folder: of the key that seals it.

    Raises:
        InputError, IntegrityError: one of the files can't be used.
        RefusedError: a key that may not sign here.
    """
    if not journal.exists():
        open_run(out)
        return
    if not out.exists():
        header = read_journal(journal).run.header
        seal(
            journal, out, signer_for(simulated=header.rig.simulated, folder=key_folder)
        )
    elif open_run(out).id != read_journal(journal).run.id:
        raise InputError("file_exists", where=str(out), what="run file")
    _remove(journal)


def _remove(journal: Path) -> None:
    """Remove a journal: the sealed file holds all of it and has been read back."""
    for _ in range(REMOVE_TRIES):
        try:
            journal.unlink()
            return
        except PermissionError:  # Windows, while a window looks into it
            time.sleep(REMOVE_S)
    journal.unlink()
