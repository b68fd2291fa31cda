"""Findings while a test runs: the record so far, judged beside the recording.

The judging is that of a finished run, on what is recorded up to now, in a thread of its
own; the recording never waits for it. What comes out is shown and never kept: the
judgement that counts is made from the sealed file.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor

import numpy as np

from analysis.early import as_looks_say
from analysis.judge import judge
from records.judgement import Judgement
from records.run import Mark, MarkKind, Part, Run, RunHeader, RunState, Samples
from records.trace import Block

# Within a hold: not before so long, and not more often (wall time).
FIRST_LOOK_S = 5.0
PAUSE_S = 1.5
# The thread takes at most this share of the time.
SHARE = 0.25
# So many numbers are kept (1.6 MB), whatever a hold lasts. Beyond that every second
# reading since the last mark goes, those nearest to its ends excepted.
MOST_NUMBERS = 200_000
MOST_BLOCKS = 1000  # then they are joined: many small arrays cost more than one
ENDS_NS = 60_000_000_000

_log = logging.getLogger(__name__)


class SoFar:
    """Judges what is recorded so far.

    Args:
        header: what is known of the run.
        within_holds: look also while a hold goes on, not only when a step is over.
    """

    def __init__(self, header: RunHeader, *, within_holds: bool = False) -> None:
        self._header = header
        self._within = within_holds
        self._blocks: list[Block] = []
        self._marks: list[Mark] = []
        self._parts: dict[int, Part] = {}
        self._pool = ThreadPoolExecutor(1, "findings-so-far")
        self._busy: Future[Judgement] | None = None
        self._began_s = 0.0
        self._rest_until_s = 0.0
        self._on = ""
        self._due = False
        self._hold: Mark | None = None
        self._marked_s = 0.0
        self._now_s = 0.0
        self._numbers = 0

    @property
    def busy(self) -> bool:
        """A judgement is being made."""
        return self._busy is not None

    def part(self, part: Part) -> None:
        """Take what is known of a part."""
        self._parts[part.number] = part

    def block(self, block: Block, now_s: float) -> None:
        """Take samples.

        Args:
            block: as recorded.
            now_s: time of the latest sample, seconds from the part's start.
        """
        self._blocks.append(block)
        self._now_s = now_s
        self._numbers += block.t_ns.size + block.raw.size
        if self._numbers > MOST_NUMBERS:
            self._blocks = [self._thinned(b) for b in self._joined()]
            self._numbers = sum(b.t_ns.size + b.raw.size for b in self._blocks)
        elif len(self._blocks) > MOST_BLOCKS:
            self._joined()

    def mark(self, mark: Mark) -> None:
        """Take a mark; the end of a step asks for a judgement."""
        self._marks.append(mark)
        self._marked_s = max(self._marked_s, mark.t_s)
        if mark.kind is MarkKind.HOLD_BEGIN:
            self._hold = mark
        elif mark.kind in (
            MarkKind.HOLD_END,
            MarkKind.STEP_END,
            MarkKind.STEP_REPEAT,
            MarkKind.STEP_SKIP,
        ):
            self._hold = None
            self._due = self._due or mark.kind is not MarkKind.HOLD_END

    def take(self) -> tuple[Judgement, str] | None:
        """Return a judgement that is ready, and begin the next one where it is time.

        Returns:
            The judgement and the id of the step that was on and is not over, or "".
        """
        ready: tuple[Judgement, str] | None = None
        now = time.monotonic()
        if self._busy is not None and self._busy.done():
            took = now - self._began_s
            self._rest_until_s = now + max(PAUSE_S, took * (1.0 / SHARE - 1.0))
            try:
                ready = (self._busy.result(), self._on)
            except Exception:  # showing may fail, recording may not
                _log.exception("findings so far")
            self._busy = None
        if self._busy is None:
            if self._due:
                self._due = False
                self._begin("")
            elif self._hold is not None and self._within and now > self._rest_until_s:
                if self._now_s - self._hold.t_s > FIRST_LOOK_S:
                    self._begin(self._hold.step)
        return ready

    def close(self) -> None:
        """End the thread; what it was at is dropped."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _begin(self, on: str) -> None:
        self._on = on
        self._began_s = time.monotonic()
        marks = [*self._marks, *self._as_if_over(on)]
        self._busy = self._pool.submit(
            _judged,
            self._header,
            tuple(self._parts.values()),
            marks,
            self._joined(),
            self._hold if on else None,
        )

    def _as_if_over(self, on: str) -> list[Mark]:
        """Return the marks with which the step that is on would end now."""
        if not on or self._hold is None:
            return []
        part = self._hold.part
        return [
            Mark(part=part, t_s=self._now_s, kind=kind, step=on, data=data)
            for kind, data in (
                (MarkKind.HOLD_END, {}),
                (MarkKind.STEP_END, {"how": "done"}),
            )
        ]

    def _joined(self) -> list[Block]:
        """Return the blocks as one per part and instrument, and keep them so."""
        groups: dict[tuple[int, str], list[Block]] = {}
        for block in self._blocks:
            groups.setdefault((block.part, block.instrument), []).append(block)
        self._blocks = [
            blocks[0] if len(blocks) == 1 else _join(blocks)
            for blocks in groups.values()
        ]
        return list(self._blocks)

    def _thinned(self, block: Block) -> Block:
        """Return a block with fewer readings of a time in which nothing happened."""
        part = self._parts[block.part]
        origin = part.origins.get(block.instrument, 0)
        begins = origin + round(self._marked_s * 1e9) + ENDS_NS
        first, stop = np.searchsorted(block.t_ns, [begins, block.t_ns[-1] - ENDS_NS])
        if stop - first < block.t_ns.size // 2:  # it is what came before that is long
            first, stop = 0, block.t_ns.size
        keep = np.ones(block.t_ns.size, dtype=bool)
        keep[first:stop:2] = False
        return Block(
            block.part,
            block.instrument,
            block.t_ns[keep],
            block.raw[keep],
            block.flags[keep],
        )


def _join(blocks: Sequence[Block]) -> Block:
    return Block(
        blocks[0].part,
        blocks[0].instrument,
        np.concatenate([b.t_ns for b in blocks]),
        np.concatenate([b.raw for b in blocks]),
        np.concatenate([b.flags for b in blocks]),
    )


def _judged(
    header: RunHeader,
    parts: tuple[Part, ...],
    marks: list[Mark],
    blocks: list[Block],
    hold: Mark | None,
) -> Judgement:
    run = Run(
        header=header,
        state=RunState.RECORDING,
        sha256="",
        key_id="",
        parts=parts,
        marks=tuple(marks),
        truth=None,
        samples={
            (b.part, b.instrument): Samples(b.t_ns, b.raw, b.flags) for b in blocks
        },
    )
    judgement = judge(run)
    return judgement if hold is None else as_looks_say(judgement, run, hold)
