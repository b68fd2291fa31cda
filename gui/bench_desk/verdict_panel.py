"""The verdict, and what is done with it."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt, QUrl, Signal
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import (
    QHBoxLayout,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from ..theme import Theme
from .pieces import BigLine, key, line, put
from .screen import Verdict
from .wording import said

FEW_LINES = 3  # more are set smaller


class VerdictPanel(QWidget):
    """A very large word, likely causes, the paper, and what comes next."""

    make = Signal()
    next = Signal()

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._paper: Path | None = None
        inks, px = theme.inks, theme.px
        self.first = BigLine(theme, "huge", bold=True, name="verdict")
        self.second = line(theme, "far", wrap=True, name="what it means")
        self.lines = line(theme, "text", wrap=True, name="causes and notes")
        self.lines.setAlignment(Qt.AlignmentFlag.AlignTop)
        inside = QWidget()
        within = QVBoxLayout(inside)
        within.setContentsMargins(0, 0, px(8), 0)
        within.addWidget(self.lines)
        within.addStretch(1)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QScrollArea.Shape.NoFrame)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setWidget(inside)
        self._scroll = scroll
        self.paper = line(theme, "label", wrap=True, name="paper")
        self.run = line(theme, "label", ink=inks.soft, wrap=True, name="run file")
        for label in (self.paper, self.run):
            label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.make_key = key(theme, said("after", "make"), strong=True)
        self.open_key = key(theme, said("after", "open"), strong=True)
        self.next_key = key(theme, said("after", "next"))
        self.make_key.clicked.connect(self.make)
        self.open_key.clicked.connect(self._open)
        self.next_key.clicked.connect(self.next)
        keys = QHBoxLayout()
        keys.setSpacing(px(12))
        for button in (self.make_key, self.open_key, self.next_key):
            button.setMinimumHeight(px(40))
            button.setAutoDefault(False)
            keys.addWidget(button)
        keys.addStretch(1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(24), px(8), px(24), px(12))
        layout.setSpacing(px(2))
        self.first.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)
        top = QHBoxLayout()
        top.setSpacing(px(24))
        top.addWidget(self.first)
        top.addWidget(self.second, 1)
        layout.addLayout(top)
        layout.addSpacing(px(4))
        layout.addWidget(scroll, 100)
        layout.addStretch(1)
        layout.addWidget(self.paper)
        layout.addWidget(self.run)
        layout.addSpacing(px(8))
        layout.addLayout(keys)

    def show_verdict(self, verdict: Verdict) -> None:
        """Show it."""
        inks = self._theme.inks
        ink = {"pass": inks.conforms, "fail": inks.fails}.get(
            verdict.kind, inks.undecided
        )
        self.first.set_ink(ink)
        self.first.put(verdict.first)
        self.first.setFixedWidth(self.first.needed_px)
        put(self.second, verdict.second)
        size = "lead" if len(verdict.lines) <= FEW_LINES else "text"
        self.lines.setFont(self._theme.font(size))
        put(self.lines, "\n".join(verdict.lines))
        self._scroll.setVisible(bool(verdict.lines))
        put(self.run, verdict.run_words)
        put(self.paper, verdict.paper_words)
        self.paper.setVisible(bool(verdict.paper_words))
        self._paper = verdict.paper
        self.open_key.setVisible(verdict.paper is not None)
        self.make_key.setVisible(bool(verdict.make))
        if verdict.make:
            self.make_key.setText(verdict.make)
            self.make_key.setAccessibleName(verdict.make)
            self.make_key.setEnabled(not verdict.making)

    def _open(self) -> None:
        if self._paper is None:
            return
        url = QUrl.fromLocalFile(str(self._paper.resolve()))
        if not QDesktopServices.openUrl(url):
            self.paper.setText(f"{self.paper.text()}\n{said('after', 'no_viewer')}")
