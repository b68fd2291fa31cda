"""What the window asks of a desk beside the Bench, and what it gives it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QWidget

from proofstand.commands.window import WindowOptions

from .theme import Theme


class DeskModel(Protocol):
    """What a desk knows; it outlives the widgets, which are made anew with the size."""

    @property
    def busy(self) -> bool:
        """Something is at work beside the window."""

    def let_go(self) -> None:
        """End what is at work as soon as it can be ended without losing anything."""

    def wait(self) -> None:
        """Let nothing of it outlive the window."""


class Desk(QWidget):
    """A desk's widgets; see :class:`DeskModel` for what they show.

    Attributes:
        head_changed: its lines of the window's head are others now.
    """

    head_changed = Signal()

    @property
    def head_lines(self) -> tuple[str, str]:
        """The two lines of the window's head while it is in view."""
        return "", ""

    @property
    def band(self) -> str:
        """What is said across the whole head, as of a simulated rig, or ""."""
        return ""

    def come_into_view(self) -> None:
        """Be brought into view; take the focus."""

    def beat(self) -> None:
        """Take what came since the last beat, some 16 times a second while in view."""

    def scanned(self, label: str) -> None:
        """Take a label that was scanned where no field took it."""

    def entered(self) -> None:
        """Take an Enter that ended no scan, where no key has the focus."""

    def back(self) -> bool:
        """Take Esc; return whether it meant something here."""
        return False


@dataclass(frozen=True, slots=True)
class DeskMaker:
    """How a desk is made, the slow parts loaded when it is first wanted.

    Attributes:
        model: makes what it knows, once. view: makes its widgets.
    """

    model: Callable[[WindowOptions], Any]
    view: Callable[[Theme, Any], Desk]
