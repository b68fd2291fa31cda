"""A disk that is full: told clearly, and what was written stays readable."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

import pytest

from records.errors import InputError
from records.journal import JournalWriter, read_journal
from records.run import RunState
from records.runfile import open_run, seal, write_once

from . import samples

pytestmark = pytest.mark.serial


@pytest.fixture
def small(tmp_path: Path, lacks: Callable[[str], NoReturn]) -> Iterator[Path]:
    """Give a folder of 256 KiB."""
    folder = tmp_path / "small"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        lacks(f"a small disk can't be mounted: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(path: Path) -> tuple[int, InputError]:
    """Record until the disk is full; return how many blocks were taken."""
    writer = JournalWriter(path, samples.header())
    writer.part(samples.part())
    taken = 0
    while True:
        try:
            writer.block(samples.block(100 * taken, 100))
        except InputError as error:
            writer.drop()
            return taken, error
        taken += 1


def test_a_full_disk_stops_the_recording_and_keeps_what_is_whole(small: Path) -> None:
    path = small / "run.journal"
    taken, error = fill(path)
    assert error.id == "journal_unwritable"
    assert error.facts["why"] == os.strerror(28)  # no space left on device
    read = read_journal(path)
    assert read.run.state is RunState.INTERRUPTED
    assert read.damaged_records == 0
    assert read.run.samples[(1, "one")].t_ns.size == 100 * taken > 1000


def test_with_room_again_the_run_is_gone_on_with(small: Path) -> None:
    path = small / "run.journal"
    taken, _ = fill(path)
    with pytest.raises(InputError, match="journal_unwritable"):
        JournalWriter.resume(path)[0].block(samples.block(0, 100))
    assert read_journal(path).run.samples[(1, "one")].t_ns.size == 100 * taken
    subprocess.run(["mount", "-o", "remount,size=1m", str(small)], check=True)
    again, before = JournalWriter.resume(path)
    assert before.torn_bytes > 0
    again.block(samples.block(0, 100))
    again.close("done")
    read = read_journal(path)
    assert read.run.state is RunState.CLOSED
    assert read.run.samples[(1, "one")].t_ns.size == 100 * (taken + 1)


def test_without_room_nothing_is_sealed_and_nothing_is_left_over(
    small: Path, tmp_path: Path
) -> None:
    path = tmp_path / "run.journal"
    writer = JournalWriter(path, samples.header())
    writer.part(samples.part())
    for i in range(200):
        writer.block(samples.block(100 * i, 100))
    writer.close("done")
    with pytest.raises(InputError, match="file_unwritable") as caught:
        seal(path, small / "run.h5")
    assert caught.value.facts["why"] == os.strerror(28)  # no library's own words
    assert list(small.iterdir()) == []
    seal(path, tmp_path / "run.h5")
    assert open_run(tmp_path / "run.h5").state is RunState.SEALED
    with pytest.raises(InputError, match="file_unwritable"):
        write_once(small / "big", bytes(1_000_000))
    assert list(small.iterdir()) == []


def test_a_disk_that_is_full_from_the_start(small: Path) -> None:
    with pytest.raises(OSError):  # noqa: PT011
        (small / "ballast").write_bytes(bytes(1_000_000))
    with pytest.raises(InputError, match="file_unwritable"):
        JournalWriter(small / "run.journal", samples.header())
    assert not (small / "run.journal").exists()
