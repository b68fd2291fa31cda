"""What to do on a burst hose, over the whole desk, in words that are read standing."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QScrollArea, QVBoxLayout, QWidget

from proofstand.words.burst_hose import BurstHose
from proofstand.words.sentences import hose_words

from ..pieces import BigLine, NumberedLines, key, line, put
from ..theme import Theme


class HosePage(QWidget):
    """The page; the pressures stand at its foot, never out of sight."""

    left = Signal()

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        px, inks = theme.px, theme.inks
        self._told: BurstHose | None = None
        self.head = BigLine(theme, "large", bold=True, name="burst hose")
        self.head.set_ink(inks.fails)
        self.here = line(theme, "lead", ink=inks.soft, wrap=True, name="what is here")
        self.steps = NumberedLines(theme, "far")
        inside = QWidget()
        within = QVBoxLayout(inside)
        within.setContentsMargins(0, 0, px(8), 0)
        within.addWidget(self.steps)
        within.addStretch(1)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setWidget(inside)
        self.last = line(theme, "far", bold=True, wrap=True, name="first of all")
        self.readings = line(theme, "far", bold=True, name="pressures now")
        self.back = key(theme, hose_words("back"), size="lead", strong=True)
        self.back.setMinimumHeight(px(48))
        self.back.setAutoDefault(False)
        self.back.clicked.connect(self.left)
        foot = QHBoxLayout()
        foot.setSpacing(px(20))
        foot.addWidget(self.back)
        foot.addWidget(self.readings, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(36), px(12), px(36), px(14))
        layout.setSpacing(px(7))
        layout.addWidget(self.head)
        layout.addWidget(self.here)
        layout.addWidget(scroll, 1)
        layout.addWidget(self.last)
        layout.addLayout(foot)

    def show_page(self, told: BurstHose) -> None:
        """Show what to do."""
        if told == self._told:
            return
        self._told = told
        self.head.put(told.head)
        put(self.here, told.here)
        self.here.setVisible(bool(told.here))
        put(self.last, told.last)
        self.steps.put(told.do)

    def show_readings(self, readings: str) -> None:
        """Show what the pressures are now."""
        put(self.readings, readings)
