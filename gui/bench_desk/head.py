"""The head of the window: desks, regulator and rig, person; what is simulated."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QPainter
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from proofstand.words.sentences import hose_words

from ..pieces import FittedLine, key, put, restyle
from ..theme import Theme
from .screen import Head
from .wording import said

_FEW = 2


class DeskName(QPushButton):
    """The name of a desk; that of the desk in view is underlined with ink."""

    def __init__(self, theme: Theme, text: str, size: str = "lead") -> None:
        super().__init__(text)
        self._theme, self._size = theme, size
        self.in_view = False
        self.setFlat(True)
        self.setFont(theme.font(size))
        wide = QFontMetricsF(theme.font(size, bold=True)).horizontalAdvance(text)
        self.setMinimumWidth(round(wide) + theme.px(6))
        self.setAccessibleName(said("desk_key", desk=text))
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setAutoDefault(False)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.setStyleSheet(
            f"QPushButton {{ border: none; background: transparent;"
            f" padding: 0 {theme.px(3)}px {theme.px(6)}px; color: {theme.inks.soft}; }}"
            f"QPushButton[inview='true'] {{ color: {theme.inks.ink}; }}"
            f"QPushButton:focus {{ color: {theme.inks.outlet}; }}"
            f"QPushButton:hover {{ color: {theme.inks.ink}; }}"
        )

    def put_in_view(self, in_view: bool) -> None:
        """Look like the desk in view, or like one of the others."""
        self.in_view = in_view
        self.setFont(self._theme.font(self._size, bold=in_view))
        restyle(self, "inview", "true" if in_view else "false")
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw the name, and the line beneath."""
        super().paintEvent(event)
        if self.in_view:
            thick = self._theme.px(3)
            QPainter(self).fillRect(
                0,
                self.height() - thick,
                self.width(),
                thick,
                QColor(self._theme.inks.ink),
            )


class HeadBar(QWidget):
    """The lines across the top; and a key that is there whatever is on."""

    hose = Signal()
    desk = Signal(str)

    def __init__(self, theme: Theme, desks: Sequence[str] = ("bench",)) -> None:
        super().__init__()
        inks, px = theme.inks, theme.px
        self.setFixedHeight(px(54))
        self.desks: dict[str, DeskName] = {}
        size = "lead" if len(desks) <= _FEW else "text"  # what is tested needs room too
        for id in desks:
            made = DeskName(theme, said("desks", id), size)
            made.clicked.connect(lambda _=False, id=id: self.desk.emit(id))
            self.desks[id] = made
        self.put_desk("bench")
        soft = inks.soft
        self._first = FittedLine(
            theme, "text", name="regulator and plan", smaller="label"
        )
        self._second = FittedLine(theme, "label", ink=soft, name="rig and readings")
        self._person = FittedLine(theme, "text", name="person")
        self._more = FittedLine(theme, "label", ink=soft, name="test gas and attempt")
        for label in (self._person, self._more):
            label.right = True
        self._band = QLabel()
        self._band.setFont(theme.font("label", bold=True))
        self._band.setStyleSheet(
            f"color: {inks.fails}; border: 2px solid {inks.fails};"
            f"padding: {px(2)}px {px(10)}px;"
        )
        self._band.hide()
        self.hose_key = key(theme, hose_words("key"), size="label")
        self.hose_key.setStyleSheet(f"padding: {px(6)}px {px(8)}px;")
        self.hose_key.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.hose_key.setAutoDefault(False)
        self.hose_key.clicked.connect(self.hose)
        middle, right = QVBoxLayout(), QVBoxLayout()
        for box, labels in (
            (middle, (self._first, self._second)),
            (right, (self._person, self._more)),
        ):
            box.setSpacing(0)
            box.addStretch(1)
            for label in labels:
                box.addWidget(label)
            box.addStretch(1)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(px(24), 0, px(24), 0)
        layout.setSpacing(px(13))
        names = QHBoxLayout()
        names.setSpacing(px(8))
        for made in self.desks.values():
            names.addWidget(made, 0, Qt.AlignmentFlag.AlignVCenter)
        layout.addLayout(names)
        layout.addLayout(middle, 12)
        layout.addWidget(self._band, 0, Qt.AlignmentFlag.AlignVCenter)
        layout.addLayout(right, 3)
        layout.addWidget(self.hose_key, 0, Qt.AlignmentFlag.AlignVCenter)

    def put_desk(self, id: str) -> None:
        """Show which desk is in view."""
        for each, name in self.desks.items():
            name.put_in_view(each == id)

    def show_head(self, head: Head) -> None:
        """Show the lines."""
        self._first.put(head.first, head.first_less)
        self._second.put(head.second)
        self._person.put(head.person)
        self._more.put(head.more)
        for label in (self._person, self._more):  # the others may have their room
            label.setVisible(bool(head.person or head.more))
        put(self._band, head.band.replace(", ", ",\n", 1))  # in two lines
        self._band.setVisible(bool(head.band))
