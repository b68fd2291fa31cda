"""``proofstand records reject``: no page is made of a run any more."""

from __future__ import annotations

import argparse

from .notes import note_options, tell
from .options import Subparsers
from .pins import asker


def add(actions: Subparsers) -> None:
    """Add the command."""
    parser = actions.add_parser(
        "reject",
        help="reject a run, whatever its findings say",
        description="Record, signed, that a run is rejected and why. From then on no "
        "page is made of it in a shop that has a list of people.",
    )
    note_options(parser, "the rejection", "who rejects it")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Reject and say what was made."""
    from proofstand.signoff.rejection import reject

    note = reject(
        args.run_file,
        args.out,
        why=args.why,
        by=args.by,
        ask=asker(args),
        key_folder=args.key,
    )
    return tell(args, note)
