"""Logger CSV: readings that another recorder kept, taken in as they are.

One row per sample; any delimiter, decimal comma or point, header or none or several
lines. What the file can't say (which column is what, unit, gauge or absolute) a map
file says:

    format = "proofstand.map/1"
    [time]
    column = 1            # counted from 1, or the header's text
    unit = "ms"           # or: pattern = "%Y-%m-%d %H:%M:%S.%f"
    thousands = "."       # optional; may be the decimal sign itself
    [[channels]]
    column = 3
    id = "pressure"
    role = "pressure"
    unit = "bar gauge"

Without a map, a header that names units and references is enough
(``time s;outlet kPa gauge``).
"""

from __future__ import annotations

import csv
import hashlib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from records.errors import InputError
from records.measure import Kind, Quantity, Reference, unit_of
from records.rig import FORMAT as RIG_FORMAT
from records.rig import (
    NAME_RULE,
    Channel,
    Instrument,
    Rig,
    Station,
    Traits,
    is_name,
)
from records.run import Part, Samples
from records.tomlfile import load_toml, read_text
from records.trace import Flag, FloatArray

MAP_FORMAT = "proofstand.map/1"
INSTRUMENT = "log"
LEAST_ROWS = 16
_LONGEST_S = 9e9  # beyond this nanoseconds do not fit
_REFERENCES = ("gauge", "absolute", "difference")


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeColumn:
    """Where and how the log tells the time."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    column: int | str
    unit: str = "s"
    pattern: str = ""
    thousands: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogChannel:
    """One column of readings."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    column: int | str
    id: str
    role: str
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    resolution: Quantity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LogMap:
    """What the columns of a log are."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    time: TimeColumn
    channels: tuple[LogChannel, ...]
    delimiter: str = ""
    decimal: str = ""
    traits: Traits | None = None
    notes: tuple[str, ...] = field(default_factory=tuple)


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """A log as read: a rig of one instrument, its only part, its samples."""

    rig: Rig
    part: Part
    samples: Samples
    sha256: str
    rows: int
    skipped: int


def load_map(path: Path) -> LogMap:
    """Return a map file.

    Raises:
        InputError: with file and line.
    """
    found = load_toml(read_text(path, "map"), LogMap, str(path), MAP_FORMAT)
    for channel in found.channels:
        _unit(channel, str(path))
    _check_map(found, str(path))
    return found


def _check_map(log_map: LogMap, where: str) -> None:
    ids = [c.id for c in log_map.channels]
    wrong: list[tuple[str, object, str]] = []
    if not ids:
        wrong.append(("channels", "empty", "at least one channel"))
    wrong += [("channels.id", id, "named once") for id in ids if ids.count(id) > 1]
    wrong += [("channels.id", id, NAME_RULE) for id in ids if not is_name(id)]
    for channel in log_map.channels:
        if not math.isfinite(channel.scale) or channel.scale == 0.0:
            wrong.append(("scale", channel.scale, "a number other than 0"))
        if not math.isfinite(channel.offset):
            wrong.append(("offset", channel.offset, "a number"))
    if len(log_map.delimiter) > 1:
        wrong.append(("delimiter", repr(log_map.delimiter), "a single sign"))
    if log_map.decimal not in ("", ".", ","):
        wrong.append(("decimal", repr(log_map.decimal), "a point or a comma"))
    if not log_map.time.pattern and unit_of(log_map.time.unit, where).kind is not (
        Kind.TIME
    ):
        wrong.append(("time.unit", log_map.time.unit, "s, ms, min or h"))
    if wrong:
        key, given, right = wrong[0]
        raise InputError("value_wrong", where=where, key=key, given=given, right=right)


def read_log(path: Path, log_map: LogMap | None = None) -> Log:
    """Read a logger's file.

    Args:
        path: the CSV file.
        log_map: what its columns are; None takes it from the header.

    Raises:
        InputError: not readable as such a file; with file, line and what to do.
    """
    text, digest = _text(path)
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip()]
    delimiter = (log_map.delimiter if log_map else "") or _delimiter(lines)
    rows = [
        (n, [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter))])
        for n, line in lines
    ]
    first = _first_data_row(rows, log_map)
    header = rows[:first]
    data = rows[first:]
    if log_map is None:
        log_map = _map_from_header(header, path)
    if len(data) < LEAST_ROWS:
        raise InputError(
            "log_too_short", where=str(path), rows=len(data), wanted=LEAST_ROWS
        )
    names = header[-1][1] if header else []
    decimal = log_map.decimal or _decimal(data, delimiter)
    at = _index(log_map.time.column, names, data, path)
    t_s, utc_ns = _times(
        [(n, _cell(r, at)) for n, r in data], log_map.time, decimal, path
    )
    columns = []
    skipped = 0
    for channel in log_map.channels:
        at = _index(channel.column, names, data, path)
        values = [_number(_cell(r, at), decimal, n, path) for n, r in data]
        columns.append(values)
        skipped += sum(not math.isfinite(v) for v in values)
    raw = np.array(columns, dtype=np.float64).T
    flags = np.where(np.isfinite(raw), 0, int(Flag.MISSING)).astype(np.uint8)
    t_ns = np.round((t_s - t_s[0]) * 1e9).astype(np.int64)
    return Log(
        rig=_rig(log_map, raw, t_s),
        part=Part(number=1, utc_ns=utc_ns, host_ns=0, origins={INSTRUMENT: 0}),
        samples=Samples(t_ns, raw, flags),
        sha256=digest,
        rows=len(data),
        skipped=skipped,
    )


def _text(path: Path) -> tuple[str, str]:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError("file_missing", where=str(path), what="logger file") from None
    except OSError as error:
        raise InputError(
            "file_unreadable", where=str(path), what="logger file", why=error.strerror
        ) from None
    if not data.strip():
        raise InputError("file_empty", where=str(path), what="logger file")
    if b"\0" in data:
        raise InputError("file_not_ours", where=str(path), what="logger file")
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding), hashlib.sha256(data).hexdigest()
        except UnicodeDecodeError:
            continue
    raise InputError("file_not_ours", where=str(path), what="logger file")


def _delimiter(lines: Sequence[tuple[int, str]]) -> str:
    """Return the delimiter that cuts most lines into the same number of columns."""
    sample = [line for _, line in lines[-200:]]
    best = ("", 0.0)
    for candidate in (";", "\t", ",", "|", " "):
        counts = [line.count(candidate) for line in sample]
        common = max(set(counts), key=counts.count)
        if common == 0:
            continue
        share = counts.count(common) / len(counts)
        if share > best[1] + 1e-9:
            best = (candidate, share)
    return best[0] or ","


_READING = re.compile(r"(?i)^([+-]?[\d.,]*\d[\d.,eE+-]*|nan|inf|---|over|err|)$")
_DIGITS = re.compile(r"^[+-]?[\d.,:eE+\-/ TZ]*\d[\d.,:eE+\-/ TZ]*$")


def _first_data_row(rows: list[tuple[int, list[str]]], log_map: LogMap | None) -> int:
    width = max(len(r) for _, r in rows[-50:])
    wanted: list[int | str] = []
    if log_map is not None:
        wanted = [log_map.time.column, *(c.column for c in log_map.channels)]
    at = [column - 1 for column in wanted if isinstance(column, int)]
    for i, (_, row) in enumerate(rows):
        if at and len(at) == len(wanted):
            # Only the mapped columns have to be numbers; a state may stand in others.
            cells = [_cell(row, k) for k in at]
            if _DIGITS.match(cells[0]) and all(_READING.match(c) for c in cells[1:]):
                return i
            continue
        filled = [c for c in row if c]
        if (
            len(row) >= min(width, 2)
            and len(filled) >= 2
            and all(_DIGITS.match(c) for c in filled)
        ):
            return i
    return len(rows)


def _map_from_header(header: list[tuple[int, list[str]]], path: Path) -> LogMap:
    if not header:
        raise InputError("log_map_needed", where=str(path), why="it has no header line")
    names = header[-1][1]
    time: TimeColumn | None = None
    channels: list[LogChannel] = []
    for i, name in enumerate(names, 1):
        clean = re.sub(r"[\[\](){}]", " ", name).strip()
        if re.match(r"(?i)time\b", clean) and time is None:
            unit = clean.split()[-1] if len(clean.split()) > 1 else "s"
            time = TimeColumn(
                column=i, unit=unit if unit in ("s", "ms", "min", "h") else "s"
            )
            continue
        reference = next((r for r in _REFERENCES if clean.endswith(r)), "")
        words = clean.removesuffix(reference).split()
        for cut in range(1, len(words)):
            try:
                unit_of(" ".join(words[cut:]))
            except InputError:
                continue
            id = "_".join(words[:cut]).lower()
            unit_text = " ".join([*words[cut:], *([reference] if reference else [])])
            channels.append(LogChannel(column=i, id=id, role=id, unit=unit_text))
            break
    if time is None or not channels:
        raise InputError(
            "log_map_needed",
            where=f"{path}:{header[-1][0]}",
            why="the header names no time column and unit that Proofstand knows",
        )
    for channel in channels:
        _unit(channel, f"{path}:{header[-1][0]}")
    return LogMap(format=MAP_FORMAT, time=time, channels=tuple(channels))


def _unit(channel: LogChannel, where: str) -> None:
    reference = next((r for r in _REFERENCES if channel.unit.endswith(r)), "")
    unit = unit_of(channel.unit.removesuffix(reference).strip(), where)
    if unit.kind is Kind.PRESSURE and not reference:
        raise InputError("quantity_reference_missing", where=where, given=channel.unit)


def _index(
    column: int | str, names: list[str], data: list[tuple[int, list[str]]], path: Path
) -> int:
    width = len(data[0][1])
    known = ", ".join(names) if names else f"columns 1 to {width}"
    if isinstance(column, int):
        if not 1 <= column <= width:
            raise InputError(
                "log_column_missing", where=str(path), given=column, known=known
            )
        return column - 1
    if column in names:
        return names.index(column)
    raise InputError("log_column_missing", where=str(path), given=column, known=known)


def _cell(row: list[str], at: int) -> str:
    return row[at] if at < len(row) else ""


def _decimal(data: list[tuple[int, list[str]]], delimiter: str) -> str:
    cells = [c for _, row in data[:200] for c in row]
    commas = sum(re.fullmatch(r"[+-]?\d+,\d+", c) is not None for c in cells)
    points = sum(re.fullmatch(r"[+-]?\d+\.\d+", c) is not None for c in cells)
    return "," if delimiter != "," and commas > points else "."


def _number(text: str, decimal: str, line: int, path: Path) -> float:
    if text == "" or text.lower() in ("nan", "---", "over", "err"):
        return float("nan")
    try:
        return float(text.replace(decimal, ".") if decimal != "." else text)
    except ValueError:
        raise InputError(
            "log_line_unreadable", where=f"{path}:{line}", given=repr(text)
        ) from None


def _grouped(text: str, decimal: str, thousands: str) -> str:
    """Return a number without its grouping signs; the last sign is the decimal one."""
    if thousands == decimal:
        head, sep, tail = text.rpartition(decimal)
        return head.replace(thousands, "") + sep + tail
    return text.replace(thousands, "")


def _times(
    cells: list[tuple[int, str]], time: TimeColumn, decimal: str, path: Path
) -> tuple[FloatArray, int]:
    utc_ns = 0
    found: list[float] = []
    unit = None if time.pattern else unit_of(time.unit, f"{path}: time")
    for n, cell in cells:
        try:
            if unit is None:
                moment = datetime.strptime(cell, time.pattern)
                if moment.tzinfo is None:
                    moment = moment.replace(tzinfo=UTC)
                seconds = moment.timestamp()
                utc_ns = utc_ns or round(seconds * 1e9)
            elif ":" in cell:
                seconds = 0.0
                for piece in cell.replace(decimal, ".").split(":"):
                    seconds = seconds * 60.0 + float(piece)
            else:
                text = (
                    _grouped(cell, decimal, time.thousands) if time.thousands else cell
                )
                seconds = float(text.replace(decimal, ".")) * unit.factor
        except ValueError:
            raise InputError(
                "log_time_unreadable", where=f"{path}:{n}", given=repr(cell)
            ) from None
        if not math.isfinite(seconds) or abs(seconds) > _LONGEST_S:
            raise InputError(
                "log_time_unreadable", where=f"{path}:{n}", given=repr(cell)
            )
        if found and seconds <= found[-1]:
            raise InputError(
                "log_time_backwards",
                where=f"{path}:{n}",
                given=f"{seconds:.3f} s",
                before=f"{found[-1]:.3f} s",
            )
        found.append(seconds)
    return np.array(found), utc_ns


def _rig(log_map: LogMap, raw: FloatArray, t_s: FloatArray) -> Rig:
    def quantity(value: float, unit: str) -> Quantity:
        reference = next((r for r in _REFERENCES if unit.endswith(r)), "none")
        u = unit_of(unit.removesuffix(reference).strip())
        si = value * u.factor + u.offset
        return Quantity(si, u.kind, Reference(reference), f"{value:g} {unit}")

    channels = []
    for i, c in enumerate(log_map.channels):
        good = raw[np.isfinite(raw[:, i]), i] * c.scale + c.offset
        steps = np.diff(np.unique(good))
        step = float(np.min(steps[steps > 0])) if np.any(steps > 0) else 0.0
        # The log does not say the transducer's span: nothing counts as saturated.
        wide = 1e3 * (float(np.max(np.abs(good))) if good.size else 1.0) + 1.0
        resolution = c.resolution or _difference(quantity(step, c.unit), c.unit)
        channels.append(
            Channel(
                id=c.id,
                role=c.role,
                station="log",
                instrument=INSTRUMENT,
                unit=c.unit,
                span=(quantity(-wide, c.unit), quantity(wide, c.unit)),
                resolution=resolution,
                column=i,
                scale=c.scale,
                offset=c.offset,
            )
        )
    period = float(np.median(np.diff(t_s)))
    return Rig(
        format=RIG_FORMAT,
        id="log",
        name="imported log",
        stations=(Station(id="log"),),
        instruments=(
            Instrument(
                id=INSTRUMENT,
                protocol="log",
                period=Quantity(period, Kind.TIME, Reference.NONE, f"{period:g} s"),
                timeout=Quantity(1.0, Kind.TIME, Reference.NONE, "1 s"),
            ),
        ),
        channels=tuple(channels),
        traits=log_map.traits,
    )


def _difference(quantity: Quantity, unit: str) -> Quantity:
    u = unit_of(
        unit.removesuffix(quantity.reference.value).strip()
        if quantity.reference is not Reference.NONE
        else unit
    )
    value = quantity.value_si - u.offset
    return Quantity(value, quantity.kind, quantity.reference, quantity.typed)
