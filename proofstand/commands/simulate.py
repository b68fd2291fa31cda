"""``proofstand simulate``: a run of a simulated regulator, good or faulty."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from .options import (
    Subparsers,
    end_progress,
    json_option,
    refuse_existing,
    step_progress,
)

MOST_SEED = 2**63 - 1


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "simulate",
        help="make a run of a simulated regulator",
        description="Make a sealed run of a simulated regulator. Exits 0 whatever the "
        "regulator is like; judge tells that.",
    )
    parser.add_argument(
        "--family",
        default="second-stage",
        metavar="FAMILY",
        help="second-stage (unless given), first-stage, pair, line, service, "
        "cylinder-1, cylinder-2 or oxygen",
    )
    parser.add_argument(
        "--plan",
        metavar="PLAN",
        help="a file, or the id of a built-in one (see plan list); the family's own "
        "unless given",
    )
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="ID[:SEVERITY]",
        help="a fault, severity 0 to 1 (1 unless given); may be given again; of two "
        "stages first:ID is one of the first",
    )
    parser.add_argument(
        "--mistake",
        action="append",
        default=[],
        metavar="MISTAKE[@STEP]",
        help="what the simulated hands do wrong, once, at a step of the plan or the "
        "first that can have it: snaps-shut, three-jerks, closes-slowly, leaves-bleed, "
        "wrong-valve, forgets-valve, walks-away, long-absence, over-adjusts, "
        "nut-moves-it, bumps-bleed, neighbour, supply-lost; may be given again",
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument(
        "--out", type=Path, metavar="RUN.h5", help="the run file to make"
    )
    parser.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help="folder of a demonstration key to seal it with (default: unsigned)",
    )
    parser.add_argument(
        "--list-faults", action="store_true", help="the faults there are, and stop"
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Simulate, or list the faults."""
    from records.errors import InputError

    if args.list_faults:
        return _list(args.json)
    if args.out is None:
        raise InputError(
            "usage", why="--out RUN.h5 is missing.", help="proofstand simulate -h"
        )
    if not 0 <= args.seed <= MOST_SEED:
        raise InputError(
            "value_wrong", key="--seed", given=args.seed, right=f"0 to {MOST_SEED}"
        )
    from proofstand.simulated import simulate

    refuse_existing(args.out, "run file")

    made = simulate(
        family=args.family,
        plan_name=args.plan,
        faults=args.fault,
        mistakes=args.mistake,
        seed=args.seed,
        out=args.out,
        key_folder=args.key,
        tell=step_progress,
    )
    end_progress()
    if args.json:
        print(
            json.dumps(
                {
                    "schema": "proofstand.simulated/1",
                    "run": made.run,
                    "sha256": made.seal.sha256,
                    "rig_seconds": round(made.rig_seconds, 3),
                }
            )
        )
        return 0
    print(f"{args.out}: run {made.run}, {made.rig_seconds:.1f} s of rig time")
    print("  SIMULATED RIG, no regulator was tested")
    print(f"  sha256 {made.seal.sha256}")
    return 0


def _list(as_json: bool) -> int:
    from records.faults import CATALOGUE

    if as_json:
        rows = [
            {
                "id": f.id,
                "sentence": f.sentence,
                "group": list(f.group),
                "plan": f.plans[0] if f.plans else "",
                "plans": list(f.plans),
                "revealed": f.revealed,
                "plans_for_first_stage": list(f.first_plans),
                "look_at": f.look_at,
                "check": f.check,
            }
            for f in CATALOGUE.values()
        ]
        print(json.dumps({"schema": "proofstand.faults/1", "faults": rows}))
        return 0
    for fault in CATALOGUE.values():
        how = ", ".join(fault.plans) or "no plan here"
        print(f"{fault.id:18} {how:18} {fault.sentence}")
    return 0
