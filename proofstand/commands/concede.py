"""``proofstand records concede``: a failed finding is accepted, and stays a fail."""

from __future__ import annotations

import argparse

from .notes import note_options, tell
from .options import Subparsers
from .pins import asker


def add(actions: Subparsers) -> None:
    """Add the command."""
    parser = actions.add_parser(
        "concede",
        help="accept a failed finding, with somebody's agreement",
        description="Record that a failed finding is accepted until a day. It stays a "
        "fail; a page made with it (certify --concession) says so. Never for leakage, "
        "creep or oxygen.",
    )
    note_options(parser, "the concession", "quality lead who grants it")
    parser.add_argument(
        "--finding", required=True, metavar="STEP/ID", help="the finding that failed"
    )
    parser.add_argument(
        "--agreed-by", required=True, metavar="NAME", help="whose agreement there is"
    )
    parser.add_argument(
        "--until", required=True, metavar="DATE", help="last day, as 2027-03-31"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Grant and say what was made."""
    from proofstand.signoff.concession import concede

    note = concede(
        args.run_file,
        args.out,
        finding=args.finding,
        why=args.why,
        agreed_by=args.agreed_by,
        until=args.until,
        by=args.by,
        ask=asker(args),
        key_folder=args.key,
    )
    found = note.facts["finding"]
    return tell(
        args,
        note,
        f"{found['label']}, step {found['step']}: {found['found']}, "
        f"limit {found['limit']}: {found['outcome']}, accepted by concession",
        f"agreed by {note.facts['agreed_by']}, until {note.facts['until']}",
    )
