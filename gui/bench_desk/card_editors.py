"""The fields of the job card's form: one editor for each sort, and rows of them."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QPointF, Qt, Signal
from PySide6.QtGui import QPainter
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QGridLayout,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QVBoxLayout,
    QWidget,
)

from ..pieces import Rule, key, line, put, restyle
from ..theme import Theme
from .card_draft import YES, Entry, Row, Table
from .wording import known, said

LONG_PX = 56
FIELD_PX = 33


class _Choice(QComboBox):
    """A list to choose from that the wheel does not change in passing."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._pen = theme.pen(theme.inks.soft, 1.6)
        self._px = theme.px

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw a mark at its end that says there is a list."""
        super().paintEvent(event)
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(self._pen)
        x, y = self.width() - self._px(15), self.height() / 2.0 - self._px(2)
        half, deep = self._px(4), self._px(5)
        painter.drawPolyline(
            [QPointF(x - half, y), QPointF(x, y + deep), QPointF(x + half, y)]
        )

    def wheelEvent(self, event: Any) -> None:  # noqa: N802
        """Let the page scroll."""
        event.ignore()


class Editor(QWidget):
    """One field; whatever it is drawn with, it holds a text."""

    changed = Signal()

    def __init__(self, theme: Theme, entry: Entry, name: str) -> None:
        super().__init__()
        self.entry = entry
        self._box: QLineEdit | QComboBox | QCheckBox | QPlainTextEdit
        hint = _hint(entry)
        if entry.sort == "yes":
            self._box = QCheckBox()
            self._box.toggled.connect(lambda _: self.changed.emit())
        elif entry.sort == "choice":
            self._box = _Choice(theme)
            self._box.setEditable(entry.open)
            self._box.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
            self._box.addItems(["", *entry.choices])
            self._box.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
            self._box.setSizeAdjustPolicy(
                QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
            )
            self._box.setMinimumContentsLength(4)
            self._box.setPlaceholderText(hint)
            self._box.currentTextChanged.connect(lambda _: self.changed.emit())
        elif entry.sort == "long":
            self._box = QPlainTextEdit()
            self._box.setTabChangesFocus(True)
            self._box.setFixedHeight(theme.px(LONG_PX))
            self._box.setPlaceholderText(hint)
            self._box.textChanged.connect(self.changed)
        else:
            self._box = QLineEdit()
            self._box.setPlaceholderText(hint)
            self._box.textChanged.connect(lambda _: self.changed.emit())
        self._box.setFont(theme.font("text"))
        self._box.setAccessibleName(name)
        if entry.sort != "long":
            self._box.setMinimumHeight(theme.px(FIELD_PX))
        self.setFocusProxy(self._box)
        self.note = line(
            theme, "label", ink=theme.inks.fails, wrap=True, name=f"{name}, note"
        )
        self.note.hide()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(theme.px(1))
        layout.addWidget(self._box)
        layout.addWidget(self.note)

    def text(self) -> str:
        """Return what it holds."""
        box = self._box
        if isinstance(box, QCheckBox):
            return YES if box.isChecked() else ""
        if isinstance(box, QComboBox):
            return box.currentText()
        if isinstance(box, QPlainTextEdit):
            return box.toPlainText()
        return box.text()

    def put(self, text: str) -> None:
        """Fill it; a text that is not among the choices is kept among them."""
        box = self._box
        if isinstance(box, QCheckBox):
            box.setChecked(bool(text))
        elif isinstance(box, QComboBox):
            if not box.isEditable() and box.findText(text) < 0:
                box.addItem(text)
            box.setCurrentText(text)
        elif isinstance(box, QPlainTextEdit):
            box.setPlainText(text)
        else:
            box.setText(text)
            box.setCursorPosition(0)

    def mark(self, why: str) -> None:
        """Frame it where it can't be so, and say beneath why; "" takes both away."""
        restyle(self._box, "wrong", "true" if why else "false")
        put(self.note, why)
        self.note.setVisible(bool(why))

    def choose_from(self, choices: tuple[str, ...]) -> None:
        """Offer these instead; what is chosen stays."""
        box = self._box
        if isinstance(box, QComboBox) and [
            box.itemText(i) for i in range(1, box.count())
        ] != list(choices):
            now = box.currentText()
            box.blockSignals(True)
            box.clear()
            box.addItems(["", *choices])
            if now and box.findText(now) < 0:
                box.addItem(now)
            box.setCurrentText(now)
            box.blockSignals(False)


def _hint(entry: Entry) -> str:
    if known("card", "hint", entry.path):
        return said("card", "hint", entry.path)
    return said("card", "hint", "date") if entry.sort == "date" else ""


class Rows(QWidget):
    """The rows of a table under its column heads, and a key for one more."""

    changed = Signal()

    def __init__(self, theme: Theme, table: Table, rows: list[Row]) -> None:
        super().__init__()
        self._theme = theme
        self.table = table
        self.editors: list[dict[str, Editor]] = []
        self._serial_parts: list[QWidget] = []
        self._batch = True
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(theme.px(6))
        self._lines = [
            tuple(c for c in table.columns if c.below == below)
            for below in (False, True)
            if any(c.below == below for c in table.columns)
        ]
        self._grid = QGridLayout()
        layout.addLayout(self._grid)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setHorizontalSpacing(theme.px(6))
        self._grid.setVerticalSpacing(theme.px(5))
        self._under = QVBoxLayout()
        self._under.setSpacing(theme.px(5))
        layout.addLayout(self._under)
        self.more = key(theme, said("card", "more"))
        self.more.setAccessibleName(f"{said('card', 'more')}: {table.path}")
        self.more.clicked.connect(self.add_row)
        layout.addWidget(self.more, alignment=Qt.AlignmentFlag.AlignLeft)
        if len(self._lines) == 1:
            for n, column in enumerate(table.columns):
                self._grid.addWidget(self._head(column), 0, n)
                self._grid.setColumnStretch(n, column.share)
        for row in rows or [{}]:
            self._add(row)

    def _head(self, column: Entry) -> QLabel:
        head = line(self._theme, "label", ink=self._theme.inks.soft)
        head.setText(said("card", "column", column.path))
        if column.path == "serial":
            self._serial_parts.append(head)
        return head

    def add_row(self) -> None:
        """Add an empty row and go there."""
        self._add({})
        first = next(iter(self.editors[-1].values()))
        first.setFocus()

    def _add(self, row: Row) -> None:
        at = len(self.editors)
        made: dict[str, Editor] = {}
        for column in self.table.columns:
            name = f"{said('card', 'column', column.path)}, {at + 1}"
            editor = Editor(self._theme, column, name)
            editor.put(row.get(column.path, ""))
            editor.changed.connect(self.changed)
            made[column.path] = editor
            if column.path == "serial":
                self._serial_parts.append(editor)
        self.editors.append(made)
        if len(self._lines) == 1:
            for n, column in enumerate(self.table.columns):
                self._grid.addWidget(made[column.path], at + 1, n)
        else:
            self._place_in_lines(made)
        if not self._batch and "serial" in made:
            made["serial"].hide()

    def _place_in_lines(self, made: dict[str, Editor]) -> None:
        """Place a row in two lines, each with its heads, a rule below the last row."""
        if len(self.editors) > 1:
            self._under.addWidget(Rule(self._theme))
        for columns in self._lines:
            grid = QGridLayout()
            grid.setHorizontalSpacing(self._theme.px(6))
            grid.setVerticalSpacing(self._theme.px(2))
            self._under.addLayout(grid)
            for n, column in enumerate(columns):
                head = self._head(column)
                grid.addWidget(head, 0, n)
                grid.addWidget(made[column.path], 1, n)
                grid.setColumnStretch(n, column.share)
                if column.path == "serial" and not self._batch:
                    head.hide()

    def rows(self) -> list[Row]:
        """Return what the rows hold."""
        return [
            {path: editor.text() for path, editor in row.items() if editor.text()}
            for row in self.editors
        ]

    def show_serial(self, batch: bool) -> None:
        """Show the column that says which regulator of a batch a row is of."""
        batch = batch or any(
            row["serial"].text() for row in self.editors if "serial" in row
        )
        if batch == self._batch:
            return
        self._batch = batch
        for part in self._serial_parts:
            part.setVisible(batch)
        if len(self._lines) == 1 and self._serial_parts:
            at = len(self.table.columns) - 1
            self._grid.setColumnStretch(
                at, self.table.columns[at].share if batch else 0
            )
