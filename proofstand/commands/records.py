"""``proofstand records``: what is added to a run or a page after it was made."""

from __future__ import annotations

from . import record_notes
from .options import Subparsers


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "records",
        help="countersign, concede, reject, confirm",
        description="What is added to a run or a page after it was made. Nothing is "
        "overwritten.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    record_notes.add_all(actions)
