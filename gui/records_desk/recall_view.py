"""The page of a recall: of what, which runs lean on it, and marking their papers."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QComboBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QVBoxLayout,
    QWidget,
)

from ..bench_desk.strips import StripBar
from ..pieces import OwnEnter, line, put
from ..theme import Theme
from .acts import NAME, PIN
from .anew_view import COLUMNS, SHARES, anew_row
from .asked_field import asked_field
from .keys_row import KeysRow
from .recalling import (
    AT,
    FIELDS,
    SINCE,
    SPAN,
    UNTIL,
    WHAT,
    WHY,
    ZERO,
    RecallPage,
    RecallPresenter,
)
from .save_row import SaveRow
from .saving import Saving
from .table import ListTable
from .wording import said

_ERROR = (ZERO, SPAN, AT)
_ORDER = (WHAT, SINCE, UNTIL, *_ERROR)
_ASKED = {WHY: 380, NAME: 220, PIN: 110}


class RecallView(QWidget):
    """A recall.

    Args:
        theme: inks and fonts.
        presenter: what the page knows.
        saving: writes whom to tell.
    """

    scanned = Signal(str)

    def __init__(
        self, theme: Theme, presenter: RecallPresenter, saving: Saving
    ) -> None:
        super().__init__()
        self._theme, self._presenter = theme, presenter
        px = theme.px
        self.strip = StripBar(theme)
        self.of = QComboBox()
        self.of.setFont(theme.font("text"))
        self.of.setAccessibleName(said("recall", "of_label"))
        self.of.setMinimumHeight(px(32))
        self.of.activated.connect(self._chosen)
        self.fields: dict[str, OwnEnter] = {}
        self._labels: dict[str, QLabel] = {}
        grid = QGridLayout()
        grid.setContentsMargins(px(24), px(10), px(24), 0)
        grid.setHorizontalSpacing(px(12))
        grid.setVerticalSpacing(px(1))
        of = QLabel(said("recall", "of_label"))
        of.setFont(theme.font("label", bold=True))
        of.setBuddy(self.of)
        grid.addWidget(of, 0, 0)
        grid.addWidget(self.of, 1, 0)
        for at, name in enumerate(_ORDER):
            top, column = (0, at + 1) if at < 3 else (2, at - 3)
            label = QLabel(said("recall", "field", name))
            label.setFont(theme.font("label", bold=True))
            field = asked_field(theme, said("recall", "field", name))
            field.setPlaceholderText(said("recall", "hint", name))
            field.scanned.connect(self.scanned)
            field.entered.connect(self.look)
            label.setBuddy(field)
            grid.addWidget(label, top, column)
            grid.addWidget(field, top + 1, column)
            self.fields[name], self._labels[name] = field, label
        for column in range(4):
            grid.setColumnStretch(column, 1)
        self.words = line(theme, "lead", wrap=True, name=said("recall", "head"))
        self.words.setContentsMargins(px(24), px(6), px(24), 0)
        heads = [said("anew", "column", each) for each in COLUMNS]
        self.table = ListTable(theme, heads, SHARES, said("recall", "head"), "label")
        low = QHBoxLayout()
        low.setContentsMargins(px(24), 0, px(24), 0)
        low.setSpacing(px(10))
        for name, wide in _ASKED.items():
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
        self.saving = SaveRow(theme, saving)
        self.saving.scanned.connect(self.scanned)
        self.keys = KeysRow(theme, "recall", strong="look")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(px(6))
        layout.addWidget(self.strip)
        layout.addLayout(grid)
        layout.addWidget(self.words)
        layout.addWidget(self.table, 1)
        layout.addLayout(low)
        layout.addWidget(self.came)
        layout.addWidget(self.saving)
        layout.addWidget(self.keys)

    # --- presses ---------------------------------------------------------------------

    def _chosen(self, number: int) -> None:
        self._presenter.choose(self._presenter.page().of.options[number][0])
        self.fields[WHAT].setFocus()

    def _entered(self, name: str) -> None:
        names = [each for each in _ASKED if self.fields[each].isVisible()]
        empty = [
            each
            for each in names[names.index(name) + 1 :]
            if not self.fields[each].text()
        ]
        if empty:
            self.fields[empty[0]].setFocus()
        else:
            self.mark()

    def look(self) -> None:
        """Look what leans on it."""
        self._presenter.look({name: self.fields[name].text() for name in FIELDS})

    def mark(self) -> None:
        """Put the papers under review; ask why and by whom first."""
        if self._presenter.page().may_mark and not self.fields[WHY].text().strip():
            self.fields[WHY].setFocus()
            return
        typed = {name: self.fields[name].text() for name in _ASKED}
        self.fields[PIN].clear()
        self._presenter.mark(typed)

    def back(self) -> bool:
        """Leave a field for the rows; return whether one had the keys."""
        if any(field.hasFocus() for field in self.fields.values()):
            self.table.setFocus()
            return True
        return False

    # --- what is shown ---------------------------------------------------------------

    def show_page(self, page: RecallPage) -> None:
        """Show what leans on it, as far as it was looked."""
        self.strip.show_strip(page.strip)
        ids = [id for id, _ in page.of.options]
        if self.of.count() != len(ids):
            self.of.clear()
            self.of.addItems([words for _, words in page.of.options])
        self.of.setCurrentIndex(ids.index(page.of.chosen))
        for name in _ERROR:
            self.fields[name].setVisible(page.asks_error)
            self._labels[name].setVisible(page.asks_error)
        put(self.words, page.said)
        inks = self._theme.inks
        self.words.setStyleSheet(f"color: {inks.fails if page.wrong else inks.ink};")
        rows = [anew_row(each) for each in page.rows]
        self.table.put(rows, self.table.row_on)
        for name in _ASKED:
            self.fields[name].setVisible(name in page.asks)
            self._labels[name].setVisible(name in page.asks)
        put(self.came, page.came)
        self.came.setVisible(bool(page.came))
        ink = inks.fails if page.came_wrong else inks.ink
        self.came.setStyleSheet(f"color: {ink};")
        self.keys.enable(
            {
                "look": page.may_look,
                "mark": page.may_mark,
                "customers": bool(page.rows),
            }
        )
        self.keys.fill("mark" if page.may_mark else "look")
