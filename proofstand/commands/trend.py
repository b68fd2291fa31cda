"""``records trend``: how a finding moves, what passes first, what fails most."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .archive_options import archive_options, home_of, opened
from .options import json_option

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.charts import Chart, Often, Share
    from proofstand.keeping.trend import Series, Told, Yield

_GROUPS = ("model", "rig", "technician", "plan", "month", "lot")
_OF_RIG = ("rig_leak", "check_standard", "zero_offset")
_ENDINGS = (".csv", ".svg", ".png")
_MOST = 1000
_NOTHING = {
    False: "No run that was judged is kept of these.",
    True: "No check at the start of a shift with that is kept.",
}


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
        "seldom takes a steady process; they decide no verdict. Each model and plan is "
        "a series of its own. Or how many pass when "
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
    what.add_argument(
        "--shift",
        default="",
        choices=_OF_RIG,
        help="the rig itself, from one start of a shift to the next",
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

    from proofstand.keeping.shift_trend import shift_series
    from proofstand.keeping.trend import (
        Judged,
        causes,
        first_passes,
        series_of,
    )
    from proofstand.keeping.trend_told import (
        CAUSE_HEAD,
        cause_line,
        series_lines,
        yield_line,
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
    told: list[Told] = []
    found: list[Series] = []
    with opened(where) as index:
        query = query_of(args)
        if args.shift:
            shifts = shift_series(index, where.archive, query, args.shift)
            found, unread = list(shifts.series), list(shifts.unread)
        else:
            judged = Judged(index, where.archive, args.by)
            told = list(judged.of(index.all_runs(query)))
            unread = judged.unread
    yields: list[Yield] = []
    often: Sequence[Often] = ()
    if args.finding or args.shift:
        if args.finding:
            found = series_of(told, args.finding, step=args.step, channel=args.channel)
        lines = list(chain.from_iterable(series_lines(each) for each in found))
    elif args.first_pass:
        yields = first_passes(told)
        lines = [yield_line(each) for each in yields]
    else:
        often = causes(told)
        lines = [CAUSE_HEAD, *map(cause_line, often)] if often else []
    if args.out is not None:
        _write(args, found, yields, often)
    if args.json:
        print(json.dumps(_as_json(args, found, yields, often, unread)))
        return 0
    print("\n".join(lines or [_NOTHING[bool(args.shift)]]))
    if unread:
        print("Could not be read, and left out:")
        print("\n".join(f"  {path}" for path in unread))
    if args.out is not None:
        print(f"written: {args.out}")
    return 0


def _check_ending(args: argparse.Namespace) -> None:
    from records.errors import InputError

    allowed = _ENDINGS if args.finding or args.shift else _ENDINGS[:1]
    if args.out.suffix.lower() not in allowed:
        raise InputError(
            "value_wrong",
            key="--out",
            given=ascii(args.out.name),
            right="a name that ends in " + ", ".join(allowed),
        )


# --- as JSON ------------------------------------------------------------


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
    if args.finding or args.shift:
        document["finding"] = args.finding or args.shift
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
        "model": series.model or None,
        "plan": series.plan or None,
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
        "low": [None if math.isnan(edge) else edge for edge in chart.low.tolist()],
        "high": [None if math.isnan(edge) else edge for edge in chart.high.tolist()],
        "outside": list(chart.outside),
        "firm": chart.firm,
    }


def _write(
    args: argparse.Namespace,
    found: list[Series],
    yields: list[Yield],
    often: Sequence[Often],
) -> None:
    from proofstand.keeping.trend_told import chart_of, table_csv
    from records.errors import InputError
    from records.runfile import write_once

    if args.out.suffix.lower() == ".csv":
        text = table_csv(found, yields, often)
        write_once(args.out, text.encode("utf-8"), "file")
        return
    drawn = [each for each in found if each.points]
    if len(drawn) != 1:
        told = ", ".join(
            " ".join(filter(None, (s.of, s.step, s.channel))) for s in drawn
        )
        raise InputError(
            "value_wrong",
            key="--out",
            given=ascii(args.out.name),
            right="a chart of one series; choose by --step, --channel or a filter, as "
            "--model or --plan. "
            f"There are {len(drawn)}" + (f": {told}" if told else ""),
        )
    write_once(args.out, chart_of(drawn[0], args.out.suffix.lower()[1:]), "file")
