"""A test followed by its journal: what the session told when it wrote each record.

A run that was interrupted and gone on with has parts, each with a time of its own; here
they lie on one time axis, the gap between them as long as it was.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from records.journal import JournalClosed, JournalTail
from records.run import Mark, Part, RunHeader
from records.trace import Block, Trace

from .sampling import Sampling
from .session import Marked, Sampled, SessionEvent, Started

# Blocks of one instrument are put together up to so many rows: catching up is quicker.
MOST_ROWS = 10_000
APART_S = 2.0  # at least so far stand two parts from each other


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

    @property
    def offset(self) -> int:
        """Bytes of the journal taken so far."""
        return self._tail.offset

    @property
    def header(self) -> RunHeader | None:
        """What was known of the run when it began, once it was read."""
        return self._tail.header

    def take(self, until: int | None = None) -> list[SessionEvent]:
        """Return what came since, at most a few megabytes of it.

        Args:
            until: length of the journal beyond which nothing is taken.

        Raises:
            IntegrityError, InputError: the journal can't be read.
        """
        told: list[SessionEvent] = []
        for _, record in self._tail.take(until=until):
            match record:
                case RunHeader():
                    told.append(Started(record.id, self.path, record))
                case Part():
                    self._flush(told)
                    self._begin(record)
                case Block():
                    self._add(record, told)
                case Mark():
                    self._flush(told)
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
        for instrument, blocks in waiting.items():
            block = blocks[0] if len(blocks) == 1 else _join(blocks)
            # A journal cut off right after its first block may lack the origin.
            origin = part.origins.get(instrument, int(block.t_ns[0]))
            traces = {
                channel.id: shifted(trace, shift)
                for channel, trace in sampling.traces(block, origin)
            }
            told.append(Sampled(self._on, traces))
        self._latest_s = max(self._latest_s, sampling.now_s + shift)


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
