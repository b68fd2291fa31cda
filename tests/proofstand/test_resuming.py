"""An interrupted run is gone on with in a new part of it, over a real socket."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from analysis.judge import judge
from proofstand.commands.main import main
from proofstand.procedure.engine import Engine, prepared_plan
from proofstand.recording import _elsewhere, resume
from proofstand.runs import new_header
from proofstand.session import Session, SessionEvent
from proofstand.simulated import EPOCH, EPOCH_NS, VirtualClock, _Worker, demo_job
from records.errors import InputError, RefusedError, RigError
from records.journal import JournalWriter, read_journal
from records.judgement import Outcome, Verdict
from records.planfile import builtin_plan
from records.run import Mark, MarkKind, Part, RunState
from records.runfile import open_run, seal
from rig.instruments.modbus import ModbusInstrument
from rig.rigfile import parse_rig
from rig.simulator.devices import InProcessLink, ServedRig, SimulatedRig
from rig.simulator.hands import Hands
from rig.simulator.rigtext import rig_text

from .rigs import command, recorder, served


class Bench:
    """A simulated rig with its technician, recorded in this process."""

    def __init__(self, seed: int = 1) -> None:
        self.rig = parse_rig(
            rig_text("127.0.0.1", 502, 1.0, EPOCH.date()), "simulated rig"
        )
        self.simulated = SimulatedRig(seed)
        self.clock = VirtualClock(self.simulated)
        self.hands = _Worker(Hands(seed), self.simulated.move)
        self.marks: list[Mark] = []

    def session(self, journal: Path, *, resume: bool = False) -> Session:
        plan, text = builtin_plan("low-pressure")
        prepared = prepared_plan(plan, demo_job())
        instruments = [
            ModbusInstrument(
                i, self.rig.columns(i.id), InProcessLink(self.simulated), self.clock
            )
            for i in self.rig.instruments
        ]
        header = new_header(
            origin="record",
            job=demo_job(),
            plan=prepared,
            plan_text=text,
            rig=self.rig,
            utc_ns=EPOCH_NS,
            run_id="resumed",
        )
        return Session(
            header=header,
            plan=prepared,
            rig=self.rig,
            journal=journal,
            instruments=instruments,
            clock=self.clock,
            tell=self.tell,
            hands=self.hands,
            resume=resume,
            by="P. Quill",
        )

    def tell(self, event: SessionEvent) -> None:
        mark = getattr(event, "mark", None)
        if mark is not None:
            self.marks.append(mark)


class PowerCut(Exception):
    pass


def cut_off_in(bench: Bench, journal: Path, step: str, after_s: float) -> None:
    """Record until some time into a hold of a step; then the power goes."""

    def power() -> tuple[()]:
        last = next(
            (m for m in bench.marks[::-1] if m.kind is MarkKind.HOLD_BEGIN), None
        )
        if last is not None and last.step == step:
            if bench.clock.monotonic_ns() * 1e-9 - last.t_s > after_s:
                raise PowerCut
        return ()

    with pytest.raises(PowerCut):
        bench.session(journal).run(power)


@pytest.mark.parametrize("torn", [0, pytest.param(37, marks=pytest.mark.slow)])
def test_a_run_cut_off_in_its_creep_hold_is_gone_on_with(
    tmp_path: Path, torn: int
) -> None:
    bench, journal = Bench(), tmp_path / "run.journal"
    cut_off_in(bench, journal, "creep-hold", 30.0)
    if torn:  # as a kill in the middle of a record leaves it
        journal.write_bytes(journal.read_bytes()[:-torn])
    assert read_journal(journal).run.state is RunState.INTERRUPTED
    before = journal.read_bytes()
    bench.marks.clear()
    assert bench.session(journal, resume=True).run(lambda: ()) == "done"
    assert journal.read_bytes().startswith(before)
    seal(journal, tmp_path / "run.h5")
    run = open_run(tmp_path / "run.h5")
    assert run.state is RunState.SEALED
    assert [p.number for p in run.parts] == [1, 2]
    second = [m for m in run.marks if m.part == 2]
    assert second[0].data == {"part": "2", "step": "creep-hold", "by": "P. Quill"}
    begun = [m for m in second if m.kind is MarkKind.STEP_BEGIN]
    lockup = [s.id for s in run.header.plan.steps if s.kind == "lockup"][-1]
    assert begun[0].step == lockup, "a hold starts again with what it leans on"
    zeroed = [m for m in second if m.data.get("event") == "zeroed"]
    assert len(zeroed) == 1
    assert zeroed[0].t_s < next(
        m.t_s for m in second if m.data.get("act") == "raise_inlet"
    )
    judged = judge(run)
    assert "several_parts" in {w.id for w in judged.warnings}
    creep = [f for f in judged.findings if f.step == "creep-hold"]
    assert {f.evidence.part for f in creep if f.measured is not None} == {2}
    sets = [f for f in judged.findings if f.step == "set" and f.measured is not None]
    assert {f.evidence.part for f in sets} == {1}
    assert judged.verdict is Verdict.PASS
    assert all(
        f.outcome in (Outcome.PASS, Outcome.NO_LIMIT)
        for f in judged.findings
        if f.required
    )


def test_a_clock_set_back_between_the_parts_changes_nothing(tmp_path: Path) -> None:
    bench, journal = Bench(), tmp_path / "run.journal"
    cut_off_in(bench, journal, "zero", 2.0)
    bench.clock.utc_ns = lambda: EPOCH_NS - 7_200_000_000_000  # type: ignore[method-assign]
    session = bench.session(journal, resume=True)
    seen = 0

    def power() -> tuple[()]:
        nonlocal seen
        seen += 1
        if seen > 100:
            raise PowerCut
        return ()

    with pytest.raises(PowerCut):
        session.run(power)
    run = read_journal(journal).run
    assert run.parts[1].utc_ns < run.parts[0].utc_ns
    outlet = run.header.rig.channel("outlet")
    assert outlet is not None
    for part in (1, 2):
        assert run.trace(outlet, part).t_s[0] == pytest.approx(0.0, abs=0.06)


def test_a_wall_clock_that_jumps_is_told_and_moves_no_sample(tmp_path: Path) -> None:
    bench, journal = Bench(), tmp_path / "run.journal"
    plain = bench.clock.utc_ns

    def jumping() -> int:
        back = 3_600_000_000_000 if bench.clock.monotonic_ns() > 5_000_000_000 else 0
        return plain() - back

    bench.clock.utc_ns = jumping  # type: ignore[method-assign]
    cut_off_in(bench, journal, "zero", 4.0)
    run = read_journal(journal).run
    told = [m.data["wall_clock_moved_s"] for m in run.marks if "wall_clock" in str(m)]
    assert told == ["-3600.0"]
    outlet = run.header.rig.channel("outlet")
    assert outlet is not None
    steps = run.trace(outlet, 1).t_s
    assert float(abs(steps[1:] - steps[:-1]).max()) < 0.06


def test_what_the_recorder_notes_does_not_move_the_procedure(tmp_path: Path) -> None:
    bench, journal = Bench(), tmp_path / "run.journal"
    session = bench.session(journal)
    stops = 0

    def power() -> tuple[()]:
        nonlocal stops
        stops += 1
        if stops > 60:
            raise RigError("instrument_silent", where="rig-io", host="h", port=1)
        return ()

    with pytest.raises(RigError):
        session.run(power)
    marks = read_journal(journal).run.marks
    assert marks[-1].kind is MarkKind.TROUBLE
    again = Engine.restored(session.engine.plan, bench.rig, marks)
    assert again.progress == session.engine.progress


def test_only_where_the_instruments_answer_may_have_changed(tmp_path: Path) -> None:
    text = rig_text("127.0.0.1", 502, 1.0)
    was, path = parse_rig(text, "rig"), tmp_path / "rig.toml"
    assert _elsewhere(
        was, parse_rig(text.replace("port = 502", "port = 1502"), "r"), path
    )
    hands = '\n[hand_valves]\nhost = "127.0.0.1"\nport = {}\n'.format
    assert _elsewhere(
        parse_rig(text + hands(1), "r"), parse_rig(text + hands(2), "r"), path
    )
    for old, new, what in (
        ("scale = 0.2", "scale = 0.3", "channels"),
        ('tau_max = "5 s"', 'tau_max = "50 s"', "traits"),
        ('period = "50 ms"', 'period = "100 ms"', "instruments"),
    ):
        assert old in text
        with pytest.raises(InputError, match="rig_changed") as caught:
            _elsewhere(was, parse_rig(text.replace(old, new), "r"), path)
        assert caught.value.facts["what"] == what


@pytest.mark.serial
@pytest.mark.parametrize("step", ["zero", "set"])
def test_a_test_whose_simulated_regulator_is_gone_is_not_gone_on_with(
    tmp_path: Path, step: str
) -> None:
    bench, journal = Bench(), tmp_path / "run.journal"
    header = bench.session(journal)._header
    writer = JournalWriter(journal, header)
    writer.part(Part(number=1, utc_ns=EPOCH_NS, host_ns=0, origins={}))
    for t, begun in enumerate(header.plan.steps):
        kinds = [MarkKind.STEP_BEGIN, MarkKind.STEP_END]
        for kind in kinds[:1] if begun.id == step else kinds:
            data = {"how": "done"} if kind is MarkKind.STEP_END else {}
            mark = Mark(
                part=1, t_s=float(t), kind=kind, step=begun.id, data=data, by="trace"
            )
            writer.mark(mark)
        if begun.id == step:
            break
    writer.drop()
    before, out = journal.read_bytes(), tmp_path / "run.h5"
    seen: list[SessionEvent] = []

    def stop() -> tuple[()]:
        if seen:
            raise PowerCut
        return ()

    with ServedRig(SimulatedRig(1)) as served_anew:
        path = tmp_path / "rig.toml"
        text = rig_text("127.0.0.1", served_anew.port, 1.0, EPOCH.date())
        path.write_text(text)
        # before the regulator was on it nothing is gone
        wanted: type[Exception] = RefusedError if step == "set" else PowerCut
        with pytest.raises(wanted) as caught:
            resume(
                journal=journal,
                rig_path=path,
                out=out,
                hands="simulated",
                by="P. Quill",
                key_folder=None,
                tell=seen.append,
                commands=stop,
            )
    if step == "set":
        assert isinstance(caught.value, RefusedError)
        assert caught.value.id == "simulated_rig_anew"
        assert journal.read_bytes() == before
    assert not out.exists()


@pytest.mark.serial
@pytest.mark.slow
def test_a_killed_recorder_s_run_is_gone_on_with_from_the_command_line(
    tmp_path: Path,
) -> None:
    out, journal = tmp_path / "run.h5", tmp_path / "run.journal"
    with served(tmp_path, 15.0) as rig:
        process = recorder(tmp_path, rig, out)
        until = time.monotonic() + 60.0
        while time.monotonic() < until and process.poll() is None:
            if journal.exists() and b'"step":"set"' in journal.read_bytes():
                break
            time.sleep(0.05)
        process.send_signal(signal.SIGKILL)
        _, err = process.communicate()
        assert journal.exists(), err
        size = journal.stat().st_size
        done = subprocess.run(
            command("record", "--resume", journal, "--hands", "simulated"),
            capture_output=True,
            text=True,
            timeout=180,
            check=False,
        )
    assert done.returncode == 0, done.stdout + done.stderr
    assert out.stat().st_size > size
    assert not journal.exists()
    run = open_run(out)
    assert len(run.parts) == 2
    assert run.state is RunState.SEALED
    assert "2 parts" in done.stdout


@pytest.mark.serial
@pytest.mark.slow
def test_a_served_rig_started_anew_while_a_test_is_recorded(tmp_path: Path) -> None:
    out, journal = tmp_path / "run.h5", tmp_path / "run.journal"
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with served(tmp_path, 20.0, more=f"port = {port}\n") as rig:
        process = recorder(tmp_path, rig, out)
        until = time.monotonic() + 60.0
        while time.monotonic() < until and process.poll() is None:
            if journal.exists() and b'"step":"set"' in journal.read_bytes():
                break
            time.sleep(0.05)
    rig.unlink()
    with served(tmp_path, 20.0, more=f"port = {port}\n"):
        _, err = process.communicate(timeout=180)
    assert process.returncode == 0, err
    marks = open_run(out).marks
    assert "clock_set" in {m.data.get("instrument_note") for m in marks}


def test_a_journal_that_can_t_be_gone_on_with_is_left_alone(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sys, "stdin", None)
    closed = Path(__file__).parents[1] / "formats" / "journal-1.journal"
    journal = tmp_path / "run.journal"
    shutil.copy(closed, journal)
    assert main(["record", "--resume", str(journal)]) == 2
    assert "closed" in capsys.readouterr().err
    assert journal.read_bytes() == closed.read_bytes()
    for wrong in (["--job", "x"], ["--station", "A"]):
        assert main(["record", "--resume", str(journal), *wrong]) == 2
        assert "--resume takes" in capsys.readouterr().err
