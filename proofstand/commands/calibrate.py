"""``proofstand rig calibrate``: a channel against a reference, and the record."""

from __future__ import annotations

import argparse
import datetime
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .options import (
    NotedInterrupt,
    Subparsers,
    by_option,
    json_option,
    refuse_existing,
    say_not_kept,
)

if TYPE_CHECKING:
    from proofstand.bench.points import Points
    from proofstand.bench.points_csv import KeptPoints
    from records.calibration import (
        CalibrationRecord,
        Errors,
        ReferenceInstrument,
        When,
    )
    from records.rig import Channel, Rig
    from rig.clock import Clock


GROSS = 0.1  # of the span: no transducer is off by that much, a wrong scale is


def add(actions: Subparsers) -> None:
    """Add the action."""
    parser = actions.add_parser(
        "calibrate",
        help="calibrate a channel against a reference",
        description="Compare a channel with a reference instrument that is declared "
        "and in date, up and down, and write the dated record that the rig file then "
        "names. The points come from a table (--points), or are read live: at each "
        "one the reference's value is asked for, and each is kept in a table of its "
        "own at once (NO-points.csv beside the record), so that nothing is lost by an "
        "error. Exit 6 without a fit reference, 4 when the rig fails, 130 when "
        "interrupted.",
    )
    parser.add_argument("--rig", required=True, type=Path, metavar="RIG.toml")
    parser.add_argument("--channel", required=True, metavar="ID")
    parser.add_argument(
        "--reference", type=Path, metavar="REF.toml", help="the reference instrument"
    )
    parser.add_argument(
        "--points", type=Path, metavar="TABLE", help=".toml or .csv; none: read live"
    )
    parser.add_argument(
        "--as-left",
        action="store_true",
        help="read live: the channel was adjusted before, and not read as found",
    )
    parser.add_argument(
        "--order", type=int, default=1, metavar="N", help="of the curve; 1: a line"
    )
    parser.add_argument("--id", required=True, metavar="NO", help="of the record")
    parser.add_argument(
        "--date", metavar="DAY", help="when it was made (default: the table's, today)"
    )
    parser.add_argument(
        "--due", required=True, metavar="DAY", help="last day on which it holds"
    )
    by_option(parser, "who calibrates", required=True)
    parser.add_argument(
        "--seconds", type=float, default=5.0, metavar="S", help="to read at each point"
    )
    parser.add_argument(
        "--out", type=Path, metavar="CAL.toml", help="default: NO.toml beside the rig"
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Calibrate, write the record, say what it says."""
    from proofstand.bench.calibrate import channel_of, check_reference, make_record
    from proofstand.bench.points import load_points
    from proofstand.bench.points_csv import KeptPoints
    from proofstand.keeping.made import keep_shop
    from records.calibrationfile import load_reference, write_record
    from records.errors import InputError
    from rig.clock import HostClock
    from rig.rigfile import load_rig

    _check(args)
    due, said = _day(args.due, "--due"), _day(args.date, "--date")
    assert due is not None
    rig = load_rig(args.rig)
    out = args.out or args.rig.parent / f"{args.id}.toml"
    refuse_existing(out, "calibration record")
    channel = channel_of(rig, args.channel)
    reference = load_reference(args.reference) if args.reference is not None else None
    clock = HostClock(rig.time_multiple)
    today = datetime.datetime.fromtimestamp(clock.utc_ns() / 1e9, datetime.UTC).date()
    points = load_points(args.points, channel) if args.points is not None else None
    day = said or (points.date if points is not None else None) or today
    if day > today:
        raise InputError(
            "value_wrong", key="date", given=day, right=f"not after today, {today}"
        )
    reference = check_reference(reference, channel, day)
    kept: KeptPoints | None = None
    try:
        if points is None:
            with KeptPoints(out.parent, out.stem, channel, day) as kept:
                points = _live(args, rig, channel, reference, clock, kept)
        record = make_record(
            rig=rig,
            channel=channel,
            points=points,
            reference=reference,
            order=args.order,
            id=args.id,
            date=day,
            due=due,
            by=args.by,
        )
        record = write_record(out, record)
    finally:
        if kept is not None and kept.count:
            _say_kept(kept, made=out.exists())
    if not rig.simulated:
        of = [(args.reference, ".toml"), (out, ".toml")]
        say_not_kept(keep_shop(of, by=args.by))
    path = kept.path if kept is not None else args.points
    if args.json:
        print(json.dumps(_as_json(record, channel, out, path), ensure_ascii=False))
    else:
        _print(record, channel, out, args.rig)
    return 0


def _check(args: argparse.Namespace) -> None:
    from records.errors import InputError
    from records.rig import NAME_RULE, is_name

    if not is_name(args.id):
        raise InputError("value_wrong", key="--id", given=args.id, right=NAME_RULE)
    if not 0.2 <= args.seconds <= 600.0:
        raise InputError(
            "value_wrong", key="--seconds", given=args.seconds, right="0.2 to 600"
        )
    if args.as_left and args.points is not None:
        why = "A table says itself what was found and what was left."
        raise InputError("usage", why=why, help="proofstand rig calibrate -h")


def _say_kept(kept: KeptPoints, *, made: bool) -> None:
    count = f"{kept.count} point{'s' if kept.count > 1 else ''}"
    after = "" if made else f" Go on from there with --points {kept.path}"
    print(f"{kept.path}: {count} kept as read.{after}", file=sys.stderr)


def _day(text: str | None, key: str) -> datetime.date | None:
    from records.errors import InputError

    try:
        return None if text is None else datetime.date.fromisoformat(text)
    except ValueError:
        raise InputError(
            "value_wrong", key=key, given=repr(text), right="a day such as 2026-11-20"
        ) from None


def _live(
    args: argparse.Namespace,
    rig: Rig,
    channel: Channel,
    reference: ReferenceInstrument,
    clock: Clock,
    kept: KeptPoints,
) -> Points:
    from proofstand.bench.calibrate import check_applied
    from proofstand.bench.live_points import read_points
    from proofstand.words.sentences import caution

    stop = NotedInterrupt()

    def say(line: str) -> None:
        print(line, file=sys.stderr, flush=True)

    def ask(number: int, when: When) -> str | None:
        asked = f"{number}, {when}: {channel.unit}? "
        print(asked, end="", file=sys.stderr, flush=True)
        try:
            stop.check()
            line = sys.stdin.readline()
            stop.check()
        except KeyboardInterrupt:
            say("")
            raise
        if not line:
            say("")
            return None
        return line.strip() or "end"

    say(caution("raise_slowly"))
    say(
        "Apply a value, let it settle, type what the reference reads. Go up, then down;"
    )
    say("type the turning value twice to read it on both ways. An empty line ends it.")
    if not args.as_left:
        say("Adjust nothing yet. If you adjust the transducer after the runs as found,")
        say('type "as left" then and run up and down again.')
    return read_points(
        rig,
        channel,
        seconds=args.seconds,
        clock=clock,
        keep=kept,
        ask=ask,
        tell=say,
        when="as left" if args.as_left else "as found",
        within=lambda value: check_applied(value, reference, channel, channel.id),
        folder=args.rig.parent,
    )


def _as_json(
    record: CalibrationRecord, channel: Channel, out: Path, points: Path
) -> dict[str, Any]:
    from records.tomlfile import to_jsonable

    told = to_jsonable(record)
    told["coefficients"] = list(record.coefficients)
    return {
        "schema": "proofstand.calibrated/1",
        "file": str(out),
        "points": str(points),
        "warnings": list(_warnings(record, channel)),
        "record": told,
    }


def _warnings(record: CalibrationRecord, channel: Channel) -> Iterator[str]:
    """Yield what whoever relies on the record has to know."""
    low, high = (end.value_si for end in record.range)
    span = channel.span
    width = span[1].value_si - span[0].value_si
    if record.as_found is None:
        of = f" under {record.supersedes}" if record.supersedes else ""
        yield (
            "As found was not taken: nothing is known of whether tests since the last "
            f"good calibration{of} were right."
        )
    elif not record.as_found.within:
        yield "Tests since the last good calibration may be wrong by that much."
    off = max(abs(point.reading - point.applied) for point in record.points) / width
    if off > GROSS:
        yield (
            f"Uncalibrated the channel is off by up to {100.0 * off:.0f} % of its "
            "span: check its scale, offset and unit before you use this record."
        )
    if span[0].value_si < low or span[1].value_si > high:
        yield (
            f"The channel's span goes from {span[0].typed} to {span[1].typed}: "
            "beyond the range above nothing was compared."
        )


def _print(record: CalibrationRecord, channel: Channel, out: Path, rig: Path) -> None:
    from proofstand.display import digits_for, number
    from records.measure import to_unit

    unit = channel.measure_unit

    def step(value: float) -> str:
        shown = to_unit(value, unit, difference=True)
        return f"{number(shown, digits_for(abs(shown)))} {unit.name}"

    def level(value: float) -> str:
        return f"{to_unit(value, unit):.6g} {channel.unit}"

    def errors(found: Errors | None) -> str:
        if found is None:
            return "not taken"
        claim = "nothing was claimed"
        if found.allowed is not None:
            word = "within" if found.within else "BEYOND"
            claim = f"{word} the {step(found.allowed)} that was claimed (k = 2)"
        return f"largest error {step(found.largest)} at {level(found.at)}: {claim}"

    def share(value: float | None) -> str:
        return "one run only, not shown" if value is None else f"{value * 100:.4f} %"

    low, high = record.range
    figures = record.figures
    print(f"Calibration {record.id} of channel {channel.id}, {record.date}")
    print(f"  holds to   {record.due}; made by {record.by}")
    print(f"  against    {record.reference.told}, due {record.reference.due}")
    print(f"  method     {record.method}; {len(record.points)} points")
    print(f"  range      {low.typed} to {high.typed}")
    print("  of the channel's span:")
    print(f"    largest error            {share(figures.largest_error)}")
    off_curve = "non-linearity" if record.order == 1 else "conformity"
    print(f"    {off_curve:24} {share(figures.non_linearity)}")
    print(f"    the same, terminal-based {share(figures.terminal_non_linearity)}")
    print(f"    hysteresis               {share(figures.hysteresis)}")
    print(f"    repeatability            {share(figures.repeatability)}")
    print(f"  as found   {errors(record.as_found)}")
    alone = "not adjusted; with the new curve " if record.left_alone else ""
    print(f"  as left    {alone}{errors(record.as_left)}")
    calibration = record.calibration
    print("  expanded uncertainty (k = 2):")
    for value in (low.value_si, 0.5 * (low.value_si + high.value_si), high.value_si):
        print(f"    at {level(value):>24}  {step(2.0 * calibration.u_at(value))}")
    for warning in _warnings(record, channel):
        print(f"  ! {warning}")
    print(f"{out}: written, sha256 {record.sha256}")
    name = out.name if out.resolve().parent == rig.resolve().parent else str(out)
    print(f'In {rig.name}, channel {channel.id}: calibration = "{name}"')
