"""TOML files of ours: read, checked, and every fault told with its file and line.

The only place that knows pydantic; also turns nouns into JSON and back.
"""

from __future__ import annotations

import dataclasses
import datetime
import difflib
import hashlib
import json
import re
import tomllib
import types
import typing
from collections.abc import Callable, Hashable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from .errors import InputError
from .measure import Kind, Quantity, parse_quantity
from .plan import Bound

T = TypeVar("T")
Key = tuple[str | int, ...]

# The kind that a quantity must have, by the name of its key, where that is one kind.
_KIND_OF_KEY = {
    "hold": Kind.TIME,
    "soak": Kind.TIME,
    "window": Kind.TIME,
    "read_after": Kind.TIME,
    "period": Kind.TIME,
    "timeout": Kind.TIME,
    "patience": Kind.TIME,
    "begins": Kind.TIME,
    "lasts": Kind.TIME,
    "delay": Kind.TIME,
    "tick": Kind.TIME,
    "tau_max": Kind.TIME,
    "target": Kind.PRESSURE,
    "inlet": Kind.PRESSURE,
    "outlet": Kind.PRESSURE,
    "stages": Kind.PRESSURE,
    "band": Kind.PRESSURE,
    "inlet_band": Kind.RATIO,
    "risk": Kind.RATIO,
    "overload": Kind.PRESSURE,
    "sealed_at": Kind.PRESSURE,
    "set_pressure": Kind.PRESSURE,
    "inlet_max": Kind.PRESSURE,
    "outlet_min": Kind.PRESSURE,
    "outlet_max": Kind.PRESSURE,
    "outlet_rating": Kind.PRESSURE,
    "volume": Kind.VOLUME,
    "allowance": Kind.VOLUME,
    "tail_amplitude": Kind.TEMPERATURE_STEP,
    "inlets": Kind.PRESSURE,
    "flows": Kind.LEAK,
    "set_flow": Kind.LEAK,
    "rated_flow": Kind.LEAK,
    "accuracy": Kind.RATIO,
    "lockup": Kind.RATIO,
    "floor": Kind.PRESSURE,
    "conductance": Kind.CONDUCTANCE,
    "torque": Kind.TORQUE,
}


_RIGHT: dict[type, tuple[tuple[type, ...], str]] = {
    int: ((int,), "a valid integer, without quotes"),
    float: ((int, float), "a number, without quotes"),
    bool: ((bool,), "true or false"),
    str: ((str,), "a text in quotes"),
    datetime.date: ((datetime.date,), "a date such as 2026-03-02, without quotes"),
}


def read_text(path: Path, what: str) -> str:
    """Return a text file's content.

    Args:
        path: the file.
        what: what it should be, as ``"plan"``.

    Raises:
        InputError: missing, unreadable, empty, or not text.
    """
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError:
        raise InputError("file_missing", where=str(path), what=what) from None
    except UnicodeDecodeError:
        raise InputError("file_not_ours", where=str(path), what=what) from None
    except OSError as error:
        raise InputError(
            "file_unreadable", where=str(path), what=what, why=error.strerror or error
        ) from None
    if not text.strip():
        raise InputError("file_empty", where=str(path), what=what)
    return text


def load_toml(
    text: str,
    type_: type[T],
    name: str,
    wanted_format: str,
    prepare: Callable[[dict[str, Any]], None] | None = None,
) -> T:
    """Return a noun read from TOML.

    Args:
        text: the file's text.
        type_: the frozen dataclass to make.
        name: the file's name for messages.
        wanted_format: as ``proofstand.plan/1``.
        prepare: changes the parsed file before it is checked, as where a value names
            another file.

    Raises:
        InputError: the first fault, with file, line, key and what would be right.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"line (\d+)", str(error))
        where = f"{name}:{line[1]}" if line else name
        raise InputError("toml_syntax", where=where, why=str(error)) from None
    lines = _Lines(text, name)
    _check_format(raw.get("format"), wanted_format, lines)
    if prepare is not None:
        prepare(raw)
    prepared = _quantities(raw, type_, (), lines)
    try:
        noun: T = _adapter(type_).validate_python(prepared)
    except ValidationError as error:
        raise _explain(error, type_, lines) from None
    return noun


def _check_format(found: object, wanted: str, lines: _Lines) -> None:
    stem, number = wanted.rsplit("/", 1)
    where = lines.where(("format",))
    if not isinstance(found, str) or not re.fullmatch(rf"{re.escape(stem)}/\d+", found):
        raise InputError("format_wrong", where=where, found=found, wanted=wanted)
    if int(found.rsplit("/", 1)[1]) > int(number):
        raise InputError("format_newer", where=where, found=found, wanted=wanted)


class _Lines:
    """Finds the line of a key, for messages."""

    def __init__(self, text: str, name: str) -> None:
        self.name = name
        self.at: dict[Key, int] = {}
        here: Key = ()
        counts: dict[Key, int] = {}
        for n, line in enumerate(text.splitlines(), 1):
            bare = line.strip()
            if m := re.match(r"\[\[\s*([^\]]+?)\s*\]\]", bare):
                here = self._table(m[1], counts, array=True)
                self.at[here] = n
                self.at.setdefault(here[:-1], n)
            elif m := re.match(r"\[\s*([^\[\]]+?)\s*\]", bare):
                here = self._table(m[1], counts, array=False)
                self.at[here] = n
            elif m := re.match(r'("?)([\w.-]+)\1\s*=', bare):
                self.at[(*here, *m[2].split("."))] = n

    @staticmethod
    def _table(dotted: str, counts: dict[Key, int], *, array: bool) -> Key:
        key: Key = ()
        names = [name.strip().strip('"') for name in dotted.split(".")]
        for i, name in enumerate(names):
            key = (*key, name)
            if array and i == len(names) - 1:
                counts[key] = counts.get(key, -1) + 1
                key = (*key, counts[key])
            elif key in counts:
                key = (*key, counts[key])
        return key

    def where(self, key: Key) -> str:
        """Return ``file:line`` of the nearest known key."""
        for k in range(len(key), 0, -1):
            if key[:k] in self.at:
                return f"{self.name}:{self.at[key[:k]]}"
        return f"{self.name}:1"


def _hints(type_: Any) -> dict[str, Any]:
    """Return the types of a noun's fields; finding them takes longer than reading."""
    return _hints_of(type_)


@cache
def _hints_of(type_: Hashable) -> dict[str, Any]:
    return typing.get_type_hints(type_)


def _quantities(raw: Any, type_: Any, key: Key, lines: _Lines) -> Any:
    """Turn the strings of quantity fields into quantities, by the noun's hints."""
    origin = typing.get_origin(type_)
    if origin in (typing.Union, types.UnionType):
        inner = [a for a in typing.get_args(type_) if a is not type(None)]
        return _quantities(raw, inner[0], key, lines) if len(inner) == 1 else raw
    if type_ in (Quantity, Bound):
        if not isinstance(raw, str):
            raise InputError(
                "value_wrong_type",
                where=lines.where(key),
                key=_dotted(key),
                given=repr(raw),
                right='a string such as "10 psi gauge"',
            )
        at = f"{lines.where(key)}: {_dotted(key)}"
        if type_ is Bound:
            return Bound.parse(raw, at)
        names = [k for k in key if isinstance(k, str)]
        inside = {"max_pressures", "relief"} & set(names[:-1])
        kind = Kind.PRESSURE if inside else _KIND_OF_KEY.get(names[-1])
        return parse_quantity(raw, kind, at)
    if origin is tuple:
        args = typing.get_args(type_)
        _check_list(raw, args, key, lines)
        each = (
            [args[0]] * len(raw)
            if len(args) == 2 and args[1] is Ellipsis
            else [*args, *[Any] * max(0, len(raw) - len(args))]
        )
        return tuple(
            _quantities(v, t, (*key, i), lines)
            for i, (v, t) in enumerate(zip(raw, each, strict=False))
        )
    if origin is dict and isinstance(raw, dict):
        value_type = typing.get_args(type_)[1]
        return {k: _quantities(v, value_type, (*key, k), lines) for k, v in raw.items()}
    if dataclasses.is_dataclass(type_) and isinstance(raw, dict):
        hints = _hints(type_)
        if hasattr(type_, "from_file"):
            raw = type_.from_file(raw)
        return {
            k: _quantities(v, hints[k], (*key, k), lines) if k in hints else v
            for k, v in raw.items()
        }
    right = _RIGHT.get(type_) if isinstance(type_, type) else None
    if right is not None and (
        not isinstance(raw, right[0]) or (isinstance(raw, bool) and type_ is not bool)
    ):
        # The library would take "502" for a number and 1 for true.
        raise InputError(
            "value_wrong_type",
            where=lines.where(key),
            key=_dotted(key),
            given=repr(raw),
            right=right[1],
        )
    return raw


def _check_list(raw: Any, args: tuple[Any, ...], key: Key, lines: _Lines) -> None:
    """Refuse what is no list, or not one of so many values as are wanted.

    Raises:
        InputError: ``value_wrong_type``.
    """
    if isinstance(raw, dict):
        return  # perhaps of a key that is misspelt elsewhere, which says more
    open_ended = len(args) == 2 and args[1] is Ellipsis
    right = ""
    if not isinstance(raw, list):
        right = "a list in square brackets"
    if not open_ended and (right or len(raw) != len(args)):
        right = f"{len(args)} values in square brackets"
        if set(args) == {Quantity}:
            right += ', as ["0 psi gauge", "15 psi gauge"]'
    if right:
        raise InputError(
            "value_wrong_type",
            where=lines.where(key),
            key=_dotted(key),
            given=_as_typed(raw),
            right=right,
        )


def _as_typed(raw: Any) -> str:
    """Return a value much as it stands in the file."""
    if isinstance(raw, list):
        return f"[{', '.join(map(_as_typed, raw))}]"
    return json.dumps(raw, ensure_ascii=False) if isinstance(raw, str) else repr(raw)


def _dotted(key: Key) -> str:
    return ".".join(str(k) for k in key if isinstance(k, str))


def _explain(error: ValidationError, type_: Any, lines: _Lines) -> InputError:
    # An unknown key says more than the missing one that it was meant to be.
    faults = sorted(
        error.errors(),
        key=lambda e: 0 if e["type"] == "unexpected_keyword_argument" else 1,
    )
    first = faults[0]
    key: Key = tuple(first["loc"])
    where = lines.where(key)
    name = _dotted(key)
    owner = _fields_at(type_, key[:-1])
    if first["type"] in ("unexpected_keyword_argument", "extra_forbidden"):
        near = difflib.get_close_matches(str(key[-1]), owner, n=1)
        right = f"did you mean {near[0]}?" if near else "known: " + ", ".join(owner)
        return InputError("key_unknown", where=where, key=name, right=right)
    if first["type"] == "missing":
        return InputError("key_missing", where=where, key=name)
    return InputError(
        "value_wrong_type",
        where=where,
        key=name,
        given=repr(first["input"]),
        right=first["msg"].removeprefix("Input should be "),
    )


def _fields_at(type_: Any, key: Key) -> list[str]:
    for k in key:
        if typing.get_origin(type_) in (typing.Union, types.UnionType):
            type_ = next(a for a in typing.get_args(type_) if a is not type(None))
        origin = typing.get_origin(type_)
        if origin is tuple:
            type_ = typing.get_args(type_)[0]
        elif origin is dict:
            type_ = typing.get_args(type_)[1]
        elif dataclasses.is_dataclass(type_) and k in _hints(type_):
            type_ = _hints(type_)[str(k)]
    if typing.get_origin(type_) in (typing.Union, types.UnionType):
        type_ = next(a for a in typing.get_args(type_) if a is not type(None))
    if dataclasses.is_dataclass(type_):
        return [f.name for f in dataclasses.fields(type_)]
    return []


@cache
def _cached_adapter(type_: Hashable) -> TypeAdapter[Any]:
    return TypeAdapter[Any](type_)  # type: ignore[arg-type]


def _adapter(type_: Any) -> TypeAdapter[Any]:
    return _cached_adapter(type_)


def to_json(noun: object) -> bytes:
    """Return a noun as JSON, the same bytes for the same content."""
    return _adapter(type(noun)).dump_json(noun)


def to_jsonable(noun: object) -> Any:
    """Return a noun as plain lists, dicts, strings and numbers."""
    return _adapter(type(noun)).dump_python(noun, mode="json")


def from_json(data: bytes | str, type_: type[T]) -> T:
    """Return a noun from JSON of ours.

    Raises:
        ValueError: the JSON does not fit the noun.
    """
    result: T = _adapter(type_).validate_json(data)
    return result


def text_sha256(text: str) -> str:
    """Return the SHA-256 of a text as it stands in its file (UTF-8)."""
    return hashlib.sha256(text.encode()).hexdigest()
