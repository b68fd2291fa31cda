"""``proofstand plan``: list, show and check test plans."""

from __future__ import annotations

import argparse
import json

from .options import Subparsers, json_option


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "plan", help="list, show and check test plans", description="Test plans."
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser("list", help="the plans that come with Proofstand")
    json_option(listing)
    listing.set_defaults(run=run_list)
    show = actions.add_parser("show", help="a plan as a page to read and sign")
    show.add_argument(
        "plan", metavar="PLAN", help="a file, or the id of a built-in plan"
    )
    json_option(show)
    show.set_defaults(run=run_show)
    check = actions.add_parser("check", help="check a plan file, with or without a rig")
    check.add_argument("plan", metavar="PLAN")
    check.add_argument("--rig", metavar="RIG.toml", help="check it against this rig")
    json_option(check)
    check.set_defaults(run=run_check)


def run_list(args: argparse.Namespace) -> int:
    """Print the built-in plans."""
    from records.planfile import builtin_plan, builtin_plan_ids

    plans = [builtin_plan(id)[0] for id in builtin_plan_ids()]
    if args.json:
        rows = [
            {"id": p.id, "version": p.version, "title": p.title, "status": p.status}
            for p in plans
        ]
        print(json.dumps({"schema": "proofstand.plans/1", "plans": rows}))
        return 0
    for plan in plans:
        print(f"{plan.id:16} version {plan.version}  {plan.status:9} {plan.title}")
    return 0


def run_show(args: argparse.Namespace) -> int:
    """Print a plan as a page."""
    from proofstand.planpage import plan_page
    from records.planfile import plan_by_name
    from records.tomlfile import text_sha256, to_jsonable

    plan, text = plan_by_name(args.plan)
    if args.json:
        print(
            json.dumps(
                {
                    "schema": "proofstand.plan-shown/1",
                    "sha256": text_sha256(text),
                    "plan": to_jsonable(plan),
                },
                ensure_ascii=False,
            )
        )
        return 0
    print(plan_page(plan, text_sha256(text)))
    return 0


def run_check(args: argparse.Namespace) -> int:
    """Check a plan, and whether a rig can run it."""
    from pathlib import Path

    from proofstand.procedure.engine import Engine, check_led
    from records.errors import InputError
    from records.planfile import plan_by_name

    plan, _ = plan_by_name(args.plan)
    check_led(plan)
    said = f"{args.plan}: plan {plan.id} version {plan.version} can be read"
    if args.rig:
        from rig.rigfile import load_rig

        rig = load_rig(Path(args.rig))
        try:
            Engine(plan, rig)
        except InputError as error:
            raise error.at(args.rig) from None
        said += f", and rig {rig.id} has the channels it needs"
    if args.json:
        print(json.dumps({"schema": "proofstand.plan-checked/1", "plan": plan.id}))
    else:
        print(said + ".")
    return 0
