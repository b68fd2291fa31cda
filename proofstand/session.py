"""A session: the recorder, the procedure and the journal in one loop.

The only place where rig meets procedure. It has two ends of plain immutable data:
commands go in, events come out. Whoever drives it (a command, the window, a test) sees
nothing else. Everything is in the journal before anyone is told of it.

A session reads its own rig (``run``), or is given what one loop read for several
stations (``open``, ``take``, ``end``; see ``stations``).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

from records.errors import ProofstandError, RigError
from records.journal import Journal, JournalWriter
from records.judgement import Judgement
from records.measure import Kind
from records.plan import Plan
from records.rig import Channel, Rig
from records.run import (
    Mark,
    MarkKind,
    Part,
    Request,
    RunHeader,
    as_blocks,
)
from records.trace import Block, Trace
from rig.acquisition import Acquisition, Incident, OpenInstrument
from rig.clock import Clock

from .display import unit_for, value_text
from .procedure.engine import Abandon, Acknowledge, Answer, Command, Engine
from .room import Room
from .sampling import Sampling
from .so_far import SoFar

SYNC_NS = 1_000_000_000
SHOW_S = 1.0
WALL_CLOCK_NS = 2_000_000_000  # a wall clock that moves by more is told


@dataclass(frozen=True, slots=True)
class Started:
    """The journal is open and the rig is being read."""

    run: str
    journal: Path
    header: RunHeader


@dataclass(frozen=True, slots=True, eq=False)
class Sampled:
    """New samples, SI, by channel id."""

    part: int
    traces: Mapping[str, Trace]


@dataclass(frozen=True, slots=True)
class Shown:
    """The latest pressures as text, with unit and reference, about once a second."""

    t_s: float
    readings: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """Something is asked of the hands."""

    request: Request


@dataclass(frozen=True, slots=True)
class Marked:
    """A mark was written."""

    mark: Mark


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """The findings so far.

    Attributes:
        judgement: of what is recorded up to now; never kept.
        on: id of the step that is on and was judged as if it ended now, or "".
    """

    judgement: Judgement
    on: str


@dataclass(frozen=True, slots=True)
class Troubled:
    """The rig failed; what was recorded stays."""

    error: ProofstandError


@dataclass(frozen=True, slots=True)
class Closed:
    """The session is over: ``done``, ``abandoned`` or ``failed``."""

    how: str
    rig_seconds: float


SessionEvent = Started | Sampled | Shown | Asked | Marked | Judged | Troubled | Closed


class Hands(Protocol):
    """Something that works the valves of a simulated rig."""

    def work(
        self, t_s: float, request: Request | None, seen: Mapping[str, float]
    ) -> Command | None:
        """Move the valves; return what is said of a request that is done."""


class Session:
    """One part of one run.

    Args:
        header: what is known of the run.
        plan: the prepared plan. rig: the rig, as the run's station sees it.
        journal: the file to write; must not exist, or is the one to go on with.
        instruments: open instruments; none where another loop reads the rig.
        clock: the host's clock.
        tell: called with each event.
        hands: works a simulated rig, or None where people do.
        truth: a simulator's true parameters, or None.
        truth_at_end: called when the test is over; returns the truth that is kept,
            with what came about.
        room: looks at the disk, or None where it is not the test's business.
        so_far: judges what is recorded so far, or None where nobody looks.
        resume: go on with an interrupted run: the journal exists, and a new part of it
            begins with the step that was on.
        by: who goes on with it.
    """

    def __init__(
        self,
        *,
        header: RunHeader,
        plan: Plan,
        rig: Rig,
        journal: Path,
        instruments: Sequence[OpenInstrument],
        clock: Clock,
        tell: Callable[[SessionEvent], None],
        hands: Hands | None = None,
        truth: Mapping[str, Any] | None = None,
        truth_at_end: Callable[[], Mapping[str, Any]] | None = None,
        so_far: SoFar | None = None,
        room: Room | None = None,
        resume: bool = False,
        by: str = "",
    ) -> None:
        self._engine = Engine(plan, rig)
        self._header = header
        self._rig = rig
        self._journal_path = journal
        self._instruments = instruments
        self._clock = clock
        self._tell = tell
        self._hands = hands
        self._truth = truth
        self._truth_at_end = truth_at_end
        self._so_far = so_far
        self._room = room
        self._resume = resume
        self._by = by
        self._columns: dict[str, tuple[Channel, ...]] = {
            i.id: rig.columns(i.id) for i in rig.instruments
        }
        self._sampling = Sampling(rig)
        self._seen: dict[str, float] = {}
        self._now_s = 0.0
        self._shown_s = 0.0
        self._writer: JournalWriter | None = None
        self._part = 1
        self._origins_written = 0
        self._synced_ns = self._watched_ns = 0
        self._wall_ns: int | None = None

    @property
    def engine(self) -> Engine:
        """The procedure's state, to read."""
        return self._engine

    @property
    def ended(self) -> str:
        """``done`` or ``abandoned`` once the plan is through, "" before."""
        return self._engine.ended

    def run(self, commands: Callable[[], Iterable[Command]]) -> str:
        """Record until the plan is through or the test is abandoned.

        Args:
            commands: called after each block; returns what people said since.

        Returns:
            ``done`` or ``abandoned``. The journal is closed.

        Raises:
            RigError: the rig failed; the journal stays without a close record, so the
                run counts as interrupted.
            InputError: the journal can't be written on; the same holds.
        """
        try:
            self.open()
            acquisition = Acquisition(self._part, self._instruments, self._clock)
            self.begin(acquisition.part)
            try:
                for block in acquisition.blocks():
                    self.take(
                        block, acquisition.part, commands, acquisition.incidents()
                    )
                    if self.ended:
                        break
            finally:
                # Also when the rig fails: what was read is kept.
                left = acquisition.flush()
                self.keep(
                    left,
                    acquisition.part,
                    acquisition.incidents(),
                    acquisition.told(),
                )
        except BaseException as error:
            self.fail(error)
            raise
        finally:
            for instrument in self._instruments:
                instrument.close()
        return self.end()

    def open(self) -> None:
        """Open the journal.

        Raises:
            InputError, IntegrityError, RefusedError: it can't be made or gone on with.
        """
        if not self._resume:
            self._writer = JournalWriter(self._journal_path, self._header)
            return
        self._writer, before = JournalWriter.resume(self._journal_path)
        self._part = max((p.number for p in before.run.parts), default=0) + 1
        self._engine = Engine.restored(self._engine.plan, self._rig, before.run.marks)
        self._look_back(before)

    def begin(self, part: Part) -> None:
        """Begin the part that is recorded now."""
        journal = self._journal
        if self._truth is not None:
            journal.truth(self._truth)
        self._write_part(part)
        self._tell(Started(self._header.id, self._journal_path, self._header))
        self._synced_ns = time.monotonic_ns()
        self._watched_ns = self._clock.monotonic_ns()
        if self._resume:
            self._say(journal, self._engine.resume(self._part, self._by))

    def take(
        self,
        block: Block,
        part: Part,
        commands: Callable[[], Iterable[Command]],
        incidents: Iterable[Incident] = (),
    ) -> None:
        """Record a block, then follow it.

        Args:
            block: as read.
            part: with the origin of the block's instrument.
            commands: returns what people said since.
            incidents: what happened to instruments since the block before.
        """
        journal = self._journal
        block = self._kept(block, part)
        self._take(journal, block, part, self._incident_marks(incidents, part))
        self._give(journal, self._work_hands())
        self._give(journal, commands())
        self._judge_so_far(block)
        now_ns = self._clock.monotonic_ns()
        if now_ns - self._watched_ns >= SYNC_NS:
            self._watch_wall_clock(journal)
            self._watch_room(journal)
            self._watched_ns = now_ns
        # by the wall: a power cut does not wait for a rig whose time runs faster
        if time.monotonic_ns() - self._synced_ns >= SYNC_NS:
            journal.sync()
            self._synced_ns = time.monotonic_ns()

    def keep(
        self,
        blocks: Iterable[Block],
        part: Part,
        incidents: Iterable[Incident] = (),
        counted: Mapping[str, Mapping[str, str]] | None = None,
    ) -> None:
        """Record blocks that nothing follows from any more, and how the reading went.

        Args:
            blocks: as read.
            part: with the origins of their instruments.
            incidents: what happened to instruments since the block before.
            counted: per instrument what went wrong on its wire, and how often.
        """
        for block in blocks:
            self._kept(block, part)
        marks = self._incident_marks(incidents, part)
        marks += [
            self._recorder_mark(
                MarkKind.NOTE,
                {"instrument": instrument, "counted": "at the end", **counts},
            )
            for instrument, counts in (counted or {}).items()
            if counts and instrument in self._columns
        ]
        self._say(self._journal, marks)

    def end(self) -> str:
        """Close the journal of a test that is over; return how it ended."""
        try:
            if self._truth_at_end is not None:
                self._journal.truth(self._truth_at_end())
            self._journal.close(self.ended)
        except BaseException as error:
            self.fail(error)
            raise
        self._close_so_far()
        self._tell(Closed(self.ended, self._now_s))
        return self.ended

    def fail(self, error: BaseException) -> None:
        """Leave the journal as that of an interrupted run, and tell why."""
        writer, self._writer = self._writer, None
        with suppress(ProofstandError, OSError):
            if writer is not None:
                try:
                    if isinstance(error, RigError):
                        writer.mark(self._recorder_mark(MarkKind.TROUBLE, error))
                finally:
                    writer.drop()
        self._close_so_far()
        if isinstance(error, ProofstandError):
            self._tell(Troubled(error))
            self._tell(Closed("failed", self._now_s))

    @property
    def _journal(self) -> JournalWriter:
        assert self._writer is not None, "the session is not open"
        return self._writer

    def _recorder_mark(self, kind: MarkKind, told: RigError | dict[str, str]) -> Mark:
        if isinstance(told, RigError):
            told = {"trouble": told.id, **told.facts}
        return Mark(
            part=self._part, t_s=self._now_s, kind=kind, data=told, by="recorder"
        )

    def _incident_marks(self, incidents: Iterable[Incident], part: Part) -> list[Mark]:
        """Return as marks what happened to this run's instruments."""
        marks = []
        for incident in incidents:
            if incident.instrument not in self._columns:
                continue
            data = {"instrument": incident.instrument, **incident.data}
            silent = incident.what == "silent"
            data["trouble" if silent else "instrument_note"] = (
                "instrument_silent" if silent else incident.what
            )
            origin = part.origins.get(incident.instrument, 0)
            marks.append(
                Mark(
                    part=self._part,
                    t_s=(incident.t_ns - origin) * 1e-9,
                    kind=MarkKind.TROUBLE if silent else MarkKind.NOTE,
                    data=data,
                    by="recorder",
                )
            )
        return marks

    def _close_so_far(self) -> None:
        if self._so_far is not None:
            self._so_far.close()

    def _look_back(self, before: Journal) -> None:
        """Let the findings so far know what was recorded before."""
        if self._so_far is None:
            return
        for part in before.run.parts:
            self._so_far.part(part)
        for block in as_blocks(before.run, rows=100_000):
            self._so_far.block(block, 0.0)
        for mark in before.run.marks:
            self._so_far.mark(mark)

    def _write_part(self, part: Part) -> None:
        ours = {i: ns for i, ns in part.origins.items() if i in self._columns}
        written = replace(part, number=self._part, origins=ours)
        self._journal.part(written)
        self._origins_written = len(ours)
        if self._so_far is not None:
            self._so_far.part(written)

    def _kept(self, block: Block, part: Part) -> Block:
        """Write a block, its instrument's origin before it."""
        ours = sum(i in self._columns for i in part.origins)
        if ours > self._origins_written:
            self._write_part(part)
        if block.part != self._part:
            block = replace(block, part=self._part)
        self._journal.block(block)
        return block

    def _watch_wall_clock(self, journal: JournalWriter) -> None:
        """Mark a wall clock that was moved; times of samples don't depend on it."""
        if self._rig.time_multiple != 1.0:
            return
        between = self._clock.utc_ns() - self._clock.monotonic_ns()
        if self._wall_ns is not None and abs(between - self._wall_ns) > WALL_CLOCK_NS:
            moved = f"{(between - self._wall_ns) * 1e-9:.1f}"
            note = {"wall_clock_moved_s": moved}
            self._say(journal, [self._recorder_mark(MarkKind.NOTE, note)])
        self._wall_ns = between

    def _watch_room(self, journal: JournalWriter) -> None:
        """Mark a disk that is nearly full, or no longer."""
        note = None if self._room is None else self._room.look()
        if note is not None:
            self._say(journal, [self._recorder_mark(MarkKind.NOTE, note)])

    def _take(
        self,
        journal: JournalWriter,
        block: Block,
        part: Part,
        incidents: Sequence[Mark],
    ) -> None:
        traces: dict[str, Trace] = {}
        origin = part.origins[block.instrument]
        for channel, trace in self._sampling.traces(block, origin):
            traces[channel.id] = trace
            good = trace.good()
            if len(good):
                self._seen[channel.role] = float(good.value[-1])
        self._now_s = self._sampling.now_s
        self._tell(Sampled(block.part, traces))
        if self._now_s - self._shown_s >= SHOW_S:
            self._shown_s = self._now_s
            self._tell(Shown(self._now_s, self._readings()))
        self._say(journal, _in_time(incidents, self._engine.feed(traces)))

    def _judge_so_far(self, block: Block) -> None:
        if self._so_far is None:
            return
        self._so_far.block(block, self._now_s)
        ready = self._so_far.take()
        if ready is not None:
            self._tell(Judged(*ready))

    def _readings(self) -> tuple[tuple[str, str], ...]:
        shown = []
        for channel in self._rig.channels:
            value = self._seen.get(channel.role)
            kind = channel.measure_unit.kind
            if value is not None and kind is Kind.PRESSURE:
                unit = unit_for(self._engine.plan, kind, channel.role)
                text = value_text(value, kind, channel.reference, unit)
                shown.append((channel.id, text))
        return tuple(shown)

    def _work_hands(self) -> list[Command]:
        if self._hands is None:
            return []
        said = self._hands.work(self._now_s, self._engine.request, self._seen)
        return [] if said is None else [said]

    def _give(self, journal: JournalWriter, commands: Iterable[Command]) -> None:
        for command in commands:
            self._say(journal, self._engine.command(command))

    def _say(self, journal: JournalWriter, output: Iterable[Request | Mark]) -> None:
        for each in output:
            if isinstance(each, Mark):
                journal.mark(each)
                if self._so_far is not None:
                    self._so_far.mark(each)
                self._tell(Marked(each))
            else:
                self._tell(Asked(each))


def _in_time(
    incidents: Sequence[Mark], output: Iterable[Request | Mark]
) -> list[Request | Mark]:
    """Return what the procedure said, the recorder's marks among it by their time.

    A silence is known once it has lasted, and the procedure, which follows the samples,
    may only then come to a moment before that.
    """
    said: list[Request | Mark] = []
    waiting = sorted(incidents, key=lambda mark: mark.t_s)
    for each in output:
        while waiting and isinstance(each, Mark) and waiting[0].t_s < each.t_s:
            said.append(waiting.pop(0))
        said.append(each)
    return said + list(waiting)


__all__ = [
    "Abandon",
    "Acknowledge",
    "Answer",
    "Asked",
    "Closed",
    "Command",
    "Hands",
    "Judged",
    "Marked",
    "Sampled",
    "Session",
    "SessionEvent",
    "Shown",
    "Started",
    "Troubled",
]
