"""The page where runs are found: fields, rows, what can be done with them."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from ..bench_desk.strips import StripBar
from ..pieces import FittedLine, OwnEnter, line, put, restyle
from ..theme import Theme
from .fields import FIELDS, FIRST, MORE, WIDE
from .finding import FindPresenter, FoundPage
from .keys_row import KeysRow
from .rows import COLUMNS, SHARES, RunRow
from .save_row import SaveRow
from .saving import Saving
from .table import Cell, ListTable, Row
from .wording import said

_PER_LINE = len(FIRST)
_VERDICT, _STATE = COLUMNS.index("verdict"), COLUMNS.index("state")


def _place(name: str) -> tuple[int, int, int]:
    """Return a field's row and column in the grid, and how many columns it takes."""
    narrow = [each for each in FIELDS if each not in WIDE]
    if name not in WIDE:
        at = narrow.index(name)
        return 3 * (at // _PER_LINE), at % _PER_LINE, 1
    top, each = 3 * -(-len(narrow) // _PER_LINE), _PER_LINE // len(WIDE)
    return top, each * WIDE.index(name), each


class FieldsGrid(QWidget):
    """A field for each thing that runs are found by, what is wrong with it beneath."""

    typed = Signal(str, str)
    entered = Signal()
    scanned = Signal(str)

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.fields: dict[str, QLineEdit] = {}
        self.notes: dict[str, FittedLine] = {}
        self._more: list[QWidget] = []
        px = theme.px
        grid = QGridLayout(self)
        grid.setContentsMargins(px(24), px(10), px(24), 0)
        grid.setHorizontalSpacing(px(12))
        grid.setVerticalSpacing(px(1))
        for name in FIELDS:
            top, column, wide = _place(name)
            label = QLabel(said("field", name))
            label.setFont(theme.font("label", bold=True))
            field = OwnEnter()
            field.setFont(theme.font("text"))
            field.setAccessibleName(said("field", name))
            field.setPlaceholderText(said("hint", name))
            field.setMinimumWidth(px(60))
            field.setFixedHeight(px(32))
            label.setBuddy(field)
            note = FittedLine(
                theme, "label", ink=theme.inks.fails, name=said("note", of=label.text())
            )
            field.textEdited.connect(lambda text, n=name: self.typed.emit(n, text))
            field.entered.connect(self.entered)
            field.scanned.connect(self.scanned)
            self.fields[name], self.notes[name] = field, note
            for down, widget in enumerate((label, field, note)):
                grid.addWidget(widget, top + down, column, 1, wide)
                if name in MORE:
                    self._more.append(widget)
        for column in range(_PER_LINE):
            grid.setColumnStretch(column, 1)
        self.show_more(False)

    def show_more(self, more: bool) -> None:
        """Show the fields that are wanted seldom, or hide them."""
        for widget in self._more:
            widget.setVisible(more)

    @property
    def shows_more(self) -> bool:
        """Whether all fields are shown."""
        return bool(self._more) and not self._more[0].isHidden()

    def show_typed(self, presenter: FindPresenter) -> None:
        """Show what is typed and what is wrong with it."""
        for name, field in self.fields.items():
            if field.text() != presenter.typed[name]:
                field.setText(presenter.typed[name])
            note = presenter.notes.get(name, "")
            self.notes[name].put(note)
            restyle(field, "wrong", "true" if note else "false")
        if any(presenter.typed[name] for name in MORE):
            self.show_more(True)


class FindView(QWidget):
    """Fields above, the page of rows, what is marked and the keys beneath."""

    opened = Signal()

    def __init__(self, theme: Theme, presenter: FindPresenter, saving: Saving) -> None:
        super().__init__()
        self._presenter = presenter
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        px = theme.px
        self.fields = FieldsGrid(theme)
        self.fields.typed.connect(self._typed)
        self.fields.entered.connect(self.look_for)
        self.fields.scanned.connect(self.scanned)
        self.strip = StripBar(theme)
        heads = [said("column", name) for name in COLUMNS]
        self.table = ListTable(theme, heads, SHARES, said("runs"))
        self.table.pages = self.table.marks = True
        self.table.chosen.connect(presenter.choose)
        self.table.turned.connect(presenter.turn)
        self.table.marked.connect(presenter.mark)
        self.table.opened.connect(lambda _: self.opened.emit())
        self.table.left_above.connect(self.to_fields)
        self.table.fits.connect(presenter.fit)
        self.words = [
            line(theme, size, wrap=True, bold=i == 0, name=said("runs"))
            for i, size in enumerate(("far", "text", "text"))
        ]
        instead = QWidget()
        within = QVBoxLayout(instead)
        within.setContentsMargins(px(24), px(30), px(24), px(24))
        within.setSpacing(px(10))
        for words in self.words:
            within.addWidget(words)
        within.addStretch(1)
        self._rows = QStackedWidget()
        self._rows.addWidget(self.table)
        self._rows.addWidget(instead)
        self.foot = FittedLine(theme, "text", ink=theme.inks.soft, name=said("foot"))
        self.saving = SaveRow(theme, saving)
        self.saving.scanned.connect(self.scanned)
        self.keys = KeysRow(theme, "find", strong="open")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(px(4))
        layout.addWidget(self.fields)
        layout.addWidget(self.strip)
        layout.addWidget(self._rows, 1)
        low = QHBoxLayout()
        low.setContentsMargins(px(24), 0, px(24), 0)
        low.addWidget(self.foot, 1)
        layout.addLayout(low)
        layout.addWidget(self.saving)
        layout.addWidget(self.keys)

    # --- presses ---------------------------------------------------------------------

    def _typed(self, name: str, text: str) -> None:
        self._presenter.type(name, text)
        self.fields.show_typed(self._presenter)

    def look_for(self) -> None:
        """Look for what the fields ask for; go to what is wrong where something is."""
        if self._presenter.find():
            self.to_rows()
            return
        self.fields.show_typed(self._presenter)
        wrong = next(iter(self._presenter.notes), "")
        if wrong:
            self.fields.fields[wrong].setFocus()

    def scanned(self, label: str) -> None:
        """Look for the runs of a regulator whose label was scanned."""
        self._presenter.scanned(label)
        self.to_rows()

    def to_fields(self) -> None:
        """Go to the first field, ready to be typed over."""
        field = self.fields.fields[FIELDS[0]]
        field.setFocus()
        field.selectAll()

    def to_rows(self) -> None:
        """Give the keys to the rows, or to the page where there is none."""
        (self.table if self._rows.currentIndex() == 0 else self).setFocus()

    def takes(self, event: QKeyEvent) -> bool:
        """Take a key that a field left alone: to the rows, or to another page."""
        turns = {Qt.Key.Key_PageDown: 1, Qt.Key.Key_PageUp: -1}
        key = event.key()
        if key == Qt.Key.Key_Down and not self.table.hasFocus():
            self.to_rows()
        elif key in turns:
            self._presenter.turn(turns[Qt.Key(key)])
        else:
            return False
        return True

    def more(self) -> None:
        """Show all fields, or those that are always there."""
        self.fields.show_more(not self.fields.shows_more)

    def back(self) -> bool:
        """Leave a field for the rows, else what is marked, else what is typed."""
        presenter = self._presenter
        if self.saving.folder.hasFocus():
            self.to_rows()
            return True
        if any(field.hasFocus() for field in self.fields.fields.values()):
            self.to_rows()
            return True
        if presenter.unmark():
            return True
        if presenter.clear():
            self.fields.show_typed(presenter)
            self.fields.show_more(False)
            presenter.find()
            return True
        return False

    # --- what is shown ---------------------------------------------------------------

    def show_page(self, page: FoundPage) -> None:
        """Show a page of what was found."""
        self.fields.show_typed(self._presenter)
        self.strip.show_strip(page.strip)
        rows = [_row(row, row.run.run in page.marked) for row in page.rows]
        self.table.put(rows, page.chosen)
        for label, words in zip(self.words, (*page.said, "", "", ""), strict=False):
            put(label, words)
            label.setVisible(bool(words))
        self._show_rows(bool(page.rows) or not page.said)
        self.foot.put(page.foot)
        self.keys.enable(
            {
                "open": bool(page.rows),
                "life": bool(page.rows),
                "before": page.before,
                "after": page.after,
                "beside": len(page.marked) > 1,
                "bundle": bool(page.rows) or bool(page.marked),
            }
        )

    def _show_rows(self, rows: bool) -> None:
        """Show the rows, or words in their place; keys that the table took go on."""
        at, had = (0 if rows else 1), self.table.hasFocus() or self.hasFocus()
        if self._rows.currentIndex() == at:
            return
        if had:
            self.setFocus()  # else it would go to whatever comes next
        self._rows.setCurrentIndex(at)
        if had and rows:
            self.table.setFocus()


def _row(row: RunRow, marked: bool) -> Row:
    cells = tuple(
        Cell(
            text=text,
            sign=row.verdict if column == _VERDICT else "",
            bold=column == _STATE and row.grave,
        )
        for column, text in enumerate(row.cells)
    )
    return Row(cells=cells, marked=marked)
