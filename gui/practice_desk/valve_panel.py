"""What a hand moves on the simulated rig: valves, supply, screw, and what is fitted.

Each handle is worked with the mouse or, with the focus on it, with the arrows; Page Up
and Page Down move it further, Home and End all the way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QSizePolicy,
    QSlider,
    QWidget,
)

from proofstand.hand_worked import FIXTURES, HandValve

from ..pieces import line, put
from ..theme import Theme
from .choices import Choices
from .wording import said

_STEPS, _STEP, _FAR = 2000, 2, 100
_ROW_PX, _WORDS_PX = 34, 130


class ValvePanel(QWidget):
    """Handles in rows, what is fitted beneath."""

    moved = Signal(str, float)
    fitted = Signal(str)

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        px = theme.px
        self.handles: dict[str, QSlider] = {}
        self._told: dict[str, QLabel] = {}
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(px(18), px(8), px(20), px(2))
        self._grid.setHorizontalSpacing(px(12))
        self._grid.setVerticalSpacing(px(2))
        self._grid.setColumnStretch(1, 1)
        self.fixtures = Choices(theme, len(FIXTURES), name=said("valve", "fixture"))
        self.fixtures.put([(id, said("fixture", id)) for id in FIXTURES])
        self.fixtures.chosen.connect(self.fitted)

    def make(self, valves: Sequence[HandValve]) -> None:
        """Make the handles of a rig; those of another one go."""
        if [valve.name for valve in valves] == list(self.handles):
            return
        while (item := self._grid.takeAt(0)) is not None:
            old = item.widget()
            if old is not None and old is not self.fixtures:
                old.hide()
                old.deleteLater()
        self.handles, self._told = {}, {}
        for at, valve in enumerate(valves):
            self._row(at, valve.name)
        name = self._name(said("valve", "fixture"))
        row = QHBoxLayout()
        row.addWidget(self.fixtures)
        row.addStretch(1)
        self._grid.addWidget(name, len(valves), 0)
        self._grid.addLayout(row, len(valves), 1, 1, 2)
        self._grid.setRowStretch(len(valves) + 1, 1)

    def _name(self, text: str) -> QLabel:
        label = QLabel(text)
        label.setFont(self._theme.font("text", bold=True))
        return label

    def _row(self, at: int, name: str) -> None:
        theme, px = self._theme, self._theme.px
        label = self._name(said("valve", name))
        handle = QSlider(Qt.Orientation.Horizontal)
        handle.setRange(0, _STEPS)
        handle.setSingleStep(_STEP)
        handle.setPageStep(_FAR)
        handle.setAccessibleName(said("valve", name))
        handle.setMinimumHeight(px(_ROW_PX))
        handle.valueChanged.connect(
            lambda value, name=name: self.moved.emit(name, value / _STEPS)
        )
        label.setBuddy(handle)
        told = line(theme, "text", name=said("valve", name))
        told.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)
        told.setFixedWidth(px(_WORDS_PX))
        self._grid.addWidget(label, at, 0)
        self._grid.addWidget(handle, at, 1)
        self._grid.addWidget(told, at, 2)
        self.handles[name], self._told[name] = handle, told

    def show_positions(
        self, shares: Mapping[str, float], words: Mapping[str, str], fixture: str
    ) -> None:
        """Show where everything stands."""
        for name, handle in self.handles.items():
            value = round(shares[name] * _STEPS)
            if handle.value() != value and not handle.isSliderDown():
                handle.blockSignals(True)
                handle.setValue(value)
                handle.blockSignals(False)
            put(self._told[name], words[name])
            handle.setAccessibleDescription(words[name])
        self.fixtures.put([(id, said("fixture", id)) for id in FIXTURES], fixture)
