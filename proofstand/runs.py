"""Making runs: headers, job cards, imports."""

from __future__ import annotations

import platform
import secrets
import time
from dataclasses import dataclass
from pathlib import Path

from analysis.version import ANALYSIS_VERSION
from records.jobcard import FORMAT as JOB_FORMAT
from records.jobcard import JobCard, Regulator
from records.jobfile import load_job
from records.plan import Plan
from records.planfile import plan_by_name
from records.rig import Rig
from records.run import Run, RunHeader, RunState, Software
from records.runfile import write_run
from records.shift import CautionsRead, ShiftRelied
from records.tomlfile import text_sha256
from rig.loggercsv import INSTRUMENT, load_map, read_log

from .approvals import fitting, with_approval
from .signoff.keys import signer_for
from .version import VERSION


def no_job() -> JobCard:
    """Return the card of a run that came without one."""
    return JobCard(
        format=JOB_FORMAT,
        id="none",
        regulator=Regulator(serial="not stated", model="", family="", gas=""),
        test_gas="",
    )


def new_run_id(utc_ns: int) -> str:
    """Return an id that sorts by time and that no other bench makes."""
    stamp = time.strftime("%Y%m%dT%H%M%S", time.gmtime(utc_ns / 1e9))
    return f"{stamp}-{secrets.token_hex(3)}"


def software() -> Software:
    """Return what makes the record."""
    return Software(
        version=VERSION,
        analysis_version=ANALYSIS_VERSION,
        python=platform.python_version(),
        system=platform.system(),
    )


def new_header(
    *,
    origin: str,
    job: JobCard,
    plan: Plan,
    plan_text: str,
    rig: Rig,
    utc_ns: int,
    by: str = "",
    source: str = "",
    run_id: str = "",
    approvals: Path | None = None,
    shift: ShiftRelied | None = None,
    cautions: CautionsRead | None = None,
) -> RunHeader:
    """Return the header of a run that begins now, on the rig's one station.

    Its plan has the status that the shop's record of it gives; a run of a simulated
    regulator that nobody recorded is the same for the same seed, whatever the shop.
    The shop's record is looked for in the folder ``approvals``, else in the user's.

    Raises:
        IntegrityError: the record of the plan's approval was changed.
    """
    sha256 = text_sha256(plan_text)
    approval = None
    if origin != "simulate":
        approval = fitting(plan, sha256, approvals)
    return RunHeader(
        id=run_id or new_run_id(utc_ns),
        started_utc_ns=utc_ns,
        origin=origin,
        job=job,
        plan=with_approval(plan, approval, sha256),
        plan_text=plan_text,
        plan_sha256=sha256,
        rig=rig,
        software=software(),
        by=by,
        source=source,
        station=rig.stations[0].id if len(rig.stations) == 1 else "",
        approval=approval,
        shift=shift,
        cautions=cautions,
    )


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import read."""

    run: str
    sha256: str
    rows: int
    missing: int
    seconds: float
    channels: tuple[str, ...]


def import_log(
    log_path: Path,
    map_path: Path | None,
    plan_name: str,
    job_path: Path | None,
    out: Path,
    key_folder: Path | None = None,
    *,
    unsigned: bool = False,
) -> Imported:
    """Make a sealed run of a logger's file.

    Args:
        log_path: the logger's file.
        map_path: what its columns are.
        plan_name: plan to judge by, a file or a built-in id.
        job_path: job card, or None.
        out: the run file to make.
        key_folder: of the key that seals it; None takes the shop's.
        unsigned: use no key.

    Raises:
        InputError: anything of it can't be read; with file and line.
        RefusedError: the key may not sign it.
    """
    plan, plan_text = plan_by_name(plan_name)
    job = load_job(job_path) if job_path is not None else no_job()
    log = read_log(log_path, load_map(map_path) if map_path is not None else None)
    utc_ns = log.part.utc_ns or time.time_ns()
    header = new_header(
        origin="import",
        job=job,
        plan=plan,
        plan_text=plan_text,
        rig=log.rig,
        utc_ns=utc_ns,
        source=f"{log_path.name} sha256 {log.sha256}",
    )
    run = Run(
        header=header,
        state=RunState.CLOSED,
        sha256="",
        key_id="",
        parts=(log.part,),
        marks=(),
        truth=None,
        samples={(1, INSTRUMENT): log.samples},
    )
    signer = None
    if not unsigned:
        signer = signer_for(simulated=log.rig.simulated, folder=key_folder)
    seal = write_run(run, out, signer)
    return Imported(
        header.id,
        seal.sha256,
        log.rows,
        log.skipped,
        float(log.samples.t_ns[-1]) * 1e-9,
        tuple(c.id for c in log.rig.channels),
    )
