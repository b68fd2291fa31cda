"""Calibration points: from a table that was written down, or read live one by one."""

from __future__ import annotations

import csv
import datetime
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from records.calibration import CalibrationPoint, CalibrationTerm, Direction, When
from records.errors import InputError, ProofstandError
from records.measure import Unit, parse_quantity
from records.rig import Channel, Rig
from records.run import reading_si
from records.tomlfile import load_toml, read_text
from rig.acquisition import Acquisition, open_instruments
from rig.clock import Clock

FORMAT = "proofstand.calibration-points/1"
LEAST_READINGS = 8
SAME_LEVEL = 0.005  # of the span
BAD_SHARE = 0.1  # more bad readings than that, and the point is taken again


@dataclass(frozen=True, slots=True, kw_only=True)
class PointRun:
    """Going up or coming down once.

    Attributes:
        applied: of the reference, in the table's unit.
        reading: of the channel, in its own unit and uncalibrated; or
        raw: the counts that it is made of.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    when: When = "as left"
    direction: Direction
    applied: tuple[float, ...]
    reading: tuple[float, ...] = ()
    raw: tuple[float, ...] = ()


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
        date: day they were made; None where the table does not say.
    """

    points: tuple[CalibrationPoint, ...]
    date: datetime.date | None = None
    terms: tuple[CalibrationTerm, ...] = ()
    note: str = ""


def load_points(path: Path, channel: Channel) -> Points:
    """Return the points of a table, ``.toml`` or ``.csv``.

    Raises:
        InputError: with file and line.
    """
    text = read_text(path, "table of calibration points")
    if path.suffix.lower() == ".csv":
        return Points(points=_from_csv(text, channel, str(path)))
    table = load_toml(text, PointTable, str(path), FORMAT)
    if table.channel != channel.id:
        raise InputError(
            "value_wrong",
            where=str(path),
            key="channel",
            given=table.channel,
            right=f"{channel.id}, the channel that is calibrated",
        )
    _check_unit(table.unit, channel, str(path))
    found: list[CalibrationPoint] = []
    runs = _Runs()
    for number, each in enumerate(table.runs, 1):
        given = each.raw or each.reading
        if len(given) != len(each.applied) or (each.raw and each.reading):
            raise InputError(
                "value_wrong",
                where=str(path),
                key=f"runs, the {number}. one",
                given=f"{len(each.applied)} applied, {len(given)} read",
                right="a reading (or a raw count) for each applied value",
            )
        run = runs.number(each.when, each.direction)
        readings = _readings(channel, given, raw=bool(each.raw))
        found += [
            CalibrationPoint(
                when=each.when,
                run=run,
                direction=each.direction,
                applied=_applied(channel, x),
                reading=y,
            )
            for x, y in zip(each.applied, readings, strict=True)
        ]
    return Points(
        points=tuple(found), date=table.date, terms=table.terms, note=table.note
    )


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


def _applied(channel: Channel, value: float) -> float:
    unit = channel.measure_unit
    return value * unit.factor + unit.offset


def _readings(channel: Channel, given: Sequence[float], *, raw: bool) -> list[float]:
    plain = channel if raw else replace(channel, scale=1.0, offset=0.0)
    found: list[float] = reading_si(plain, np.asarray(given)).tolist()
    return found


def _check_unit(given: str, channel: Channel, where: str) -> None:
    if " ".join(given.split()) != " ".join(channel.unit.split()):
        raise InputError(
            "value_wrong",
            where=where,
            key="unit",
            given=given,
            right=f"{channel.unit}, as the channel's",
        )


def _from_csv(text: str, channel: Channel, name: str) -> tuple[CalibrationPoint, ...]:
    """Read columns direction, applied and reading (or raw); when, where there is one.

    The unit stands in the head of the column: ``applied (kPa gauge)``.
    """
    lines = text.splitlines()
    delimiter = ";" if lines[0].count(";") > lines[0].count(",") else ","
    rows = list(csv.reader(lines, delimiter=delimiter))
    head = [cell.strip().lower() for cell in rows[0]]
    place = {re.split(r"[\s(\[]", cell)[0]: i for i, cell in enumerate(head)}
    read = "raw" if "raw" in place else "reading"
    for column in ("direction", "applied", read):
        if column not in place:
            raise InputError(
                "log_column_missing",
                where=f"{name}:1",
                given=column,
                known=", ".join(head),
            )
    unit = re.search(r"[(\[](.*)[)\]]", rows[0][place["applied"]])
    _check_unit(unit[1] if unit else "no unit", channel, f"{name}:1")
    runs, found = _Runs(), []
    run, before = 0, ("", "")
    for line, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            before = ("", "")  # an empty line parts two runs
            continue
        cells = {c: row[i].strip() if i < len(row) else "" for c, i in place.items()}
        when, direction = cells.get("when", "as left"), cells["direction"]
        for key, given, right in (
            ("when", when, ("as found", "as left")),
            ("direction", direction, ("up", "down")),
        ):
            if given not in right:
                raise InputError(
                    "value_wrong",
                    where=f"{name}:{line}",
                    key=key,
                    given=repr(given),
                    right=" or ".join(right),
                )
        if (when, direction) != before:
            run = runs.number(when, direction)  # type: ignore[arg-type]
            before = (when, direction)
        x, y = (
            _number(cells[c], f"{name}:{line}", comma=delimiter == ";")
            for c in ("applied", read)
        )
        found.append(
            CalibrationPoint(
                when=when,  # type: ignore[arg-type]
                run=run,
                direction=direction,  # type: ignore[arg-type]
                applied=_applied(channel, x),
                reading=_readings(channel, [y], raw=read == "raw")[0],
            )
        )
    return tuple(found)


def _number(text: str, where: str, *, comma: bool) -> float:
    try:
        value = float(text.replace(",", ".") if comma else text)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        raise InputError("log_line_unreadable", where=where, given=repr(text))
    return value


# --- live ----------------------------------------------------------------------------


def read_points(
    rig: Rig,
    channel: Channel,
    *,
    seconds: float,
    clock: Clock,
    ask: Callable[[int], str | None],
    tell: Callable[[str], None],
) -> tuple[CalibrationPoint, ...]:
    """Read a channel point by point while somebody applies known values.

    Rising values make a run up, falling ones a run down; the same value again turns
    round.

    Args:
        rig: the whole rig.
        channel: the channel of it.
        seconds: how long to read at each point, rig time.
        clock: the host's clock.
        ask: given the number of the point, returns the value of the reference, in the
            channel's unit or with its own; None or ``end`` when there is no more.
        tell: called with a line for the person.

    Raises:
        RigError: the instrument can't be reached or does not answer.
    """
    ours = replace(
        rig,
        instruments=tuple(i for i in rig.instruments if i.id == channel.instrument),
        channels=rig.columns(channel.instrument),
    )
    found: list[CalibrationPoint] = []
    low, high = (q.value_si for q in channel.span)
    runs, way = _Runs(), _Way(SAME_LEVEL * (high - low))
    instruments = open_instruments(ours, clock)
    try:
        while (text := ask(len(found) + 1)) not in (None, "end"):
            assert text is not None
            try:
                applied = _said(text, channel)
            except ProofstandError:
                tell(f"{text!r} is not a value in {channel.unit}; once more.")
                continue
            for instrument in instruments:
                instrument.read()  # what came while the value was typed
            acquisition = Acquisition(1, instruments, clock)
            raw, flags = _read_for(acquisition, ours, channel, seconds, clock)
            good = (flags == 0) & np.isfinite(raw)
            if good.sum() < LEAST_READINGS or np.mean(~good) > BAD_SHARE:
                tell(f"{int((~good).sum())} of {good.size} readings bad; once more.")
                continue
            reading = float(np.mean(reading_si(channel, raw[good])))
            direction, turned = way.go(applied)
            if turned:
                run = runs.number("as left", direction)
            found.append(
                CalibrationPoint(
                    when="as left",
                    run=run,
                    direction=direction,
                    applied=applied,
                    reading=reading,
                )
            )
            tell(_shown(reading, channel.measure_unit, channel.unit, int(good.sum())))
    finally:
        for instrument in instruments:
            instrument.close()
    return _first_way(found)


class _Way:
    """Tells going up from coming down.

    Args:
        near: closer values are the same level read again, which turns round.
    """

    def __init__(self, near: float = 0.0) -> None:
        self._near = near
        self._last: float | None = None
        self._direction: Direction = "up"

    def go(self, applied: float) -> tuple[Direction, bool]:
        """Return the direction of a value, and whether a new way begins with it."""
        last, was = self._last, self._direction
        self._last = applied
        if last is None:
            return was, True
        if abs(applied - last) <= self._near:
            self._direction = "down" if was == "up" else "up"
        else:
            self._direction = "up" if applied > last else "down"
        return self._direction, self._direction != was


def _first_way(found: list[CalibrationPoint]) -> tuple[CalibrationPoint, ...]:
    """Give the very first point the direction of the second, which shows it."""
    if len(found) > 1 and found[1].applied < found[0].applied:
        found[0] = replace(found[0], direction="down", run=found[1].run)
    return tuple(found)


def _said(text: str, channel: Channel) -> float:
    unit = channel.measure_unit
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        given = parse_quantity(text, unit.kind)
        if given.reference is not channel.reference:
            raise InputError("quantity_reference_wrong", given=text) from None
        return given.value_si
    if not np.isfinite(value):
        raise InputError("quantity_unreadable", given=text)
    return _applied(channel, value)


def _read_for(
    acquisition: Acquisition, rig: Rig, channel: Channel, seconds: float, clock: Clock
) -> tuple[Any, Any]:
    column = rig.columns(channel.instrument).index(channel)
    until = clock.monotonic_ns() + round(seconds * 1e9)
    raw, flags = [], []
    for block in acquisition.blocks():
        raw.append(block.raw[:, column])
        flags.append(block.flags[:, column])
        if clock.monotonic_ns() >= until:
            break
    return np.concatenate(raw), np.concatenate(flags)


def _shown(reading: float, unit: Unit, name: str, count: int) -> str:
    value = (reading - unit.offset) / unit.factor
    return f"reads {value:.6g} {name}, mean of {count}"
