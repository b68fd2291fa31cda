"""``proofstand records confirm``: a second person for a fail that became a pass."""

from __future__ import annotations

import argparse

from .notes import note_options, tell
from .options import Subparsers
from .pins import asker


def add(actions: Subparsers) -> None:
    """Add the command."""
    parser = actions.add_parser(
        "confirm",
        help="confirm, as a second person, that a fail became a pass",
        description="Record that a second judgement of a run, which turns its fail "
        "into a pass, is right. By a quality lead who neither recorded the run nor "
        "issued a page of its fail; certify --confirmation takes it.",
    )
    note_options(parser, "the confirmation", "quality lead who confirms it")
    parser.add_argument(
        "--plan",
        default="",
        metavar="PLAN",
        help="plan version of the second judgement (default: the run's own)",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Confirm and say what was made."""
    from proofstand.signoff.second_person import confirm

    note = confirm(
        args.run_file,
        args.out,
        plan_name=args.plan,
        why=args.why,
        by=args.by,
        ask=asker(args),
        key_folder=args.key,
    )
    before, after = note.facts["before"], note.facts["plan"]
    return tell(
        args,
        note,
        f"plan {after['id']}: {before['verdict']} by version "
        f"{before['plan']['version']}, {note.facts['after']['verdict']} by version "
        f"{after['version']}",
    )
