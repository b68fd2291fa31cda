"""What an act asks, in its place on the page: fields, name and PIN, what came of it."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QVBoxLayout, QWidget

from ..pieces import OwnEnter, key, line, put, restyle
from ..theme import Theme
from .acts import ASKS, BEGIN, END, NAME, PIN, ActPage
from .wording import said

_ASKED = dict.fromkeys((BEGIN, END, *(f for own in ASKS.values() for f in own)))
_FIELDS = (*_ASKED, NAME, PIN)


class ActView(QWidget):
    """The fields of an act; Enter goes to the next, and at the last one does it."""

    wanted = Signal(dict)
    typed = Signal(str, str)
    left = Signal()
    scanned = Signal(str)

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._page = ActPage()
        px = theme.px
        self.head = line(theme, "lead", bold=True, wrap=True, name=said("act", "name"))
        self.lead = line(theme, "text", ink=theme.inks.soft, wrap=True)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(18), px(8), px(18), px(8))
        layout.setSpacing(px(5))
        layout.addWidget(self.head)
        layout.addWidget(self.lead)
        self.fields: dict[str, OwnEnter] = {}
        self._rows: dict[str, QWidget] = {}
        for name in _FIELDS:
            row = QWidget()
            within = QHBoxLayout(row)
            within.setContentsMargins(0, 0, 0, 0)
            within.setSpacing(px(10))
            label = QLabel(said("asked", name))
            label.setFont(theme.font("text", bold=True))
            label.setFixedWidth(px(150))
            field = OwnEnter(scans=name != PIN)
            if name == PIN:
                field.setEchoMode(QLineEdit.EchoMode.Password)
            field.setFont(theme.font("text"))
            field.setMinimumHeight(px(32))
            field.setAccessibleName(said("asked", name))
            field.setPlaceholderText(said("asked_hint", name))
            label.setBuddy(field)
            field.textEdited.connect(lambda text, n=name: self.typed.emit(n, text))
            field.entered.connect(lambda name=name: self._entered(name))
            field.scanned.connect(self.scanned)
            within.addWidget(label)
            within.addWidget(field, 1)
            layout.addWidget(row)
            self.fields[name], self._rows[name] = field, row
        self.said = line(theme, "text", bold=True, wrap=True, name=said("act", "came"))
        layout.addWidget(self.said)
        keys = QHBoxLayout()
        keys.setSpacing(px(10))
        self.do_key = key(theme, "", size="text", strong=True)
        self.leave_key = key(theme, said("act", "leave"), size="text")
        self.do_key.clicked.connect(self._do)
        self.leave_key.clicked.connect(self.left)
        for button in (self.do_key, self.leave_key):
            button.setAutoDefault(False)
            button.setMinimumHeight(px(36))
            keys.addWidget(button)
        keys.addStretch(1)
        layout.addLayout(keys)
        layout.addStretch(1)

    def _entered(self, name: str) -> None:
        """Go to the next field that is empty, or do it."""
        fields = self._page.fields
        after = fields[fields.index(name) + 1 :]
        empty = [f for f in after if not self.fields[f].text()]
        if empty:
            self.fields[empty[0]].setFocus()
        else:
            self._do()

    def _do(self) -> None:
        typed = {name: self.fields[name].text() for name in self._page.fields}
        self.fields[PIN].clear()
        self.wanted.emit(typed)

    def show_page(self, page: ActPage) -> None:
        """Show what is asked, and what came of it."""
        anew = page.id != self._page.id or (self._page.done and not page.done)
        looked = page.looked and not self._page.looked
        self._page = page
        put(self.head, page.head)
        put(self.lead, page.lead)
        for name, row in self._rows.items():
            row.setVisible(name in page.fields and not page.done)
            if anew:
                self.fields[name].setText(page.typed.get(name, ""))
        put(self.said, page.said)
        self.said.setVisible(bool(page.said))
        inks = self._theme.inks
        ink = inks.fails if page.wrong else inks.ink
        self.said.setStyleSheet(f"color: {ink};")
        if self.do_key.text() != page.key:
            self.do_key.setText(page.key)
            self.do_key.setAccessibleName(page.key)
        self.do_key.setVisible(not page.done)
        self.do_key.setEnabled(not page.doing)
        restyle(self.leave_key, "strong", "true" if page.done else "false")
        if anew and page.fields:
            self.fields[page.fields[0]].setFocus()
        elif looked:  # what is kept at the next press
            (self.fields[PIN] if page.fields else self.do_key).setFocus()
        elif page.done and not self.leave_key.hasFocus():
            self.leave_key.setFocus()
