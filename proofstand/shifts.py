"""Shift checks, declared changes and cautions read, as the shop keeps them.

One file each, written once and never replaced. A check has a folder of its own, with
the sealed runs that it leans on beside its record.
"""

from __future__ import annotations

import re
import secrets
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from records.errors import InputError
from records.shift import (
    CAUTIONS_FORMAT,
    CHANGE_FORMAT,
    CautionsRead,
    RigChange,
    ShiftRecord,
)
from records.shiftfile import read_record, write_record

from . import places

RECORD = "shift.toml"
_LOOKED_BACK_NS = 48 * 3_600_000_000_000
_CHECKS, _CHANGES, _CAUTIONS = "checks", "changes", "cautions"


def stamp(utc_ns: int) -> str:
    """Return a moment as it stands in the names of files, UTC."""
    return time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(utc_ns / 1e9))


def new_check(rig: str, station: str, utc_ns: int) -> Path:
    """Make the folder of a check that begins now, and return it.

    Raises:
        InputError: ``file_unwritable``.
    """
    name = _safe(f"{stamp(utc_ns)}-{rig}-{station}-{secrets.token_hex(3)}")
    return _made(places.shifts_dir() / _CHECKS / name)


def keep_check(folder: Path, record: ShiftRecord) -> ShiftRecord:
    """Write a check's record into its folder; return it as read back.

    Raises:
        InputError: ``file_exists``, ``file_unwritable``.
    """
    return write_record(folder / RECORD, record)


def checks(rig: str, station: str) -> tuple[ShiftRecord, ...]:
    """Return all checks of a rig's station, in their order, failed ones too.

    Raises:
        IntegrityError: ``shift_record_changed``.
    """
    return tuple(reversed(list(_checks(rig, station))))


def latest_check(rig: str, station: str) -> ShiftRecord | None:
    """Return the latest check of a rig's station; see :func:`checks`."""
    return next(_checks(rig, station), None)


def _checks(rig: str, station: str) -> Iterator[ShiftRecord]:
    """Give the checks of a rig's station, the latest first."""
    named = f"*-{_safe(f'{rig}-{station}')}-*/{RECORD}"
    folder = places.shifts_dir() / _CHECKS
    for path in sorted(folder.glob(named), reverse=True):
        record = read_record(path, ShiftRecord)
        if (record.rig, record.station) == (rig, station):
            yield record


def declare_change(rig: str, what: str, by: str, utc_ns: int, when: str) -> Path:
    """Keep that something on a rig was changed; return the file.

    Raises:
        InputError: ``value_wrong``: nobody or nothing named; the folder is read-only.
    """
    for key, given, right in (
        ("--changed", what, "what was changed, as 'hose to the outlet'"),
        ("--by", by, "a name"),
    ):
        if not given.strip():
            raise InputError("value_wrong", key=key, given="nothing", right=right)
    record = RigChange(
        format=CHANGE_FORMAT,
        rig=rig,
        what=what.strip(),
        by=by.strip(),
        utc_ns=utc_ns,
        when=when,
    )
    path = _new_file(_CHANGES, rig, utc_ns)
    write_record(path, record)
    return path


def latest_change(rig: str) -> RigChange | None:
    """Return the latest change that was declared of a rig, any station.

    Raises:
        IntegrityError: ``shift_record_changed``.
    """
    folder = places.shifts_dir() / _CHANGES
    for path in sorted(folder.glob(f"*-{_safe(rig)}-*.toml"), reverse=True):
        change = read_record(path, RigChange)
        if change.rig == rig:
            return change
    return None


def keep_cautions_read(read: CautionsRead) -> CautionsRead:
    """Keep that a person read the cautions; return the record as read back.

    Raises:
        InputError: ``file_unwritable``.
    """
    read = replace(read, format=CAUTIONS_FORMAT)
    return write_record(_new_file(_CAUTIONS, read.rig, read.utc_ns), read)


def latest_cautions_read(by: str, now_ns: int) -> CautionsRead | None:
    """Return a person's latest reading of cautions, on whatever rig.

    What was read longer ago than any shift lasts is not looked at.

    Raises:
        IntegrityError: ``shift_record_changed``.
    """
    folder = places.shifts_dir() / _CAUTIONS
    oldest = stamp(now_ns - _LOOKED_BACK_NS)
    for path in sorted(folder.glob("*.toml"), reverse=True):
        if path.name < oldest:
            break
        read = read_record(path, CautionsRead)
        if read.by == by:
            return read
    return None


def _new_file(folder: str, rig: str, utc_ns: int) -> Path:
    # to the nanosecond: the names sort as the records do
    name = _safe(f"{stamp(utc_ns)}-{utc_ns % 10**9:09d}-{rig}-{secrets.token_hex(3)}")
    return _made(places.shifts_dir() / folder) / f"{name}.toml"


def _safe(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9_.-]+", "-", name).strip("-")


def _made(folder: Path) -> Path:
    try:
        return places.made(folder)
    except OSError as error:
        why = error.strerror or error
        raise InputError("file_unwritable", where=str(folder), why=why) from None
