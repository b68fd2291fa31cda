"""Fields with their labels, as the pages of this desk have them."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QComboBox,
    QGridLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from ..pieces import OwnEnter, line, restyle
from ..theme import Theme
from .wording import said

FIELD_PX = 34


def text_field(theme: Theme, name: str, hint: str = "") -> OwnEnter:
    """Return a field to type in.

    Args:
        theme: inks and fonts.
        name: what a screen reader calls it.
        hint: what stands in it while it is empty.
    """
    field = OwnEnter()
    field.setFont(theme.font("text"))
    field.setAccessibleName(name)
    field.setPlaceholderText(hint)
    field.setMinimumHeight(theme.px(FIELD_PX))
    return field


def pick_field(
    theme: Theme, name: str, choices: Sequence[tuple[str, str]]
) -> QComboBox:
    """Return a field to pick from.

    Args:
        theme: inks and fonts.
        name: what a screen reader calls it.
        choices: id and words of each.
    """
    field = QComboBox()
    field.setFont(theme.font("text"))
    field.setAccessibleName(name)
    field.setMinimumHeight(theme.px(FIELD_PX))
    field.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
    for id, words in choices:
        field.addItem(words, id)
    return field


def put_row(
    theme: Theme, grid: QGridLayout, at: int, name: str, field: QWidget
) -> QLabel:
    """Put a field and its label into a row of a grid; return the label."""
    label = line(theme, "text", bold=True)
    label.setText(name)
    label.setSizePolicy(QSizePolicy.Policy.Minimum, QSizePolicy.Policy.Fixed)
    label.setBuddy(field)
    grid.addWidget(label, at, 0)
    grid.addWidget(field, at, 1)
    return label


def scrolled(*inside: QWidget) -> QScrollArea:
    """Return widgets one above another in a place that scrolls up and down."""
    area, holds = QScrollArea(), QWidget()
    area.setWidgetResizable(True)
    area.setFrameShape(QScrollArea.Shape.NoFrame)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    layout = QVBoxLayout(holds)
    layout.setContentsMargins(0, 0, 0, 0)
    for widget in inside:
        layout.addWidget(widget)
    layout.addStretch(1)
    area.setWidget(holds)
    return area


def show_leaving(key: QPushButton, *, asked: bool) -> None:
    """Let the key that leaves a drill ask in its place, once it was pressed."""
    words = said("replay", "leave_sure" if asked else "leave")
    if key.text() != words:
        key.setText(words)
        key.setAccessibleName(words)
    restyle(key, "grave", "true" if asked else "false")
