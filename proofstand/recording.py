"""Recording a test from a rig file to a sealed run file."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

from records.errors import InputError, ProofstandError, RefusedError
from records.jobfile import load_job
from records.journal import read_interrupted
from records.plan import Step
from records.planfile import plan_by_name
from records.rig import Rig
from records.run import MarkKind, RunHeader
from records.runfile import Seal, seal
from rig.acquisition import close_all, open_instruments
from rig.clock import HostClock
from rig.rigfile import load_rig

from .bench.cardcheck import CardNote
from .bench.plancheck import check_plan
from .procedure.engine import Command, Engine, prepared_plan
from .procedure.resuming import finds_regulator
from .ready import job_on_bench, notes_on, refuse_stops
from .runs import new_header
from .session import Closed, Marked, Session, SessionEvent
from .signoff.keys import signer_for
from .so_far import SoFar

if TYPE_CHECKING:
    from .simulated import FarWorker


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

    Raises:
        InputError: a file can't be used; the rig has several stations and none is said.
        RigError: the rig failed; the journal stays.
        RefusedError: a rule of the card stops the test; simulated hands on a real rig,
            or a key that may not sign here.
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
    header = new_header(
        origin="record",
        job=job,
        plan=prepared,
        plan_text=plan_text,
        rig=rig,
        utc_ns=time.time_ns(),
        by=by,
        approvals=approvals,
    )
    return _led(
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
    return _led(
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


def _led(
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
        resume=resume,
        by=by,
    )
    try:
        session.run(commands)
    finally:
        if worker is not None:
            worker.close()
    made = seal(journal, out, signer)
    journal.unlink()  # the sealed file holds every byte of it and has been read back
    connected = opened.get("disconnect", 0.0) - opened.get("fit_regulator", 0.0)
    return Recorded(header.id, made, seconds, max(connected, 0.0))
