"""A recorded run as events, cut into blocks in any way."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from gui.session_thread import ThreadEvent
from proofstand.procedure.engine import TICK_S
from proofstand.session import Asked, Marked, Sampled, Started
from records.run import MarkKind, Request, Run


def events_until(
    run: Run, until_s: float, cuts: Sequence[float] = ()
) -> Iterator[ThreadEvent]:
    """Give the events of a run up to a time.

    A mark comes after the samples that show it, as it does from a session; requests
    are made again from their marks.

    Args:
        run: as recorded.
        until_s: time of the last sample.
        cuts: lengths of the blocks, used in turn; empty for one block a tick.
    """
    yield Started(run.id, Path("run.journal"), run.header)
    traces = {c.id: run.trace(c, 1) for c in run.header.rig.channels}
    marks = list(run.marks)
    plan = run.header.plan
    seen = _said_at(run)
    now, i, at = 0.0, 0, 0
    while now < until_s:
        length = cuts[i % len(cuts)] if cuts else TICK_S
        stop = min(now + length, until_s)
        start = now + 2.1e-6 if i else -1.0  # a cut reaches a microsecond further
        yield Sampled(1, {k: t.between(start, stop) for k, t in traces.items()})
        now, i = stop, i + 1
        while at < len(marks) and seen[at] <= now:
            mark = marks[at]
            yield Marked(mark)
            if mark.kind is MarkKind.ASKED:
                step = plan.step(mark.step)
                assert step is not None
                yield Asked(
                    Request(
                        id=mark.data["request"],
                        step=mark.step,
                        act=mark.data["act"],
                        aim=step.inlet,
                        confirm=mark.data["act"] in _CONFIRMED,
                    )
                )
            at += 1


_CONFIRMED = ("open_to_air", "fit_blank", "raise_inlet", "isolate_inlet", "lock_nut")


def _said_at(run: Run) -> list[float]:
    """Return when each mark was told: some name a time before that."""
    latest, said = 0.0, []
    for mark in run.marks:
        latest = max(latest, mark.t_s)
        said.append(latest)
    return said
