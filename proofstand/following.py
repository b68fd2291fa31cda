"""A test followed by its journal: what the session told when it wrote each record.

A run that was interrupted and gone on with has parts, each with a time of its own; here
they lie on one time axis, the gap between them as long as it was.
"""

from __future__ import annotations

import threading
from bisect import bisect_right
from dataclasses import replace
from pathlib import Path

import numpy as np

from records.errors import ProofstandError
from records.journal import JournalClosed, JournalTail
from records.run import Mark, Part, Run, RunHeader, RunState
from records.trace import Block, FloatArray, Trace

from .sampling import Sampling
from .session import Marked, Sampled, SessionEvent, Started

# Blocks of one instrument are put together up to so many rows: catching up is quicker.
MOST_ROWS = 10_000
APART_S = 2.0  # at least so far stand two parts from each other
INDEX_S = 1.0  # places in the journal are noted so far apart
NEAR_S = 5.0  # instruments that are read beside each other are written so near


class Follower:
    """Follows one journal.

    Args:
        path: the journal; it need not be there yet.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._tail = JournalTail(path)
        self._parts: dict[int, Part] = {}
        self._shift_s: dict[int, float] = {}
        self._on = 0
        self._sampling: Sampling | None = None
        self._waiting: dict[str, list[Block]] = {}
        self._rows = 0
        self._latest_s = 0.0
        self._marks: list[Mark] = []
        self._places: list[tuple[float, int]] = []
        self.again = ReadAgain(path, self._places, self._parts, self._shift_s)

    @property
    def offset(self) -> int:
        """Bytes of the journal taken so far."""
        return self._tail.offset

    @property
    def header(self) -> RunHeader | None:
        """What was known of the run when it began, once it was read."""
        return self._tail.header

    def run(self, sha256: str, key_id: str) -> Run | None:
        """Return the run as it was sealed, without its samples, once it was read."""
        if self.header is None:
            return None
        return Run(
            header=self.header,
            state=RunState.SEALED,
            sha256=sha256,
            key_id=key_id,
            parts=tuple(self._parts.values()),
            marks=tuple(self._marks),
            truth=None,
            samples={},
        )

    def take(self, until: int | None = None) -> list[SessionEvent]:
        """Return what came since, at most a few megabytes of it.

        Args:
            until: length of the journal beyond which nothing is taken.

        Raises:
            IntegrityError, InputError: the journal can't be read.
        """
        told: list[SessionEvent] = []
        for at, record in self._tail.take(until=until):
            match record:
                case RunHeader():
                    self.again.header = record
                    told.append(Started(record.id, self.path, record))
                case Part():
                    self._flush(told)
                    self._begin(record)
                case Block():
                    self._add(record, told)
                    last = self._places[-1][0] if self._places else -INDEX_S
                    if self._latest_s - last >= INDEX_S:
                        self._places.append((self._latest_s, at))
                case Mark():
                    self._flush(told)
                    self._marks.append(record)
                    shift = self._shift_s.get(record.part, 0.0)
                    self._latest_s = max(self._latest_s, record.t_s + shift)
                    told.append(Marked(replace(record, t_s=record.t_s + shift)))
                case JournalClosed():
                    pass  # told by who closed it
        self._flush(told)
        return told

    def close(self) -> None:
        """Leave the journal."""
        self._tail.close()
        self.again.close()

    def _begin(self, part: Part) -> None:
        self._parts[part.number] = part
        if part.number in self._shift_s or self.header is None:
            return
        first = self._parts[min(self._parts)]
        apart = (part.utc_ns - first.utc_ns) * 1e-9 * self.header.rig.time_multiple
        if part is not first:
            apart = max(apart, self._latest_s + APART_S)
        self._shift_s[part.number] = apart if part is not first else 0.0
        self._sampling = Sampling(self.header.rig)

    def _add(self, block: Block, told: list[SessionEvent]) -> None:
        if block.part != self._on or self._rows > MOST_ROWS:
            self._flush(told)
            self._on = block.part
        self._waiting.setdefault(block.instrument, []).append(block)
        self._rows += block.t_ns.size

    def _flush(self, told: list[SessionEvent]) -> None:
        waiting, self._waiting, self._rows = self._waiting, {}, 0
        sampling, part = self._sampling, self._parts.get(self._on)
        if sampling is None or part is None:
            return
        shift = self._shift_s.get(self._on, 0.0)
        for blocks in waiting.values():
            block = blocks[0] if len(blocks) == 1 else _join(blocks)
            origin = _origin(part, block)
            traces = {
                channel.id: shifted(trace, shift)
                for channel, trace in sampling.traces(block, origin)
            }
            told.append(Sampled(self._on, traces))
        self._latest_s = max(self._latest_s, sampling.now_s + shift)


class ReadAgain:
    """Reads a stretch of a followed journal once more, from another thread too.

    Args:
        path: the journal.
        places: times and where what came then begins, growing.
        parts: known parts. shift_s: where they lie on the time axis.

    Attributes:
        header: of the run, once it was read.
    """

    def __init__(
        self,
        path: Path,
        places: list[tuple[float, int]],
        parts: dict[int, Part],
        shift_s: dict[int, float],
    ) -> None:
        self.header: RunHeader | None = None
        self._tail = JournalTail(path)
        self._places = places
        self._parts = parts
        self._shift_s = shift_s
        self._lock = threading.Lock()
        self._had: tuple[float, float, dict[str, Trace]] | None = None

    def stretch(
        self, channel: str, start_s: float, stop_s: float
    ) -> tuple[FloatArray, FloatArray] | None:
        """Return times and good values of a channel, NaN where none was good.

        None where the journal can't be read any more.
        """
        had = self._had
        if had is None or start_s < had[0] or stop_s > had[1]:
            more = 0.05 * (
                stop_s - start_s
            )  # the next channel asks for nearly the same
            start_s, stop_s = start_s - more, stop_s + more
            try:
                had = self._had = (start_s, stop_s, self._read(start_s, stop_s))
            except ProofstandError:
                return None
        trace = had[2].get(channel)
        if trace is None or not len(trace):
            return None
        return trace.t_s, np.where(trace.flags == 0, trace.value, np.nan)

    def close(self) -> None:
        """Leave the journal; what was read last stays."""
        with self._lock:
            self.header = None
            self._tail.close()

    def _read(self, start_s: float, stop_s: float) -> dict[str, Trace]:
        if self.header is None or not self._places:
            return {}
        places = list(self._places)
        times = [at_s for at_s, _ in places]
        first = max(bisect_right(times, start_s - NEAR_S) - 1, 0)
        last = bisect_right(times, stop_s + NEAR_S)
        self._tail.go_to(places[first][1], self.header)
        until = places[last][1] if last < len(places) else None
        samplings: dict[int, Sampling] = {}
        found: dict[str, list[Trace]] = {}
        while records := self._tail.take(until=until):
            for _, record in records:
                if not isinstance(record, Block):
                    continue
                if record.part not in samplings:
                    samplings[record.part] = Sampling(self.header.rig)
                origin = _origin(self._parts.get(record.part), record)
                shift = self._shift_s.get(record.part, 0.0)
                for channel, trace in samplings[record.part].traces(record, origin):
                    found.setdefault(channel.id, []).append(shifted(trace, shift))
        return {id: _one(id, traces) for id, traces in found.items()}


def _one(channel: str, traces: list[Trace]) -> Trace:
    return Trace(
        channel,
        np.concatenate([t.t_s for t in traces]),
        np.concatenate([t.value for t in traces]),
        np.concatenate([t.flags for t in traces]),
    )


def _origin(part: Part | None, block: Block) -> int:
    # A journal cut off right after its first block may lack the origin.
    first = int(block.t_ns[0])
    return first if part is None else part.origins.get(block.instrument, first)


def shifted(trace: Trace, by_s: float) -> Trace:
    """Return a trace at another place on the time axis."""
    if by_s == 0.0:
        return trace
    return Trace(trace.channel, trace.t_s + by_s, trace.value, trace.flags)


def _join(blocks: list[Block]) -> Block:
    return Block(
        blocks[0].part,
        blocks[0].instrument,
        np.concatenate([b.t_ns for b in blocks]),
        np.concatenate([b.raw for b in blocks]),
        np.concatenate([b.flags for b in blocks]),
    )
