"""``proofstand drill``: faults to be found blind, scored against what was true."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from . import drill_explain, drill_scores
from .options import (
    Subparsers,
    by_option,
    end_progress,
    json_option,
    out_option,
    progress,
    refuse_existing,
)

_DIFFICULTIES = ("plain", "fair", "subtle")
_HELP = "proofstand drill -h"


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "drill",
        help="drills: faults to find blind on the simulated rig, scored",
        description="Drills for who learns to test: a fault is drawn or chosen, the "
        "test is made on the simulated rig without a word on it, the trainee says what "
        "the trace shows, and is told how near that was. No regulator is tested.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    making = actions.add_parser(
        "make",
        help="draw or choose a fault, or take a stored run",
        description="Make a drill file. The answer is in it, packed so that nobody "
        "reads it by accident.",
    )
    making.add_argument("--family", default="second-stage", metavar="FAMILY")
    making.add_argument(
        "--plan", metavar="PLAN", help="id of a built-in plan; the family's own else"
    )
    making.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="ID[:SEVERITY]",
        help="this one (see simulate --list-faults); none and no --difficulty: healthy",
    )
    making.add_argument(
        "--difficulty",
        choices=_DIFFICULTIES,
        default="",
        help="draw one, as plain to see as that, or a healthy regulator",
    )
    making.add_argument(
        "--of", type=Path, metavar="RUN.h5", help="a stored run of the simulated rig"
    )
    making.add_argument("--seed", type=int, metavar="N", help="(default: by chance)")
    making.add_argument("--title", default="", metavar="TEXT", help="for the trainee")
    by_option(making, "who makes it")
    out_option(making, "drill file")
    json_option(making)
    making.set_defaults(run=run_make)
    running = actions.add_parser(
        "run",
        help="make the test of a drill, blind",
        description="Let simulated hands make the test of a drill. Nothing is said of "
        "what is wrong. --picture draws the trace without a finding in it.",
    )
    running.add_argument("drill", type=Path, metavar="DRILL.toml")
    out_option(running, "run file")
    running.add_argument(
        "--picture", type=Path, metavar="FILE.svg", help="the trace; must not exist"
    )
    json_option(running)
    running.set_defaults(run=run_run)
    drill_scores.add(actions)
    drill_explain.add(actions)


# --- make -----------------------------------------------------------------------------


def run_make(args: argparse.Namespace) -> int:
    """Make a drill file."""
    from proofstand.drilling import drill_of_run, made_drill
    from records.drillfile import write_drill
    from records.errors import InputError

    refuse_existing(args.out, "drill")
    if sum(bool(each) for each in (args.fault, args.difficulty, args.of)) > 1:
        why = "--fault, --difficulty and --of exclude one another."
        raise InputError("usage", why=why, help=_HELP)
    if args.of is not None:
        drill = drill_of_run(args.of, args.title, args.by)
    else:
        drill = made_drill(
            family=args.family,
            plan=args.plan or "",
            faults=args.fault,
            difficulty=args.difficulty,
            seed=args.seed,
            title=args.title,
            by=args.by,
        )
    write_drill(args.out, drill)
    if args.json:
        told = {"schema": "proofstand.drill-made/1", "file": str(args.out)}
        print(json.dumps({**told, "drill": drill.id, "title": drill.title}))
    else:
        print(f"{args.out}: drill {drill.id}, {drill.title}")
    return 0


# --- run ------------------------------------------------------------------------------


def run_run(args: argparse.Namespace) -> int:
    """Make the test of a drill, and tell nothing."""
    from proofstand.drilling import make_run
    from records.drillfile import read_drill
    from records.runfile import check_place

    drill = read_drill(args.drill)
    refuse_existing(args.out, "run file")
    if args.picture is not None:
        check_place(args.picture, "file")
    # no step and no time: how far it came would tell what is wrong
    progress("Simulated hands make the test; that takes up to a minute.")
    made = make_run(drill, args.out, str(args.drill))
    end_progress()
    if args.picture is not None:
        _picture(args.out, args.picture)
    if args.json:
        told = {"schema": "proofstand.drill-run/1", "drill": drill.id}
        print(json.dumps({**told, "run": made.run, "sha256": made.seal.sha256}))
        return 0
    print(f"{args.out}: run {made.run}")
    print("  SIMULATED RIG, no regulator was tested")
    if args.picture is not None:
        print(f"{args.picture}: its trace")
    return 0


def _picture(run_file: Path, out: Path) -> None:
    from proofstand.drawing.inks import PAGE
    from proofstand.drawing.picture import picture_of
    from proofstand.drawing.trace import trace_svg
    from records.runfile import read_sealed, write_once

    run = read_sealed(run_file)
    picture = picture_of(run, run.header.plan)
    text = trace_svg(picture, PAGE, width_mm=280.0, height_mm=150.0)
    write_once(out, text.encode("utf-8"), "file")
