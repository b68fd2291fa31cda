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
    by_option,
    json_option,
    label_option,
    people_option,
)

if TYPE_CHECKING:
    from proofstand.at_work import Order
    from proofstand.bench.cautions import Cautions
    from proofstand.procedure.engine import Command


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "record",
        help="record a test on a rig",
        description="Lead a test through its plan and record it. Writes RUN.journal "
        "beside RUN.h5 while it runs, seals it at the end, and exits as judge would; "
        "4 when the rig fails, 130 when interrupted. What was recorded always stays. "
        "With --resume an interrupted run is gone on with in a new part: zero and "
        "state are looked at, and the step that was on begins again.",
    )
    parser.add_argument("--rig", type=Path, metavar="RIG.toml")
    parser.add_argument(
        "--station", default="", metavar="S", help="where the rig has several"
    )
    parser.add_argument(
        "--resume",
        type=Path,
        metavar="RUN.journal",
        help="go on with this run; plan, job and rig are those of the journal",
    )
    parser.add_argument(
        "--plan",
        default="low-pressure",
        metavar="PLAN",
        help="plan file or built-in id",
    )
    parser.add_argument("--job", type=Path, metavar="JOB.toml")
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="the run file to make; must not exist (with --resume: RUN.h5 beside it)",
    )
    parser.add_argument(
        "--hands",
        choices=["simulated"],
        help="let the simulated hands work a simulated rig's valves",
    )
    by_option(parser, "who does the test")
    parser.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help="folder of the key that seals the run (default: the shop's; none for a "
        "simulated rig)",
    )
    label_option(parser)
    people_option(parser)
    parser.add_argument(
        "--cautions-read-by",
        default="",
        metavar="NAME",
        help="who has read the cautions for this gas and pressure; asked for at a "
        "terminal once a shift where it is left out",
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Record, seal and judge; return the verdict's exit code."""
    from proofstand.at_work import led_at_terminal
    from proofstand.recording import record, resume
    from proofstand.words.sentences import caution

    from .judged import print_judged
    from .prompter import Prompter

    out, journal = _places(args)
    end = EndAsked()

    def commands() -> Iterable[Command]:
        end.look()
        return prompter.commands()

    prompter = Prompter(quiet=args.json, ask=args.hands is None, by=args.by)

    def ask(cautions: Cautions) -> str:
        return prompter.ask_cautions(cautions, end.look)

    if not args.json:
        print(caution("general"), file=sys.stderr)
    try:
        with led_at_terminal(_order(args, out)):
            if args.resume is not None:
                recorded = resume(
                    journal=journal,
                    rig_path=args.rig,
                    out=out,
                    hands=args.hands,
                    by=args.by,
                    key_folder=args.key,
                    tell=prompter.tell,
                    commands=commands,
                    cautions_read_by=args.cautions_read_by,
                    ask_cautions=ask,
                )
            else:
                recorded = record(
                    rig_path=args.rig,
                    plan_name=args.plan,
                    job_path=args.job,
                    out=out,
                    journal=journal,
                    hands=args.hands,
                    by=args.by,
                    key_folder=args.key,
                    tell=prompter.tell,
                    commands=commands,
                    station=args.station,
                    label=args.label,
                    people=args.people,
                    warn=prompter.warn,
                    cautions_read_by=args.cautions_read_by,
                    ask_cautions=ask,
                )
    except KeyboardInterrupt:
        prompter.tell_interrupted(journal)
        raise
    finally:
        prompter.close()
    if not args.json:
        print(f"{out}: sealed, sha256 {recorded.seal.sha256}", file=sys.stderr)
    return print_judged(out, as_json=args.json)


def _order(args: argparse.Namespace, out: Path) -> Order:
    """Return what others at this computer are to know of the test."""
    from proofstand.at_work import Order

    rig = None if args.rig is None else Path(args.rig).absolute()
    return Order(out=out.absolute(), rig=rig, station=args.station, by=args.by)


def _places(args: argparse.Namespace) -> tuple[Path, Path]:
    """Return the run file to make and the journal, after checking what was given."""
    from proofstand.ready import check_out, check_run_file, journal_of
    from records.errors import InputError

    help_line = "proofstand record -h"
    if args.resume is not None:
        if args.job is not None or args.station or args.label:
            why = "--resume takes job, station and label from the journal."
            raise InputError("usage", why=why, help=help_line)
        out = args.out or args.resume.with_suffix(".h5")
        check_run_file(out, args.resume)
        return out, args.resume
    for name in ("rig", "job", "out"):
        if getattr(args, name) is None:
            why = f"The following arguments are required: --{name}."
            raise InputError("usage", why=why, help=help_line)
    check_out(args.out)
    return args.out, journal_of(args.out)
