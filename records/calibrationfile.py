"""Calibration records and reference instruments: their files.

A calibration record is written once (``sealedtoml``): a change is found whenever a rig
file leans on it.
"""

from __future__ import annotations

from pathlib import Path

from .calibration import (
    RECORD_FORMAT,
    REFERENCE_FORMAT,
    CalibrationRecord,
    CalibrationTerm,
    ReferenceInstrument,
    TermKind,
)
from .errors import InputError, IntegrityError
from .measure import Kind
from .sealedtoml import is_unchanged, sealed_text, write_new
from .tomlfile import load_toml, read_text


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
    if not is_unchanged(text):
        raise IntegrityError("calibration_changed", where=str(path))
    return record


def write_record(path: Path, record: CalibrationRecord) -> CalibrationRecord:
    """Write a record to a file that must not exist; return it as read back.

    Raises:
        InputError: ``file_exists``, ``file_unwritable``.
    """
    write_new(path, record_text(record), "calibration record")
    return load_record(path)


def record_text(record: CalibrationRecord) -> str:
    """Return the file of a record, its hash filled in."""
    return sealed_text(record, ("terms", "points"))
