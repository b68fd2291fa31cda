"""``proofstand certify``: the page of a run, signed."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from .options import Subparsers, by_option, json_option, out_option
from .pins import asker, pin_option


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "certify",
        help="make the signed page of a run",
        description="Make the signed page (PDF) of a sealed and signed run: a "
        "certificate for a pass against accepted limits, else a test report. Exits 0 "
        "whatever the verdict; 6 when a rule forbids it.",
    )
    parser.add_argument("run_file", type=Path, metavar="RUN.h5")
    out_option(parser, "the page to make")
    by_option(parser, "who issues it")
    parser.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help="folder of the key that sealed the run (default: the shop's)",
    )
    parser.add_argument(
        "--of",
        default="",
        metavar="SERIAL",
        help="the regulator that the page is of, where two were tested as a pair",
    )
    parser.add_argument(
        "--as-found",
        action="store_true",
        help="the regulator was tested as received: a condition report",
    )
    either = parser.add_mutually_exclusive_group()
    either.add_argument(
        "--archive",
        type=Path,
        metavar="DIR",
        help="archive that keeps run and page (default: that of the settings, else the "
        "user's; for a simulated rig none)",
    )
    either.add_argument(
        "--no-archive", action="store_true", help="keep it in no archive"
    )
    parser.add_argument(
        "--plan",
        default="",
        metavar="PLAN",
        help="judge by this other version of the run's plan",
    )
    parser.add_argument(
        "--concession",
        action="append",
        default=[],
        type=Path,
        metavar="FILE",
        help="a failed finding that was accepted (records concede)",
    )
    parser.add_argument(
        "--confirmation",
        type=Path,
        metavar="FILE",
        help="a second person's, where a fail became a pass (records confirm)",
    )
    pin_option(parser)
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Issue and say what was made."""
    from proofstand.keeping.issuing import keeper
    from proofstand.signoff.certificate import certificate_json
    from proofstand.signoff.issue import issue

    places: list[Path] = []
    keep = None
    if not args.no_archive:
        keep = keeper(
            args.run_file,
            by=args.by,
            key_folder=args.key,
            archive=args.archive,
            told=places.append,
        )
    made = issue(
        args.run_file,
        args.out,
        by=args.by,
        key_folder=args.key,
        as_found=args.as_found,
        of=args.of,
        keep=keep,
        plan_name=args.plan,
        concessions=args.concession,
        confirmation=args.confirmation,
        ask=asker(args),
    )
    facts = made.certificate
    if args.json:
        document = {
            **certificate_json(facts),
            "file": str(made.path),
            "kept": str(places[-1]) if places else None,
        }
        print(json.dumps(document, ensure_ascii=False))
        return 0
    print(f"{made.path}: {facts.title.said} {facts.number}, {facts.verdict.value}")
    print(f"  run {facts.run_id}, sha256 {facts.run_sha256}")
    print(f"  signed with the key of {facts.owner} ({facts.key_id[:16]})")
    if facts.countersign:
        print("  no certificate yet: proofstand records countersign makes it one")
    if facts.simulated:
        print("  SIMULATED RIG, no regulator was tested")
    print(f"  kept: {places[-1]}" if places else "  kept in no archive")
    return 0
