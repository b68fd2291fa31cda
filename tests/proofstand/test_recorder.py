"""A recorder's odd ends: sealed by the next one; the rig that outlives it."""

from __future__ import annotations

import os
import subprocess
import time
from pathlib import Path

import pytest

from proofstand.recording import finish
from proofstand.serving import UNTOUCHED_S, _Touched
from records.errors import InputError
from records.journal import JournalWriter, is_held
from records.run import Run, RunState, as_blocks
from records.runfile import open_run
from tests.simulated_runs import RunOf

from .rigs import SIM, command


def journal_of(run: Run, path: Path) -> Path:
    """Write a run's closed journal anew."""
    writer = JournalWriter(path, run.header)
    for part in run.parts:
        writer.part(part)
    for block in as_blocks(run, rows=1000):
        writer.block(block)
    for mark in run.marks:
        writer.mark(mark)
    assert is_held(path)
    writer.close("done")
    assert not is_held(path)
    return path


def test_what_was_over_but_not_sealed_is_sealed(tmp_path: Path, run_of: RunOf) -> None:
    run = open_run(run_of())
    out = tmp_path / "run.h5"
    journal = journal_of(run, tmp_path / "run.journal")
    finish(journal, out, key_folder=None)
    assert not journal.exists()
    made = open_run(out)
    assert (made.state, made.id, made.marks) == (RunState.SEALED, run.id, run.marks)
    finish(journal, out, key_folder=None)  # done already: nothing is touched
    assert open_run(out).sha256 == made.sha256


def test_a_sealed_file_only_wants_its_journal_removed(
    tmp_path: Path, run_of: RunOf
) -> None:
    run = open_run(run_of())
    out = tmp_path / "run.h5"
    journal = journal_of(run, tmp_path / "run.journal")
    out.write_bytes(run_of().read_bytes())
    finish(journal, out, key_folder=None)
    assert not journal.exists()
    assert out.read_bytes() == run_of().read_bytes()


def test_another_run_in_its_place_is_left_alone(tmp_path: Path, run_of: RunOf) -> None:
    journal = journal_of(open_run(run_of()), tmp_path / "run.journal")
    other = run_of("seat_nicked").read_bytes()
    out = tmp_path / "run.h5"
    out.write_bytes(other)
    with pytest.raises(InputError) as caught:
        finish(journal, out, key_folder=None)
    assert caught.value.id == "file_exists"
    assert out.read_bytes() == other
    assert journal.exists()


def test_a_file_that_nobody_touches_is_let_go_of_after_a_minute(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now, file = [100.0], tmp_path / "on"
    monkeypatch.setattr("proofstand.serving.time.monotonic", lambda: now[0])
    file.touch()
    touched = _Touched(file)
    assert touched.lately
    now[0] += UNTOUCHED_S - 1.0
    assert touched.lately
    stamp = file.stat().st_mtime_ns + 1
    os.utime(file, ns=(stamp, stamp))  # whatever the wall clock says
    assert touched.lately
    now[0] += UNTOUCHED_S - 1.0
    assert touched.lately
    now[0] += 2.0
    assert not touched.lately
    file.unlink()
    assert not touched.lately


@pytest.mark.serial
def test_a_rig_served_while_a_file_is_there_ends_with_it(tmp_path: Path) -> None:
    sim, file = tmp_path / "sim.toml", tmp_path / "on"
    sim.write_text(SIM.format(seed=1, multiple=20.0, more=""))
    file.touch()
    process = subprocess.Popen(
        command("serve", sim, "--while", file),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert process.stdout is not None
        assert "simulated rig at" in process.stdout.readline()
        time.sleep(1.0)
        assert process.poll() is None
        file.unlink()
        assert process.wait(20) == 0
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()
