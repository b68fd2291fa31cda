"""``proofstand drill``: faults to be found blind, scored against what was true."""

from __future__ import annotations

import argparse
import json
import secrets
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from . import drill_scores
from .options import (
    Subparsers,
    by_option,
    end_progress,
    json_option,
    out_option,
    refuse_existing,
    step_progress,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from records.drill import DrillAnswer

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


# --- make -----------------------------------------------------------------------------


def run_make(args: argparse.Namespace) -> int:
    """Make a drill file."""
    from proofstand.simulated import PLANS
    from records.drill import Drill, DrillAnswer
    from records.drillfile import folded, write_drill
    from records.errors import InputError

    refuse_existing(args.out, "drill")
    if sum(bool(each) for each in (args.fault, args.difficulty, args.of)) > 1:
        why = "--fault, --difficulty and --of exclude one another."
        raise InputError("usage", why=why, help=_HELP)
    seed = secrets.randbelow(2**31) if args.seed is None else args.seed
    if not 0 <= seed < 2**63:
        raise InputError("value_wrong", key="--seed", given=seed, right="0 or more")
    family, plan, run = args.family, args.plan, ""
    if args.of is not None:
        family, plan, run, answer = _stored(args.of)
    else:
        if family not in PLANS:
            known = ", ".join(PLANS)
            raise InputError("family_unknown", given=family, known=known)
        plan = plan or PLANS[family]
        answer = DrillAnswer(seed=seed, faults=_faults(args, family, plan, seed))
    drill = Drill(
        id=f"{secrets.token_hex(4)}",
        title=args.title or f"{family}, plan {plan}",
        family=family,
        plan=plan,
        difficulty=args.difficulty,
        run=run,
        by=args.by,
        made=datetime.now().astimezone().date(),
        answer=folded(answer),
    )
    write_drill(args.out, drill)
    if args.json:
        told = {"schema": "proofstand.drill-made/1", "file": str(args.out)}
        print(json.dumps({**told, "drill": drill.id, "title": drill.title}))
    else:
        print(f"{args.out}: drill {drill.id}, {drill.title}")
    return 0


def _faults(
    args: argparse.Namespace, family: str, plan: str, seed: int
) -> tuple[str, ...]:
    """Return the faults of a drill, each with its severity; all of them fit."""
    from proofstand.review.drills import drawn
    from records.errors import InputError
    from records.faults import CATALOGUE
    from records.planfile import plan_by_name
    from rig.simulator.devices import SimulatedRig
    from rig.simulator.families import FAMILIES
    from rig.simulator.faults import parsed_faults

    plan_by_name(plan)

    def fits(faults: Sequence[str]) -> bool:
        SimulatedRig(seed, parsed_faults(faults), family=FAMILIES[family])
        return True

    if args.difficulty:
        fitted = []
        for id in CATALOGUE:
            try:
                fits([id])
            except InputError:
                continue
            fitted.append(id)
        return drawn(plan, args.difficulty, seed, fitted)
    fits(args.fault)
    return tuple(f"{id}:{s:g}" for id, s in parsed_faults(args.fault).items())


def _stored(path: Path) -> tuple[str, str, str, DrillAnswer]:
    """Return family, plan and id of a stored run, and the answer that it holds."""
    from records.drill import DrillAnswer
    from records.errors import InputError
    from records.faults import CATALOGUE
    from records.runfile import read_sealed

    run = read_sealed(path)
    if run.truth is None:
        raise InputError("drill_without_truth", where=str(path))
    if any(id in run.header.id for id in CATALOGUE):
        raise InputError("drill_run_tells", where=str(path), run=run.header.id)
    job = run.header.job
    answer = DrillAnswer(run_sha256=run.sha256)
    return job.regulator.family, run.header.plan.id, run.header.id, answer


# --- run ------------------------------------------------------------------------------


def run_run(args: argparse.Namespace) -> int:
    """Make the test of a drill, and tell nothing."""
    from proofstand.simulated import simulate
    from records.drillfile import answer_of, read_drill
    from records.errors import InputError
    from records.runfile import check_place

    drill = read_drill(args.drill)
    if drill.run:
        raise InputError("drill_of_stored_run", where=str(args.drill), run=drill.run)
    refuse_existing(args.out, "run file")
    if args.picture is not None:
        check_place(args.picture, "file")
    answer = answer_of(drill, str(args.drill))

    made = simulate(
        family=drill.family,
        plan_name=drill.plan,
        faults=answer.faults,
        seed=answer.seed,
        out=args.out,
        run_id=f"drill-{drill.id}",
        tell=step_progress,
    )
    end_progress()
    if args.picture is not None:
        _picture(args.out, args.picture)
    if args.json:
        told = {"schema": "proofstand.drill-run/1", "drill": drill.id}
        print(json.dumps({**told, "run": made.run, "sha256": made.seal.sha256}))
        return 0
    print(f"{args.out}: run {made.run}, {made.rig_seconds:.1f} s of rig time")
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
