"""The findings: a bar against its mark, a word, and the value with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from proofstand.drawing.bar import state_ink

from ..pieces import BarPicture, line, put
from ..theme import Theme
from .screen import FindingRow
from .wording import said

LINE_PX = 20


class _Row:
    """One finding's widgets in the grid: two lines, the bar beneath the name."""

    def __init__(self, theme: Theme, grid: QGridLayout, at: int) -> None:
        self._theme = theme
        self.name = line(theme, "lead")
        self.bar = BarPicture(theme)
        self.word = QLabel()
        self.word.setFont(theme.font("lead", bold=True))
        self.count = line(theme, "lead", ink=theme.inks.soft)
        self.value = line(theme, "lead")
        named, told = QWidget(), QWidget()
        left, right = QVBoxLayout(named), QVBoxLayout(told)
        first = QHBoxLayout()
        first.setSpacing(theme.px(10))
        first.addWidget(self.word)
        first.addWidget(self.count, 1)
        left.addWidget(self.name)
        left.addWidget(self.bar)
        right.addLayout(first)
        right.addWidget(self.value)
        for box in (left, right):
            box.setContentsMargins(0, 0, 0, 0)
            box.setSpacing(0)
        for label in (self.name, self.word, self.count, self.value):
            label.setFixedHeight(theme.px(LINE_PX))
        self.bar.setFixedHeight(theme.px(LINE_PX - 2))
        grid.addWidget(named, at, 0, Qt.AlignmentFlag.AlignVCenter)
        grid.addWidget(told, at, 1, Qt.AlignmentFlag.AlignVCenter)

    def put(self, row: FindingRow) -> None:
        inks = self._theme.inks
        put(self.name, row.name)
        put(self.word, row.word)
        put(self.count, row.count)
        put(self.value, row.value)
        self.bar.put(row.bar)
        quiet = row.bar.interval is None and row.word == said("state", "to_come")
        self.name.setStyleSheet(f"color: {inks.soft if quiet else inks.ink};")
        self.word.setStyleSheet(f"color: {state_ink(row.bar.state, inks)};")
        font = self._theme.font("lead", bold=not quiet)
        if self.word.font() != font:
            self.word.setFont(font)
        told = ", ".join(p for p in (row.name, row.word, row.value, row.why) if p)
        self.bar.setAccessibleName(told)
        for widget in (self.name, self.bar, self.word, self.value):
            widget.setToolTip(row.why)


class FindingsPanel(QWidget):
    """All findings that have a limit, as they come."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        px = theme.px
        self._head = QLabel(said("findings"))
        self._head.setFont(theme.font("lead", bold=True))
        self.setAccessibleName(said("findings"))
        self._shown: tuple[FindingRow, ...] = ()
        self._rows: dict[str, _Row] = {}
        self._inside = QWidget()
        self._scroll = QScrollArea()
        self._scroll.setWidgetResizable(True)
        self._scroll.setFrameShape(QScrollArea.Shape.NoFrame)
        self._scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._scroll.setWidget(self._inside)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(20), px(8), px(12), px(6))
        layout.setSpacing(px(1))
        layout.addWidget(self._head)
        layout.addWidget(self._scroll, 1)

    @property
    def bars(self) -> dict[str, BarPicture]:
        """The bars by finding."""
        return {id: row.bar for id, row in self._rows.items()}

    @property
    def rows(self) -> dict[str, _Row]:
        """The rows by finding."""
        return self._rows

    @property
    def words(self) -> dict[str, str]:
        """The words shown, by finding."""
        return {id: row.word.text() for id, row in self._rows.items()}

    def show_rows(self, rows: Sequence[FindingRow]) -> None:
        """Show the findings."""
        if tuple(rows) == self._shown:
            return
        self._shown = tuple(rows)
        if [row.id for row in rows] != list(self._rows):
            self._make(rows)
        for row in rows:
            self._rows[row.id].put(row)

    def _make(self, rows: Sequence[FindingRow]) -> None:
        px = self._theme.px
        self._inside = QWidget()
        grid = QGridLayout(self._inside)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(px(16))
        grid.setVerticalSpacing(0)
        grid.setColumnStretch(0, 28)
        grid.setColumnStretch(1, 72)
        self._rows = {row.id: _Row(self._theme, grid, i) for i, row in enumerate(rows)}
        for i in range(len(rows)):
            grid.setRowMinimumHeight(i, px(2 * LINE_PX + 2))
            grid.setRowStretch(i, 1)
        if len(rows) < 8:  # fewer findings keep the same measure
            grid.setRowStretch(len(rows), 8 - len(rows))
        self._scroll.setWidget(self._inside)
        self._head.setText("" if rows else said("not_judged"))
        self._head.setVisible(not rows)  # findings speak for themselves
