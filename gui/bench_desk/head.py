"""The head of the window: desks, regulator and rig, person; what is simulated."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QColor, QPainter
from PySide6.QtWidgets import QHBoxLayout, QLabel, QVBoxLayout, QWidget

from proofstand.words.sentences import hose_words

from ..theme import Theme
from .pieces import FittedLine, key, put
from .screen import Head
from .wording import several


class DeskName(QWidget):
    """The name of the desk that is on, underlined with ink."""

    def __init__(self, theme: Theme, text: str) -> None:
        super().__init__()
        self._theme = theme
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, theme.px(5))
        label = QLabel(text)
        label.setFont(theme.font("lead", bold=True))
        layout.addWidget(label)

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw the line beneath."""
        thick = self._theme.px(3)
        QPainter(self).fillRect(
            0, self.height() - thick, self.width(), thick, QColor(self._theme.inks.ink)
        )


class HeadBar(QWidget):
    """The lines across the top; and a key that is there whatever is on."""

    hose = Signal()

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        inks, px = theme.inks, theme.px
        self.setFixedHeight(px(54))
        desk = DeskName(theme, several("desks")[0])
        soft = inks.soft
        self._first = FittedLine(theme, "text", name="regulator and plan")
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
        layout.setSpacing(px(20))
        layout.addWidget(desk, 0, Qt.AlignmentFlag.AlignVCenter)
        layout.addLayout(middle, 12)
        layout.addWidget(self._band, 0, Qt.AlignmentFlag.AlignVCenter)
        layout.addLayout(right, 4)
        layout.addWidget(self.hose_key, 0, Qt.AlignmentFlag.AlignVCenter)

    def show_head(self, head: Head) -> None:
        """Show the lines."""
        self._first.put(head.first)
        self._second.put(head.second)
        self._person.put(head.person)
        self._more.put(head.more)
        put(self._band, head.band.replace(", ", ",\n", 1))  # in two lines
        self._band.setVisible(bool(head.band))
