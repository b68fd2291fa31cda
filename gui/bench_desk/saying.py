"""What a person may say unasked: go back in the test, or tell what was done.

It takes the findings' place beside the trace; nothing that is measured waits for it.
"""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QButtonGroup,
    QGridLayout,
    QHBoxLayout,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from ..pieces import OwnEnter, key, line, put
from ..theme import Theme
from .wording import known, said, several

Choice = tuple[str, str]


class Saying(QWidget):
    """One choice and one reason, typed or taken from those that are usual."""

    told = Signal(str, str, str)
    left = Signal()

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        px = theme.px
        self._kind = ""
        self.head = line(theme, "far", bold=True, name="what is told")
        self.lead = line(theme, "label", ink=theme.inks.soft, wrap=True)
        self._choices = QButtonGroup(self)
        self._choices.idToggled.connect(lambda *_: self._chosen())
        self._ids: list[str] = []
        self.choices: list[QPushButton] = []
        self.reasons: list[QPushButton] = []
        self._choice_box = QGridLayout()
        self._reason_box = QGridLayout()
        for box in (self._choice_box, self._reason_box):
            box.setSpacing(px(8))
        self.reason = OwnEnter()
        self.reason.setFont(theme.font("lead"))
        self.reason.setPlaceholderText(said("saying", "why_hint"))
        self.reason.setAccessibleName(said("saying", "why"))
        self.reason.textChanged.connect(lambda _: self._look())
        self.reason.entered.connect(self._tell)
        self.tell = key(theme, said("saying", "tell"), size="lead", strong=True)
        self.leave = key(theme, said("saying", "leave"))
        self.tell.clicked.connect(self._tell)
        self.leave.clicked.connect(self.left)
        for button in (self.tell, self.leave):
            button.setMinimumHeight(px(44))
            button.setAutoDefault(False)
        foot = QHBoxLayout()
        foot.setSpacing(px(12))
        foot.addWidget(self.tell)
        foot.addWidget(self.leave)
        foot.addStretch(1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(20), px(8), px(20), px(10))
        layout.setSpacing(px(6))
        layout.addWidget(self.head)
        layout.addWidget(self.lead)
        layout.addLayout(self._choice_box)
        layout.addSpacing(px(4))
        layout.addLayout(self._reason_box)
        layout.addWidget(self.reason)
        layout.addStretch(1)
        layout.addLayout(foot)

    def ask(self, kind: str, choices: Sequence[Choice]) -> None:
        """Put a question.

        Args:
            kind: ``back`` or ``done``.
            choices: id and words of each.
        """
        self._kind = kind
        put(self.head, said("saying", kind, "head"))
        put(self.lead, said("saying", kind, "lead"))
        self._clear(self._choice_box, self.choices)
        self._ids = [id for id, _ in choices]
        for number, (_, words) in enumerate(choices):
            made = self._key(words)
            made.setCheckable(True)
            self._choices.addButton(made, number)
            self.choices.append(made)
            self._choice_box.addWidget(made, number // 2, number % 2)
            made.show()  # at once: what is hidden takes no room
        self.reason.clear()
        if len(choices) == 1:
            self.choices[0].setChecked(True)
        self._chosen()
        self.choices[0].setFocus()

    def _chosen(self) -> None:
        """Offer the reasons that are usual for what is chosen."""
        chosen = self.choice
        named = chosen if chosen and known("saying", self._kind, chosen) else "usual"
        self._clear(self._reason_box, self.reasons)
        if chosen is not None:
            for number, words in enumerate(several("saying", self._kind, named)):
                made = self._key(words)
                made.clicked.connect(lambda _, w=words: self.reason.setText(w))
                self.reasons.append(made)
                self._reason_box.addWidget(made, number // 3, number % 3)
                made.show()
        self._look()

    @property
    def choice(self) -> str | None:
        """The id of what is chosen, None before."""
        at = self._choices.checkedId()
        return self._ids[at] if 0 <= at < len(self._ids) else None

    def _key(self, words: str) -> QPushButton:
        made = key(self._theme, words)
        made.setMinimumHeight(self._theme.px(36))
        made.setAutoDefault(False)
        return made

    def _clear(self, box: QGridLayout, keys: list[QPushButton]) -> None:
        for old in keys:
            self._choices.removeButton(old)
            box.removeWidget(old)
            old.hide()
            old.deleteLater()
        keys.clear()

    def _look(self) -> None:
        ready = self.choice is not None and bool(self.reason.text().strip())
        self.tell.setEnabled(ready)
        self.reason.setEnabled(self.choice is not None)

    def _tell(self) -> None:
        chosen, reason = self.choice, self.reason.text().strip()
        if chosen is not None and reason:
            self.told.emit(self._kind, chosen, reason)
