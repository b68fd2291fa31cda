"""The archive on a disk that is full, and on one that can only be read."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

import pytest

from records.archive.chain import Archive
from records.archive.index import Index
from records.errors import InputError

from .chains import KEY, add, begun, note, texts

pytestmark = pytest.mark.serial


def mounted(
    folder: Path, lacks: Callable[[str], NoReturn], *options: str
) -> Iterator[Path]:
    folder.mkdir(exist_ok=True)
    done = subprocess.run(
        ["mount", *options, str(folder)], capture_output=True, text=True, check=False
    )
    if done.returncode:
        lacks(f"a disk can't be mounted: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.fixture
def small(tmp_path: Path, lacks: Callable[[str], NoReturn]) -> Iterator[Path]:
    """Give a folder of 128 KiB."""
    where = tmp_path / "small"
    yield from mounted(where, lacks, "-t", "tmpfs", "-o", "size=128k", "tmpfs")


def refused(archive: Archive, *texts: str) -> InputError | None:
    """Add, and return what was told where it did not go."""
    try:
        add(archive, *texts)
    except InputError as error:
        return error
    return None


def test_a_full_disk_keeps_all_that_was_acknowledged(small: Path) -> None:
    archive = begun(small / "archive")
    filler = small / "filler"
    filler.write_bytes(b"\0" * 40_000)
    kept = 0
    while (error := refused(archive, f"{kept} " + "x" * 3000)) is None:
        kept += 1
    assert error.id == "archive_unwritable"
    assert error.facts["why"] == os.strerror(28)
    assert kept > 5
    found = [text.split()[0] for text in texts(archive)]
    assert found[:kept] == [str(n) for n in range(kept)]
    filler.unlink()  # room is made, and it goes on where it was
    add(archive, "after")
    assert archive.is_settled()
    again = [text.split()[0] for text in texts(archive)]
    assert again == [*found, *again[len(found) :]]
    assert again[-1] == "after"


@pytest.mark.parametrize("room", range(0, 13 * 4096, 4096))
def test_wherever_the_room_ends_nothing_is_half_kept(room: int, small: Path) -> None:
    archive = begun(small / "archive")
    add(archive, "one")
    filler = small / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"\0" * 4096)
        except OSError:
            pass
    os.truncate(filler, max(0, filler.stat().st_size - room))
    error = refused(archive, "two " * 200, "three " * 200)
    filler.unlink()
    archive.settle()
    kept = len(texts(archive))
    if error is None:
        assert kept == 3
    else:
        assert error.id == "archive_unwritable"
        assert kept in (1, 3)
    add(archive, "four")
    assert texts(archive)[0] == "one"
    assert texts(archive)[-1] == "four"


def test_an_index_on_a_full_disk_is_told_and_comes_right(
    small: Path, tmp_path: Path
) -> None:
    archive = begun(tmp_path / "archive")
    for n in range(40):
        add(archive, "x" * n, run=f"run-{n}")
    filler = small / "filler"
    filler.write_bytes(b"\0" * 100_000)
    url = f"sqlite:///{small / 'index.sqlite'}"
    with Index(url, archive) as index, pytest.raises(InputError, match="index_failed"):
        index.catch_up()
    filler.unlink()
    with pytest.raises(InputError, match="index_failed"):
        Index(f"sqlite:///{small}", archive).catch_up()


def test_an_archive_that_can_only_be_read_is_read(
    tmp_path: Path, lacks: Callable[[str], NoReturn]
) -> None:
    archive = begun(tmp_path / "archive")
    add(archive, "one")
    add(archive, "two")
    whole = archive.chain_path.read_bytes()
    archive.chain_path.write_bytes(whole[:-9])  # a writer died here
    bound = tmp_path / "bound"
    for folder in mounted(bound, lacks, "--bind", str(archive.folder)):
        subprocess.run(["mount", "-o", "remount,ro,bind", str(folder)], check=True)
        there = Archive(folder)
        with pytest.raises(InputError, match="archive_unwritable") as caught:
            add(there, "three")
        assert caught.value.facts["why"] == os.strerror(30)
        with pytest.raises(InputError, match="archive_unwritable"):
            there.settle()
        assert texts(there) == ["one"]
        with Index(f"sqlite:///{tmp_path / 'index.sqlite'}", there) as index:
            assert index.catch_up() == 2
    archive.settle()
    assert archive.chain_path.read_bytes() == whole
    archive.drop(archive.stage(b"x"))
    archive.add([note(archive, "three")], key=KEY, who="tests")
    assert texts(archive)[-1] == "three"
