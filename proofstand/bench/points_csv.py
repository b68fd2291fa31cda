"""Calibration points as a CSV table: read, and kept by the line as they are taken."""

from __future__ import annotations

import csv
import datetime
import io
import math
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Self, TypeVar

from records.calibration import Direction, When
from records.errors import InputError
from records.rig import Channel

T = TypeVar("T", bound=str)
Given = Literal["raw", "reading", "current"]
GIVEN: tuple[Given, ...] = ("raw", "reading", "current")
WHENS: tuple[When, ...] = ("as found", "as left")
DIRECTIONS: tuple[Direction, ...] = ("up", "down")
LEAST_LEVELS = 3
_COLUMNS = ("date", "channel", "when", "direction", "applied", *GIVEN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One comparison as a table has it.

    Attributes:
        place: where it stands, for messages.
        fresh: it begins a run, whatever came before.
        when, direction: None where the table leaves it open.
        applied: in the channel's unit. read: as ``given`` says.
    """

    place: str
    fresh: bool = False
    when: When | None
    direction: Direction | None
    applied: float
    read: float
    given: Given


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvTable:
    """A table of comparisons.

    Attributes:
        unit: of what was applied, as its head says.
        channel: its id, "" where the table does not say.
        date: day of the comparisons, None where the table does not say.
        adjusted: it tells of an adjustment, even if nothing was read after it.
    """

    rows: tuple[Row, ...]
    unit: str
    channel: str
    date: datetime.date | None
    adjusted: bool


def read_csv(text: str, name: str) -> CsvTable:
    """Return the table in a text.

    Columns ``direction``, ``applied`` and one of ``raw``, ``reading`` or ``current``;
    ``when``, ``date`` and ``channel`` where there are any. The unit stands in the head:
    ``applied (kPa gauge)``. An empty line parts two runs. A line that says only
    ``as left`` says that the channel was adjusted there.

    Raises:
        InputError: with file and line.
    """
    delimiter = _delimiter(text)
    lines = _lines(text, name, delimiter)
    at, head = next(lines, (1, []))
    columns = _Columns(head, f"{name}:{at}", comma=delimiter != ",")
    rows: list[Row] = []
    said: dict[str, set[str]] = {"date": set(), "channel": set()}
    adjusted, fresh = False, True
    for at, cells in lines:
        where = f"{name}:{at}"
        if not any(cells):
            fresh = True
            continue
        told = columns.cells(cells, where)
        when = _one_of("when", told.get("when", ""), WHENS, where)
        direction = _one_of("direction", told["direction"], DIRECTIONS, where)
        adjusted = adjusted or when == "as left"
        if when and not (direction or told["applied"] or told[columns.given]):
            continue
        for key, found in said.items():
            found.add(told.get(key, ""))
            if len(found) > 1:
                raise InputError(
                    "value_wrong",
                    where=where,
                    key=key,
                    given=repr(told[key]),
                    right="the same in every line",
                )
        rows.append(
            Row(
                place=where,
                fresh=fresh,
                when=when,
                direction=direction,
                applied=columns.number("applied", told, where),
                read=columns.number(columns.given, told, where),
                given=columns.given,
            )
        )
        fresh = False
    if not rows:
        raise InputError(
            "calibration_points_wrong",
            where=name,
            why="there are none under the table's head",
            least=LEAST_LEVELS,
        )
    return CsvTable(
        rows=tuple(rows),
        unit=columns.unit,
        channel=said["channel"].pop(),
        date=_day(said["date"].pop(), rows[0].place),
        adjusted=adjusted,
    )


def _delimiter(text: str) -> str:
    head = next((line for line in text.splitlines() if line.strip(" ,;\t")), "")
    return max(";\t,", key=head.count) if head.strip() else ","


def _lines(text: str, name: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Yield number and cells of each line, from the head on."""
    plain = text.removeprefix("\ufeff")  # spreadsheets put it there
    reader = csv.reader(io.StringIO(plain, newline=""), delimiter=delimiter)
    begun = False
    try:
        for row in reader:
            cells = [cell.strip() for cell in row]
            begun = begun or any(cells)
            if begun:
                yield reader.line_num, cells
    except csv.Error as error:
        raise InputError(
            "value_wrong",
            where=f"{name}:{reader.line_num}",
            key="the line",
            given=f"unreadable ({error})",
            right="cells parted by commas, semicolons or tabs",
        ) from None


class _Columns:
    """Where each column stands.

    Args:
        head: cells of the first line. where: it stands.
        comma: a decimal comma may stand in a number.
    """

    given: Given

    def __init__(self, head: Sequence[str], where: str, *, comma: bool) -> None:
        self._head, self._comma = head, comma
        names = [re.split(r"[\s(\[]", cell.lower())[0] for cell in head]
        for name in _COLUMNS:
            if names.count(name) > 1:
                raise InputError(
                    "value_wrong",
                    where=where,
                    key=f"the number of columns {name}",
                    given=names.count(name),
                    right="one",
                )
        self._place = {name: names.index(name) for name in _COLUMNS if name in names}
        read: list[Given] = [name for name in GIVEN if name in names]
        if len(read) > 1:
            raise InputError(
                "value_wrong",
                where=where,
                key="what was read",
                given=f"in columns {' and '.join(read)}",
                right="in one column",
            )
        self.given = read[0] if read else "reading"
        for name in ("direction", "applied", self.given):
            if name not in names:
                raise InputError(
                    "log_column_missing",
                    where=where,
                    given=" or ".join(GIVEN) if name == self.given else name,
                    known=", ".join(cell for cell in head if cell),
                )
        unit = re.search(r"[(\[](.*)[)\]]", head[names.index("applied")])
        self.unit = unit[1] if unit else "no unit"

    def cells(self, cells: Sequence[str], where: str) -> dict[str, str]:
        """Return the known cells of a line by their columns' names."""
        if len(cells) <= max(self._place.values()) or any(cells[len(self._head) :]):
            more = "" if self._comma else "; with decimal commas, part them by ;"
            raise InputError(
                "value_wrong",
                where=where,
                key="the number of cells",
                given=len(cells),
                right=f"{len(self._head)}, as in the head{more}",
            )
        return {name: cells[place] for name, place in self._place.items()}

    def number(self, name: str, cells: dict[str, str], where: str) -> float:
        """Return the number in a cell."""
        text = cells[name]
        try:
            value = float(text.replace(",", ".") if self._comma else text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            given = repr(text) if text else f"An empty cell under {name}"
            raise InputError("log_line_unreadable", where=where, given=given)
        return value


def _one_of(key: str, text: str, known: tuple[T, ...], where: str) -> T | None:
    for each in known:
        if text.lower() == each:
            return each
    if not text:
        return None
    raise InputError(
        "value_wrong", where=where, key=key, given=repr(text), right=" or ".join(known)
    )


def _day(text: str, where: str) -> datetime.date | None:
    try:
        return datetime.date.fromisoformat(text) if text else None
    except ValueError:
        raise InputError(
            "value_wrong",
            where=where,
            key="date",
            given=repr(text),
            right="a day such as 2026-11-20",
        ) from None


class KeptPoints:
    """A table that grows by a line as each point is read; each is on disk at once.

    Nothing of that name is written over: the next free name is taken. A table in which
    no point was kept is removed when it is closed.

    Args:
        folder: where it is to stand. stem: its name, ``-points.csv`` comes behind it.
        channel: what is calibrated. day: of the comparisons.

    Raises:
        InputError: ``file_unwritable``.
    """

    def __init__(
        self, folder: Path, stem: str, channel: Channel, day: datetime.date
    ) -> None:
        self.path = folder / f"{stem}-points.csv"
        self.count = 0
        self._lead = f"{day.isoformat()},{channel.id}"
        number = 1
        while True:
            try:
                self._file = self.path.open("xb", buffering=0)
                break
            except FileExistsError:
                number += 1
                self.path = folder / f"{stem}-points-{number}.csv"
            except OSError as error:
                raise self._unwritable(error) from None
        self._write(
            f"date,channel,when,direction,applied ({channel.unit}),raw,averaged"
        )

    def add(
        self,
        when: When,
        direction: Direction | None,
        applied: float,
        raw: float,
        averaged: int,
    ) -> None:
        """Keep a point.

        Args:
            when: its set.
            direction: None where only the next point shows it.
            applied: in the channel's unit.
            raw: mean of the raw numbers.
            averaged: how many they were.

        Raises:
            InputError: ``file_unwritable``.
        """
        numbers = f"{applied:.12g},{raw:.12g},{averaged}"
        self._write(f"{self._lead},{when},{direction or ''},{numbers}")
        self.count += 1

    def adjusted(self) -> None:
        """Keep that the channel was adjusted here."""
        self._write(f"{self._lead},as left,,,,")

    def close(self) -> None:
        """Close it; remove it where it holds no point."""
        self._file.close()
        if not self.count:
            self.path.unlink(missing_ok=True)

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close it."""
        self.close()

    def _write(self, line: str) -> None:
        try:
            self._file.write(line.encode() + b"\n")
            os.fsync(self._file.fileno())
        except OSError as error:
            raise self._unwritable(error) from None

    def _unwritable(self, error: OSError) -> InputError:
        return InputError(
            "file_unwritable", where=str(self.path), why=error.strerror or error
        )
