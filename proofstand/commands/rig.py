"""``proofstand rig``: check a rig, calibrate a channel of it, begin a shift."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from . import calibrate, shift
from .options import Subparsers, json_option


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "rig", help="check a rig, calibrate it, begin a shift", description="The rig."
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    check = actions.add_parser(
        "check",
        help="read every channel for some seconds",
        description="Open every instrument, read for some seconds, and show for each "
        "channel value, good readings, rate of them, noise, resolution, resting zero, "
        "calibration and faults. Exit 4 when an instrument fails or a channel gives no "
        "good reading; the others are read all the same.",
    )
    check.add_argument("rig", type=Path, metavar="RIG.toml")
    check.add_argument(
        "--seconds", type=float, default=3.0, metavar="S", help="how long to read"
    )
    json_option(check)
    check.set_defaults(run=run_check)
    calibrate.add(actions)
    shift.add(actions)


def run_check(args: argparse.Namespace) -> int:
    """Check and print the table."""
    from proofstand.bench.rigcheck import check_rig, shown
    from proofstand.report import trouble_json
    from proofstand.words.sentences import count_words, trouble
    from records.errors import EXIT_DONE, EXIT_RIG, InputError
    from rig.rigfile import load_rig

    if not 0.2 <= args.seconds <= 600.0:
        raise InputError(
            "value_wrong", key="--seconds", given=args.seconds, right="0.2 to 600"
        )
    rig = load_rig(args.rig)
    checked = check_rig(rig, args.seconds, args.rig.parent)
    rows = checked.rows
    code = EXIT_DONE if checked.is_good else EXIT_RIG
    if args.json:
        print(
            json.dumps(
                {
                    "schema": "proofstand.rig-checked/1",
                    "rig": rig.id,
                    "simulated": rig.simulated,
                    "good": checked.is_good,
                    "channels": [row.as_json() for row in rows],
                    "failed": {
                        id: trouble_json(trouble(error))
                        for id, error in checked.failed.items()
                    },
                    "counted": {
                        id: dict(counts)
                        for id, counts in checked.counted.items()
                        if counts
                    },
                },
                ensure_ascii=False,
            )
        )
        return code
    if rig.simulated:
        print("SIMULATED RIG\n")
    columns = [
        ("channel", [r.channel for r in rows]),
        ("value", [r.value for r in rows]),
        ("good", [r.good for r in rows]),
        ("noise (1 sd)", [r.noise for r in rows]),
        ("resolution", [r.resolution for r in rows]),
        ("resting zero", [r.zero for r in rows]),
        ("rate", [r.rate for r in rows]),
        ("calibration due", [r.calibration for r in rows]),
        ("faults", [r.faults for r in rows]),
    ]
    if len(rig.stations) > 1:
        columns.insert(0, ("station", [r.stations for r in rows]))
    widths = [max(map(len, (name, *cells))) for name, cells in columns]
    for line in zip(*((name, *cells) for name, cells in columns), strict=True):
        padded = (f"{cell:{width}}" for cell, width in zip(line, widths, strict=True))
        print("  ".join(padded).rstrip())
    told = [(row.channel, row.look_at) for row in rows if row.look_at]
    if told:
        print("\nLook at:")
        for channel, what in told:
            print(f"  {channel}: {what}")
    if checked.failed:
        print("\nFailed:")
        for id, error in checked.failed.items():
            known = trouble(error)
            place = "" if known.where in ("", id) else f"{known.where}: "
            print(f"  {id}: {place}{known.what} {known.do}")
    seen = [what for counts in checked.counted.values() for what in shown(counts)]
    if seen:
        print("\nWhat was counted:")
        for what in dict.fromkeys(seen):
            print(f"  {what.replace('_', ' ')}: {count_words(what)}")
    return code
