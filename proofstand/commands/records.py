"""``proofstand records``: what is added to a run or a page after it was made."""

from __future__ import annotations

from . import concede, confirm, countersign, reject
from .options import Subparsers

# Each adds itself: a module with ``add(actions)``.
ACTIONS = (
    countersign,
    concede,
    reject,
    confirm,
)


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "records",
        help="countersign, concede, reject, confirm",
        description="What is added to a run or a page after it was made. Nothing is "
        "overwritten.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    for module in ACTIONS:
        module.add(actions)
