"""A recorder that outlives the window: one test in a process of its own.

    python -m proofstand.recorder RUN.journal < order

It is told on its standard input what to do, leaves a note of where it is reached, and
leads, records and seals the test like ``proofstand record``. The journal is the record;
what else a window has to know comes over the live channel. A window that closes,
crashes or is killed takes nothing of it along.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterable

from analysis.judge import judge
from records.errors import EXIT_REFUSED, ProofstandError, RigError
from records.journal import JournalClosed, JournalTail, is_held
from records.planfile import DEFAULT_PLAN
from records.runfile import open_run
from records.tomlfile import from_json

from .at_work import (
    FORMAT,
    Note,
    Order,
    refuse_taken,
    remove_note,
    write_note,
)
from .demo import finish_demo, resume_demo, run_demo
from .live_channel import Door
from .log import our_fault
from .procedure.engine import Command
from .recording import finish, record, resume
from .session import SessionEvent, Troubled
from .session_text import Ended, Sealed

# After the end a window has so long to come and hear of it; then the note tells it.
HEAR_S = 10.0
# Reading, judging and telling take turns; long turns would cost readings.
SWITCH_S = 0.0005


class _EndAsked:
    """A polite end signal, taken between two blocks; a closed terminal is none."""

    def __init__(self) -> None:
        self._asked = False
        for name in ("SIGTERM", "SIGINT"):
            signal.signal(getattr(signal, name), self._take)
        if hasattr(signal, "SIGHUP"):
            signal.signal(signal.SIGHUP, signal.SIG_IGN)

    def _take(self, *_: object) -> None:
        if self._asked:
            raise KeyboardInterrupt
        self._asked = True

    def look(self) -> None:
        """Raise KeyboardInterrupt when an end was asked for."""
        if self._asked:
            raise KeyboardInterrupt


def main() -> int:
    """Do what the order says; return the exit code."""
    sys.setswitchinterval(SWITCH_S)
    end = _EndAsked()
    order = from_json(sys.stdin.buffer.read(), Order)
    if is_held(order.journal):
        return EXIT_REFUSED  # its recorder lives, and so does the note of it
    door = Door()
    write_note(
        Note(
            format=FORMAT,
            order=order,
            pid=os.getpid(),
            port=door.port,
            token=door.token.hex(),
        )
    )

    def commands() -> Iterable[Command]:
        end.look()
        return door.commands()

    def work(tell: Callable[[SessionEvent], None]) -> None:
        _work(order, tell, commands)
        run = open_run(order.out)
        judgement = judge(run)
        door.tell(
            Sealed(order.out, run.sha256, run.key_id, judgement, order.key_folder)
        )

    code = _told(door, work)
    door.tell(Ended())
    if door.wait_until_heard(HEAR_S):
        remove_note(order.journal)
    door.close()
    return code


def _told(door: Door, work: Callable[[Callable[[SessionEvent], None]], None]) -> int:
    """Do the work and tell what goes wrong, once; return the exit code."""
    told: list[ProofstandError] = []

    def tell(event: SessionEvent) -> None:
        if isinstance(event, Troubled):
            told.append(event.error)
        door.tell(event)

    try:
        work(tell)
    except KeyboardInterrupt:
        error: ProofstandError = RigError("recorder_ended")
    except ProofstandError as raised:
        error = raised
    except BaseException as raised:  # the last wall: said in words, kept in the log
        error = our_fault(raised)
    else:
        return 0
    if error not in told:
        door.tell(Troubled(error))
    return error.exit_code


def _work(
    order: Order,
    tell: Callable[[SessionEvent], None],
    commands: Callable[[], Iterable[Command]],
) -> None:
    if order.resume and (order.journal.exists() or order.out.exists()):
        _go_on(order, tell, commands)
    elif order.demo is not None:
        run_demo(order.demo, tell, commands, watched=True)
    else:
        assert order.rig is not None
        assert order.job is not None
        refuse_taken(order)
        record(
            rig_path=order.rig,
            plan_name=order.plan or DEFAULT_PLAN,
            job_path=order.job,
            out=order.out,
            journal=order.journal,
            hands=order.hands,
            by=order.by,
            key_folder=order.key_folder,
            tell=tell,
            commands=commands,
            watched=True,
            station=order.station,
            label=order.label,
            cautions_read_by=order.cautions_read_by,
        )


def _go_on(
    order: Order,
    tell: Callable[[SessionEvent], None],
    commands: Callable[[], Iterable[Command]],
) -> None:
    """Go on with a test, or only seal it where it was over already."""
    if _is_over(order):
        if order.demo is not None:
            finish_demo(order.demo)
        else:
            finish(order.journal, order.out, key_folder=order.key_folder)
    elif order.demo is not None:
        resume_demo(order.demo, tell, commands, watched=True)
    else:
        resume(
            journal=order.journal,
            rig_path=order.rig,
            out=order.out,
            hands=order.hands,
            by=order.by,
            key_folder=order.key_folder,
            tell=tell,
            commands=commands,
            watched=True,
            cautions_read_by=order.cautions_read_by,
        )


def _is_over(order: Order) -> bool:
    if not order.journal.exists():
        return True
    if order.out.exists():
        open_run(order.out)  # says what is wrong with it
        return True
    tail = JournalTail(order.journal)
    try:
        while found := tail.take():
            if any(isinstance(record, JournalClosed) for _, record in found):
                return True
    finally:
        tail.close()
    return False


if __name__ == "__main__":
    sys.exit(main())
