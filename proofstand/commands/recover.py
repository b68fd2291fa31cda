"""``proofstand recover``: an interrupted journal made into a run file."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from .options import (
    Subparsers,
    json_option,
    key_options,
    out_option,
    refuse_existing,
)


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "recover",
        help="make a run file of an interrupted journal",
        description="Make a sealed run file, state interrupted, of every whole record "
        "of a journal. The journal stays as it is.",
    )
    parser.add_argument("journal", type=Path, metavar="RUN.journal")
    out_option(parser, "the run file to make")
    key_options(parser, "the shop's; none for a simulated rig")
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Recover and print what was found."""
    from proofstand.recovery import recover

    refuse_existing(args.out, "run file")
    found = recover(args.journal, args.out, args.key, unsigned=args.unsigned)
    if args.json:
        print(
            json.dumps(
                {
                    "schema": "proofstand.recovered/1",
                    "run": found.run,
                    "state": found.state,
                    "sha256": found.sha256,
                    "last_s": found.last_s,
                    "samples": found.samples,
                    "marks": found.marks,
                    "torn_bytes": found.torn_bytes,
                    "damaged_records": found.damaged_records,
                }
            )
        )
        return 0
    print(f"{args.out}: recovered run {found.run}, state {found.state}")
    print(
        f"  {found.samples} readings up to {found.last_s:.2f} s, {found.marks} marks; "
        f"{found.torn_bytes} bytes at the end were no whole record, "
        f"{found.damaged_records} records inside were damaged and left out"
    )
    print(f"  sha256 {found.sha256}")
    return 0
