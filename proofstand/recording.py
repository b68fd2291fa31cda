"""Recording a test from a rig file to a sealed run file."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from records.errors import InputError, RefusedError
from records.planfile import plan_by_name
from records.run import MarkKind
from records.runfile import Seal, seal
from rig.acquisition import open_instruments
from rig.clock import HostClock
from rig.rigfile import load_rig

from .procedure.engine import Command, Engine, prepared_plan
from .runs import load_job, new_header
from .session import Closed, Hands, Marked, Session, SessionEvent
from .signoff.keys import signer_for
from .so_far import SoFar


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
) -> Recorded:
    """Lead a test, record it, seal it; the journal goes once the seal is checked.

    Raises:
        InputError: a file can't be used.
        RigError: the rig failed; the journal stays.
        RefusedError: simulated hands on a real rig, or a key that may not sign here.
    """
    rig = load_rig(rig_path)
    plan, plan_text = plan_by_name(plan_name)
    job = load_job(job_path)
    prepared = prepared_plan(plan, job)
    try:
        Engine(prepared, rig)  # before anything is opened: can this rig run this plan
    except InputError as error:
        raise error.at(str(rig_path)) from None
    if hands is not None and not rig.simulated:
        raise RefusedError("hands_on_real_rig", where=str(rig_path))
    signer = signer_for(simulated=rig.simulated, folder=key_folder)
    clock = HostClock(rig.time_multiple)
    instruments = open_instruments(rig, clock)
    worker: Hands | None = None
    if hands is not None:
        from .simulated import hands_over_the_wire

        worker = hands_over_the_wire(rig)
    header = new_header(
        origin="record",
        job=job,
        plan=prepared,
        plan_text=plan_text,
        rig=rig,
        utc_ns=clock.utc_ns(),
        by=by,
    )
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
        plan=prepared,
        rig=rig,
        journal=journal,
        instruments=instruments,
        clock=clock,
        tell=listen,
        hands=worker,
        so_far=SoFar(header, within_holds=watched),
    )
    session.run(commands)
    made = seal(journal, out, signer)
    journal.unlink()  # the sealed file holds every byte of it and has been read back
    connected = opened.get("disconnect", 0.0) - opened.get("fit_regulator", 0.0)
    return Recorded(header.id, made, seconds, max(connected, 0.0))
