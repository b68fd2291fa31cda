"""``proofstand plan``: list, show, check and approve test plans."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING

from .options import Subparsers, by_option, json_option, say_not_kept
from .pins import asker, pin_option

if TYPE_CHECKING:
    from proofstand.bench.plancheck import Sight


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "plan",
        help="list, show, check and approve test plans",
        description="Test plans.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser(
        "list", help="the plans that come with Proofstand, and what was approved"
    )
    json_option(listing)
    listing.set_defaults(run=run_list)
    show = actions.add_parser("show", help="a plan as a page to read and sign")
    _plan_argument(show)
    json_option(show)
    show.set_defaults(run=run_show)
    check = actions.add_parser("check", help="check a plan file, with or without a rig")
    _plan_argument(check)
    check.add_argument("--rig", metavar="RIG.toml", help="check it against this rig")
    json_option(check)
    check.set_defaults(run=run_check)
    approve = actions.add_parser(
        "approve",
        help="record that a plan version was approved",
        description="Record, once and for good, that a plan version was approved. Each "
        "limit whose source is a shop default or memory is to be accepted by name.",
    )
    _plan_argument(approve)
    by_option(approve, "who approves it", required=True)
    approve.add_argument(
        "--accept",
        action="append",
        default=[],
        metavar="FINDING=REASON",
        help="accept a limit that rests on a default or on memory, and why; "
        "STEP/FINDING for that of one step, classes for the list of classes",
    )
    pin_option(approve)
    json_option(approve)
    approve.set_defaults(run=run_approve)


def _plan_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "plan", metavar="PLAN", help="a file, or the id of a built-in plan"
    )


def run_list(args: argparse.Namespace) -> int:
    """Print the built-in plans, and approved ones that are kept elsewhere."""
    from proofstand.approvals import day_of
    from proofstand.keeping.approving import listed_plans

    rows = listed_plans()
    if args.json:
        told = [
            {
                "id": row.id,
                "version": row.version,
                "title": row.title,
                "status": row.status.value,
                "by": "" if row.approval is None else row.approval.by,
                "approved": "" if row.approval is None else day_of(row.approval),
                "built_in": row.built_in,
            }
            for row in rows
        ]
        document = {"schema": "proofstand.plans/1", "plans": told}
        print(json.dumps(document, ensure_ascii=False))
        return 0
    for row in rows:
        given = row.approval
        who = "" if given is None else f" ({given.by}, {day_of(given)})"
        head = f"{row.id:18} version {row.version}  {row.status.value:9}"
        print(f"{head} {row.title}{who}")
    return 0


def run_show(args: argparse.Namespace) -> int:
    """Print a plan as a page."""
    from proofstand.approvals import approval_of, status_of
    from proofstand.planpage import plan_json, plan_page
    from records.planfile import plan_by_name
    from records.tomlfile import text_sha256

    plan, text = plan_by_name(args.plan)
    sha256 = text_sha256(text)
    status, approval = status_of(plan, sha256), approval_of(plan)
    if args.json:
        document = plan_json(plan, sha256, status, approval)
        print(json.dumps(document, ensure_ascii=False))
        return 0
    print(plan_page(plan, sha256, status, approval))
    return 0


def run_check(args: argparse.Namespace) -> int:
    """Check a plan, and whether a rig can run it."""
    from pathlib import Path

    from proofstand.bench.plancheck import check_plan
    from proofstand.procedure.engine import Engine, check_led
    from proofstand.words.sentences import card_words
    from records.errors import ProofstandError
    from records.gas.names import hazard_of
    from records.planfile import plan_by_name

    plan, _ = plan_by_name(args.plan)
    said = f"{args.plan}: plan {plan.id} version {plan.version} can be read"
    seen: tuple[Sight, ...] = ()
    if args.rig:
        from rig.rigfile import load_rig

        rig = load_rig(Path(args.rig))
        try:
            seen = check_plan(plan, rig)
            Engine(plan, rig)
        except ProofstandError as error:
            # a step that can't be led is the plan's own matter
            raise (
                error if error.id == "plan_step_not_led" else error.at(args.rig)
            ) from None
        said += f", and rig {rig.id} has the channels it needs"
    else:
        check_led(plan)
    if args.json:
        document = {
            "schema": "proofstand.plan-checked/1",
            "plan": plan.id,
            "test_gas": plan.test_gas,
            "test_gas_hazard": hazard_of(plan.test_gas),
            "holds": [_sight_json(sight) for sight in seen],
        }
        print(json.dumps(document))
        return 0
    print(said + ".")
    if hazard_of(plan.test_gas) != "inert":
        beware = card_words(f"gas_{hazard_of(plan.test_gas)}")
        print(f"  test gas {plan.test_gas}: {beware}")
    for sight in seen:
        print(_sight(sight))
    return 0


def _sight(sight: Sight) -> str:
    from proofstand.words.sentences import label
    from records.measure import std_cm3_min

    smallest, limit = std_cm3_min(sight.smallest), std_cm3_min(sight.limit)
    return (
        f"  {sight.step}: {label(sight.finding)} can be seen from about "
        f"{smallest:.2g} std cm3/min on (limit {limit:.2g}, hold {sight.hold_s:g} s)"
    )


def _sight_json(sight: Sight) -> dict[str, object]:
    return {
        "step": sight.step,
        "finding": sight.finding,
        "limit_pa_m3_per_s": sight.limit,
        "smallest_pa_m3_per_s": sight.smallest,
        "hold_s": sight.hold_s,
    }


def run_approve(args: argparse.Namespace) -> int:
    """Record an approval."""
    from proofstand.approvals import day_of
    from proofstand.keeping.approving import accepted_of, approve_plan
    from records.tomlfile import to_jsonable

    accept = accepted_of(args.accept, "--accept")
    made, not_kept = approve_plan(args.plan, accept=accept, by=args.by, ask=asker(args))
    say_not_kept(not_kept)
    if args.json:
        document = {"schema": "proofstand.plan-approved/1", **to_jsonable(made)}
        print(json.dumps(document, ensure_ascii=False))
        return 0
    print(f"{made.plan} version {made.version}: approved by {made.by}, {day_of(made)}")
    if made.role:
        print(f"  {made.role}, shown by PIN")
    print(f"  text sha256 {made.plan_sha256}")
    for each in made.accepted:
        print(f"  accepted: {each.limit} ({each.source}): {each.reason}")
    return 0
