"""Findings so far: the judgement as it will be, never in the recorder's way."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace

import pytest

from analysis.judge import judge
from proofstand import so_far
from proofstand.so_far import SoFar
from records.judgement import Judgement, Outcome
from records.run import MarkKind, Run, Samples, as_blocks
from records.runfile import open_run

from .conftest import RunOf

WAIT_S = 60.0


def told(run: Run, until_s: float, looking: SoFar) -> Iterator[tuple[Judgement, str]]:
    """Play a run into the judging, waiting for each judgement that is on its way."""
    for part in run.parts:
        looking.part(part)
    marks = list(run.marks)
    for block in as_blocks(run):
        now = (int(block.t_ns[-1]) - run.parts[0].origins[block.instrument]) * 1e-9
        if now > until_s:
            return
        looking.block(block, now)
        while marks and marks[0].t_s <= now:
            looking.mark(marks.pop(0))
            ready = waited(looking)
            if ready is not None:
                yield ready


def waited(looking: SoFar) -> tuple[Judgement, str] | None:
    """Return what comes of the judging that is due, or None where none is."""
    ready = looking.take()
    until = time.monotonic() + WAIT_S
    while ready is None and looking.busy and time.monotonic() < until:
        time.sleep(0.005)
        ready = looking.take()
    return ready


def cut(run: Run, at_s: float) -> Run:
    """Return a run as it stood at a moment."""
    samples = {}
    for key, s in run.samples.items():
        keep = (s.t_ns - run.parts[0].origins[key[1]]) * 1e-9 <= at_s
        samples[key] = Samples(s.t_ns[keep], s.raw[keep], s.flags[keep])
    return replace(
        run, samples=samples, marks=tuple(m for m in run.marks if m.t_s <= at_s)
    )


def test_at_each_step_s_end_it_is_the_judgement_of_the_record_so_far(
    run_of: RunOf,
) -> None:
    run = open_run(run_of())
    looking = SoFar(run.header)
    try:
        found = list(told(run, 330.0, looking))
    finally:
        looking.close()
    ends = [m for m in run.marks if m.kind is MarkKind.STEP_END and m.t_s <= 330.0]
    assert len(found) == len(ends) > 4
    last, on = found[-1]
    assert on == ""
    # samples come in blocks: those after the step's end that were in the last one
    block_s = max(float(m.t_s) for m in ends) + 0.5
    expected = judge(cut(run, block_s))
    for a, b in zip(last.findings, expected.findings, strict=True):
        assert (a.id, a.step, a.outcome) == (b.id, b.step, b.outcome)
        if a.measured is not None and b.measured is not None:
            assert a.measured.value == pytest.approx(b.measured.value, rel=1e-9)
    done = {m.step for m in ends}
    assert {f.step for f in last.findings if f.outcome is not Outcome.NOT_MEASURED} <= (
        done
    )


def test_within_a_hold_the_step_counts_as_if_it_ended_now(
    run_of: RunOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(so_far, "PAUSE_S", 0.0)
    monkeypatch.setattr(so_far, "SHARE", 1.0)
    run = open_run(run_of())
    begin = next(
        m for m in run.marks if m.step == "creep-hold" and m.kind is MarkKind.HOLD_BEGIN
    )
    looking = SoFar(run.header, within_holds=True)
    try:
        for _ in told(run, begin.t_s + 100.0, looking):
            pass
        ready = waited(looking)
    finally:
        looking.close()
    assert ready is not None
    judgement, on = ready
    assert on == "creep-hold"
    leak = next(f for f in judgement.findings if f.id == "seat_leak")
    assert leak.measured is not None
    assert leak.outcome is Outcome.INCONCLUSIVE  # nothing shows the outlet tight yet


def test_a_judging_that_fails_is_passed_over(
    run_of: RunOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> Judgement:
        raise ArithmeticError

    monkeypatch.setattr(so_far, "judge", broken)
    run = open_run(run_of())
    looking = SoFar(run.header)
    try:
        assert list(told(run, 100.0, looking)) == []
    finally:
        looking.close()


def test_taking_never_waits(run_of: RunOf, monkeypatch: pytest.MonkeyPatch) -> None:
    import threading

    go_on = threading.Event()

    def slow(run: Run) -> Judgement:
        go_on.wait(WAIT_S)
        return judge(run)

    monkeypatch.setattr(so_far, "judge", slow)
    run = open_run(run_of())
    looking = SoFar(run.header)
    try:
        for part in run.parts:
            looking.part(part)
        for mark in run.marks[:12]:
            looking.mark(mark)
        # were it to wait, this would not come to its end before the event is set
        assert [looking.take() for _ in range(50)] == [None] * 50
        assert looking.busy
    finally:
        go_on.set()
        looking.close()


def test_a_long_hold_is_kept_within_bounds_and_judged_alike(
    run_of: RunOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = open_run(run_of())
    numbers = sum(s.t_ns.size + s.raw.size for s in run.samples.values())
    most = numbers // 3
    monkeypatch.setattr(so_far, "MOST_NUMBERS", most)
    monkeypatch.setattr(so_far, "ENDS_NS", 3_000_000_000)
    looking = SoFar(run.header)
    try:
        found = list(told(run, float("inf"), looking))
        kept = sum(b.t_ns.size + b.raw.size for b in looking._blocks)
    finally:
        looking.close()
    assert kept < 1.1 * most
    whole = {(f.id, f.step, f.channel): f for f in judge(run).findings}
    for finding in found[-1][0].findings:
        other = whole[finding.id, finding.step, finding.channel]
        assert {finding.outcome, other.outcome} != {Outcome.PASS, Outcome.FAIL}
        if finding.interval is not None and other.interval is not None:
            assert finding.interval[0] <= other.interval[1], finding.id
            assert other.interval[0] <= finding.interval[1], finding.id
