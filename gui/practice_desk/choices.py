"""One of several, chosen with arrows and Enter, marked at its side."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QGridLayout,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QWidget,
)

from ..pieces import restyle
from ..theme import Theme

_PAD_PX = {"label": 2, "text": 4, "lead": 4}
_UP = (Qt.Key.Key_Up, Qt.Key.Key_Left)
_DOWN = (Qt.Key.Key_Down, Qt.Key.Key_Right)


class _Line(QPushButton):
    """A line; its arrows are left to the list, Enter to the window."""

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Leave arrows to the list."""
        if event.key() in (*_UP, *_DOWN):
            event.ignore()
        else:
            super().keyPressEvent(event)


class Choices(QWidget):
    """Lines to choose from, in columns that fill from the top.

    Args:
        theme: inks and fonts.
        columns: how many.
        name: what a screen reader calls them.
        size: of the words.
        moves: going to a line with an arrow chooses it, as in a list of pages.
    """

    chosen = Signal(str)

    def __init__(
        self,
        theme: Theme,
        columns: int = 1,
        *,
        name: str,
        size: str = "text",
        moves: bool = False,
    ) -> None:
        super().__init__()
        self._theme, self._columns = theme, columns
        self._size, self._moves = size, moves
        self._said: tuple[tuple[str, str], ...] = ()
        self.lines: dict[str, QPushButton] = {}
        self.setAccessibleName(name)
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setHorizontalSpacing(theme.px(14))
        self._grid.setVerticalSpacing(theme.px(2))

    def put(self, choices: Sequence[tuple[str, str]], on: str = "") -> None:
        """Show what there is to choose from, as id and words, and which is chosen."""
        if tuple(choices) != self._said:
            self._make(tuple(choices))
        for id, button in self.lines.items():
            restyle(button, "page", "on" if id == on else "off")

    def _make(self, choices: tuple[tuple[str, str], ...]) -> None:
        self._said = choices
        for old in self.lines.values():
            self._grid.removeWidget(old)
            old.hide()
            old.deleteLater()
        self.lines = {}
        rows = -(-len(choices) // self._columns)
        for at, (id, words) in enumerate(choices):
            button = _Line(words)
            button.setFont(self._theme.font(self._size))
            button.setAccessibleName(words)
            button.setCursor(Qt.CursorShape.PointingHandCursor)
            button.setStyleSheet(
                f"text-align: left; padding: {self._theme.px(_PAD_PX[self._size])}px"
                f" {self._theme.px(8)}px;"
            )
            button.setAutoDefault(False)
            button.setSizePolicy(
                QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Preferred
            )
            button.clicked.connect(lambda _=False, id=id: self.chosen.emit(id))
            button.setProperty("page", "off")
            self._grid.addWidget(button, at % rows, at // rows)
            self.lines[id] = button

    def take_focus(self, id: str = "") -> None:
        """Give the focus to one of them, or the first."""
        button = self.lines.get(id) or next(iter(self.lines.values()), None)
        if button is not None:
            button.setFocus()
            self._bring(button)

    def _bring(self, button: QPushButton) -> None:
        """Scroll to a line, where the list stands in a place that scrolls."""
        above: QWidget | None = self.parentWidget()
        while above is not None and not isinstance(above, QScrollArea):
            above = above.parentWidget()
        if above is not None:
            above.ensureWidgetVisible(button)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Go up and down with the arrows."""
        ids = list(self.lines)
        at = next((i for i, b in enumerate(self.lines.values()) if b.hasFocus()), None)
        way = -1 if event.key() in _UP else 1 if event.key() in _DOWN else 0
        plain = event.modifiers() in (
            Qt.KeyboardModifier.NoModifier,
            Qt.KeyboardModifier.KeypadModifier,
        )
        if at is None or not way or not plain:
            super().keyPressEvent(event)
            return
        id = ids[min(max(at + way, 0), len(ids) - 1)]
        self.take_focus(id)
        if self._moves:
            self.chosen.emit(id)
