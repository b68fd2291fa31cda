"""Recorded, then replayed through the same recorder and procedure: the same again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.judge import judge
from proofstand.procedure.engine import Acknowledge, Command
from proofstand.session import Session
from records.journal import read_journal
from records.measure import parse_quantity
from records.rig import Instrument, StoredRun
from records.run import Mark, MarkKind
from records.runfile import open_run
from rig.acquisition import open_instruments
from tests.step_clock import StepClock

from .conftest import RunOf


def told(marks: Iterable[Mark]) -> list[tuple[float, str, str, dict[str, str]]]:
    return [
        (round(m.t_s, 6), m.kind.value, m.step, m.data)
        for m in marks
        if m.by != "recorder"
    ]


@pytest.mark.parametrize(
    "fault", ["", pytest.param("seat_nicked", marks=pytest.mark.slow)]
)
def test_a_replay_gives_the_same_marks_and_findings(
    run_of: RunOf, tmp_path: Path, fault: str
) -> None:
    path = run_of(*([fault] if fault else []))
    run = open_run(path)
    player = Instrument(
        id="rig-io",
        protocol="replay",
        stored=StoredRun(run=path.name, instrument="rig-io"),
        period=parse_quantity("50 ms"),
        timeout=parse_quantity("1 s"),
    )
    rig = replace(run.header.rig, instruments=(player,))
    clock = StepClock()
    said = [m for m in run.marks if m.kind is MarkKind.CONFIRMED]

    def commands() -> list[Command]:
        # People confirm when they did then, in the time of the record.
        due: list[Command] = []
        while said and said[0].t_s <= session._now_s:
            due.append(Acknowledge(said.pop(0).data["request"], "simulated hands"))
        return due

    session = Session(
        header=replace(run.header, rig=rig),
        plan=run.header.plan,
        rig=rig,
        journal=tmp_path / "again.journal",
        instruments=open_instruments(rig, clock, path.parent),
        clock=clock,
        tell=lambda event: None,
    )
    assert session.run(commands) == "done"
    again = read_journal(tmp_path / "again.journal").run
    assert told(again.marks) == told(run.marks)
    before, after = judge(run), judge(again)
    assert after.verdict == before.verdict
    for one, other in zip(before.findings, after.findings, strict=True):
        assert (other.id, other.step, other.outcome) == (one.id, one.step, one.outcome)
        if one.measured is not None:
            assert other.measured is not None
            # the record may end some samples sooner or later than it did
            assert other.measured.value == pytest.approx(
                one.measured.value, rel=1e-9, abs=1e-3 * one.measured.u
            )
