"""A journal followed gives what the session told, on one time axis for all parts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from proofstand.following import APART_S, Follower
from proofstand.session import Marked, Sampled, SessionEvent, Started

from .test_resuming import Bench, cut_off_in


def everything(path: Path) -> list[SessionEvent]:
    follower = Follower(path)
    told: list[SessionEvent] = []
    while found := follower.take():
        told += found
    follower.close()
    return told


def joined(told: list[SessionEvent], channel: str) -> tuple[list[float], list[float]]:
    traces = [e.traces[channel] for e in told if isinstance(e, Sampled)]
    return (
        np.concatenate([t.t_s for t in traces]).tolist(),
        np.concatenate([t.value for t in traces]).tolist(),
    )


class Heard(Bench):
    def __init__(self) -> None:
        super().__init__()
        self.told: list[SessionEvent] = []

    def tell(self, event: SessionEvent) -> None:
        super().tell(event)
        self.told.append(event)


def test_what_is_followed_is_what_was_told(tmp_path: Path) -> None:
    bench, journal = Heard(), tmp_path / "run.journal"
    cut_off_in(bench, journal, "zero", 5.0)
    told = everything(journal)
    assert isinstance(told[0], Started)
    assert told[0].header.id == "resumed"
    kinds = [type(e) for e in bench.told if isinstance(e, Started | Marked)]
    assert [type(e) for e in told if not isinstance(e, Sampled)] == kinds
    assert [e.mark for e in told if isinstance(e, Marked)] == bench.marks
    for channel in ("inlet", "outlet"):
        assert joined(told, channel) == joined(bench.told, channel)
    last: float = 0.0
    for event in told:  # a mark comes after the samples that show it
        if isinstance(event, Sampled):
            last = max(last, *(float(t.t_s[-1]) for t in event.traces.values()))
        if isinstance(event, Marked):
            assert event.mark.t_s <= last + 0.25


@pytest.mark.parametrize("back_s", [-90.0, 7200.0])
def test_parts_lie_on_one_time_axis_whatever_the_clock_did(
    tmp_path: Path, back_s: float
) -> None:
    bench, journal = Bench(), tmp_path / "run.journal"
    cut_off_in(bench, journal, "zero", 2.0)
    ends, _ = joined(everything(journal), "inlet")
    utc, seen = bench.clock.utc_ns, 0
    bench.clock.utc_ns = lambda: utc() - round(back_s * 1e9)  # type: ignore[method-assign]

    def power() -> tuple[()]:
        nonlocal seen
        seen += 1
        if seen > 50:
            raise KeyboardInterrupt
        return ()

    with pytest.raises(KeyboardInterrupt):
        bench.session(journal, resume=True).run(power)
    told = everything(journal)
    times, _ = joined(told, "inlet")
    assert np.all(np.diff(times) > 0.0)
    gap = float(np.max(np.diff(times)))
    assert gap == pytest.approx(90.0 if back_s < 0.0 else APART_S, abs=1.0)
    assert times[: len(ends)] == ends
    second = [e.mark for e in told if isinstance(e, Marked) and e.mark.part == 2]
    assert all(mark.t_s >= times[len(ends)] - 0.5 for mark in second)
