"""Calibration points read live, one by one, while somebody applies known values."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from records.calibration import When
from records.errors import InputError, ProofstandError, RigError
from records.measure import parse_quantity
from records.rig import Channel, Rig
from records.run import reading_si
from records.trace import FlagArray, FloatArray
from rig.acquisition import Acquisition, OpenInstrument, open_instruments
from rig.clock import Clock

from ..words.sentences import trouble
from .points import Points, Way, points_of
from .points_csv import LEAST_LEVELS, KeptPoints, Row
from .rigcheck import FLAG_WORDS

LEAST_READINGS = 8
BAD_SHARE = 0.1  # more bad readings than that, and the point is taken again
MOST_FAILURES = 3  # tries in a row without an answer
LEFT = ("as left", "left")


def read_points(
    rig: Rig,
    channel: Channel,
    *,
    seconds: float,
    clock: Clock,
    keep: KeptPoints,
    ask: Callable[[int, When], str | None],
    tell: Callable[[str], None],
    when: When = "as found",
    within: Callable[[float], None] | None = None,
    folder: Path | None = None,
) -> Points:
    """Read a channel point by point while somebody applies known values.

    Rising values make a run up, falling ones a run down; the same value again turns
    round. A point that could not be read is asked for again.

    Args:
        rig: the whole rig.
        channel: the channel of it.
        seconds: how long to read at each point, rig time.
        clock: the host's clock.
        keep: where each point is kept as it is read.
        ask: given the number of the point and its set, returns the value of the
            reference, in the channel's unit or with its own; ``as left`` when the
            channel has been adjusted; None or ``end`` when there is no more.
        tell: called with a line for the person.
        when: the set that is read first.
        within: raises for a value (SI) that may not be applied.
        folder: where the paths in the rig file begin.

    Raises:
        RigError: the instrument can't be reached, or did not answer several times in a
            row.
        InputError: too short for the instrument's period; adjusted, and nothing read
            after it.
    """
    ours = replace(
        rig,
        instruments=tuple(i for i in rig.instruments if i.id == channel.instrument),
        channels=rig.columns(channel.instrument),
    )
    period = ours.instruments[0].period
    # one more, because the first may come late
    shortest = (LEAST_READINGS + 1) * period.value_si
    if seconds < shortest:
        raise InputError(
            "value_wrong",
            key="--seconds",
            given=f"{seconds:g}",
            right=f"at least {shortest:g}, for {LEAST_READINGS} readings of "
            f"{channel.instrument}, one every {period.typed}",
        )
    rows: list[Row] = []
    way, failures, adjusted = Way(channel), 0, when == "as left"
    instruments = open_instruments(ours, clock, folder)
    try:
        while (text := ask(len(rows) + 1, when)) not in (None, "end"):
            assert text is not None
            if " ".join(text.lower().split()) in LEFT:
                if when == "as found":
                    when, adjusted, way = "as left", True, Way(channel)
                    keep.adjusted()
                tell("What is read from here on is as left, after the adjustment.")
                continue
            try:
                applied = _said(text, channel)
            except ProofstandError:
                tell(f"{text!r} is not a value in {channel.unit}; once more.")
                continue
            try:
                if within is not None:
                    within(applied)
                raw, flags = _read_for(instruments, ours, channel, seconds, clock)
            except RigError as error:
                failures += 1
                if failures == MOST_FAILURES:
                    raise
                told = trouble(error)
                tell(f"{told.what} {told.do} Then once more.")
                continue
            except ProofstandError as error:
                told = trouble(error)
                tell(f"{told.what} {told.do} Once more.")
                continue
            failures = 0
            good = (flags == 0) & np.isfinite(raw)
            if good.sum() < LEAST_READINGS or np.mean(~good) > BAD_SHARE:
                tell(f"{_faults(flags, good)}; once more.")
                continue
            row = _row(len(rows) + 1, when, applied, float(np.mean(raw[good])), channel)
            told_way = way.go(row.applied)
            first = not rows or rows[-1].when != when
            keep.add(
                when,
                None if first else told_way,
                row.applied,
                row.read,
                int(good.sum()),
            )
            rows.append(row)
            tell(_shown(row, raw[good], channel))
    finally:
        for instrument in instruments:
            instrument.close()
    if adjusted and not any(row.when == "as left" for row in rows):
        raise InputError(
            "calibration_points_wrong",
            where=channel.id,
            why="none was read after the adjustment",
            least=LEAST_LEVELS,
        )
    return Points(
        points=points_of(rows, channel),
        places=tuple(row.place for row in rows),
        adjusted=adjusted,
    )


def _row(number: int, when: When, applied: float, raw: float, channel: Channel) -> Row:
    unit = channel.measure_unit
    return Row(
        place=f"point {number}",
        when=when,
        direction=None,
        applied=(applied - unit.offset) / unit.factor,
        read=raw,
        given="raw",
    )


def _said(text: str, channel: Channel) -> float:
    """Return a value (SI) as it was typed."""
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
    return value * unit.factor + unit.offset


def _read_for(
    instruments: Sequence[OpenInstrument],
    rig: Rig,
    channel: Channel,
    seconds: float,
    clock: Clock,
) -> tuple[FloatArray, FlagArray]:
    """Return raw numbers and flags of some seconds from now on."""
    for instrument in instruments:
        instrument.read()  # what came while the value was typed
    acquisition = Acquisition(1, instruments, clock)
    column = rig.columns(channel.instrument).index(channel)
    until = clock.monotonic_ns() + round(seconds * 1e9)
    raw: list[Any] = []
    flags: list[Any] = []
    for block in acquisition.blocks():
        raw.append(block.raw[:, column])
        flags.append(block.flags[:, column])
        if clock.monotonic_ns() >= until:
            break
    return np.concatenate(raw), np.concatenate(flags)


def _faults(flags: FlagArray, good: Any) -> str:
    """Return how many readings are bad, and in what way."""
    ways = [
        f"{often} {name}"
        for flag, name in FLAG_WORDS
        if (often := int(np.count_nonzero(flags & flag)))
    ]
    bad = int(np.count_nonzero(~good))
    told = f"{bad} of {good.size} readings bad"
    if not bad:
        told = f"{good.size} readings, too few"
    return f"{told} ({', '.join(ways)})" if ways else told


def _shown(row: Row, raw: FloatArray, channel: Channel) -> str:
    """Return a point as it is told: what it reads, how far off, how quiet."""
    unit = channel.measure_unit
    readings = (reading_si(channel, raw) - unit.offset) / unit.factor
    mean, spread = float(np.mean(readings)), float(np.std(readings, ddof=1))
    off, name = mean - row.applied, unit.name
    return (
        f"reads {mean:.6g} {channel.unit}, {off:+.4g} {name} from the reference; "
        f"mean of {raw.size}, standard deviation {spread:.2g} {name}"
    )
