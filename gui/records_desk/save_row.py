"""Where files go: a folder that can be typed over, and what was saved last."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QWidget

from ..pieces import FittedLine, OwnEnter
from ..theme import Theme
from .saving import Saving
from .wording import said


class SaveRow(QWidget):
    """One line at the foot of a page."""

    scanned = Signal(str)

    def __init__(self, theme: Theme, saving: Saving) -> None:
        super().__init__()
        self._theme, self._saving = theme, saving
        px = theme.px
        row = QHBoxLayout(self)
        row.setContentsMargins(px(24), 0, px(24), 0)
        row.setSpacing(px(10))
        label = QLabel(said("save_in"))
        label.setFont(theme.font("label", bold=True))
        self.folder = OwnEnter()
        self.folder.setFont(theme.font("label"))
        self.folder.setAccessibleName(said("save_in"))
        self.folder.setFixedSize(px(300), px(28))
        self.folder.setStyleSheet(f"padding: {px(2)}px {px(6)}px;")
        self.folder.textEdited.connect(saving.type)
        self.folder.scanned.connect(self.scanned)
        label.setBuddy(self.folder)
        self.said = FittedLine(theme, "label", name=said("save_said"))
        row.addWidget(label)
        row.addWidget(self.folder)
        row.addWidget(self.said, 1)
        self.show_saving()

    def show_saving(self) -> None:
        """Show the folder, and what came of what was saved last."""
        if self.folder.text() != self._saving.folder:
            self.folder.setText(self._saving.folder)
        inks = self._theme.inks
        self.said.put_ink(inks.fails if self._saving.wrong else inks.ink)
        self.said.put(self._saving.said)
