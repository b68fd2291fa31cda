"""Trends as lines of text, as a table and as a chart; for commands and window alike."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

import numpy as np

from analysis.charts import Chart, Often, Share
from records.measure import UNITS, to_unit

from ..display import digits_for, number, plain
from ..drawing.inks import PAGE, Inks
from ..report import fault_text
from .times import shown_moment
from .trend import NONE_NAMED, Point, Series, Yield

_SHOWN = 20
_UNUSUAL = "  UNUSUAL: "
_COLUMNS = (
    *(
        "group",
        "model",
        "plan",
        "finding",
        "step",
        "channel",
        "run",
        "serial",
        "started UTC",
    ),
    *("value", "standard uncertainty", "unit", "reference", "outcome", "unusual"),
)


# --- as lines -------------------------------------------------------------------------


def series_lines(series: Series) -> list[str]:
    """Return a finding's values as lines, the last ones one by one."""
    n = len(series.points)
    of = f"{plain(series.of)}: " if series.of else ""
    said = [f"{of}{series.label}, {series.step}, {plain(series.channel) or 'the rig'}"]
    if series.not_measured:
        said.append(f"  not measured in {series.not_measured} runs")
    if n == 1:
        said.append("  1 value: what is usual is not told by one")
    elif n:
        single, unit = series.single, unit_words(series)
        said.append(
            f"  {n} values; mean {_shown(series, single.centre)}, usual from "
            f"{_shown(series, float(single.low[0]))} to "
            f"{_shown(series, float(single.high[0]))} {unit}"
        )
        if not single.firm:
            said.append("  so few that what is usual is not known well")
    marks = unusual(series)
    for i, point in list(enumerate(series.points))[-_SHOWN:]:
        said.append(f"  {_point_line(point)}{marks.get(i, '')}")
    earlier = [i for i in marks if i < n - _SHOWN]
    if n > _SHOWN:
        said.append(
            f"  and {n - _SHOWN} before these, {len(earlier)} of them unusual; "
            "--json or --out FILE.csv has all"
        )
    return said


def unusual(series: Series) -> dict[int, str]:
    """Return what is said of the values that chance seldom gives."""
    said: dict[int, list[str]] = {}
    for word, chart, shift in (
        ("value", series.single, 0),
        ("step from the one before", series.moved, 1),
        ("average", series.averaged, 0),
    ):
        for i in chart.outside:
            said.setdefault(i + shift, []).append(word)
    return {i: f"{_UNUSUAL}{', '.join(words)}" for i, words in said.items()}


def _point_line(point: Point) -> str:
    return (
        f"{shown_moment(point.run.started_ns)}  {plain(point.serial):16}  "
        f"{point.shown}  {point.outcome}"
    )


def yield_line(one: Yield) -> str:
    """Return a first-pass yield as a line."""
    head = f"{plain(one.group)}: " if one.group else ""
    return f"{head}{share_text(one.passed)} passed when first tested"


def share_text(found: Share) -> str:
    """Return a share with its interval as text."""
    if found.value is None:
        return "0 of 0"
    return (
        f"{found.count} of {found.of} ({100.0 * found.value:.0f} %, 95 % interval "
        f"{100.0 * found.low:.0f} to {100.0 * found.high:.0f} %)"
    )


CAUSE_HEAD = (
    " times   so far  what failed tests point at first (so far: its part of all, with "
    "those above it)"
)


def cause_line(one: Often) -> str:
    """Return how often a cause was named first, as a line."""
    return f"{one.count:6}  {100.0 * one.part:5.1f} %  {cause_words(one.what)}"


def cause_words(group: str) -> str:
    """Return a group of causes in words."""
    if group == NONE_NAMED:
        return "no cause was named"
    said = [fault_text(id).rstrip(".") for id in group.split(" / ")]
    return "; or: ".join(said)


# --- units ----------------------------------------------------------------------------


def unit_words(series: Series) -> str:
    """Return the unit that a finding is shown in, with its reference."""
    word = "" if series.reference == "none" else series.reference
    return f"{series.unit_shown} {word}".rstrip()


def _scaled(series: Series, value: Any) -> Any:
    """Return SI values in the unit that they are shown in."""
    return to_unit(value, UNITS[series.unit_shown])


def _shown(series: Series, value: float) -> str:
    reach = float(series.single.high[0]) - series.single.centre
    scaled = _scaled(series, reach) - _scaled(series, 0.0)
    return number(_scaled(series, value), digits_for(scaled))


# --- table and chart -----------------------------------------------------------------


def table_csv(
    found: Sequence[Series], yields: Sequence[Yield], often: Sequence[Often]
) -> str:
    """Return series, yields or causes as a table for other programs (CSV)."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    if found:
        table.writerow(_COLUMNS)
    for each in found:
        marks = unusual(each)
        for i, point in enumerate(each.points):
            started = shown_moment(point.run.started_ns, utc=True)
            u = "" if point.u is None else repr(point.u)
            value = (repr(point.value), u, each.unit, each.reference)
            seldom = marks.get(i, "").removeprefix(_UNUSUAL)
            table.writerow(
                (
                    *(each.group, each.model, each.plan),
                    *(each.label, each.step, each.channel),
                    *(point.run.run, point.serial, started),
                    *value,
                    *(point.outcome, seldom),
                )
            )
    if yields:
        table.writerow(["group", "passed first", "of", "share", "from", "to"])
    for one in yields:
        of = one.passed
        table.writerow([one.group, of.count, of.of, of.value, of.low, of.high])
    if often:
        table.writerow(["cause", "tests", "part so far"])
    for cause in often:
        table.writerow([cause_words(cause.what), cause.count, cause.part])
    return out.getvalue()


def chart_of(
    series: Series,
    kind: str,
    inks: Inks = PAGE,
    *,
    size_in: tuple[float, float] | None = None,
    dots: float | None = None,
) -> bytes:
    """Return the charts of a finding as a picture.

    Args:
        series: with a value at least.
        kind: ``svg`` or ``png``.
        inks: to draw with.
        size_in: wide and high, inches; None takes that of a page.
        dots: of a PNG to the inch; None takes that of a page.
    """
    from ..drawing.chart import Panel, chart_picture  # loads the drawing library

    unit, n = unit_words(series), len(series.points)
    last = series.points[-1]

    def panel(title: str, chart: Chart, first: int, unit: str, **more: Any) -> Panel:
        return Panel(
            title=title,
            unit=unit,
            at=np.arange(first, n, dtype=np.float64),
            value=_scaled(series, chart.value),
            centre=_scaled(series, chart.centre),
            low=_scaled(series, chart.low),
            high=_scaled(series, chart.high),
            outside=chart.outside,
            **more,
        )

    limits = {
        name: None if limit is None else _scaled(series, limit)
        for name, limit in (("least", last.least), ("most", last.most))
    }
    spans = [
        (np.nan, np.nan) if point.interval is None else point.interval
        for point in series.points
    ]
    dashed = "dashed: beyond it chance seldom goes; " if n > 1 else ""
    panels = [
        panel(
            f"each value, with its 95 % interval; {dashed}solid: the plan's limit",
            series.single,
            0,
            unit,
            span=_scaled(series, np.array(spans)),
            **limits,
        ),
        panel(
            "step from the value before",
            series.moved,
            1,
            _unit_of_step(series),
        ),
        panel("weighted average", series.averaged, 0, unit),
    ]
    simulated = "   SIMULATED RIG" if last.run.simulated else ""
    of = f"{series.of}   " if series.of else ""
    names = [
        f"{shown_moment(point.run.started_ns)[:10]} {point.serial[:12]}"
        for point in series.points
    ]
    title = f"{of}{series.label}, {series.step}{simulated}"
    return chart_picture(panels, names, title, inks, kind, size_in=size_in, dots=dots)


def _unit_of_step(series: Series) -> str:
    reference = "difference" if series.reference != "none" else ""
    return f"{series.unit_shown} {reference}".rstrip()
