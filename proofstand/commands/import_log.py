"""``proofstand import``: a logger's CSV file made into a sealed run."""

from __future__ import annotations

import argparse
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
        "import",
        help="make a run of a logger's CSV file",
        description="Make a sealed run of a logger's CSV file, for judge to read.",
    )
    parser.add_argument("log", type=Path, metavar="LOG.csv")
    parser.add_argument(
        "--map", type=Path, metavar="MAP.toml", help="what the columns are"
    )
    parser.add_argument(
        "--plan", metavar="PLAN", default="trace-only", help="plan to judge by"
    )
    parser.add_argument("--job", type=Path, metavar="JOB.toml", help="job card")
    out_option(parser, "the run file to make")
    key_options(parser, "the shop's")
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Import and say what was read."""
    import json

    from proofstand.runs import import_log

    refuse_existing(args.out, "run file")
    found = import_log(
        args.log,
        args.map,
        args.plan,
        args.job,
        args.out,
        args.key,
        unsigned=args.unsigned,
    )
    if args.json:
        print(
            json.dumps(
                {
                    "schema": "proofstand.imported/1",
                    "run": found.run,
                    "sha256": found.sha256,
                    "rows": found.rows,
                    "missing": found.missing,
                    "seconds": found.seconds,
                    "channels": list(found.channels),
                }
            )
        )
        return 0
    print(f"{args.out}: run {found.run}, {found.rows} rows over {found.seconds:.1f} s")
    print(f"  channels: {', '.join(found.channels)}; {found.missing} readings missing")
    print(f"  sha256 {found.sha256}")
    return 0
