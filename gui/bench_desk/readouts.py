"""The right-hand end of the traces: name, present value, unit and reference."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetricsF
from PySide6.QtWidgets import QHBoxLayout, QLabel, QVBoxLayout, QWidget

from ..pieces import BigLine, line, put
from ..theme import Theme
from .screen import Lane


def _word(theme: Theme, size: str, ink: str, *, bold: bool = False) -> QLabel:
    """Return a label that is as wide as its words."""
    label = QLabel()
    label.setFont(theme.font(size, bold=bold))
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setStyleSheet(f"color: {ink};")
    return label


def _advance(label: QWidget, text: str) -> float:
    return QFontMetricsF(label.font()).horizontalAdvance(text)


class LargeReadout(QWidget):
    """The number that is worked on now."""

    def __init__(self, theme: Theme, ink: str) -> None:
        super().__init__()
        self._gap = theme.px(10)
        self.name = _word(theme, "lead", ink, bold=True)
        self.unit = _word(theme, "lead", ink)
        self.value = BigLine(theme, "huge", bold=True, name="value now")
        self.value.set_ink(ink)
        self.notes = [line(theme, "label", ink=ink) for _ in range(2)]
        head = QHBoxLayout()
        head.setSpacing(self._gap)
        head.addWidget(self.name)
        head.addWidget(self.unit)
        head.addStretch(1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addLayout(head)
        layout.addWidget(self.value)
        for note in self.notes:
            layout.addWidget(note)
        layout.addStretch(1)

    def needed_px(self, lane: Lane) -> float:
        """Return how wide it has to be."""
        head = _advance(self.name, lane.name) + self._gap
        head += _advance(self.unit, lane.value if lane.stale else lane.unit)
        notes = [
            _advance(label, n) for label, n in zip(self.notes, lane.notes, strict=False)
        ]
        return max(head, _advance(self.value, lane.value) * (not lane.stale), *notes, 0)

    def put(self, lane: Lane) -> None:
        """Show a reading."""
        put(self.name, lane.name)
        self.value.put("" if lane.stale else lane.value)
        put(self.unit, lane.value if lane.stale else lane.unit)
        for label, text in zip(self.notes, (*lane.notes, "", "")[:2], strict=True):
            put(label, text)
        self._fit_notes()

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Leave out what there is no room for."""
        self._fit_notes()

    def _fit_notes(self) -> None:
        """Show as many notes as there is room for beneath the value."""
        room = self.height() - self.name.sizeHint().height() - self.value.height()
        for note in self.notes:
            room -= note.sizeHint().height()
            note.setVisible(room >= 0 and bool(note.text()))


class SmallReadout(QWidget):
    """Another channel: its name and unit, and its value beside them."""

    def __init__(self, theme: Theme, ink: str) -> None:
        super().__init__()
        self._gap = theme.px(12)
        self.name = _word(theme, "lead", ink, bold=True)
        self.unit = _word(theme, "text", ink)
        self.value = BigLine(theme, "middle", bold=True, name="value now")
        self.value.set_ink(ink)
        words = QVBoxLayout()
        words.setSpacing(0)
        words.addWidget(self.name)
        words.addWidget(self.unit)
        row = QHBoxLayout()
        row.setSpacing(self._gap)
        row.addLayout(words)
        row.addWidget(self.value, 1, Qt.AlignmentFlag.AlignVCenter)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addLayout(row)
        layout.addStretch(1)

    def needed_px(self, lane: Lane) -> float:
        """Return how wide it has to be."""
        told = lane.value if lane.stale else lane.unit
        words = max(_advance(self.name, lane.name), _advance(self.unit, told))
        value = 0.0 if lane.stale else _advance(self.value, lane.value)
        return words + self._gap + value

    def put(self, lane: Lane) -> None:
        """Show a reading."""
        put(self.name, lane.name)
        put(self.unit, lane.value if lane.stale else lane.unit)
        self.value.put("" if lane.stale else lane.value)
