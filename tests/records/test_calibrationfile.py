"""Calibration records: written once, and a change is found."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import random
from pathlib import Path

import pytest

from records.calibration import (
    RECORD_FORMAT,
    REFERENCE_FORMAT,
    CalibrationPoint,
    CalibrationRecord,
    CalibrationTerm,
    Errors,
    Figures,
    ReferenceInstrument,
    TermKind,
)
from records.calibrationfile import load_record, load_reference, write_record
from records.errors import InputError, IntegrityError
from records.measure import parse_quantity

REFERENCE = """format = "proofstand.reference/1"
id = "R-3"
name = "dead-weight tester"
serial = "invented 0815"
certificate = "5521 of 2026"
date = 2026-02-01
due = 2027-02-01
range = ["0 kPa gauge", "200 kPa gauge"]

[[terms]]
name = "mass and area"
kind = "gain"
u = "0.01 %"

[[terms]]
name = "resolution"
kind = "offset"
u = "1 Pa difference"
dof = 20.0
"""


def reference() -> ReferenceInstrument:
    return ReferenceInstrument(
        format=REFERENCE_FORMAT,
        id="R-3",
        serial="invented 0815",
        certificate="5521",
        date=datetime.date(2026, 2, 1),
        due=datetime.date(2027, 2, 1),
        range=(parse_quantity("0 kPa gauge"), parse_quantity("200 kPa gauge")),
        terms=(
            CalibrationTerm(name="all", kind=TermKind.GAIN, u=parse_quantity("0.01 %")),
        ),
    )


def record() -> CalibrationRecord:
    return CalibrationRecord(
        format=RECORD_FORMAT,
        id="C-0117",
        rig="bench-2",
        channel="outlet",
        date=datetime.date(2026, 11, 20),
        due=datetime.date(2027, 11, 20),
        by='P. "Quill" \\ ü',
        note="line\nand tab\t",
        order=1,
        method="line",
        range=(parse_quantity("0 kPa gauge"), parse_quantity("10 kPa gauge")),
        coefficients=(0.1 + 0.2, 1.0000000000000002),
        terms=(
            CalibrationTerm(
                name="fit", kind=TermKind.OFFSET, u=parse_quantity("0.5 Pa difference")
            ),
        ),
        figures=Figures(
            non_linearity=1e-5, terminal_non_linearity=2e-5, hysteresis=3e-5
        ),
        as_found=Errors(largest=-3.0, at=5e3, allowed=4.0),
        as_left=Errors(largest=0.5, at=0.0, allowed=1.0),
        reference=reference(),
        points=(
            CalibrationPoint(
                when="as left", run=1, direction="up", applied=0.0, reading=0.3
            ),
        ),
    )


def test_a_record_comes_back_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "C-0117.toml"
    back = write_record(path, record())
    assert dataclasses.replace(back, sha256="") == record()
    assert back.calibration.record == back.sha256
    assert back.calibration.coefficients == record().coefficients
    assert back.as_found is not None
    assert back.as_found.within


def test_as_found_not_taken_stays_not_taken(tmp_path: Path) -> None:
    made = dataclasses.replace(record(), as_found=None)
    back = write_record(tmp_path / "C-0117.toml", made)
    assert back.as_found is None
    assert "as_found" not in (tmp_path / "C-0117.toml").read_text("utf-8")


def test_a_stranger_can_check_it_with_a_few_lines(tmp_path: Path) -> None:
    path = tmp_path / "C-0117.toml"
    back = write_record(path, record())
    body = path.read_bytes().split(b"\n", 2)[2]
    assert hashlib.sha256(body).hexdigest() == back.sha256


def test_it_is_written_once(tmp_path: Path) -> None:
    path = tmp_path / "C-0117.toml"
    write_record(path, record())
    before = path.read_bytes()
    with pytest.raises(InputError, match="file_exists"):
        write_record(path, record())
    assert path.read_bytes() == before
    with pytest.raises(InputError, match="file_unwritable"):
        write_record(tmp_path / "nowhere" / "C.toml", record())


def test_any_change_is_found(tmp_path: Path) -> None:
    path = tmp_path / "C-0117.toml"
    write_record(path, record())
    data = path.read_bytes()
    picks = random.Random(5)
    for _ in range(120):
        place = picks.randrange(len(data))
        bad = bytearray(data)
        bad[place] ^= 1 << picks.randrange(7)
        path.write_bytes(bad)
        with pytest.raises((IntegrityError, InputError)):
            load_record(path)
    path.write_bytes(data.replace(b"coefficients = [0.3", b"coefficients = [0.2"))
    with pytest.raises(IntegrityError, match="calibration_changed"):
        load_record(path)
    path.write_bytes(data + b"# a remark\n")
    with pytest.raises(IntegrityError, match="calibration_changed"):
        load_record(path)


def test_a_reference_says_how_good_it_is(tmp_path: Path) -> None:
    path = tmp_path / "R-3.toml"
    path.write_text(REFERENCE)
    found = load_reference(path)
    assert found.u_at(100e3) == pytest.approx((10.0**2 + 1.0) ** 0.5)
    assert "R-3" in found.told
    assert "invented 0815" in found.told


@pytest.mark.parametrize(
    ("good", "bad", "id"),
    [
        ('serial = "invented 0815"\n', "", "key_missing"),
        ("due = 2027-02-01", "due = 2025-02-01", "value_wrong"),
        ('["0 kPa gauge"', '["300 kPa gauge"', "rig_span_wrong"),
        ('u = "0.01 %"', 'u = "1 Pa difference"', "value_wrong"),
        ('u = "1 Pa difference"', 'u = "1 cm3"', "value_wrong"),
        ("proofstand.reference/1", "proofstand.reference/2", "format_newer"),
        (REFERENCE[REFERENCE.index("[[terms]]") :], "terms = []\n", "key_missing"),
    ],
)
def test_a_reference_that_can_t_be_used(
    tmp_path: Path, good: str, bad: str, id: str
) -> None:
    assert good in REFERENCE
    path = tmp_path / "R-3.toml"
    path.write_text(REFERENCE.replace(good, bad))
    with pytest.raises(InputError, match=id):
        load_reference(path)
