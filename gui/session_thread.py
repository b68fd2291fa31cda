"""What is done beside the window in a thread, and what comes of it; knows no Qt.

The window drains the events on its own beat. A test is led by a process of its own
(``session_process``); here a recorded run is looked at, or a paper is made.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from analysis.judge import judge
from proofstand.at_work import Order, remove_note
from proofstand.log import our_fault
from proofstand.procedure.engine import Command
from proofstand.recovery import recover_beside
from proofstand.session import (
    Closed,
    Marked,
    Sampled,
    SessionEvent,
    Started,
    Troubled,
)
from records.errors import ProofstandError
from records.judgement import Judgement
from records.run import Run, RunHeader, RunState
from records.runfile import open_run
from records.trace import FloatArray

PAPERS = (
    "certificate",
    "test-report",
    "condition-report",
    "test-report-to-countersign",
)


@dataclass(frozen=True, slots=True)
class PaperMade:
    """A certificate or report was made."""

    path: Path
    number: str
    title: str


@dataclass(frozen=True, slots=True)
class TagMade:
    """A tag was made; ``state`` is what it says."""

    path: Path
    state: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Final:
    """A run was judged from its sealed file.

    Attributes:
        run_path: the file. run: its header and marks.
        paper: the certificate or report that lies beside it, or None.
        key_folder: the key that sealed it, for its paper; None takes the shop's own.
        by: who tested.
    """

    run_path: Path
    run: Run
    judgement: Judgement
    paper: PaperMade | None = None
    key_folder: Path | None = None
    by: str = ""


@dataclass(frozen=True, slots=True)
class PaperRefused:
    """It could not be made; of a tag ``tag`` says so."""

    error: ProofstandError
    tag: bool = False


@dataclass(frozen=True, slots=True)
class Restarted:
    """The recorder died and was started again; the step that was on begins again.

    Attributes:
        why: its last words, or "".
    """

    why: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Readable:
    """What was recorded can be read again, by channel and stretch of time.

    Attributes:
        stretch: gives times and values, NaN where nothing good was read, or None.
    """

    stretch: Callable[[str, float, float], tuple[FloatArray, FloatArray] | None]


@dataclass(frozen=True, slots=True)
class Over:
    """The thread is done; nothing more comes of it."""


@dataclass(frozen=True, slots=True, eq=False)
class EarlierFound:
    """A run to lay under this one's trace, or None where there is none.

    Attributes:
        run: as it was sealed. verdict: how it is judged today. own: of this regulator,
            not a file that somebody chose. error: why a chosen file can't be taken.
    """

    run: Run | None
    verdict: str = ""
    own: bool = True
    error: ProofstandError | None = None


ThreadEvent = (
    SessionEvent
    | Final
    | PaperMade
    | TagMade
    | PaperRefused
    | Restarted
    | Readable
    | EarlierFound
    | Over
)
Tell = Callable[[ThreadEvent], None]
Task = Callable[[Tell, Callable[[], Iterable[Command]]], None]


class SessionThread:
    """Runs one task beside the window.

    Args:
        task: given a function to tell events with and one that returns commands.
    """

    def __init__(self, task: Task) -> None:
        self._task = task
        self._events: queue.SimpleQueue[ThreadEvent] = queue.SimpleQueue()
        self._commands: queue.SimpleQueue[Command] = queue.SimpleQueue()
        self._let_go = False
        self._thread = threading.Thread(target=self._run, name="session")

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether the task is still at it."""
        return self._thread.is_alive()

    def say(self, command: Command) -> None:
        """Give the session a command; it is taken after the next readings."""
        self._commands.put(command)

    def let_go(self) -> None:
        """End at the next readings without sealing; the journal stays."""
        self._let_go = True

    def drain(self, most: int = 2000) -> list[ThreadEvent]:
        """Return what has come since, at most so many events."""
        found: list[ThreadEvent] = []
        while len(found) < most and not self._events.empty():
            found.append(self._events.get())
        return found

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait for the end; return whether it has come."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _take(self) -> Iterable[Command]:
        if self._let_go:
            raise KeyboardInterrupt
        said: list[Command] = []
        while not self._commands.empty():
            said.append(self._commands.get())
        return said

    def _run(self) -> None:
        told = _Once(self._events.put)
        try:
            self._task(told, self._take)
        except KeyboardInterrupt:
            pass
        except ProofstandError as error:
            told.trouble(error)
        except BaseException as error:  # the last wall: said in words, kept in the log
            told.trouble(our_fault(error))
        finally:
            self._events.put(Over())


class _Once:
    """Passes events on; tells of a trouble once, also if the session told already."""

    def __init__(self, put: Callable[[ThreadEvent], None]) -> None:
        self._put = put
        self._told: ProofstandError | None = None

    def __call__(self, event: ThreadEvent) -> None:
        if isinstance(event, Troubled):
            self._told = event.error
        self._put(event)

    def trouble(self, error: ProofstandError) -> None:
        if error is not self._told:
            self._put(Troubled(error))


# --- what may be done in the thread -------------------------------------------------


def recorded_run(path: Path, key_folder: Path | None = None) -> Task:
    """Return the task of looking at a sealed run file.

    Args:
        path: the file.
        key_folder: of the key for its papers, None for the one that it would take.
    """

    def task(tell: Tell, commands: Callable[[], Iterable[Command]]) -> None:
        final = final_of(path, key_folder=key_folder)
        for event in replayed(final.run):
            tell(event)
        tell(final)

    return task


def recovered_run(order: Order, key_folder: Path | None = None) -> Task:
    """Return the task of making a file of an interrupted test and looking at it.

    The journal stays; the test is forgotten as one to go on with.

    Args:
        order: what its recorder was told to do.
        key_folder: of the key for its papers, None for the one that it would take.
    """

    def task(tell: Tell, commands: Callable[[], Iterable[Command]]) -> None:
        path = recover_beside(order.journal, order.key_folder)
        remove_note(order.journal)
        recorded_run(path, order.key_folder or key_folder)(tell, commands)

    return task


def earlier_run_of(
    header: RunHeader, beside: Path | None, chosen: Path | None = None
) -> Task:
    """Return the task of finding the regulator's last run, or opening a chosen one.

    Args:
        header: of this run.
        beside: folder where run files may lie, or None.
        chosen: a run file, or None for this regulator's last one.
    """

    def task(tell: Tell, commands: Callable[[], Iterable[Command]]) -> None:
        from proofstand.earlier import last_run_of

        try:
            if chosen is not None:
                run: Run | None = open_run(chosen)
            else:
                run = last_run_of(header, beside)
            verdict = "" if run is None else judge(run).verdict.value
        except ProofstandError as error:
            tell(EarlierFound(None, own=False, error=error))
            return
        tell(EarlierFound(run, verdict, own=chosen is None))

    return task


def asks_who(final: Final) -> bool:
    """Tell whether a paper of a run takes a name with a PIN."""
    if final.run.header.rig.simulated:
        return False
    from proofstand.signoff.persons import the_roll

    try:
        return the_roll() is not None
    except ProofstandError:
        return False  # making the paper says what is wrong with it


def paper_of(final: Final, by: str = "", pin: str = "") -> Task:
    """Return the task of making a run's certificate or report, beside the run.

    Args:
        final: the run and its judgement.
        by: who issues it; "" takes who is known from the run.
        pin: theirs, where one is asked for.
    """

    def task(tell: Tell, commands: Callable[[], Iterable[Command]]) -> None:
        try:
            from proofstand.keeping.against import known_against_run
            from proofstand.keeping.issuing import earlier_tests, keeper, last_page
            from proofstand.signoff.certificate import title_of
            from proofstand.signoff.issue import issue

            plan = final.run.header.plan
            title = title_of(final.judgement, plan, as_found=False)
            out = free_paper(final.run_path, title.value)
            keep = keeper(final.run_path, by=final.by, key_folder=final.key_folder)
            issued = issue(
                final.run_path,
                out,
                by=by or final.by,
                key_folder=final.key_folder,
                ask=lambda name: pin,
                keep=keep,
                earlier=earlier_tests(),
                last=last_page(),
                against=known_against_run(),
            )
        except ProofstandError as error:
            tell(PaperRefused(error))
            return
        made = issued.certificate
        tell(PaperMade(issued.path, made.number, made.title.said))

    return task


def tag_of_run(final: Final, paper: Path | None) -> Task:
    """Return the task of making a run's tag, beside the run.

    Args:
        final: the run and its judgement.
        paper: its certificate or report, or None.
    """

    def task(tell: Tell, commands: Callable[[], Iterable[Command]]) -> None:
        try:
            from proofstand.signoff.labels import Size
            from proofstand.tagging import STOCK, tag_of, write_labels

            said, state = tag_of(final.run_path, certificate=paper, by=final.by)
            out = free_paper(final.run_path, "tag")
            write_labels(out, [said], Size.parse(STOCK))
        except ProofstandError as error:
            tell(PaperRefused(error, tag=True))
            return
        tell(TagMade(out, state.value))

    return task


def final_of(path: Path, *, key_folder: Path | None = None, by: str = "") -> Final:
    """Return a run file's judgement.

    Raises:
        InputError, IntegrityError: the file can't be used.
    """
    run = open_run(path)
    return Final(
        run_path=path,
        run=run,
        judgement=judge(run),
        paper=paper_beside(path, run.sha256),
        key_folder=key_folder if key_folder is not None else _key_beside(run, path),
        by=by or run.header.by or run.header.job.technician,
    )


def _key_beside(run: Run, path: Path) -> Path | None:
    """Return the demonstration shop's key where a simulated run lies in its folder."""
    folder = path.parent / "key"
    return folder if run.header.rig.simulated and folder.is_dir() else None


def paper_beside(run_path: Path, sha256: str) -> PaperMade | None:
    """Return the paper of a run that lies beside its file, or None.

    What a file is called says nothing: it has to be whole and of this very run, and its
    title is the one that it carries.
    """
    stem = run_path.stem
    names = [f"{stem}.pdf", *(f"{stem}-{p}.pdf" for p in PAPERS)]
    names += [f"{p}.pdf" for p in PAPERS]
    for found in map(run_path.with_name, names):
        if not found.is_file():
            continue
        from proofstand.signoff.certificate import Title
        from proofstand.signoff.verify import verify

        try:
            told = verify(found)
        except ProofstandError:
            continue
        if told.paper is not None and told.sha256 == sha256:
            title = Title(told.paper.title).said
            return PaperMade(found, told.paper.number, title)
    return None


def free_paper(run_path: Path, title: str) -> Path:
    """Return a free name for a run's paper beside it, called by the paper's title."""
    number = 1
    while True:
        tail = "" if number == 1 else f"-{number}"
        name = f"{run_path.stem}-{title.replace(' ', '-')}{tail}.pdf"
        found = run_path.with_name(name)
        if not found.exists():
            return found
        number += 1


def replayed(run: Run, part: int = 1) -> Iterator[SessionEvent]:
    """Give a recorded run as the events with which it was recorded, samples first."""
    yield Started(run.id, Path(), run.header)
    traces = {c.id: run.trace(c, part) for c in run.header.rig.channels}
    yield Sampled(part, traces)
    for mark in run.marks:
        if mark.part == part:
            yield Marked(mark)
    ends = [float(t.t_s[-1]) for t in traces.values() if len(t)]
    how = "done" if run.state is RunState.SEALED else run.state.value
    yield Closed(how, max(ends, default=0.0))
