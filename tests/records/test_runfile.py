"""The sealed run file: every byte counts, and a stranger can check it."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import numpy as np
import pytest

from records.errors import InputError, IntegrityError
from records.journal import JournalWriter
from records.run import RunState
from records.runfile import (
    BLOCK_BYTES,
    Signature,
    Signer,
    open_run,
    read_seal,
    read_sealed,
    seal,
)
from records.trace import Block

from . import samples


def journal(path: Path) -> Path:
    writer = JournalWriter(path, samples.header())
    writer.part(samples.part())
    for i in range(20):
        writer.block(samples.block(2 * i))
    writer.mark(samples.mark(1.0, text="ü°·"))
    writer.close("done")
    return path


@pytest.fixture
def sealed(tmp_path: Path) -> Path:
    out = tmp_path / "run.h5"
    seal(journal(tmp_path / "run.journal"), out)
    return out


def test_journal_and_run_file_hold_the_same(tmp_path: Path, sealed: Path) -> None:
    a = open_run(tmp_path / "run.journal")
    b = open_run(sealed)
    assert a.header == b.header
    assert a.marks == b.marks
    assert a.parts == b.parts
    for key, s in a.samples.items():
        np.testing.assert_array_equal(s.t_ns, b.samples[key].t_ns)
        np.testing.assert_array_equal(s.raw, b.samples[key].raw)
        np.testing.assert_array_equal(s.flags, b.samples[key].flags)
    assert b.state is RunState.SEALED
    assert b.key_id == ""


def test_a_stranger_can_check_the_hash_with_a_few_lines(sealed: Path) -> None:
    # As docs/run-file.md tells it, with hashlib alone.
    data = sealed.read_bytes()
    said = json.loads(data[:BLOCK_BYTES].rstrip(b"\0"))
    assert hashlib.sha256(data[BLOCK_BYTES:]).hexdigest() == said["sha256"]
    assert said["length"] == len(data) - BLOCK_BYTES
    assert read_sealed(sealed).sha256 == said["sha256"]


def test_the_same_journal_gives_the_same_bytes(tmp_path: Path, sealed: Path) -> None:
    again = tmp_path / "again.h5"
    seal(tmp_path / "run.journal", again)
    assert again.read_bytes() == sealed.read_bytes()


def test_any_changed_byte_is_found(tmp_path: Path, sealed: Path) -> None:
    data = sealed.read_bytes()
    picks = random.Random(20260101)
    places = {0, 1, 30, 200, BLOCK_BYTES - 1, BLOCK_BYTES, len(data) - 1}
    places |= {picks.randrange(len(data)) for _ in range(60)}
    places |= {picks.randrange(BLOCK_BYTES) for _ in range(60)}
    changed = tmp_path / "changed.h5"
    for place in sorted(places):
        bad = bytearray(data)
        bad[place] ^= 1 << picks.randrange(8)
        changed.write_bytes(bad)
        with pytest.raises(IntegrityError):
            read_seal(changed)
        with pytest.raises(IntegrityError):
            open_run(changed)


@pytest.mark.parametrize("kept", [1, 100, BLOCK_BYTES, BLOCK_BYTES + 100, -1])
def test_missing_bytes_are_found(tmp_path: Path, sealed: Path, kept: int) -> None:
    short = tmp_path / "short.h5"
    short.write_bytes(sealed.read_bytes()[:kept])
    with pytest.raises((IntegrityError, InputError)) as caught:
        read_seal(short)
    if kept != 1:  # of one byte nobody can tell whose it was
        assert isinstance(caught.value, IntegrityError)


def test_added_bytes_are_found(tmp_path: Path, sealed: Path) -> None:
    longer = tmp_path / "longer.h5"
    longer.write_bytes(sealed.read_bytes() + b"\0")
    with pytest.raises(IntegrityError):
        read_seal(longer)


@pytest.mark.parametrize("content", [b"", b"%PDF-1.7 nothing of ours" * 400])
def test_foreign_files_are_no_damage(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.h5"
    path.write_bytes(content)
    with pytest.raises(InputError):
        open_run(path)


def test_a_run_file_is_written_once(tmp_path: Path, sealed: Path) -> None:
    before = sealed.read_bytes()
    with pytest.raises(InputError, match="file_exists"):
        seal(tmp_path / "run.journal", sealed)
    assert sealed.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir() if ".part" in p.name] == []


def test_an_open_journal_is_not_sealed(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "open.journal", samples.header())
    writer.part(samples.part())
    writer.block(samples.block(0))
    writer.drop()
    with pytest.raises(InputError, match="run_state_wrong"):
        seal(tmp_path / "open.journal", tmp_path / "open.h5")


def test_the_signature_stands_in_the_block_and_covers_the_hash(tmp_path: Path) -> None:
    asked: list[bytes] = []

    def sign(data: bytes) -> Signature:
        asked.append(data)
        return Signature("k1", "00ff")

    out = tmp_path / "s.h5"
    made = seal(journal(tmp_path / "s.journal"), out, Signer("k1", sign))
    assert made.signature == Signature("k1", "00ff")
    assert made.signed_bytes == asked[0]
    assert made.sha256.encode() in asked[0]
    assert read_sealed(out).key_id == "k1"


def test_other_programs_read_it(
    tmp_path: Path, sealed: Path, lacks: Callable[[str], NoReturn]
) -> None:
    # h5dump of HDF5 1.10, the oldest tools that a run file is made for
    tool = shutil.which("h5dump")
    if tool is None:
        lacks("h5dump (package hdf5-tools)")
    said = subprocess.run(
        [tool, "-V"], capture_output=True, text=True, check=True
    ).stdout
    assert "1." in said
    for what, wanted in (
        (["-H"], ["flag_runs", "raw", "t_ns", "H5T_IEEE_F64LE", "H5T_STD_I64LE"]),
        (["-d", "/samples/one/part-1/raw", "-s", "2,0", "-c", "1,2"], ["1, 69"]),
        (["-d", "/samples/one/part-1/t_ns", "-s", "1", "-c", "1"], ["50000000"]),
        (["-d", "/header"], ["proofstand.rig/1"]),
    ):
        shown = subprocess.run(
            [tool, *what, str(sealed)], capture_output=True, text=True, check=False
        )
        assert shown.returncode == 0, shown.stderr
        for each in wanted:
            assert each in shown.stdout, (said, what)


def test_flags_are_stored_as_runs(tmp_path: Path) -> None:
    import h5py

    writer = JournalWriter(tmp_path / "f.journal", samples.header())
    writer.part(samples.part())
    for i in range(10):
        plain = samples.block(10 * i, 10)
        flags = np.zeros((10, 2), np.uint8)
        flags[:, 1] = 4 if 3 <= i < 6 else 0
        writer.block(Block(1, "one", plain.t_ns, plain.raw, flags))
    writer.close("done")
    seal(tmp_path / "f.journal", tmp_path / "f.h5")
    with h5py.File(tmp_path / "f.h5") as file:
        group = file["samples/one/part-1"]
        assert set(group) == {"t_ns", "raw", "flag_runs"}
        assert group["flag_runs"][:].tolist() == [[1, 30, 60, 4]]
    found = open_run(tmp_path / "f.h5").samples[(1, "one")].flags
    assert found[:, 1].tolist() == [0] * 30 + [4] * 30 + [0] * 40
    assert not found[:, 0].any()
