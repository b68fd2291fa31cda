"""The verdict, and what is done with it: paper, tag, the next regulator."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from PySide6.QtCore import QRectF, Qt, QUrl, Signal
from PySide6.QtGui import QColor, QDesktopServices, QPainter
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from ..pieces import BigLine, OwnEnter, key, line, put, restyle
from ..signs import draw_sign, verdict_ink
from ..theme import Theme
from .screen import Verdict
from .wording import said

FEW_LINES = 3  # more are set smaller
FEW_LETTERS = 260  # and longer ones as well
SIGN_PX = 46


class VerdictSign(QWidget):
    """The verdict as a shape: it is told apart without colour and from far away."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self.kind = ""
        self._ink = theme.inks.ink
        self.setFixedSize(theme.px(SIGN_PX), theme.px(SIGN_PX))

    def put(self, kind: str, ink: str) -> None:
        """Show a verdict's sign."""
        self.kind, self._ink = kind, ink
        self.setAccessibleName(kind)
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw it."""
        ink, paper = QColor(self._ink), QColor(self._theme.inks.paper)
        draw_sign(QPainter(self), QRectF(self.rect()), self.kind, ink, paper)


class VerdictPanel(QWidget):
    """A very large word, likely causes, the paper and the tag, and what comes next."""

    make = Signal(str, str)
    tag = Signal()
    next = Signal()

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._paper: Path | None = None
        self._tag: Path | None = None
        self._step, self._armed = "make", False
        inks, px = theme.inks, theme.px
        self.sign = VerdictSign(theme)
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
        scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        scroll.setWidget(inside)
        self._scroll = scroll
        self.paper = line(theme, "label", wrap=True, name="paper")
        self.tag_line = line(theme, "label", wrap=True, name="tag")
        self.run = line(theme, "label", ink=inks.soft, wrap=True, name="run file")
        for label in (self.paper, self.tag_line, self.run):
            label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.make_key = key(theme, said("after", "make"))
        self.tag_key = key(theme, said("after", "tag"))
        self.open_key = key(theme, said("after", "open"))
        self.open_tag_key = key(theme, said("after", "open_tag"))
        self.next_key = key(theme, said("after", "next"))
        self.make_key.clicked.connect(self._make)
        self.tag_key.clicked.connect(self.tag)
        self.open_key.clicked.connect(self.open_paper)
        self.open_tag_key.clicked.connect(self.open_tag)
        self.next_key.clicked.connect(self.next)
        keys = QHBoxLayout()
        keys.setSpacing(px(10))
        for button in (
            self.make_key,
            self.tag_key,
            self.next_key,
            self.open_key,
            self.open_tag_key,
        ):
            button.setMinimumHeight(px(40))
            button.setAutoDefault(False)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            keys.addWidget(button)
        keys.addStretch(1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(24), px(8), px(24), px(12))
        layout.setSpacing(px(2))
        self.first.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)
        top = QHBoxLayout()
        top.setSpacing(px(16))
        top.addWidget(self.sign)
        top.addWidget(self.first)
        top.addSpacing(px(6))
        top.addWidget(self.second, 1)
        layout.addLayout(top)
        layout.addSpacing(px(4))
        layout.addWidget(scroll, 100)
        layout.addStretch(1)
        layout.addSpacing(px(4))
        layout.addWidget(self.paper)
        layout.addWidget(self.tag_line)
        layout.addWidget(self.run)
        layout.addWidget(self._issuing())
        layout.addSpacing(px(6))
        layout.addLayout(keys)

    def _issuing(self) -> QWidget:
        """Return the fields for who issues a paper, in the panel and never in a box."""
        theme, px = self._theme, self._theme.px
        self.issuing = QWidget()
        row = QHBoxLayout(self.issuing)
        row.setContentsMargins(0, px(4), 0, 0)
        row.setSpacing(px(10))
        self.issuer, self.pin = OwnEnter(), OwnEnter(scans=False)
        self.pin.setEchoMode(QLineEdit.EchoMode.Password)
        for field, name in ((self.issuer, "issuer"), (self.pin, "pin")):
            label = QLabel(said(name))
            label.setFont(theme.font("text", bold=True))
            label.setBuddy(field)
            field.setFont(theme.font("text"))
            field.setAccessibleName(said(name))
            field.setPlaceholderText(said(f"{name}_hint"))
            field.setMinimumHeight(px(34))
            row.addWidget(label)
            row.addWidget(field, 3 if field is self.issuer else 2)
        self.issuer.entered.connect(self.pin.setFocus)
        self.pin.entered.connect(self._make)
        self.issuing.hide()
        return self.issuing

    def ask_who(self, by: str) -> None:
        """Ask who issues the paper, and for their PIN."""
        self.issuing.show()
        if not self.issuer.text():
            self.issuer.setText(by)
        (self.pin if self.issuer.text() else self.issuer).setFocus()

    def _make(self) -> None:
        name, pin = self.issuer.text().strip(), self.pin.text()
        self.pin.clear()
        self.make.emit(name, pin)

    def go_on(self) -> None:
        """Do what comes next, once it has stood there a moment."""
        if not self._armed:
            return
        if self._step == "make":
            self._make()
        elif self._step == "tag":
            self.tag.emit()
        else:
            self.next.emit()

    def show_verdict(self, verdict: Verdict) -> None:
        """Show it."""
        ink = verdict_ink(verdict.kind, self._theme.inks)
        self.sign.put(verdict.kind, ink)
        self.first.set_ink(ink)
        self.first.put(verdict.first)
        self.first.setFixedWidth(self.first.needed_px)
        put(self.second, verdict.second)
        few = len(verdict.lines) <= FEW_LINES
        few = few and sum(map(len, verdict.lines)) <= FEW_LETTERS
        self.lines.setFont(self._theme.font("lead" if few else "text"))
        put(self.lines, "\n".join(verdict.lines))
        self._scroll.setVisible(bool(verdict.lines))
        put(self.run, verdict.run_words)
        put(self.paper, verdict.paper_words)
        put(self.tag_line, verdict.tag_words)
        for label in (self.paper, self.tag_line):
            label.setVisible(bool(label.text()))
        self._paper, self._tag = verdict.paper, verdict.tag
        self._step, self._armed = verdict.step, verdict.armed
        if verdict.paper is not None and self.issuing.isVisible():
            self.issuing.hide()
            self.window().setFocus()
        self._show_keys(verdict)

    def _show_keys(self, verdict: Verdict) -> None:
        """Show what may be pressed; the one that Enter presses stands out."""
        making = said("after", "making")
        ready = not verdict.making
        now = verdict.step if ready else ""
        make = verdict.make if ready or verdict.step != "make" else making
        tag = said("after", "tag") if ready or verdict.step != "tag" else making
        self._label(self.make_key, make, strong=now == "make")
        self._label(self.tag_key, tag, strong=now == "tag")
        last = now == "next"
        self._label(
            self.next_key, said("after", "next" if last else "next_other"), strong=last
        )
        self.make_key.setVisible(verdict.paper is None)
        self.tag_key.setVisible(verdict.paper is not None and verdict.tag is None)
        self.open_key.setVisible(verdict.paper is not None)
        self.open_tag_key.setVisible(verdict.tag is not None)
        for button in (self.make_key, self.tag_key):
            button.setEnabled(ready)

    def _label(self, button: QPushButton, text: str, *, strong: bool) -> None:
        text = said("after", "enter", key=text) if strong else text
        if button.text() != text:
            button.setText(text)
            button.setAccessibleName(text)
        font = self._theme.font("text", bold=strong)
        if button.font() != font:
            button.setFont(font)
        restyle(button, "strong", "true" if strong else "false")

    def open_paper(self) -> None:
        """Open the paper with the program that this computer has for it."""
        self._open(self._paper, self.paper)

    def open_tag(self) -> None:
        """Open the tag."""
        self._open(self._tag, self.tag_line)

    def _open(self, path: Path | None, told: QLabel) -> None:
        if path is None:
            return
        url = QUrl.fromLocalFile(str(path.resolve()))
        if not QDesktopServices.openUrl(url):
            told.setText(f"{told.text()}\n{said('after', 'no_viewer')}")
