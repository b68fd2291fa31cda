"""Records of ours in TOML that are written once and tell when they were changed.

Their second line holds the SHA-256 of everything that follows:

    tail -n +3 RECORD.toml | sha256sum
"""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import os
from collections.abc import Collection
from enum import StrEnum
from pathlib import Path
from typing import Any

from .errors import InputError
from .measure import Quantity

_HASH = 'sha256 = "'


def sealed_text(noun: Any, lists: Collection[str]) -> str:
    """Return the file of a record, its hash filled in.

    Args:
        noun: with ``format`` and ``sha256`` among its fields.
        lists: fields that stand as tables of their own, one for each of theirs.
    """
    lines: list[str] = []
    tables: list[tuple[str, Any]] = []
    for field in dataclasses.fields(noun):
        value = getattr(noun, field.name)
        if field.name in ("format", "sha256") or value is None:
            continue
        if dataclasses.is_dataclass(value) and not isinstance(value, Quantity):
            tables.append((f"[{field.name}]", value))
        elif field.name in lists:
            tables += [(f"[[{field.name}]]", each) for each in value]
        else:
            lines.append(f"{field.name} = {_toml(value)}")
    for name, table in tables:
        lines += ["", name, *_table(table)]
    body = "\n".join(lines) + "\n"
    return f'format = "{noun.format}"\n{_HASH}{_sha256(body)}"\n{body}'


def is_unchanged(text: str) -> bool:
    """Tell whether a record's text is as it was written."""
    head, _, rest = text.partition("\n")
    said, _, body = rest.partition("\n")
    return said == f'{_HASH}{_sha256(body)}"' and head.startswith("format")


def write_new(path: Path, text: str, what: str) -> None:
    """Write a record to a file that must not exist.

    Args:
        path: the file.
        text: all of it.
        what: it is called so in an error.

    Raises:
        InputError: ``file_exists``, ``file_unwritable``.
    """
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
        raise InputError("file_exists", where=str(path), what=what) from None
    except OSError as error:
        raise InputError(
            "file_unwritable", where=str(path), why=error.strerror or error
        ) from None


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
    if isinstance(value, bool):
        return "true" if value else "false"
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
