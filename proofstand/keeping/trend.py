"""How findings move from run to run, how many pass at once, and what fails most often.

Of the judgement that was kept last of each regulator of a run. One that can't be read
is told and passed over.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from analysis.cause_groups import NONE
from analysis.charts import (
    Chart,
    Often,
    Share,
    averages,
    commonest,
    individuals,
    ranges,
    share,
)
from records.archive import entry as kinds
from records.archive.chain import Archive
from records.archive.found import NOT_JUDGED, RunFound
from records.archive.index import Index
from records.errors import ProofstandError
from records.judgement import Verdict
from records.runfile import read_sealed

from ..display import as_judged
from .keep import RUN_NAME, run_folder
from .times import day_of

AS_FOUND = "as-found"
NONE_NAMED = "none named"
# By what runs may be told apart. A kit's lot stands on the job card, in the run.
GROUPS = ("model", "rig", "technician", "plan", "month", "lot")
_BY: Mapping[str, Callable[[RunFound], str]] = {
    "model": lambda run: run.model,
    "rig": lambda run: f"{run.rig} {run.station}".strip(),
    "technician": lambda run: run.tested_by,
    "plan": lambda run: f"{run.plan} version {run.plan_version}",
    "month": lambda run: f"{day_of(run.started_ns):%Y-%m}",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What was said of one regulator of a run.

    Attributes:
        group: what it is told apart by. data: the judgement, as its JSON has it.
    """

    run: RunFound
    serial: str
    group: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A finding of one run, SI.

    Attributes:
        u: standard uncertainty, None where none was told. interval: 95 %, or None.
        shown: value with its uncertainty, unit and reference, as judged. unit: of that.
        least, most: the limit that it was judged by, None where that is open.
    """

    run: RunFound
    serial: str
    value: float
    u: float | None
    interval: tuple[float, float] | None
    outcome: str
    shown: str
    unit: str
    least: float | None
    most: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One finding of one model by one plan, step and channel, in time order, charted.

    Attributes:
        group: what it is told apart by beside that. model, plan: "" of the rig itself.
        label: the finding in words. unit: SI. reference: gauge and so on.
        unit_shown: that its newest value was shown in.
        not_measured: runs in which it was looked for and not found.
        single, moved, averaged: charts of values, moving ranges and averages.
    """

    group: str
    model: str = ""
    plan: str = ""
    step: str
    channel: str
    label: str
    unit: str
    unit_shown: str
    reference: str
    points: tuple[Point, ...]
    not_measured: int
    single: Chart
    moved: Chart
    averaged: Chart

    @property
    def of(self) -> str:
        """What it is of, each thing once; "" where nothing is told."""
        # a plan's version tells the plan too
        told = self.group.startswith(f"{self.plan} version ")
        parts = (self.group, self.model, "" if told else self.plan)
        return ", ".join(dict.fromkeys(filter(None, parts)))


@dataclass(frozen=True, slots=True)
class Yield:
    """How many regulators of a group passed the first time they were tested."""

    group: str
    passed: Share


class Judged:
    """What was said of kept runs, and what of it could not be read."""

    def __init__(self, index: Index, archive: Archive, group: str = "") -> None:
        """Open nothing yet.

        Args:
            index: of the archive.
            archive: where the judgements are.
            group: one of :data:`GROUPS`, or "" for all together.
        """
        self._index, self._archive, self._group = index, archive, group
        self.unread: list[str] = []

    def of(self, runs: Iterable[RunFound]) -> Iterator[Told]:
        """Give the judgement kept last of each regulator of each run."""
        for run in runs:
            if run.verdict == NOT_JUDGED:
                continue
            last: dict[str, Mapping[str, Any]] = {}
            for listed in self._index.entries(run=run.run):
                if listed.kind == kinds.JUDGEMENT:
                    told = self._read(listed.path, listed.sha256)
                    if told is not None:
                        last[str(told["regulator"]["serial"])] = told
            if last:
                group = self._group_of(run)
                for serial, data in last.items():
                    yield Told(run=run, serial=serial, group=group, data=data)

    def _read(self, path: str, sha256: str) -> Mapping[str, Any] | None:
        place = self._archive.folder / path
        try:
            data = place.read_bytes()
            if hashlib.sha256(data).hexdigest() != sha256:
                raise ValueError(path)
            (told,) = json.loads(data)["judgements"]
        except (OSError, ValueError, KeyError):
            self.unread.append(str(place))
            return None
        return dict(told)

    def _group_of(self, run: RunFound) -> str:
        if self._group == "lot":
            place = run_folder(self._archive, run.run) / RUN_NAME
            try:
                job = read_sealed(place).header.job
            except ProofstandError:
                self.unread.append(str(place))
                return ""
            rebuild = job.rebuild
            lots = [] if rebuild is None else [f"{rebuild.kit} {rebuild.lot}".strip()]
            return ", ".join(filter(None, lots))
        return _BY[self._group](run) if self._group else ""


class _Key(NamedTuple):
    """What makes values one series."""

    group: str
    model: str
    plan: str
    step: str
    channel: str


def series_of(
    told: Iterable[Told], finding: str, *, step: str = "", channel: str = ""
) -> list[Series]:
    """Return a finding's values, one series for each group, step and channel.

    What differs in model or plan is never one series.

    Args:
        told: of runs, in any order.
        finding: id.
        step: that one's alone, "" for any.
        channel: that one's alone, "" for any.
    """
    points: dict[_Key, list[Point]] = {}
    missing: Counter[_Key] = Counter()
    first: dict[_Key, Mapping[str, Any]] = {}
    for one in told:
        for found in one.data["findings"]:
            if found["id"] != finding:
                continue
            if (step and found["step"] != step) or (
                channel and found["channel"] != channel
            ):
                continue
            key = _Key(
                one.group,
                one.run.model,
                one.run.plan,
                str(found["step"]),
                str(found["channel"] or ""),
            )
            first.setdefault(key, found)
            points.setdefault(key, [])
            if found["value"] is None:
                missing[key] += 1
            else:
                points[key].append(_point(one, found))
    return [
        _series(key, first[key], points[key], missing[key]) for key in sorted(points)
    ]


def _point(one: Told, found: Mapping[str, Any]) -> Point:
    limit, interval = found["limit"] or {}, found["interval"]
    value, u = found["value"], found["standard_uncertainty"]
    text = as_judged(found)
    return Point(
        run=one.run,
        serial=one.serial,
        value=float(value),
        u=None if u is None else float(u),
        interval=None if interval is None else (interval[0], interval[1]),
        outcome=str(found["outcome"]),
        shown=text.line,
        unit=text.unit,
        least=limit.get("min"),
        most=limit.get("max"),
    )


def _series(
    key: _Key,
    found: Mapping[str, Any],
    points: list[Point],
    missing: int,
) -> Series:
    points.sort(key=lambda point: (point.run.started_ns, point.run.run, point.serial))
    values = [point.value for point in points]
    return Series(
        group=key.group,
        model=key.model,
        plan=key.plan,
        step=key.step,
        channel=key.channel,
        label=str(found["label"]),
        unit=str(found["unit"]),
        unit_shown=points[-1].unit if points else str(found["display"]["unit"]),
        reference=str(found["reference"]),
        points=tuple(points),
        not_measured=missing,
        single=individuals(values),
        moved=ranges(values),
        averaged=averages(values),
    )


def first_passes(told: Iterable[Told]) -> list[Yield]:
    """Return first-pass yields by group: of a regulator and job the first test counts.

    A test as found is none of these: the regulator was not rebuilt yet.
    """
    first: dict[tuple[str, str, str], Told] = {}
    for one in told:
        if one.run.plan == AS_FOUND:
            continue
        key = (one.serial, one.run.model, one.run.job or one.run.run)
        known = first.get(key)
        if known is None or one.run.started_ns < known.run.started_ns:
            first[key] = one
    of: Counter[str] = Counter(one.group for one in first.values())
    passed = Counter(
        one.group for one in first.values() if one.data["verdict"] == Verdict.PASS.value
    )
    return [Yield(group, share(passed[group], of[group])) for group in sorted(of)]


def causes(told: Iterable[Told]) -> Sequence[Often]:
    """Return what tests that failed point at first, the commonest first.

    One regulator counts once for each job and cause, however often it was tested.
    """
    seen: dict[tuple[str, str, str, str], None] = {}
    for one in told:
        if one.data["verdict"] != Verdict.FAIL.value:
            continue
        suspects = one.data["suspects"]
        first = suspects[0]["fault_group"] if suspects else [NONE]
        group = NONE_NAMED if first == [NONE] else " / ".join(first)
        seen[one.serial, one.run.model, one.run.job or one.run.run, group] = None
    return commonest(group for *_, group in seen)
