"""A row of boxes to choose from, each with its name before it."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtWidgets import QComboBox, QHBoxLayout, QLabel

from ..theme import Theme
from .besides import Choice
from .wording import said

_SHOWN = 18


class ChoiceRow(QHBoxLayout):
    """Boxes that tell what was chosen.

    Args:
        words: the group of words that holds the boxes' names.
        names: the boxes, from the left.
        wide_px: how wide each box is at least, before the theme's scale.
        chosen: told a box's name and the id of what hands chose in it.
    """

    def __init__(
        self,
        theme: Theme,
        words: str,
        names: tuple[str, ...],
        wide_px: int,
        chosen: Callable[[str, str], None],
    ) -> None:
        super().__init__()
        px = theme.px
        self.boxes: dict[str, QComboBox] = {}
        self._options: dict[str, tuple[tuple[str, str], ...]] = {}
        self._told = chosen
        self.setContentsMargins(px(24), px(10), px(24), 0)
        self.setSpacing(px(10))
        for name in names:
            label = QLabel(said(words, name))
            label.setFont(theme.font("text", bold=True))
            box = QComboBox()
            box.setFont(theme.font("text"))
            box.setAccessibleName(said(words, name))
            box.setMinimumSize(px(wide_px), px(32))
            box.setMaxVisibleItems(_SHOWN)
            label.setBuddy(box)
            box.activated.connect(lambda n, name=name: self._chosen(name, n))
            self.addWidget(label)
            self.addWidget(box)
            self.addSpacing(px(12))
            self.boxes[name] = box
        self.addStretch(1)

    def _chosen(self, name: str, number: int) -> None:
        self._told(name, self._options[name][number][0])

    @property
    def has_focus(self) -> bool:
        """Keys go to one of the boxes."""
        return any(box.hasFocus() for box in self.boxes.values())

    def fill(self, name: str, choice: Choice) -> None:
        """Offer the choices of a box and show the one that is chosen."""
        box = self.boxes[name]
        if self._options.get(name) != choice.options:
            self._options[name] = choice.options
            box.clear()
            box.addItems([words for _, words in choice.options])
        ids = [id for id, _ in choice.options]
        if choice.chosen in ids:
            box.setCurrentIndex(ids.index(choice.chosen))
