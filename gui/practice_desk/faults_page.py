"""The faults of the catalogue on the left, the page of one on the right."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QByteArray, QRectF, Qt, Signal
from PySide6.QtGui import QPainter
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from proofstand.drawing.beside import BesidePicture, beside_svg

from ..pieces import Rule, line, put
from ..theme import Theme
from .choices import Choices
from .explained import FAMILIES, Explained, fault_lines
from .fields import pick_field, scrolled
from .practice import Practice
from .wording import said

_LIST_PX, _PICTURE_PX = 400, 270
_MM_PER_PX = 0.2  # so that letters of the picture are as large as those about it


class Beside(QWidget):
    """Two traces over each other, drawn from the same SVG as on the page."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._picture: BesidePicture | None = None
        self._renderer: QSvgRenderer | None = None
        self.setFixedHeight(theme.px(_PICTURE_PX))
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)

    def put(self, picture: BesidePicture | None) -> None:
        """Show another picture, or none."""
        if picture is not self._picture:
            self._picture = picture
            self._make()

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Draw it anew, so that letters keep their size."""
        self._make()

    def _make(self) -> None:
        self._renderer = None
        if self._picture is not None and self.width() > 8:
            per_px = _MM_PER_PX / self._theme.scale
            wide, high = self.width() * per_px, self.height() * per_px
            svg = beside_svg(self._picture, self._theme.inks, wide, high)
            self._renderer = QSvgRenderer(QByteArray(svg.encode()))
            told = f"{self._picture.own}, {self._picture.other}"
            self.setAccessibleName(told)
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw it."""
        if self._renderer is not None:
            self._renderer.render(QPainter(self), QRectF(self.rect()))


class FaultsPage(QWidget):
    """Shows a fault and passes on which one is wanted."""

    wanted = Signal(str, str)

    def __init__(self, theme: Theme, model: Practice) -> None:
        super().__init__()
        self._theme, self._model = theme, model
        self._shown: Explained | None = None
        px = theme.px
        self.faults = Choices(
            theme, name=said("page", "faults"), size="label", moves=True
        )
        self.faults.put(fault_lines())
        self.faults.chosen.connect(self._want)
        self.family = pick_field(
            theme, said("make", "family"), [(id, id) for id in FAMILIES]
        )
        self.family.currentIndexChanged.connect(lambda _: self._want(model.fault))
        left = QWidget()
        left.setFixedWidth(px(_LIST_PX))
        beside = QVBoxLayout(left)
        beside.setContentsMargins(px(16), px(10), px(10), px(12))
        beside.setSpacing(px(8))
        beside.addWidget(scrolled(self.faults), 1)
        row = QHBoxLayout()
        label = line(theme, "text", bold=True)
        label.setText(said("make", "family"))
        label.setSizePolicy(QSizePolicy.Policy.Minimum, QSizePolicy.Policy.Fixed)
        label.setBuddy(self.family)
        row.addWidget(label)
        row.addWidget(self.family, 1)
        beside.addLayout(row)
        self.head = QLabel()
        self.head.setFont(theme.font("far", bold=True))
        self.head.setWordWrap(True)
        self.looks = line(theme, "text", wrap=True, name="what it looks like")
        self.picture = Beside(theme)
        self.wait = line(theme, "text", bold=True, wrap=True, name="progress")
        self.wait.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.blocks = QWidget()
        self._blocks = QVBoxLayout(self.blocks)
        self._blocks.setContentsMargins(0, 0, px(10), 0)
        self._blocks.setSpacing(px(2))
        self.words: list[QLabel] = []
        right = QWidget()
        layout = QVBoxLayout(right)
        layout.setContentsMargins(px(22), px(10), px(14), px(10))
        layout.setSpacing(px(6))
        layout.addWidget(self.head)
        layout.addWidget(self.looks)
        layout.addWidget(self.wait)
        layout.addWidget(self.picture)
        layout.addWidget(scrolled(self.blocks), 1)
        whole = QHBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        whole.addWidget(left)
        whole.addWidget(Rule(theme, upright=True))
        whole.addWidget(right, 1)

    def _want(self, id: str) -> None:
        self.wanted.emit(id, str(self.family.currentData()))

    def show_now(self) -> None:
        """Show the fault that is explained now."""
        model = self._model
        shown = model.explained
        self.faults.put(fault_lines(), model.fault)
        at = self.family.findData(model.family)
        if at != self.family.currentIndex():
            self.family.blockSignals(True)
            self.family.setCurrentIndex(at)
            self.family.blockSignals(False)
        if shown is None:
            return
        words = model.at_work or model.note
        if not words and shown.picture is None:
            words = said("faults", "no_picture")
        put(self.wait, words)
        self.wait.setVisible(bool(words))
        ink = self._theme.inks.fails if model.wrong else self._theme.inks.ink
        self.wait.setStyleSheet(f"color: {ink};")
        self.picture.setVisible(shown.picture is not None)
        if shown is self._shown:
            return
        self._shown = shown
        put(self.head, shown.head)
        put(self.looks, shown.looks)
        self.picture.put(shown.picture)
        for old in self.words:
            self._blocks.removeWidget(old)
            old.hide()
            old.deleteLater()
        self.words = []
        for title, text in shown.blocks:
            self._add(title, bold=True)
            self._add(text)

    def _add(self, text: str, *, bold: bool = False) -> None:
        label = line(self._theme, "text", bold=bold, wrap=True, name=text)
        label.setText(text)
        if bold:
            label.setContentsMargins(0, self._theme.px(6), 0, 0)
        self._blocks.addWidget(label)
        self.words.append(label)
