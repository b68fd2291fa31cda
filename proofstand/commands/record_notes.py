"""What ``proofstand records`` adds to a run or a page after it was made."""

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


def add_all(actions: Subparsers) -> None:
    """Add these actions to the group's."""
    for module in ACTIONS:
        module.add(actions)
