"""The journal: whole, cut off at any byte, damaged inside."""

from __future__ import annotations

import multiprocessing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from records.errors import InputError, IntegrityError, RefusedError
from records.journal import JournalWriter, is_journal, read_journal, refuse_if_live
from records.run import RunState
from records.trace import Block

from . import samples


def write(path: Path, blocks: int = 5, close: bool = True) -> None:
    writer = JournalWriter(path, samples.header())
    writer.truth({"seat_leak": 0.01})
    writer.part(samples.part())
    for i in range(blocks):
        writer.block(samples.block(2 * i))
        writer.mark(samples.mark(0.1 * i, n=str(i)))
    if close:
        writer.close("done")
    else:
        writer.drop()


def test_what_was_written_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    write(path)
    read = read_journal(path)
    assert read.run.header == samples.header()
    assert read.run.state is RunState.CLOSED
    assert read.closed == "done"
    assert read.torn_bytes == 0
    assert read.run.truth == {"seat_leak": 0.01}
    assert [m.data["n"] for m in read.run.marks] == list("01234")
    found = read.run.samples[1, "one"]
    np.testing.assert_array_equal(found.raw[:, 0], np.arange(10) * 0.5)
    channel = read.run.header.rig.channels[0]
    trace = read.run.trace(channel, 1)
    np.testing.assert_allclose(trace.value, np.arange(10) * 500.0)
    np.testing.assert_allclose(trace.t_s, np.arange(10) * 0.05)


def test_cut_at_every_byte_it_opens_and_loses_only_the_torn_record(
    tmp_path: Path,
) -> None:
    whole = tmp_path / "a.journal"
    write(whole, close=False)
    data = whole.read_bytes()
    head = len(data) - 1000  # the last records and more, byte by byte
    cut = tmp_path / "cut.journal"
    rows_before = 0
    for length in range(max(head, 1), len(data) + 1):
        cut.write_bytes(data[:length])
        try:
            read = read_journal(cut)
        except IntegrityError:
            assert rows_before == 0  # only while not even the header is whole
            continue
        assert read.run.state is RunState.INTERRUPTED
        assert read.damaged_records == 0
        rows = sum(s.t_ns.size for s in read.run.samples.values())
        assert rows >= rows_before  # one more byte never loses a record
        rows_before = rows
    assert rows_before == 10


def test_a_changed_byte_inside_is_damage_and_the_rest_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    write(path)
    data = bytearray(path.read_bytes())
    middle = data.find(b'"n":"1"')
    data[middle + 5] ^= 1
    path.write_bytes(data)
    read = read_journal(path)
    assert read.run.state is RunState.DAMAGED
    assert read.damaged_records == 1
    assert [m.data["n"] for m in read.run.marks] == ["0", "2", "3", "4"]


def test_a_journal_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    write(path)
    before = path.read_bytes()
    with pytest.raises(InputError, match="file_exists"):
        JournalWriter(path, samples.header())
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("content", "error", "id"),
    [
        (b"", InputError, "file_empty"),
        (b"hello world, this is nothing of ours", InputError, "file_not_ours"),
        (b"proofstand.journal/9\nxxxx", InputError, "format_newer"),
        (b"proofstand.journal/1\n", IntegrityError, "journal_damaged"),
        (b"proofstand.jour", IntegrityError, "journal_damaged"),
    ],
)
def test_files_that_are_no_journal(
    tmp_path: Path, content: bytes, error: type[Exception], id: str
) -> None:
    path = tmp_path / "x.journal"
    path.write_bytes(content)
    with pytest.raises(error, match=id):
        read_journal(path)


def test_a_missing_journal_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="file_missing"):
        read_journal(tmp_path / "none.journal")
    assert not is_journal(tmp_path / "none.journal")


def _hold_open(path: Path, ready: object, done: object) -> None:
    writer = JournalWriter(path, samples.header())
    writer.part(samples.part())
    writer.block(samples.block(0))
    ready.set()  # type: ignore[attr-defined]
    done.wait(20)  # type: ignore[attr-defined]
    writer.close("done")


@pytest.mark.serial
def test_a_live_journal_can_be_read_but_not_recovered(tmp_path: Path) -> None:
    path = tmp_path / "live.journal"
    context = multiprocessing.get_context("spawn")
    ready, done = context.Event(), context.Event()
    process = context.Process(target=_hold_open, args=(path, ready, done))
    process.start()
    try:
        assert ready.wait(20)
        assert read_journal(path).run.state is RunState.RECORDING
        with pytest.raises(RefusedError, match="run_being_recorded"):
            refuse_if_live(path)
    finally:
        done.set()
        process.join(20)
    assert read_journal(path).run.state is RunState.CLOSED
    refuse_if_live(path)


def test_a_journal_without_the_origin_of_its_clock_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, samples.header())
    writer.part(replace(samples.part(), origins={}))
    writer.block(samples.block(4))
    writer.drop()
    run = read_journal(path).run
    assert run.trace(run.header.rig.channels[0], 1).t_s[0] == 0.0


def test_after_damage_inside_every_later_record_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    write(path, blocks=30)
    data = bytearray(path.read_bytes())
    middle = data.find(b'"n":"10"')
    data[middle : middle + 200] = bytes(200)  # a zeroed sector hits heads and lengths
    path.write_bytes(data)
    read = read_journal(path)
    assert read.run.state is RunState.DAMAGED
    assert read.damaged_records >= 1
    found = [m.data["n"] for m in read.run.marks]
    assert found[:10] == [str(i) for i in range(10)]
    assert found[-10:] == [str(i) for i in range(20, 30)]


def test_flags_are_kept_as_runs_and_come_back_as_they_were(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    picks = np.random.default_rng(3)
    writer = JournalWriter(path, samples.header())
    writer.part(samples.part())
    wanted = []
    for i in range(40):
        plain = samples.block(5 * i, 5)
        flags = picks.choice([0, 0, 0, 1, 4, 5], (5, 2)).astype(np.uint8)
        wanted.append(flags)
        writer.block(Block(1, "one", plain.t_ns, plain.raw, flags))
    writer.close("done")
    found = read_journal(path).run.samples[(1, "one")].flags
    np.testing.assert_array_equal(found, np.concatenate(wanted))


def test_good_flags_take_no_room(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, samples.header())
    before = path.stat().st_size
    for i in range(50):
        writer.block(samples.block(100 * i, 100))
    writer.drop()
    plain = 50 * 100 * 8 * 3  # a time and two values
    assert path.stat().st_size - before <= 1.02 * plain


@pytest.mark.parametrize("torn", [0, 1, 9, 60])
def test_a_further_part_goes_on_behind_a_torn_end(tmp_path: Path, torn: int) -> None:
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, samples.header())
    writer.part(samples.part())
    writer.block(samples.block(0))
    writer.mark(samples.mark(0.1, n="0"))
    whole = path.stat().st_size
    writer.block(samples.block(2))
    writer.drop()
    data = path.read_bytes()[: whole + torn]
    path.write_bytes(data)
    again, before = JournalWriter.resume(path)
    assert before.torn_bytes == torn
    assert [m.data["n"] for m in before.run.marks] == ["0"]
    assert path.read_bytes().startswith(data), "what is recorded is never altered"
    again.part(replace(samples.part(), number=2))
    again.block(replace(samples.block(9), part=2))
    again.close("done")
    read = read_journal(path)
    assert read.run.state is RunState.CLOSED
    assert read.damaged_records == 0
    assert [p.number for p in read.run.parts] == [1, 2]
    assert read.run.samples[(2, "one")].t_ns.size == 2


def test_a_journal_that_is_closed_or_still_written_is_not_gone_on_with(
    tmp_path: Path,
) -> None:
    path = tmp_path / "a.journal"
    writer = JournalWriter(path, samples.header())
    writer.block(samples.block(0))
    with pytest.raises(RefusedError, match="run_being_recorded"):
        JournalWriter.resume(path)
    writer.close("done")
    with pytest.raises(InputError, match="run_state_wrong"):
        JournalWriter.resume(path)


def test_damage_before_a_further_part_stays_damage(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    write(path, blocks=30)
    data = bytearray(path.read_bytes())
    middle = data.find(b'"n":"10"')
    data[middle : middle + 4] = bytes(4)
    path.write_bytes(data[:-30])
    with pytest.raises(IntegrityError, match="journal_damaged"):
        JournalWriter.resume(path)
