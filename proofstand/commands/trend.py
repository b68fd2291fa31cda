"""``records trend``: how a finding moves, what passes first, what fails most."""

from __future__ import annotations

import argparse
import csv
import io
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .archive_options import archive_options, home_of, opened
from .options import json_option

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.charts import Chart, Often, Share
    from proofstand.keeping.trend import Point, Series, Yield

_GROUPS = ("model", "rig", "technician", "plan", "month", "lot")
_ENDINGS = (".csv", ".svg", ".png")
_SHOWN = 20
_UNUSUAL = "  UNUSUAL: "
_COLUMNS = (
    *("group", "finding", "step", "channel", "run", "serial", "started UTC"),
    *("value", "standard uncertainty", "unit", "reference", "outcome", "unusual"),
)
_MOST = 1000


def add(actions: Any, filters: Any) -> None:
    """Add the command.

    Args:
        actions: of the records command.
        filters: adds the options that choose runs.
    """
    parser = actions.add_parser(
        "trend",
        help="how a finding moves from run to run; first-pass yield; causes",
        description="Chart a finding over kept runs: single values with their moving "
        "ranges, and their weighted average, each with the limits beyond which chance "
        "seldom takes a steady process; they decide no verdict. Or how many pass when "
        "they are tested for the first time, or what those that fail point at first. "
        "Runs of simulated rigs are left out unless --simulated is given.",
    )
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--finding", default="", metavar="ID", help="as set_pressure")
    what.add_argument(
        "--first-pass", action="store_true", help="first-pass yield, as tested first"
    )
    what.add_argument(
        "--causes", action="store_true", help="what failed tests point at, most first"
    )
    parser.add_argument("--step", default="", metavar="ID", help="that step's alone")
    parser.add_argument(
        "--channel", default="", metavar="ID", help="that channel's alone"
    )
    parser.add_argument("--by", default="", choices=_GROUPS, help="told apart by that")
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="table (.csv) or chart (.svg, .png) to make; must not exist",
    )
    filters(parser)
    archive_options(parser)
    json_option(parser)
    parser.set_defaults(run=run, most=_MOST, after="")


def run(args: argparse.Namespace) -> int:
    """Read, chart, and print or write."""
    from itertools import chain

    from proofstand.keeping.trend import (
        Judged,
        causes,
        first_passes,
        series_of,
    )
    from proofstand.keeping.wanted import finding_kind
    from records.runfile import check_place

    from .records import query_of

    if args.finding:
        finding_kind(args.finding)
    if args.out is not None:
        _check_ending(args)
        check_place(args.out, "file")
    if not args.simulated:
        args.real = True
    where = home_of(args)
    with opened(where) as index:
        judged = Judged(index, where.archive, args.by)
        told = list(judged.of(index.all_runs(query_of(args))))
    found: list[Series] = []
    yields: list[Yield] = []
    often: Sequence[Often] = ()
    if args.finding:
        found = series_of(told, args.finding, step=args.step, channel=args.channel)
        lines = list(chain.from_iterable(_series_lines(each) for each in found))
    elif args.first_pass:
        yields = first_passes(told)
        lines = [_yield_line(each) for each in yields]
    else:
        often = causes(told)
        lines = [_cause_line(each) for each in often]
    if args.out is not None:
        _write(args, found, yields, often)
    if args.json:
        print(json.dumps(_as_json(args, found, yields, often, judged.unread)))
        return 0
    print("\n".join(lines or ["No run that was judged is kept of these."]))
    if judged.unread:
        print("Could not be read, and left out:")
        print("\n".join(f"  {path}" for path in judged.unread))
    if args.out is not None:
        print(f"written: {args.out}")
    return 0


def _check_ending(args: argparse.Namespace) -> None:
    from records.errors import InputError

    allowed = _ENDINGS if args.finding else _ENDINGS[:1]
    if args.out.suffix.lower() not in allowed:
        raise InputError(
            "value_wrong",
            key="--out",
            given=ascii(args.out.name),
            right="a name that ends in " + ", ".join(allowed),
        )


# --- as lines -------------------------------------------------------------------------


def _series_lines(series: Series) -> list[str]:
    from proofstand.display import plain

    n = len(series.points)
    of = f"{plain(series.group)}: " if series.group else ""
    said = [f"{of}{series.label}, {series.step}, {plain(series.channel) or 'the rig'}"]
    if series.not_measured:
        said.append(f"  not measured in {series.not_measured} runs")
    if n:
        single, unit = series.single, _unit(series)
        said.append(
            f"  {n} values; mean {_shown(series, single.centre)}, usual from "
            f"{_shown(series, float(single.low[0]))} to "
            f"{_shown(series, float(single.high[0]))} {unit}"
        )
        if not single.firm:
            said.append("  so few that what is usual is not known well")
    marks = _marks(series)
    for i, point in list(enumerate(series.points))[-_SHOWN:]:
        said.append(f"  {_point_line(point)}{marks.get(i, '')}")
    earlier = [i for i in marks if i < n - _SHOWN]
    if n > _SHOWN:
        said.append(
            f"  and {n - _SHOWN} before these, {len(earlier)} of them unusual; "
            "--json or --out FILE.csv has all"
        )
    return said


def _marks(series: Series) -> dict[int, str]:
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
    from proofstand.display import plain

    from .records import moment

    return (
        f"{moment(point.run.started_ns)}  {plain(point.serial):16}  "
        f"{point.shown}  {point.outcome}"
    )


def _yield_line(one: Yield) -> str:
    from proofstand.display import plain

    head = f"{plain(one.group)}: " if one.group else ""
    return f"{head}{_share_text(one.passed)} passed when first tested"


def _share_text(found: Share) -> str:
    if found.value is None:
        return "0 of 0"
    return (
        f"{found.count} of {found.of} ({100.0 * found.value:.0f} %, 95 % interval "
        f"{100.0 * found.low:.0f} to {100.0 * found.high:.0f} %)"
    )


def _cause_line(one: Often) -> str:
    return f"{one.count:6}  {100.0 * one.part:5.1f} %  {_cause(one.what)}"


def _cause(group: str) -> str:
    from proofstand.keeping.trend import NONE_NAMED
    from proofstand.report import fault_text

    if group == NONE_NAMED:
        return "no cause was named"
    said = [fault_text(id).rstrip(".") for id in group.split(" / ")]
    return "; or: ".join(said)


# --- units ----------------------------------------------------------------------------


def _unit(series: Series) -> str:
    word = "" if series.reference == "none" else series.reference
    return f"{series.unit_shown} {word}".rstrip()


def _scaled(series: Series, value: Any) -> Any:
    """Return SI values in the unit that they are shown in."""
    from records.measure import UNITS, to_unit

    return to_unit(value, UNITS[series.unit_shown])


def _shown(series: Series, value: float) -> str:
    from proofstand.display import digits_for, number

    reach = float(series.single.high[0]) - series.single.centre
    scaled = _scaled(series, reach) - _scaled(series, 0.0)
    return number(_scaled(series, value), digits_for(scaled))


# --- as JSON, table, chart ------------------------------------------------------------


def _as_json(
    args: argparse.Namespace,
    found: list[Series],
    yields: list[Yield],
    often: Sequence[Often],
    unread: list[str],
) -> dict[str, Any]:
    document: dict[str, Any] = {
        "schema": "proofstand.records-trend/1",
        "by": args.by or None,
        "simulated": args.simulated,
        "unread": unread,
    }
    if args.finding:
        document["finding"] = args.finding
        document["series"] = [_series_json(each) for each in found]
    elif args.first_pass:
        document["first_pass"] = [
            {"group": each.group or None, **_share_json(each.passed)} for each in yields
        ]
    else:
        document["causes"] = [
            {
                "fault_group": [] if each.what == _none() else each.what.split(" / "),
                "count": each.count,
                "part": each.part,
            }
            for each in often
        ]
    return document


def _none() -> str:
    from proofstand.keeping.trend import NONE_NAMED

    return NONE_NAMED


def _share_json(found: Share) -> dict[str, Any]:
    return {
        "passed": found.count,
        "of": found.of,
        "share": found.value,
        "interval": [found.low, found.high],
    }


def _series_json(series: Series) -> dict[str, Any]:
    from .records import moment

    return {
        "group": series.group or None,
        "step": series.step,
        "channel": series.channel or None,
        "label": series.label,
        "unit": series.unit,
        "reference": series.reference,
        "not_measured": series.not_measured,
        "points": [
            {
                "run": point.run.run,
                "serial": point.serial,
                "started": moment(point.run.started_ns, utc=True),
                "value": point.value,
                "standard_uncertainty": point.u,
                "outcome": point.outcome,
                "limit": {"min": point.least, "max": point.most},
            }
            for point in series.points
        ],
        "individuals": _chart_json(series.single),
        "moving_ranges": _chart_json(series.moved),
        "averages": _chart_json(series.averaged),
    }


def _chart_json(chart: Chart) -> dict[str, Any]:
    return {
        "value": chart.value.tolist(),
        "centre": chart.centre,
        "low": chart.low.tolist(),
        "high": chart.high.tolist(),
        "outside": list(chart.outside),
        "firm": chart.firm,
    }


def _write(
    args: argparse.Namespace,
    found: list[Series],
    yields: list[Yield],
    often: Sequence[Often],
) -> None:
    from records.errors import InputError
    from records.runfile import write_once

    if args.out.suffix.lower() == ".csv":
        text = _table(found, yields, often)
        write_once(args.out, text.encode("utf-8"), "file")
        return
    drawn = [each for each in found if each.points]
    if len(drawn) != 1:
        told = ", ".join(
            " ".join(filter(None, (s.group, s.step, s.channel))) for s in drawn
        )
        raise InputError(
            "value_wrong",
            key="--out",
            given=ascii(args.out.name),
            right="a chart of one series; choose by --step, --channel or a filter. "
            f"There are {len(drawn)}" + (f": {told}" if told else ""),
        )
    write_once(args.out, _picture(drawn[0], args.out.suffix.lower()[1:]), "file")


def _table(found: list[Series], yields: list[Yield], often: Sequence[Often]) -> str:
    from .records import moment

    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    if found:
        table.writerow(_COLUMNS)
    for each in found:
        marks = _marks(each)
        for i, point in enumerate(each.points):
            started = moment(point.run.started_ns, utc=True)
            u = "" if point.u is None else repr(point.u)
            value = (repr(point.value), u, each.unit, each.reference)
            unusual = marks.get(i, "").removeprefix(_UNUSUAL)
            table.writerow(
                (
                    *(each.group, each.label, each.step, each.channel),
                    *(point.run.run, point.serial, started),
                    *value,
                    *(point.outcome, unusual),
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
        table.writerow([_cause(cause.what), cause.count, cause.part])
    return out.getvalue()


def _picture(series: Series, kind: str) -> bytes:
    import numpy as np

    from proofstand.drawing.chart import Panel, chart_picture
    from proofstand.drawing.inks import PAGE

    from .records import moment

    unit, n = _unit(series), len(series.points)
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
    panels = [
        panel(
            "each value, with its 95 % interval; dashed: beyond it chance seldom goes; "
            "solid: the plan's limit",
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
    of = f"{series.group}   " if series.group else ""
    names = [
        f"{moment(point.run.started_ns)[:10]} {point.serial[:12]}"
        for point in series.points
    ]
    title = f"{of}{series.label}, {series.step}{simulated}"
    return chart_picture(panels, names, title, PAGE, kind)


def _unit_of_step(series: Series) -> str:
    reference = "difference" if series.reference != "none" else ""
    return f"{series.unit_shown} {reference}".rstrip()
