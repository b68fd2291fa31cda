"""How a rig moves from shift to shift: its own leak, and what its check standard gave.

Of the checks at the start of each shift that are kept. Simulated rigs keep none.
"""

from __future__ import annotations

from collections.abc import Sequence

from analysis.charts import averages, individuals, ranges
from records.archive.chain import Archive
from records.archive.found import Listed, RunFound
from records.archive.index import Index
from records.errors import ProofstandError
from records.measure import SI_UNIT, UNITS, Quantity, Reference
from records.shift import ShiftRecord
from records.shiftfile import read_record

from ..words.sentences import label, trend_words
from .reviewed import read_as_kept
from .trend import Point, Series

_LEAK = "rig_leak"
_Key = tuple[str, str, str]


def shift_series(index: Index, archive: Archive) -> tuple[list[Series], list[str]]:
    """Return a series for each rig's leak and each check standard, and what is unread.

    Args:
        index: of the archive, brought up to it.
        archive: where the records are.
    """
    points: dict[_Key, list[Point]] = {}
    first: dict[_Key, Quantity] = {}
    unread: list[str] = []
    for listed in index.entries(kind="shift"):
        try:
            read_as_kept(archive, listed)
            record = read_record(archive.folder / listed.path, ShiftRecord)
        except ProofstandError as error:
            unread.append(error.where or listed.path)
            continue
        for key, point, value in _found(record, listed):
            points.setdefault(key, []).append(point)
            first.setdefault(key, value)
    return [_series(key, points[key], first[key]) for key in sorted(points)], unread


def _found(record: ShiftRecord, listed: Listed) -> list[tuple[_Key, Point, Quantity]]:
    """Return what one check found."""
    rig = f"{record.rig} {record.station}".strip()
    run = _as_run(record, listed)
    found: list[tuple[_Key, Point, Quantity]] = []
    leak, standard = record.rig_leak, record.standard
    if leak is not None:
        most = None if record.gate is None else record.gate.value_si
        ends = (leak.low, leak.upper)
        point = _point(run, rig, leak.value, leak.u, ends, "", (None, most))
        found.append(((rig, "", _LEAK), point, leak.value))
    if standard is not None:
        stated, limit = standard.stated.value_si, standard.limit.value_si
        point = _point(
            run,
            standard.id,
            standard.found,
            standard.u_found,
            (standard.low, standard.high),
            standard.outcome,
            (stated - limit, stated + limit),
        )
        found.append(((rig, standard.id, standard.finding), point, standard.found))
    return found


def _as_run(record: ShiftRecord, listed: Listed) -> RunFound:
    """Return a check as trends want it: when it was, and of which rig."""
    return RunFound(
        run=record.id,
        serial="",
        model="",
        gas="",
        customer="",
        job="",
        plan="",
        plan_version=0,
        rig=record.rig,
        station=record.station,
        tested_by=record.by,
        started_ns=record.utc_ns or listed.utc_ns,
        simulated=False,
        verdict="pass" if record.passed else "fail",
        certificate="",
        title="",
    )


def _point(
    run: RunFound,
    of: str,
    value: Quantity,
    u: Quantity,
    ends: tuple[Quantity, Quantity],
    outcome: str,
    limits: tuple[float | None, float | None],
) -> Point:
    low, high = ends
    return Point(
        run=run,
        serial=of,
        value=value.value_si,
        u=u.value_si,
        interval=(low.value_si, high.value_si),
        outcome=outcome or run.verdict,
        shown=f"{value.typed} ({low.typed} to {high.typed})",
        unit=_unit(value),
        least=limits[0],
        most=limits[1],
    )


def _unit(value: Quantity) -> str:
    """Return the unit that a quantity was written in, else SI."""
    written = value.typed.split(" ", 1)[-1]
    fits = [
        name
        for name, unit in UNITS.items()
        if unit.kind is value.kind and written.startswith(name)
    ]
    return max(fits, key=len, default=SI_UNIT[value.kind])


def _series(key: _Key, points: Sequence[Point], first: Quantity) -> Series:
    rig, standard, finding = key
    by_time = sorted(points, key=lambda point: (point.run.started_ns, point.run.run))
    values = [point.value for point in by_time]
    named = label(finding)
    if standard:
        named = trend_words("of_standard", finding=named, standard=standard)
    reference = first.reference
    return Series(
        group=rig,
        step=trend_words("start_of_shift"),
        channel=standard,
        label=named,
        unit=SI_UNIT[first.kind],
        unit_shown=by_time[-1].unit,
        reference="none" if reference is Reference.NONE else reference.value,
        points=tuple(by_time),
        not_measured=0,
        single=individuals(values),
        moved=ranges(values),
        averaged=averages(values),
    )
