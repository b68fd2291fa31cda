"""The demo: a whole test on the simulated rig, in an invented shop of its own.

The rig is served by another process over a real Modbus TCP socket; recorder,
procedure, journal, seal and judgement are those of any test. Nothing is touched
outside the folder.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from records.approval import Approval, open_limits
from records.archive.chain import Archive
from records.errors import InputError, RigError
from records.planfile import DEFAULT_PLAN, builtin_plan

from .approvals import approve
from .demo_order import BY, RUN
from .keeping.keep import keep_issued
from .procedure.engine import Command
from .ready import journal_of
from .recording import Recorded, finish, record, resume
from .session import SessionEvent
from .signoff.heads import SigningKey
from .signoff.issue import issue
from .signoff.keys import load_key, make_key
from .simulated import JOB_TEXT

if TYPE_CHECKING:
    from collections.abc import Iterator

APPROVALS = "approvals"
ARCHIVE = "archive"
RIG, PAGE = "rig.toml", "certificate.pdf"
SERVED = "rig.served"  # the rig is served while this is there and touched
TOUCH_S = 5.0
TIME_MULTIPLE = 20.0
SEED = 1
START_S = 30.0
OWNER = "Larkmere Valve Works (invented), demonstration"
LEAD = "I. Ferrand (invented), quality lead of the Larkmere Valve Works"

_SIM = f"""format = "proofstand.sim/1"
family = "second-stage"
seed = {SEED}
time_multiple = {TIME_MULTIPLE}
"""


@dataclass(frozen=True, slots=True)
class Demo:
    """What a demo made.

    Attributes:
        folder: where everything lies. run: the sealed run file.
        certificate: its signed page. number: the page's.
        recorded: what was recorded. wall_seconds: how long it took, wall time.
    """

    folder: Path
    run: Path
    certificate: Path
    number: str
    recorded: Recorded
    wall_seconds: float


def approve_plan(folder: Path, utc_ns: int) -> Approval:
    """Record that the shop approved the default plan, each limit accepted by name."""
    plan, text = builtin_plan(DEFAULT_PLAN)
    accept = dict.fromkeys(open_limits(plan), "the shop's own default")
    return approve(plan, text, by=LEAD, accept=accept, utc_ns=utc_ns, folder=folder)


def run_demo(
    folder: Path,
    tell: Callable[[SessionEvent], None],
    commands: Callable[[], Iterable[Command]] = tuple,
    *,
    watched: bool = False,
) -> Demo:
    """Make the shop, serve the rig, record, seal, certify.

    Raises:
        InputError: the folder can't be written.
        RigError: the simulated rig did not start or failed.
    """
    started = time.monotonic()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "sim.toml").write_text(_SIM, encoding="utf-8")
        (folder / "job.toml").write_text(JOB_TEXT, encoding="utf-8")
        text = builtin_plan(DEFAULT_PLAN)[1]
        (folder / "plan.toml").write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(
            "file_unwritable", where=str(folder), why=error.strerror or error
        ) from None
    approve_plan(folder / APPROVALS, time.time_ns())
    make_key(folder / "key", OWNER, demo=True)
    rig_path = folder / RIG
    with _served(folder / "sim.toml", rig_path, folder / SERVED):
        recorded = record(
            rig_path=rig_path,
            plan_name=str(folder / "plan.toml"),
            job_path=folder / "job.toml",
            out=folder / RUN,
            journal=journal_of(folder / RUN),
            hands="simulated",
            by=BY,
            key_folder=folder / "key",
            tell=tell,
            commands=_touching(folder / SERVED, commands),
            watched=watched,
            approvals=folder / APPROVALS,
        )
    number = _issued(folder)
    return Demo(
        folder,
        folder / RUN,
        folder / PAGE,
        number,
        recorded,
        time.monotonic() - started,
    )


def resume_demo(
    folder: Path,
    tell: Callable[[SessionEvent], None],
    commands: Callable[[], Iterable[Command]],
    *,
    watched: bool = False,
) -> None:
    """Go on with a demo whose recorder died, on its rig, which is still served.

    Raises:
        InputError, RigError, RefusedError: see :func:`proofstand.recording.resume`.
    """
    served = folder / SERVED
    try:
        resume(
            journal=journal_of(folder / RUN),
            rig_path=folder / RIG,
            out=folder / RUN,
            hands="simulated",
            by=BY,
            key_folder=folder / "key",
            tell=tell,
            commands=_touching(served, commands),
            watched=watched,
        )
    finally:
        served.unlink(missing_ok=True)  # it was the rig's reason to go on
    _issued(folder)


def finish_demo(folder: Path) -> None:
    """Seal and certify a demo that was over when its recorder died.

    Raises:
        InputError, IntegrityError: its files can't be used.
    """
    (folder / SERVED).unlink(missing_ok=True)
    run = folder / RUN
    finish(journal_of(run), run, key_folder=folder / "key")
    if not (folder / PAGE).exists():
        _issued(folder)


def _issued(folder: Path) -> str:
    """Issue the page of the demo's run; return its number."""
    run, page = folder / RUN, folder / PAGE
    lead = LEAD.split(",")[0]
    archive, key = Archive(folder / ARCHIVE), SigningKey(load_key(folder / "key"))
    issued = issue(
        run,
        page,
        by=lead,
        key_folder=folder / "key",
        keep=lambda pdf, _: keep_issued(archive, run, pdf, key=key, who=lead),
    )
    return issued.certificate.number


def _touching(
    file: Path, commands: Callable[[], Iterable[Command]]
) -> Callable[[], Iterable[Command]]:
    """Return the same commands, a file touched every few seconds meanwhile."""
    touched = -TOUCH_S

    def taken() -> Iterable[Command]:
        nonlocal touched
        if time.monotonic() - touched >= TOUCH_S:
            touched = time.monotonic()
            with suppress(OSError):
                file.touch()
        return commands()

    return taken


@contextmanager
def _served(sim: Path, rig_path: Path, while_file: Path) -> Iterator[None]:
    """Serve the rig in a process of its own until the block ends.

    Where this process is killed the rig goes on for a while, so that the test can be
    gone on with; it ends by itself when nobody touches the file any more.
    """
    while_file.touch()
    command = [sys.executable, "-m", "proofstand", "serve", str(sim)]
    command += ["--write-rig", str(rig_path), "--while", str(while_file)]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        for line in process.stdout:
            if line.startswith("rig file:"):
                break
        else:
            process.wait(START_S)
            said = process.stderr.read() if process.stderr is not None else ""
            raise RigError(
                "simulated_rig_stopped", where=str(sim), why=said.strip() or "no reason"
            )
        yield
    finally:
        while_file.unlink(missing_ok=True)
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()
