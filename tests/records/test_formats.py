"""Files of earlier formats are read for ever, and say what they always said."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from records.errors import InputError
from records.journal import JournalWriter, read_journal
from records.run import MarkKind, Run, RunState
from records.runfile import open_run, read_seal, seal
from records.trace import Flag

FOLDER = Path(__file__).parents[1] / "formats"


def check(run: Run) -> None:
    """Compare with what was written then: 24 readings of two channels, two marks."""
    assert run.id == "format-1"
    assert run.header.station == ""
    assert run.header.shift is None
    assert run.header.cautions is None
    assert run.header.rig.check_standard is None
    assert run.header.rig.shift.hours == 12.0
    s = run.samples[(1, "one")]
    assert s.t_ns.tolist() == [50_000_000 * i for i in range(24)]
    expected = np.zeros((24, 2), np.uint8)
    expected[8:10, 0] = Flag.SATURATED
    expected[15, :] = Flag.MISSING
    np.testing.assert_array_equal(s.flags, expected)
    assert np.isnan(s.raw[15]).all()
    assert np.delete(s.raw[:, 0], 15).tolist() == [
        0.5 * i for i in range(24) if i != 15
    ]
    assert [m.kind for m in run.marks] == [MarkKind.STEP_BEGIN, MarkKind.NOTE]
    assert run.marks[1].data == {"text": "ü°·"}
    assert run.truth == {"fault": "none"}
    outlet = run.header.rig.channel("outlet")
    assert outlet is not None
    assert run.trace(outlet, 1).value[3] == 1500.0


def test_a_run_file_of_format_1() -> None:
    run = open_run(FOLDER / "run-1.h5")
    assert run.state is RunState.SEALED
    assert read_seal(FOLDER / "run-1.h5").format == "proofstand.run/1"
    check(run)


def test_a_journal_of_format_1() -> None:
    read = read_journal(FOLDER / "journal-1.journal")
    assert read.format == "proofstand.journal/1"
    assert read.run.state is RunState.CLOSED
    check(read.run)


def test_a_journal_of_format_1_is_sealed_in_the_present_one(tmp_path: Path) -> None:
    out = tmp_path / "run.h5"
    assert seal(FOLDER / "journal-1.journal", out).format == "proofstand.run/2"
    check(open_run(out))


def test_an_interrupted_journal_of_format_1_is_not_gone_on_with(
    tmp_path: Path,
) -> None:
    path = tmp_path / "a.journal"
    shutil.copy(FOLDER / "journal-1.journal", path)
    path.write_bytes(path.read_bytes()[:-40])  # its close record is torn
    assert read_journal(path).run.state is RunState.INTERRUPTED
    before = path.read_bytes()
    with pytest.raises(InputError, match="run_state_wrong"):
        JournalWriter.resume(path)
    assert path.read_bytes() == before


def test_a_newer_format_is_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    path.write_bytes(b"proofstand.journal/3\nwhatever")
    with pytest.raises(InputError, match="format_newer"):
        read_journal(path)
