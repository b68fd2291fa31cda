"""Strips across the desk: trouble and what to do; the question when it is closed.

Never a box over the trace: a strip takes its place in the window.
"""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import Signal
from PySide6.QtGui import QColor, QPainter
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from ..pieces import key, line, put, restyle
from ..theme import Theme
from .screen import Strip
from .wording import said


class StripBar(QWidget):
    """What went wrong and what to do about it."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._grave = True
        px = theme.px
        self.what = line(theme, "lead", bold=True, wrap=True, name="trouble")
        self.do = line(theme, "lead", wrap=True, name="what to do")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(36), px(7), px(24), px(8))
        layout.setSpacing(px(1))
        layout.addWidget(self.what)
        layout.addWidget(self.do)
        self.hide()

    def show_strip(self, strip: Strip | None) -> None:
        """Show a trouble or a notice, or nothing."""
        self.setVisible(strip is not None)
        if strip is None:
            return
        self._grave = strip.grave
        inks = self._theme.inks
        ink = inks.fails if strip.grave else inks.undecided
        self.what.setStyleSheet(f"color: {ink};")
        self.what.setFont(
            self._theme.font("lead" if strip.grave else "text", bold=True)
        )
        put(self.what, strip.what)
        put(self.do, strip.do)
        self.do.setVisible(bool(strip.do))
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw the ground and the mark at its edge."""
        inks, px = self._theme.inks, self._theme.px
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(inks.panel))
        ink = QColor(inks.fails if self._grave else inks.undecided)
        painter.fillRect(0, 0, px(12), self.height(), ink)
        painter.fillRect(0, self.height() - 1, self.width(), 1, QColor(inks.rule))


class InterruptedStrip(QWidget):
    """A test of some time ago that was interrupted, and what is to become of it."""

    go_on = Signal()
    keep = Signal()
    later = Signal()

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        px = theme.px
        self.words = line(theme, "lead", bold=True, wrap=True, name="interrupted test")
        self.do = line(theme, "text", wrap=True, name="what to do")
        self.keys = {
            name: key(theme, said("interrupted", name), size="text")
            for name in ("go_on", "keep", "later")
        }
        for name, button in self.keys.items():
            button.setMinimumHeight(px(40))
            button.setAutoDefault(False)
            button.clicked.connect(getattr(self, name))
        told = QVBoxLayout()
        told.setSpacing(px(1))
        told.addWidget(self.words)
        told.addWidget(self.do)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(px(36), px(9), px(24), px(9))
        layout.setSpacing(px(12))
        layout.addLayout(told, 1)
        for button in self.keys.values():
            layout.addWidget(button)
        self.hide()

    def show_test(self, told: tuple[str, str] | None) -> None:
        """Tell of a test: what it is and what to do; None for none."""
        self.setVisible(told is not None)
        if told is not None:
            put(self.words, told[0])
            put(self.do, told[1])

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw the ground and the mark at its edge."""
        inks, px = self._theme.inks, self._theme.px
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(inks.panel))
        painter.fillRect(0, 0, px(12), self.height(), QColor(inks.undecided))
        painter.fillRect(0, self.height() - 1, self.width(), 1, QColor(inks.rule))


class CloseStrip(QWidget):
    """Asks what to do with the test when the window is to close."""

    keep = Signal()
    leave = Signal()
    end = Signal()

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        px = theme.px
        self.words = line(theme, "lead", bold=True, wrap=True, name="question")
        self.keep_key = key(theme, said("close", "keep"), size="text", strong=True)
        self.leave_key = key(theme, said("close", "leave"), size="text")
        self.end_key = key(theme, said("close", "end"), size="text")
        restyle(self.end_key, "grave", "true")
        self.keep_key.clicked.connect(self.keep)
        self.leave_key.clicked.connect(self.leave)
        self.end_key.clicked.connect(self.end)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(px(36), px(9), px(24), px(9))
        layout.setSpacing(px(12))
        layout.addWidget(self.words, 1)
        for button in (self.keep_key, self.leave_key, self.end_key):
            button.setMinimumHeight(px(40))
            button.setAutoDefault(False)
            layout.addWidget(button)
        self.hide()

    def ask(self, *, drill: bool = False) -> None:
        """Put the question.

        Args:
            drill: only a drill is worked by hand, which can't go on without the window.
        """
        put(self.words, said("close", "drill" if drill else "question"))
        for button, name in (
            (self.keep_key, "keep_drill" if drill else "keep"),
            (self.end_key, "end_drill" if drill else "end"),
        ):
            button.setText(said("close", name))
            button.setAccessibleName(said("close", name))
            button.show()
        self.leave_key.setVisible(not drill)
        self.show()
        self.keep_key.setFocus()

    def tell_ending(self) -> None:
        """Say that the test is being ended."""
        put(self.words, said("close", "ending"))
        self.keep_key.hide()
        self.leave_key.hide()
        self.end_key.hide()
        self.show()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw the ground."""
        inks, px = self._theme.inks, self._theme.px
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(inks.panel))
        painter.fillRect(0, 0, px(12), self.height(), QColor(inks.ink))
        painter.fillRect(0, self.height() - 1, self.width(), 1, QColor(inks.rule))
