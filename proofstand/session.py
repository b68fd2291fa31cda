"""A session: the recorder, the procedure and the journal in one loop.

The only place where rig meets procedure. It has two ends of plain immutable data:
commands go in, events come out. Whoever drives it (a command, the window, a test) sees
nothing else. Everything is in the journal before anyone is told of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from records.errors import ProofstandError, RigError
from records.journal import JournalWriter
from records.judgement import Judgement
from records.measure import Kind
from records.plan import Plan
from records.rig import Channel, Rig
from records.run import Mark, MarkKind, Request, RunHeader, channel_trace
from records.trace import Block, Trace
from rig.acquisition import Acquisition, OpenInstrument
from rig.clock import Clock

from .display import unit_for, value_text
from .procedure.engine import Abandon, Acknowledge, Command, Engine
from .so_far import SoFar

SYNC_NS = 1_000_000_000
SHOW_S = 1.0


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
    ) -> str | None:
        """Move the valves; return the id of a request that is done and confirmed."""


class Session:
    """One part of one run.

    Args:
        header: what is known of the run.
        plan: the prepared plan. rig: the rig.
        journal: the file to write; must not exist.
        instruments: open instruments.
        clock: the host's clock.
        tell: called with each event.
        hands: works a simulated rig, or None where people do.
        truth: a simulator's true parameters, or None.
        so_far: judges what is recorded so far, or None where nobody looks.
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
        so_far: SoFar | None = None,
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
        self._so_far = so_far
        self._columns: dict[str, tuple[Channel, ...]] = {
            i.declared.id: rig.columns(i.declared.id) for i in instruments
        }
        self._last_s: dict[str, float] = {}
        self._seen: dict[str, float] = {}
        self._now_s = 0.0
        self._shown_s = 0.0

    @property
    def engine(self) -> Engine:
        """The procedure's state, to read."""
        return self._engine

    def run(self, commands: Callable[[], Iterable[Command]]) -> str:
        """Record until the plan is through or the test is abandoned.

        Args:
            commands: called after each block; returns what people said since.

        Returns:
            ``done`` or ``abandoned``. The journal is closed.

        Raises:
            RigError: the rig failed; the journal stays without a close record, so the
                run counts as interrupted.
        """
        journal = JournalWriter(self._journal_path, self._header)
        try:
            how = self._record(journal, commands)
        except BaseException as error:
            with suppress(ProofstandError, OSError):
                if isinstance(error, RigError):
                    mark = Mark(
                        part=1,
                        t_s=self._now_s,
                        kind=MarkKind.TROUBLE,
                        data={"trouble": error.id, **error.facts},
                        by="recorder",
                    )
                    journal.mark(mark)
            journal.drop()
            if isinstance(error, ProofstandError):
                self._tell(Troubled(error))
                self._tell(Closed("failed", self._now_s))
            raise
        finally:
            for instrument in self._instruments:
                instrument.close()
            if self._so_far is not None:
                self._so_far.close()
        journal.close(how)
        self._tell(Closed(how, self._now_s))
        return how

    def _record(
        self, journal: JournalWriter, commands: Callable[[], Iterable[Command]]
    ) -> str:
        if self._truth is not None:
            journal.truth(self._truth)
        acquisition = Acquisition(1, self._instruments, self._clock)
        journal.part(acquisition.part)
        self._tell(Started(self._header.id, self._journal_path, self._header))
        try:
            self._follow(journal, acquisition, commands)
        finally:
            # Also when the rig fails: what was read is kept.
            left = acquisition.flush()
            if left:
                journal.part(acquisition.part)
            for block in left:
                journal.block(block)
            self._say(journal, self._incidents(acquisition))
            self._say(journal, self._counted(acquisition))
        return self._engine.ended

    def _incidents(self, acquisition: Acquisition) -> list[Mark]:
        """Return as marks what happened to instruments since this was last asked."""
        marks = []
        for incident in acquisition.incidents():
            data = {"instrument": incident.instrument, **incident.data}
            silent = incident.what == "silent"
            data["trouble" if silent else "instrument_note"] = (
                "instrument_silent" if silent else incident.what
            )
            origin = acquisition.part.origins.get(incident.instrument, 0)
            marks.append(
                Mark(
                    part=acquisition.part.number,
                    t_s=(incident.t_ns - origin) * 1e-9,
                    kind=MarkKind.TROUBLE if silent else MarkKind.NOTE,
                    data=data,
                    by="recorder",
                )
            )
        return marks

    def _counted(self, acquisition: Acquisition) -> list[Mark]:
        """Return a mark per instrument of which something went wrong."""
        return [
            Mark(
                part=acquisition.part.number,
                t_s=self._now_s,
                kind=MarkKind.NOTE,
                data={"instrument": instrument, "counted": "at the end", **counts},
                by="recorder",
            )
            for instrument, counts in acquisition.told().items()
            if counts
        ]

    def _follow(
        self,
        journal: JournalWriter,
        acquisition: Acquisition,
        commands: Callable[[], Iterable[Command]],
    ) -> None:
        origins_written = 0
        synced_ns = self._clock.monotonic_ns()
        for block in acquisition.blocks():
            if len(acquisition.part.origins) > origins_written:
                journal.part(acquisition.part)
                origins_written = len(acquisition.part.origins)
                if self._so_far is not None:
                    self._so_far.part(acquisition.part)
            journal.block(block)
            self._say(journal, self._incidents(acquisition))
            self._take(journal, block, acquisition)
            self._give(journal, self._work_hands())
            self._give(journal, commands())
            self._judge_so_far(block)
            now_ns = self._clock.monotonic_ns()
            if now_ns - synced_ns >= SYNC_NS:
                journal.sync()
                synced_ns = now_ns
            if self._engine.ended:
                return

    def _take(
        self, journal: JournalWriter, block: Block, acquisition: Acquisition
    ) -> None:
        traces: dict[str, Trace] = {}
        origin = acquisition.part.origins[block.instrument]
        for column, channel in enumerate(self._columns[block.instrument]):
            trace = channel_trace(
                channel,
                block.t_ns,
                block.raw[:, column],
                block.flags[:, column],
                origin,
            )
            last = self._last_s.get(channel.id)
            if last is not None and len(trace) and trace.t_s[0] <= last:
                trace = trace.between(last + 1e-9, float("inf"))
            traces[channel.id] = trace
            if len(trace):
                self._last_s[channel.id] = float(trace.t_s[-1])
                self._now_s = max(self._now_s, float(trace.t_s[-1]))
                good = trace.good()
                if len(good):
                    self._seen[channel.role] = float(good.value[-1])
        self._tell(Sampled(block.part, traces))
        if self._now_s - self._shown_s >= SHOW_S:
            self._shown_s = self._now_s
            self._tell(Shown(self._now_s, self._readings()))
        self._say(journal, self._engine.feed(traces))

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
        done = self._hands.work(self._now_s, self._engine.request, self._seen)
        return [Acknowledge(done, "simulated hands")] if done is not None else []

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


__all__ = [
    "Abandon",
    "Acknowledge",
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
