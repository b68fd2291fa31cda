"""Calibration points: from a table that was written down, to SI."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from records.calibration import CalibrationPoint, CalibrationTerm, Direction, When
from records.errors import InputError
from records.rig import Channel
from records.run import reading_si
from records.tomlfile import load_toml, read_text
from rig.instruments.reading import reading_at_ma

from .points_csv import GIVEN, Row, read_csv

FORMAT = "proofstand.calibration-points/1"
SAME_LEVEL = 0.005  # of the span


@dataclass(frozen=True, slots=True, kw_only=True)
class PointRun:
    """Going up or coming down once.

    Attributes:
        when: before or after an adjustment; said in every run or in none.
        applied: of the reference, in the table's unit.
        reading: of the channel, in its own unit and uncalibrated; or
        raw: the counts that it is made of; or
        current: in mA, of a channel with a loop.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    when: When | None = None
    direction: Direction
    applied: tuple[float, ...]
    reading: tuple[float, ...] = ()
    raw: tuple[float, ...] = ()
    current: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PointTable:
    """A table of comparisons as it was written down.

    Attributes:
        unit: of what was applied, with its reference; must be the channel's.
        terms: further uncertainty that the points can't show, as of temperature.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    channel: str
    date: datetime.date
    unit: str
    runs: tuple[PointRun, ...]
    terms: tuple[CalibrationTerm, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """Comparisons in SI, and what was noted with them.

    Attributes:
        places: where each stands, for messages; empty where nobody knows.
        date: day they were made; None where the table does not say.
        adjusted: the channel was adjusted before the last of them.
    """

    points: tuple[CalibrationPoint, ...]
    places: tuple[str, ...] = ()
    date: datetime.date | None = None
    terms: tuple[CalibrationTerm, ...] = ()
    note: str = ""
    adjusted: bool = False


def load_points(path: Path, channel: Channel) -> Points:
    """Return the points of a table, ``.toml`` or ``.csv``.

    Raises:
        InputError: with file and line.
    """
    text = read_text(path, "table of calibration points")
    if path.suffix.lower() == ".csv":
        return _from_csv(text, channel, str(path))
    table = load_toml(text, PointTable, str(path), FORMAT)
    _check_channel(table.channel, channel, str(path))
    _check_unit(table.unit, channel, str(path))
    rows: list[Row] = []
    for number, each in enumerate(table.runs, 1):
        rows += _rows(each, f"{path}, run {number} ({each.direction})")
    return Points(
        points=points_of(rows, channel),
        places=tuple(row.place for row in rows),
        date=table.date,
        terms=table.terms,
        note=table.note,
        adjusted=any(each.when == "as left" for each in table.runs),
    )


def _from_csv(text: str, channel: Channel, name: str) -> Points:
    table = read_csv(text, name)
    _check_unit(table.unit, channel, f"{name}:1")
    if table.channel:
        _check_channel(table.channel, channel, name)
    return Points(
        points=points_of(table.rows, channel),
        places=tuple(row.place for row in table.rows),
        date=table.date,
        adjusted=table.adjusted,
    )


def _rows(run: PointRun, where: str) -> list[Row]:
    lists = {given: getattr(run, given) for given in GIVEN if getattr(run, given)}
    if len(lists) != 1 or any(len(read) != len(run.applied) for read in lists.values()):
        told = ", ".join(f"{len(read)} {given}" for given, read in lists.items())
        raise InputError(
            "value_wrong",
            where=where,
            key="what was read",
            given=f"{told or 'nothing'} for {len(run.applied)} applied",
            right=f"one of {', '.join(GIVEN)} for each applied value, and at least one",
        )
    given, read = lists.popitem()
    return [
        Row(
            place=f"{where}, point {number}",
            fresh=number == 1,
            when=run.when,
            direction=run.direction,
            applied=x,
            read=y,
            given=given,
        )
        for number, (x, y) in enumerate(zip(run.applied, read, strict=True), 1)
    ]


# --- rows to points ------------------------------------------------------------------


def points_of(rows: Sequence[Row], channel: Channel) -> tuple[CalibrationPoint, ...]:
    """Return rows as points in SI, with runs numbered and open directions found.

    Going up begins a run, coming down belongs to it. Where ``when`` is said nowhere the
    points are as left: whoever does not say is not taken for having found.

    Raises:
        InputError: ``when`` said in some rows only; a current without a loop.
    """
    unspoken = next((row for row in rows if row.when is None), None)
    if unspoken is not None and any(row.when is not None for row in rows):
        raise InputError(
            "value_wrong",
            where=unspoken.place,
            key="when",
            given="not said, and elsewhere in the table it is",
            right='"as found" or "as left" in every run, or nowhere',
        )
    runs = _Runs()
    found: list[CalibrationPoint] = []
    run, before = 0, None
    for row, direction in zip(rows, _directions(rows, channel), strict=True):
        when: When = row.when or "as left"
        if row.fresh or (when, direction) != before:
            run, before = runs.number(when, direction), (when, direction)
        found.append(
            CalibrationPoint(
                when=when,
                run=run,
                direction=direction,
                applied=_from_unit(channel, row.applied),
                reading=_reading(channel, row),
            )
        )
    return tuple(found)


class _Runs:
    """Numbers the runs: going up begins one, coming down belongs to it."""

    def __init__(self) -> None:
        self._number = 0
        self._last: tuple[When, Direction] | None = None

    def number(self, when: When, direction: Direction) -> int:
        if direction == "up" or self._last != (when, "up"):
            self._number += 1
        self._last = (when, direction)
        return self._number


def _directions(rows: Sequence[Row], channel: Channel) -> list[Direction]:
    """Return each row's direction; an open one is told by the values.

    The first of a set has nothing before it: the one after it tells.
    """
    found: list[Direction] = []
    way = Way(channel)
    for n, row in enumerate(rows):
        first = n == 0 or rows[n - 1].when != row.when
        if first:
            way = Way(channel)
        told = way.go(row.applied)
        if row.direction is not None:
            told = row.direction
        elif first and n + 1 < len(rows) and rows[n + 1].when == row.when:
            told = way.between(row.applied, rows[n + 1].applied) or told
        way.direction = told
        found.append(told)
    return found


class Way:
    """Tells going up from coming down, while values of one set are applied in turn.

    Args:
        channel: values within a small share of its span are the same level read again,
            which turns round.
    """

    def __init__(self, channel: Channel) -> None:
        low, high = (end.value_si for end in channel.span)
        self._near = SAME_LEVEL * (high - low) / channel.measure_unit.factor
        self._last: float | None = None
        self.direction: Direction = "up"

    def go(self, applied: float) -> Direction:
        """Return the direction of the next value, in the channel's unit."""
        last, self._last = self._last, applied
        if last is not None:
            told = self.between(last, applied)
            self.direction = told or ("down" if self.direction == "up" else "up")
        return self.direction

    def between(self, last: float, applied: float) -> Direction | None:
        """Return the direction from one value to another; None at the same level."""
        if abs(applied - last) <= self._near:
            return None
        return "up" if applied > last else "down"


def _from_unit(channel: Channel, value: float) -> float:
    unit = channel.measure_unit
    return value * unit.factor + unit.offset


def _reading(channel: Channel, row: Row) -> float:
    if row.given == "raw":
        return float(reading_si(channel, np.asarray(row.read)))
    if row.given == "reading":
        return _from_unit(channel, row.read)
    if channel.loop is None:
        raise InputError(
            "value_wrong",
            where=row.place,
            key="current",
            given=f"{row.read:g} mA",
            right="raw or reading: the channel is declared without a loop",
        )
    return reading_at_ma(channel.loop, row.read)


def _check_channel(given: str, channel: Channel, where: str) -> None:
    if given != channel.id:
        raise InputError(
            "value_wrong",
            where=where,
            key="channel",
            given=given,
            right=f"{channel.id}, the channel that is calibrated",
        )


def _check_unit(given: str, channel: Channel, where: str) -> None:
    if " ".join(given.split()) != " ".join(channel.unit.split()):
        raise InputError(
            "value_wrong",
            where=where,
            key="unit",
            given=given,
            right=f"{channel.unit}, as the channel's",
        )
