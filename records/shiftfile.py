"""Files of the start of shift: checks, declared changes, cautions read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from .errors import IntegrityError
from .sealedtoml import is_unchanged, sealed_text, write_new
from .shift import (
    CAUTIONS_FORMAT,
    CHANGE_FORMAT,
    SHIFT_FORMAT,
    CautionsRead,
    RigChange,
    ShiftRecord,
)
from .tomlfile import load_toml, read_text, text_sha256

T = TypeVar("T", ShiftRecord, RigChange, CautionsRead)

_FORMATS: dict[type, tuple[str, str]] = {
    ShiftRecord: (SHIFT_FORMAT, "shift record"),
    RigChange: (CHANGE_FORMAT, "record of a change"),
    CautionsRead: (CAUTIONS_FORMAT, "record of cautions read"),
}
_LISTS = ("parts", "channels")


def read_record(path: Path, type_: type[T]) -> T:
    """Return a record after checking that nothing in it was changed.

    Its ``sha256`` is that of the whole file, by which others point at it.

    Raises:
        InputError: no record of ours, with file and line.
        IntegrityError: ``shift_record_changed``.
    """
    wanted, what = _FORMATS[type_]
    text = read_text(path, what)
    record: T = load_toml(text, type_, str(path), wanted)
    if not is_unchanged(text):
        raise IntegrityError("shift_record_changed", where=str(path))
    return replace(record, sha256=text_sha256(text))


def write_record(path: Path, record: T) -> T:
    """Write a record to a file that must not exist; return it as read back.

    Raises:
        InputError: ``file_exists``, ``file_unwritable``.
    """
    _, what = _FORMATS[type(record)]
    write_new(path, sealed_text(record, _LISTS), what)
    return read_record(path, type(record))
