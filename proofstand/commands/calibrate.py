"""``proofstand rig calibrate``: a channel against a reference, and the record."""

from __future__ import annotations

import argparse
import datetime
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .options import Subparsers, by_option, json_option, refuse_existing

if TYPE_CHECKING:
    from records.calibration import CalibrationPoint, CalibrationRecord
    from records.rig import Channel, Rig
    from rig.clock import Clock


def add(actions: Subparsers) -> None:
    """Add the action."""
    parser = actions.add_parser(
        "calibrate",
        help="calibrate a channel against a reference",
        description="Compare a channel with a reference instrument that is declared "
        "and in date, up and down, and write the dated record that the rig file then "
        "names. The points come from a table (--points), or are read live: at each "
        "one the reference's value is asked for. Exit 6 without a fit reference.",
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
    from proofstand.bench.points import Points, load_points
    from records.calibrationfile import load_reference, write_record
    from records.errors import InputError
    from records.rig import NAME_RULE, is_name
    from rig.clock import HostClock
    from rig.rigfile import load_rig

    if not is_name(args.id):
        raise InputError("value_wrong", key="--id", given=args.id, right=NAME_RULE)
    if not 0.2 <= args.seconds <= 600.0:
        raise InputError(
            "value_wrong", key="--seconds", given=args.seconds, right="0.2 to 600"
        )
    due, said = _day(args.due, "--due"), _day(args.date, "--date")
    assert due is not None
    rig = load_rig(args.rig)
    out = args.out or args.rig.parent / f"{args.id}.toml"
    refuse_existing(out, "calibration record")
    channel = channel_of(rig, args.channel)
    reference = load_reference(args.reference) if args.reference is not None else None
    clock = HostClock(rig.time_multiple)
    today = datetime.datetime.fromtimestamp(clock.utc_ns() / 1e9, datetime.UTC).date()
    points = Points(points=())
    if args.points is not None:
        points = load_points(args.points, channel)
    day = said or points.date or today
    if day > today:
        raise InputError(
            "value_wrong", key="date", given=day, right=f"not after today, {today}"
        )
    reference = check_reference(reference, channel, day)
    if args.points is None:
        points = Points(points=_live(args, rig, channel, clock))
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
    if args.json:
        print(json.dumps(_as_json(record, out), ensure_ascii=False))
    else:
        _print(record, channel, out, args.rig)
    return 0


def _day(text: str | None, key: str) -> datetime.date | None:
    from records.errors import InputError

    try:
        return None if text is None else datetime.date.fromisoformat(text)
    except ValueError:
        raise InputError(
            "value_wrong", key=key, given=repr(text), right="a day such as 2026-11-20"
        ) from None


def _live(
    args: argparse.Namespace, rig: Rig, channel: Channel, clock: Clock
) -> tuple[CalibrationPoint, ...]:
    from proofstand.bench.points import read_points
    from proofstand.words.sentences import caution

    def say(line: str) -> None:
        print(line, file=sys.stderr, flush=True)

    def ask(number: int) -> str | None:
        print(f"{number}: {channel.unit}? ", end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        if not line:
            say("")
            return None
        return line.strip() or "end"

    say(caution("raise_slowly"))
    say(
        "Apply a value, let it settle, type what the reference reads. Go up, then down;"
    )
    say("type the turning value twice to read it on both ways. An empty line ends it.")
    return read_points(
        rig, channel, seconds=args.seconds, clock=clock, ask=ask, tell=say
    )


def _as_json(record: CalibrationRecord, out: Path) -> dict[str, Any]:
    from records.tomlfile import to_jsonable

    told = to_jsonable(record)
    told["coefficients"] = list(record.coefficients)
    return {"schema": "proofstand.calibrated/1", "file": str(out), "record": told}


def _print(record: CalibrationRecord, channel: Channel, out: Path, rig: Path) -> None:
    from proofstand.display import digits_for, number
    from records.measure import to_unit

    unit = channel.measure_unit

    def step(value: float) -> str:
        shown = to_unit(value, unit, difference=True)
        return f"{number(shown, digits_for(abs(shown)))} {unit.name}"

    def level(value: float) -> str:
        return f"{to_unit(value, unit):.6g} {channel.unit}"

    low, high = record.range
    figures = record.figures
    print(f"Calibration {record.id} of channel {channel.id}, {record.date}")
    print(f"  against    {record.reference.told}, due {record.reference.due}")
    print(f"  method     {record.method}; {len(record.points)} points")
    print(f"  range      {low.typed} to {high.typed}")
    spread = "one run only, not shown"
    if figures.repeatability is not None:
        spread = f"{figures.repeatability * 100:.4f} %"
    print("  of the channel's span:")
    print(f"    non-linearity            {figures.non_linearity * 100:.4f} %")
    terminal = figures.terminal_non_linearity * 100
    print(f"    the same, terminal-based {terminal:.4f} %")
    print(f"    hysteresis               {figures.hysteresis * 100:.4f} %")
    print(f"    repeatability            {spread}")
    for name, errors in (("as found", record.as_found), ("as left", record.as_left)):
        claim = "nothing was claimed"
        if errors.allowed is not None:
            word = "within" if errors.within else "BEYOND"
            claim = f"{word} the {step(errors.allowed)} that was claimed (k = 2)"
        print(
            f"  {name:9}  largest error {step(errors.largest)} at "
            f"{level(errors.at)}: {claim}"
        )
    if not record.as_found.within:
        print("  ! Tests since the last good calibration may be wrong by that much.")
    calibration = record.calibration
    print("  expanded uncertainty (k = 2):")
    for value in (low.value_si, 0.5 * (low.value_si + high.value_si), high.value_si):
        print(f"    at {level(value):>24}  {step(2.0 * calibration.u_at(value))}")
    span = channel.span
    if span[0].value_si < low.value_si or span[1].value_si > high.value_si:
        print(
            f"  ! The channel's span goes from {span[0].typed} to {span[1].typed}: "
            "beyond the range above nothing was compared."
        )
    print(f"{out}: written, sha256 {record.sha256}")
    name = out.name if out.resolve().parent == rig.resolve().parent else str(out)
    print(f'In {rig.name}, channel {channel.id}: calibration = "{name}"')
