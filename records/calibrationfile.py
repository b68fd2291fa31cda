"""Calibration records and reference instruments: their files.

A calibration record is written once. Its second line holds the SHA-256 of everything
that follows, so that a change is found whenever a rig file leans on it:

    tail -n +3 C-0117.toml | sha256sum
"""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import os
from enum import StrEnum
from pathlib import Path
from typing import Any

from .calibration import (
    RECORD_FORMAT,
    REFERENCE_FORMAT,
    CalibrationRecord,
    CalibrationTerm,
    ReferenceInstrument,
    TermKind,
)
from .errors import InputError, IntegrityError
from .measure import Kind, Quantity
from .tomlfile import load_toml, read_text

_HASH = 'sha256 = "'


def load_reference(path: Path) -> ReferenceInstrument:
    """Return a reference instrument as its file declares it.

    Raises:
        InputError: with file and line.
    """
    text = read_text(path, "reference instrument")
    found = load_toml(text, ReferenceInstrument, str(path), REFERENCE_FORMAT)
    low, high = found.range
    if not low.value_si < high.value_si or low.reference is not high.reference:
        raise InputError(
            "rig_span_wrong", where=str(path), low=low.typed, high=high.typed
        )
    if found.due < found.date:
        raise InputError(
            "value_wrong",
            where=str(path),
            key="due",
            given=found.due,
            right=f"not before {found.date}",
        )
    if not found.terms:
        raise InputError("key_missing", where=str(path), key="terms")
    for term in found.terms:
        check_term(term, low.kind, str(path))
    return found


def check_term(term: CalibrationTerm, kind: Kind, where: str) -> None:
    """Refuse a term of uncertainty that does not fit what is calibrated.

    Raises:
        InputError: ``value_wrong``.
    """
    ratio = term.kind is TermKind.GAIN
    allowed: tuple[Kind, ...] = (Kind.RATIO,) if ratio else (kind,)
    if kind is Kind.TEMPERATURE and not ratio:
        allowed = (kind, Kind.TEMPERATURE_STEP)
    if term.u.kind not in allowed or not term.u.value_si >= 0.0:
        raise InputError(
            "value_wrong",
            where=where,
            key=f"terms.{term.name}.u",
            given=term.u.typed,
            right='a share such as "0.05 %"'
            if ratio
            else "an uncertainty in a unit of the channel, as a difference",
        )


def load_record(path: Path) -> CalibrationRecord:
    """Return a calibration record after checking that nothing in it was changed.

    Raises:
        InputError: no record of ours, with file and line.
        IntegrityError: ``calibration_changed``.
    """
    text = read_text(path, "calibration record")
    record = load_toml(text, CalibrationRecord, str(path), RECORD_FORMAT)
    head, _, rest = text.partition("\n")
    said, _, body = rest.partition("\n")
    if said != f'{_HASH}{_sha256(body)}"' or not head.startswith("format"):
        raise IntegrityError("calibration_changed", where=str(path))
    return record


def write_record(path: Path, record: CalibrationRecord) -> CalibrationRecord:
    """Write a record to a file that must not exist; return it as read back.

    Raises:
        InputError: ``file_exists``, ``file_unwritable``.
    """
    text = record_text(record)
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            try:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            except OSError:
                path.unlink(missing_ok=True)
                raise
    except FileExistsError:
        raise InputError(
            "file_exists", where=str(path), what="calibration record"
        ) from None
    except OSError as error:
        raise InputError(
            "file_unwritable", where=str(path), why=error.strerror or error
        ) from None
    return load_record(path)


def record_text(record: CalibrationRecord) -> str:
    """Return the file of a record, its hash filled in."""
    lines: list[str] = []
    tables: list[tuple[str, Any]] = []
    for field in dataclasses.fields(record):
        value = getattr(record, field.name)
        if field.name in ("format", "sha256") or value is None:
            continue
        if dataclasses.is_dataclass(value) and not isinstance(value, Quantity):
            tables.append((f"[{field.name}]", value))
        elif field.name in ("terms", "points"):
            tables += [(f"[[{field.name}]]", each) for each in value]
        else:
            lines.append(f"{field.name} = {_toml(value)}")
    for name, noun in tables:
        lines += ["", name, *_table(noun)]
    body = "\n".join(lines) + "\n"
    return f'format = "{record.format}"\n{_HASH}{_sha256(body)}"\n{body}'


def _table(noun: Any) -> list[str]:
    found = []
    for field in dataclasses.fields(noun):
        value = getattr(noun, field.name)
        if value is not None:
            found.append(f"{field.name} = {_toml(value)}")
    return found


def _toml(value: Any) -> str:
    if isinstance(value, Quantity):
        return _toml(value.typed)
    if isinstance(value, (str, StrEnum)):
        escaped = "".join(_escaped(each) for each in str(value))
        return f'"{escaped}"'
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, (tuple, list)):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    if dataclasses.is_dataclass(value):
        return "{ " + ", ".join(_table(value)) + " }"
    return repr(value)


def _escaped(letter: str) -> str:
    if letter in '"\\':
        return "\\" + letter
    return letter if letter.isprintable() else f"\\u{ord(letter):04x}"


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
