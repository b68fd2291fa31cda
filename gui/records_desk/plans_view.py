"""The page of plans: how each stands, the page of one, and its approval."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QPlainTextEdit,
    QVBoxLayout,
    QWidget,
)

from ..bench_desk.strips import StripBar
from ..pieces import OwnEnter, Rule, line, put, restyle
from ..theme import Theme
from .acts import NAME, PIN
from .asked_field import asked_field
from .keys_row import KeysRow
from .plans import ACCEPT, PlansPage, PlansPresenter
from .table import Cell, ListTable, Row
from .wording import said

_SHARES = (34, 20, 46)
_COLUMNS = ("plan", "status", "by")
_FIELDS = {ACCEPT: 330, NAME: 220, PIN: 110}


class PlansView(QWidget):
    """Plans, one under the other, and the page of the chosen one beside them.

    Args:
        theme: inks and fonts.
        presenter: what the page knows.
    """

    scanned = Signal(str)

    def __init__(self, theme: Theme, presenter: PlansPresenter) -> None:
        super().__init__()
        self._theme, self._presenter = theme, presenter
        px = theme.px
        self.strip = StripBar(theme)
        heads = [said("plans", "column", each) for each in _COLUMNS]
        self.table = ListTable(theme, heads, _SHARES, said("plans", "head"), "label")
        self.table.chosen.connect(presenter.choose)
        self.file = asked_field(theme, said("plans", "file"))
        self.file.scanned.connect(self.scanned)
        self.file.entered.connect(lambda: presenter.look_at(self.file.text()))
        self.file_note = line(
            theme,
            "label",
            ink=theme.inks.fails,
            wrap=True,
            name=said("note", of=said("plans", "file")),
        )
        self.text = QPlainTextEdit()
        self.text.setReadOnly(True)
        self.text.setFont(theme.font("text"))
        self.text.setAccessibleName(said("plans", "page"))
        self.text.setTabChangesFocus(True)
        left = QWidget()
        of_left = QVBoxLayout(left)
        of_left.setContentsMargins(0, px(6), 0, 0)
        of_left.setSpacing(px(4))
        of_left.addWidget(self.table, 1)
        row = QHBoxLayout()
        row.setContentsMargins(px(24), 0, px(12), 0)
        row.addWidget(self.file, 1)
        of_left.addLayout(row)
        note = QHBoxLayout()
        note.setContentsMargins(px(24), 0, px(12), 0)
        note.addWidget(self.file_note, 1)
        of_left.addLayout(note)
        middle = QHBoxLayout()
        middle.setContentsMargins(0, 0, 0, 0)
        middle.setSpacing(0)
        middle.addWidget(left, 46)
        middle.addWidget(Rule(theme, upright=True))
        middle.addWidget(self.text, 54)
        self.fields: dict[str, OwnEnter] = {}
        self._labels: dict[str, QLabel] = {}
        low = QHBoxLayout()
        low.setContentsMargins(px(24), 0, px(24), 0)
        low.setSpacing(px(10))
        for name, wide in _FIELDS.items():
            label = QLabel(said("asked", name))
            label.setFont(theme.font("text", bold=True))
            field = asked_field(theme, said("asked", name), wide, secret=name == PIN)
            field.setPlaceholderText(said("asked_hint", name))
            field.scanned.connect(self.scanned)
            field.entered.connect(lambda name=name: self._entered(name))
            label.setBuddy(field)
            low.addWidget(label)
            low.addWidget(field)
            self.fields[name], self._labels[name] = field, label
        low.addStretch(1)
        self.came = line(theme, "text", bold=True, wrap=True, name=said("act", "came"))
        self.came.setContentsMargins(px(24), 0, px(24), 0)
        self.keys = KeysRow(theme, "plans", strong="approve")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(px(6))
        layout.addWidget(self.strip)
        layout.addLayout(middle, 1)
        layout.addLayout(low)
        layout.addWidget(self.came)
        layout.addWidget(self.keys)

    # --- presses ---------------------------------------------------------------------

    def _entered(self, name: str) -> None:
        names = [each for each in _FIELDS if self.fields[each].isVisible()]
        after = names[names.index(name) + 1 :]
        empty = [each for each in after if not self.fields[each].text()]
        if empty:
            self.fields[empty[0]].setFocus()
        else:
            self.approve()

    def approve(self) -> None:
        """Approve the plan whose page is shown; ask who does it first."""
        if not self.fields[NAME].text().strip():
            self.fields[NAME].setFocus()
            return
        typed = {name: field.text() for name, field in self.fields.items()}
        self.fields[PIN].clear()
        self._presenter.approve(typed)

    def back(self) -> bool:
        """Leave a field for the plans; return whether one had the keys."""
        inside = (self.file, self.text, *self.fields.values())
        if any(widget.hasFocus() for widget in inside):
            self.table.setFocus()
            return True
        return False

    # --- what is shown ---------------------------------------------------------------

    def show_page(self, page: PlansPage) -> None:
        """Show the plans, and the page of one."""
        self.strip.show_strip(page.strip)
        rows = [
            Row(
                cells=(
                    Cell(text=each.plan),
                    Cell(text=each.status, bold=each.status == "approved"),
                    Cell(text=each.by),
                ),
                tip=f"{each.plan}: {each.title}",
            )
            for each in page.rows
        ]
        self.table.put(rows, page.chosen)
        text = "\n".join(page.lines)
        if self.text.toPlainText() != text:
            self.text.setPlainText(text)
            self.text.moveCursor(self.text.textCursor().MoveOperation.Start)
        put(self.file_note, page.file_note)
        self.file_note.setVisible(bool(page.file_note))
        restyle(self.file, "wrong", "true" if page.file_note else "false")
        for name, field in self.fields.items():
            field.setVisible(name in page.asks)
            self._labels[name].setVisible(name in page.asks)
        put(self.came, page.came)
        self.came.setVisible(bool(page.came))
        inks = self._theme.inks
        self.came.setStyleSheet(f"color: {inks.fails if page.wrong else inks.ink};")
        self.keys.enable({"approve": page.may_approve})
        self.text.setTextInteractionFlags(
            Qt.TextInteractionFlag.TextSelectableByMouse
            | Qt.TextInteractionFlag.TextSelectableByKeyboard
        )
