"""What can be pressed at the foot of a page, each with the key that does the same."""

from __future__ import annotations

from collections.abc import Mapping

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QPushButton, QWidget

from ..pieces import key, restyle
from ..theme import Theme
from .wording import words_of

_HIGH_PX = 36


class KeysRow(QWidget):
    """A row of keys; what one is called and does stands in the words.

    Args:
        theme: inks and fonts.
        page: whose keys, a table of the words: id to what it says.
        strong: id of the one that is filled with ink, or "".
    """

    pressed = Signal(str)

    def __init__(self, theme: Theme, page: str, strong: str = "") -> None:
        super().__init__()
        px, self._theme = theme.px, theme
        self.keys: dict[str, QPushButton] = {}
        row = QHBoxLayout(self)
        row.setContentsMargins(px(24), px(2), px(24), px(10))
        row.setSpacing(px(8))
        for id, words in words_of("keys", page).items():
            made = key(theme, str(words), size="label", strong=id == strong)
            made.setFixedHeight(px(_HIGH_PX))
            made.setStyleSheet(f"padding: {px(3)}px {px(9)}px;")
            made.setAutoDefault(False)
            made.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            made.clicked.connect(lambda _=False, id=id: self.pressed.emit(id))
            self.keys[id] = made
            row.addWidget(made)
        row.addStretch(1)

    def fill(self, strong: str) -> None:
        """Fill another key with ink, or none: one stands out on a page."""
        for id, made in self.keys.items():
            made.setFont(self._theme.font("label", bold=id == strong))
            restyle(made, "strong", "true" if id == strong else "false")

    def enable(self, may: Mapping[str, bool]) -> None:
        """Let keys be pressed, or not; those not named stay as they are."""
        for id, able in may.items():
            self.keys[id].setEnabled(able)
