"""``proofstand record``: lead a test through its plan, record it, seal it, judge it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from .options import (
    EndAsked,
    Subparsers,
    json_option,
    out_option,
    refuse_existing,
)

if TYPE_CHECKING:
    from proofstand.procedure.engine import Command


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "record",
        help="record a test on a rig",
        description="Lead a test through its plan and record it. Writes RUN.journal "
        "beside RUN.h5 while it runs, seals it at the end, and exits as judge would; "
        "4 when the rig fails, 130 when interrupted. What was recorded always stays.",
    )
    parser.add_argument("--rig", required=True, type=Path, metavar="RIG.toml")
    parser.add_argument(
        "--plan",
        default="low-pressure",
        metavar="PLAN",
        help="plan file or built-in id",
    )
    parser.add_argument("--job", required=True, type=Path, metavar="JOB.toml")
    out_option(parser, "the run file to make")
    parser.add_argument(
        "--hands",
        choices=["simulated"],
        help="let the simulated hands work a simulated rig's valves",
    )
    parser.add_argument("--by", default="", metavar="NAME", help="who does the test")
    parser.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help="folder of the key that seals the run (default: the shop's; none for a "
        "simulated rig)",
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Record, seal and judge; return the verdict's exit code."""
    from proofstand.recording import record
    from proofstand.words.sentences import caution
    from records.errors import InputError

    from .judged import print_judged
    from .prompter import Prompter

    refuse_existing(args.out, "run file")
    journal = args.out.with_suffix(".journal")
    if args.out == journal:
        raise InputError(
            "value_wrong", key="--out", given=args.out, right="a name such as RUN.h5"
        )
    refuse_existing(journal, "journal")
    end = EndAsked()

    def commands() -> Iterable[Command]:
        end.look()
        return prompter.commands()

    prompter = Prompter(quiet=args.json, ask=args.hands is None)
    if not args.json:
        print(caution("general"), file=sys.stderr)
    try:
        recorded = record(
            rig_path=args.rig,
            plan_name=args.plan,
            job_path=args.job,
            out=args.out,
            journal=journal,
            hands=args.hands,
            by=args.by,
            key_folder=args.key,
            tell=prompter.tell,
            commands=commands,
        )
    except KeyboardInterrupt:
        prompter.tell_interrupted(journal)
        raise
    finally:
        prompter.close()
    if not args.json:
        print(f"{args.out}: sealed, sha256 {recorded.seal.sha256}", file=sys.stderr)
    return print_judged(args.out, as_json=args.json)
