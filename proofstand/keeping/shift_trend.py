"""How the rig itself moves from one start of a shift to the next.

Its own leak, its zeros, and what the check standard gave, as kept records of the checks
and their runs tell it. A rig that moves is seen here before a regulator is blamed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from analysis.charts import averages, individuals, ranges
from analysis.judge import judge
from records.archive.chain import Archive
from records.archive.entry import key_of, safe_name
from records.archive.found import Query, RunFound
from records.archive.index import Index
from records.errors import ProofstandError
from records.judgement import Finding
from records.measure import SI_UNIT, Kind, Quantity, Reference, typed_unit
from records.run import Run
from records.runfile import read_sealed
from records.shift import ShiftRecord
from records.shiftfile import read_record

from ..display import show
from ..report import role_of
from ..words.sentences import label, trend_words
from .reviewed import read_as_kept
from .trend import Point, Series

LEAK, STANDARD, ZERO = "rig_leak", "check_standard", "zero_offset"
WHAT = (LEAK, STANDARD, ZERO)


@dataclass(frozen=True, slots=True)
class Shifts:
    """What the checks of shifts gave, and what of them could not be read."""

    series: tuple[Series, ...]
    unread: tuple[str, ...]


@dataclass(frozen=True, slots=True, order=True)
class _Key:
    """What tells one series from another: where, which part, and what is read."""

    place: str
    step: str
    channel: str
    name: str
    kind: Kind
    reference: Reference


def shift_series(index: Index, archive: Archive, query: Query, what: str) -> Shifts:
    """Return how one thing moved over kept checks, a series for each rig and station.

    Args:
        index: of the archive, brought up to it.
        archive: where the checks are.
        query: its days and its rig are asked for.
        what: one of ``WHAT``.
    """
    unread: list[str] = []
    found: dict[_Key, list[Point]] = {}
    for record in _records(index, archive, query, unread):
        if what == ZERO:
            points = _zeros(archive, record, unread)
        else:
            points = _leak(record) if what == LEAK else _standard(record)
        for key, point in points:
            found.setdefault(key, []).append(point)
    series = tuple(_series(key, found[key]) for key in sorted(found))
    return Shifts(series, tuple(unread))


def rig_series(index: Index, archive: Archive) -> Shifts:
    """Return how leak and check standard of each rig moved over all kept checks."""
    both = [shift_series(index, archive, Query(), what) for what in (LEAK, STANDARD)]
    unread = dict.fromkeys(path for each in both for path in each.unread)
    return Shifts(tuple(s for each in both for s in each.series), tuple(unread))


def _records(
    index: Index, archive: Archive, query: Query, unread: list[str]
) -> Iterator[ShiftRecord]:
    rig = query.wanted.get("rig", "")
    for listed in index.entries(kind="shift"):
        place = archive.folder / listed.path
        try:
            read_as_kept(archive, listed)
            record = read_record(place, ShiftRecord)
        except ProofstandError:
            unread.append(str(place))
            continue
        after = query.since_ns is None or record.utc_ns >= query.since_ns
        before = query.before_ns is None or record.utc_ns < query.before_ns
        if after and before and _is_rig(record.rig, rig):
            yield record


def _is_rig(own: str, wanted: str) -> bool:
    if wanted.endswith("*"):
        return key_of(own).startswith(key_of(wanted[:-1]))
    return not wanted or key_of(own) == key_of(wanted)


def _place(record: ShiftRecord) -> str:
    return f"{record.rig} {record.station}".strip()


def _check(record: ShiftRecord) -> RunFound:
    """Return a check in the words of runs, so that charts may name it."""
    return RunFound(
        run=record.id,
        serial="",
        model="",
        gas="",
        customer="",
        job="",
        plan=", ".join(record.plans),
        plan_version=0,
        rig=record.rig,
        station=record.station,
        tested_by=record.by,
        started_ns=record.utc_ns,
        simulated=False,
        verdict="pass" if record.passed else "fail",
        certificate="",
        title="",
    )


def _key(
    record: ShiftRecord, step: str, channel: str, name: str, value: Quantity
) -> _Key:
    return _Key(_place(record), step, channel, name, value.kind, value.reference)


def _leak(record: ShiftRecord) -> Iterator[tuple[_Key, Point]]:
    leak = record.rig_leak
    if leak is None:
        return
    most = None if record.gate is None else record.gate.value_si
    outcome = "no limit"
    if most is not None:
        outcome = "pass" if leak.upper.value_si <= most else "fail"
    yield (
        _key(record, trend_words("start_of_shift"), "", label(LEAK), leak.value),
        _point(record, leak.value, leak.u, (leak.low, leak.upper), outcome, None, most),
    )


def _standard(record: ShiftRecord) -> Iterator[tuple[_Key, Point]]:
    standard = record.standard
    if standard is None:
        return
    middle, apart = standard.stated.value_si, standard.limit.value_si
    yield (
        _key(
            record,
            trend_words("start_of_shift"),
            standard.id,
            trend_words(
                "of_standard", finding=label(standard.finding), standard=standard.id
            ),
            standard.found,
        ),
        _point(
            record,
            standard.found,
            standard.u_found,
            (standard.low, standard.high),
            standard.outcome,
            middle - apart,
            middle + apart,
        ),
    )


def _point(
    record: ShiftRecord,
    value: Quantity,
    u: Quantity,
    interval: tuple[Quantity, Quantity],
    outcome: str,
    least: float | None,
    most: float | None,
) -> Point:
    low, high = interval
    unit = typed_unit(value).name
    reference = "" if value.reference is Reference.NONE else f" {value.reference.value}"
    shown = f"{_number(value)} ({_number(low)} to {_number(high)}) {unit}{reference}"
    return Point(
        run=_check(record),
        serial=record.id,
        value=value.value_si,
        u=u.value_si,
        interval=(low.value_si, high.value_si),
        outcome=outcome,
        shown=shown,
        unit=unit,
        least=least,
        most=most,
    )


def _number(quantity: Quantity) -> str:
    return quantity.typed.split()[0]


def _zeros(
    archive: Archive, record: ShiftRecord, unread: list[str]
) -> Iterator[tuple[_Key, Point]]:
    """Give the zeros of a check as its kept run shows them today."""
    for part in record.parts:
        if part.what != "zero" or not part.file:
            continue
        folder = archive.folder / "shop" / "shift" / safe_name(record.id)
        place = folder / safe_name(part.file)
        try:
            run = read_sealed(place)
        except ProofstandError:
            unread.append(str(place))
            continue
        if run.sha256 != part.sha256:
            unread.append(str(place))
            continue
        for finding in judge(run).findings:
            if finding.id == ZERO and finding.measured is not None:
                yield _zero(record, run, finding)


def _zero(record: ShiftRecord, run: Run, finding: Finding) -> tuple[_Key, Point]:
    measured, plan, rig = finding.measured, run.header.plan, run.header.rig
    assert measured is not None
    shown = show(finding, plan, role_of(finding, rig))
    limit = finding.limit
    return (
        _Key(
            _place(record),
            finding.step,
            finding.channel,
            label(ZERO),
            finding.kind.kind,
            finding.kind.reference,
        ),
        Point(
            run=_check(record),
            serial=record.id,
            value=measured.value,
            u=measured.u,
            interval=finding.interval,
            outcome=finding.outcome.value,
            shown=shown.line,
            unit=shown.unit,
            least=None if limit is None else limit.min,
            most=None if limit is None else limit.max,
        ),
    )


def _series(key: _Key, points: list[Point]) -> Series:
    points.sort(key=lambda point: (point.run.started_ns, point.run.run))
    values = [point.value for point in points]
    return Series(
        group=key.place,
        step=key.step,
        channel=key.channel,
        label=key.name,
        unit=SI_UNIT[key.kind],
        unit_shown=points[-1].unit,
        reference=key.reference.value,
        points=tuple(points),
        not_measured=0,
        single=individuals(values),
        moved=ranges(values),
        averaged=averages(values),
    )
