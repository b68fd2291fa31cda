"""The right-hand end of the traces: name, present value, unit and reference."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

from ..theme import Theme
from .pieces import BigLine, line, put
from .screen import Lane


class LargeReadout(QWidget):
    """The number that matters now."""

    def __init__(self, theme: Theme, ink: str) -> None:
        super().__init__()
        self.name = line(theme, "text", bold=True, ink=ink)
        self.value = BigLine(theme, "huge", bold=True, name="value now")
        self.value.set_ink(ink)
        self.unit = line(theme, "lead", ink=ink)
        self.notes = [line(theme, "label", ink=ink) for _ in range(2)]
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.name)
        layout.addWidget(self.value)
        layout.addWidget(self.unit)
        layout.addSpacing(theme.px(4))
        for note in self.notes:
            layout.addWidget(note)
        layout.addStretch(1)

    def put(self, lane: Lane) -> None:
        """Show a reading."""
        put(self.name, lane.name)
        self.value.put("" if lane.stale else lane.value)
        put(self.unit, lane.value if lane.stale else lane.unit)
        for label, text in zip(self.notes, (*lane.notes, "", "")[:2], strict=True):
            put(label, text)


class SmallReadout(QWidget):
    """Another channel, in one line."""

    def __init__(self, theme: Theme, ink: str) -> None:
        super().__init__()
        self.name = QLabel()
        self.name.setFont(theme.font("text", bold=True))
        self.name.setStyleSheet(f"color: {ink};")
        self.value = line(theme, "lead", ink=ink)
        self.value.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.note = line(theme, "label", ink=theme.inks.soft)
        row = QHBoxLayout()
        row.setSpacing(theme.px(10))
        row.addWidget(self.name, 0, Qt.AlignmentFlag.AlignBaseline)
        row.addWidget(self.value, 1, Qt.AlignmentFlag.AlignBaseline)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addLayout(row)
        layout.addWidget(self.note)
        layout.addStretch(1)

    def put(self, lane: Lane) -> None:
        """Show a reading."""
        put(self.name, lane.name)
        told = lane.value if lane.stale else f"{lane.value} {lane.unit}".strip()
        put(self.value, told)
        put(self.note, lane.notes[0] if lane.notes else "")
