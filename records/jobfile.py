"""Job cards and the list of people as files: read, checked, written."""

from __future__ import annotations

import dataclasses
import datetime
import os
import shutil
from importlib import resources
from pathlib import Path
from typing import Any

from .errors import InputError
from .jobcard import FORMAT, JobCard
from .jobrules import check_card
from .measure import Quantity
from .people import FORMAT as PEOPLE_FORMAT
from .people import People
from .tomlfile import load_toml, read_text
from .worklimits import FORMAT as LIMITS_FORMAT
from .worklimits import WorkLimits


def load_job(path: Path) -> JobCard:
    """Return a job card, with that of the regulator upstream where it names one.

    Raises:
        InputError: with file and line, or a value that can't be.
    """
    job = parse_job(read_text(path, "job card"), str(path))
    if not job.upstream_card:
        return job
    beside = path.parent / job.upstream_card
    upstream = parse_job(read_text(beside, "job card"), str(beside))
    return with_upstream(job, upstream, str(path))


def with_upstream(job: JobCard, upstream: JobCard, name: str) -> JobCard:
    """Return a card with that of the regulator before it, tested as a pair.

    Args:
        job: of the regulator downstream.
        upstream: of the other one.
        name: of the card's file.

    Raises:
        InputError: they can't be a pair.
    """
    right = ""
    if upstream.upstream_card:
        right = "a card that names no third regulator"
    elif upstream.serials or job.serials:
        right = "a card of one regulator, and no batch"
    elif upstream.regulator.serial == job.regulator.serial:
        right = "the card of another regulator, with a serial of its own"
    if right:
        raise InputError(
            "value_wrong",
            where=name,
            key="upstream_card",
            given=job.upstream_card,
            right=right,
        )
    return dataclasses.replace(job, upstream=upstream)


def parse_job(text: str, name: str) -> JobCard:
    """Return the job card that a text holds; see :func:`load_job`."""
    job = load_toml(text, JobCard, name, FORMAT)
    if job.upstream is not None:
        raise InputError(
            "value_wrong",
            where=f"{name}:{_line(text, '[upstream')}",
            key="upstream",
            given="a table",
            right='a card of its own, named as upstream_card = "first-stage.toml"',
        )
    check_card(job, lambda line, nth=0: f"{name}:{_line(text, line, nth)}")
    return job


def example_text() -> str:
    """Return a filled-in card with comments, its data invented."""
    return (resources.files("records") / "cards" / "example.toml").read_text("utf-8")


def load_people(path: Path) -> People:
    """Return the shop's list of people.

    Raises:
        InputError: with file and line.
    """
    return load_toml(
        read_text(path, "list of people"), People, str(path), PEOPLE_FORMAT
    )


def load_work_limits(path: Path) -> WorkLimits:
    """Return the shop's limits of age, rebuilds and rubber.

    Raises:
        InputError: with file and line.
    """
    text = read_text(path, "list of work limits")
    return load_toml(text, WorkLimits, str(path), LIMITS_FORMAT)


def job_text(job: JobCard) -> str:
    """Return a card as its file; what is empty or as it would be anyway is left out."""
    lines = [f'format = "{FORMAT}"']
    tables: list[str] = []
    for field in dataclasses.fields(job):
        value = getattr(job, field.name)
        # the other regulator's card is a file of its own
        if field.name in ("format", "upstream") or _is_default(field, value):
            continue
        _write(field.name, value, lines, tables)
    return "\n".join([*lines, *tables]) + "\n"


def write_text(path: Path, text: str) -> None:
    """Write a card to a file that must not exist.

    Raises:
        InputError: ``file_exists``, ``file_unwritable``.
    """
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            _put(file, text)
    except FileExistsError:
        raise InputError("file_exists", where=str(path), what="job card") from None
    except (OSError, ValueError) as error:
        raise _unwritable(path, error) from None


def write_anew(path: Path, text: str) -> Path | None:
    """Write a card, whole or not at all; one that was there is kept beside it.

    Returns:
        The name that the earlier one has now, or None where there was none.

    Raises:
        InputError: ``file_unwritable``.
    """
    beside = path.with_name(path.name + ".part")
    earlier = None
    try:
        if path.exists():
            if path.read_text("utf-8") == text:
                return None
            earlier = _free_name(path)
            shutil.copy2(path, earlier)
        with beside.open("w", encoding="utf-8", newline="\n") as file:
            _put(file, text)
        os.replace(beside, path)
    except (OSError, ValueError) as error:
        raise _unwritable(path, error) from None
    return earlier


def _free_name(path: Path) -> Path:
    number = 1
    while True:
        found = path.with_name(f"{path.stem}.before-{number}{path.suffix}")
        if not found.exists():
            return found
        number += 1


def _unwritable(path: Path, error: Exception) -> InputError:
    why = getattr(error, "strerror", None) or error
    return InputError("file_unwritable", where=str(path), why=why)


def _put(file: Any, text: str) -> None:
    file.write(text)
    file.flush()
    os.fsync(file.fileno())


def _write(name: str, value: Any, lines: list[str], tables: list[str]) -> None:
    """Write one field: a value as a line, a noun as a table, several as tables."""
    if _is_noun(value):
        _table(f"[{name}]", name, value, tables)
    elif isinstance(value, tuple) and value and _is_noun(value[0]):
        for each in value:
            _table(f"[[{name}]]", name, each, tables)
    else:
        lines.append(f"{name.rsplit('.', 1)[-1]} = {toml_value(value)}")


def _table(head: str, name: str, noun: Any, tables: list[str]) -> None:
    own: list[str] = []
    below: list[str] = []
    for field in dataclasses.fields(noun):
        value = getattr(noun, field.name)
        if not _is_default(field, value):
            _write(f"{name}.{field.name}", value, own, below)
    tables += ["", head, *own, *below]


def _is_noun(value: Any) -> bool:
    return dataclasses.is_dataclass(value) and not isinstance(value, Quantity)


def _is_default(field: Any, value: Any) -> bool:
    return value is None or (
        field.default is not dataclasses.MISSING and value == field.default
    )


def toml_value(value: Any) -> str:
    """Return a value as it stands in a file."""
    if isinstance(value, Quantity):
        return toml_value(value.typed)
    if isinstance(value, str):
        return '"' + "".join(_escaped(each) for each in value) + '"'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, tuple):
        return "[" + ", ".join(toml_value(each) for each in value) + "]"
    return repr(value)


def _escaped(sign: str) -> str:
    if sign in '"\\':
        return "\\" + sign
    if sign.isprintable():
        return sign
    code = ord(sign)
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _line(text: str, needle: str, nth: int = 0) -> int:
    """Return the line of the nth place where a line begins so; 1 when there is none."""
    found = [
        number
        for number, line in enumerate(text.splitlines(), 1)
        if line.replace(" ", "").startswith(needle)
    ]
    return found[nth] if nth < len(found) else 1
