"""A table of rows by keys: only the rows in view are painted.

Qt's own table, so that a screen reader reads it; what a row looks like is ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QModelIndex,
    QPersistentModelIndex,
    Qt,
    Signal,
)
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QAbstractItemView, QFrame, QHeaderView, QTableView

from ..pieces import pressed_at
from ..scanned import Burst
from ..theme import Theme
from .row_look import Cell as Cell
from .row_look import Row as Row
from .row_look import RowLook

ROW_PX, SMALL_ROW_PX, HEAD_PX = 27, 23, 26
_PAD_PX, _EDGE_PX = 8, 24
_ENTER = (Qt.Key.Key_Return, Qt.Key.Key_Enter)
_Place = QModelIndex | QPersistentModelIndex
_NOWHERE = QModelIndex()


class _Rows(QAbstractTableModel):
    def __init__(self, heads: Sequence[str]) -> None:
        super().__init__()
        self.heads = tuple(heads)
        self.rows: tuple[Row, ...] = ()

    def rowCount(self, parent: _Place = _NOWHERE) -> int:  # noqa: N802
        return 0 if parent.isValid() else len(self.rows)

    def columnCount(self, parent: _Place = _NOWHERE) -> int:  # noqa: N802
        return 0 if parent.isValid() else len(self.heads)

    def data(self, index: _Place, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        row = self.rows[index.row()]
        text = row.cells[index.column()].text
        if role == Qt.ItemDataRole.DisplayRole:
            return text
        if role == Qt.ItemDataRole.ToolTipRole:
            return row.tip or text
        if role == Qt.ItemDataRole.AccessibleTextRole:
            return f"{self.heads[index.column()]}: {text}"
        return None

    def headerData(  # noqa: N802
        self,
        section: int,
        orientation: Qt.Orientation,
        role: int = Qt.ItemDataRole.DisplayRole,
    ) -> Any:
        across = orientation is Qt.Orientation.Horizontal
        if across and role == Qt.ItemDataRole.DisplayRole:
            return self.heads[section]
        if across and role == Qt.ItemDataRole.TextAlignmentRole:
            return Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        return None

    def put(self, rows: Sequence[Row]) -> None:
        self.beginResetModel()
        self.rows = tuple(rows)
        self.endResetModel()


class ListTable(QTableView):
    """A table that keys lead through.

    Args:
        theme: inks and fonts.
        heads: of the columns.
        shares: how wide each is, as shares of the whole.
        name: what a screen reader calls it.
        size: of its letters: "text", or "label" for many rows.
        edge: room before the first column.

    Attributes:
        row_on: number of the row that is chosen, -1 for none.
        pages: PgUp and PgDn are told and turn nothing here. marks: Space is told.
    """

    opened = Signal(int)
    chosen = Signal(int)
    turned = Signal(int)
    marked = Signal()
    left_above = Signal()
    fits = Signal(int)

    def __init__(
        self,
        theme: Theme,
        heads: Sequence[str],
        shares: Sequence[int],
        name: str,
        size: str = "text",
        edge: int = _EDGE_PX,
    ) -> None:
        super().__init__()
        self._theme, self._shares = theme, tuple(shares)
        self.edge_px = theme.px(edge)
        self.row_px = theme.px(ROW_PX if size == "text" else SMALL_ROW_PX)
        self._model = _Rows(heads)
        self._signed: frozenset[int] = frozenset()
        self.row_on = -1
        self._quiet = False
        self._burst = Burst()
        self.pages = self.marks = False
        self.setModel(self._model)
        self._look = RowLook(theme, self, size)  # the table takes no hold of it
        self.setItemDelegate(self._look)
        self.setAccessibleName(name)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setFont(theme.font(size))
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setTabKeyNavigation(False)
        self.verticalHeader().hide()
        self.verticalHeader().setMinimumSectionSize(1)
        self.verticalHeader().setDefaultSectionSize(self.row_px)
        self.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        head = self.horizontalHeader()
        head.setFixedHeight(theme.px(HEAD_PX))
        head.setFont(theme.font("label"))
        head.setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        head.setSectionsClickable(False)
        head.setHighlightSections(False)
        head.setMinimumSectionSize(1)
        head.setVisible(any(heads))
        inks, px = theme.inks, theme.px
        self.setStyleSheet(
            f"QTableView {{ background: {inks.paper}; border: none; outline: none; }}"
            f"QHeaderView {{ background: {inks.paper}; border: none; }}"
            f"QHeaderView::section {{ background: {inks.paper}; color: {inks.soft};"
            f" border: none; border-bottom: 1px solid {inks.soft};"
            f" padding: 0 {px(_PAD_PX)}px; }}"
            f"QHeaderView::section:first {{ padding-left: {self.edge_px}px; }}"
        )
        self.selectionModel().currentRowChanged.connect(self._changed)
        self.doubleClicked.connect(lambda place: self.opened.emit(place.row()))

    @property
    def rows(self) -> tuple[Row, ...]:
        """What is shown."""
        return self._model.rows

    @property
    def last_column(self) -> int:
        """Number of the last column that is seen."""
        return max(i for i, share in enumerate(self._shares) if share)

    def has_signs(self, column: int) -> bool:
        """Tell whether a sign stands in any place of a column."""
        return column in self._signed

    def put(self, rows: Sequence[Row], chosen: int) -> None:
        """Show rows, one of them chosen."""
        rows = tuple(rows)
        self._quiet = True
        self.row_on = min(chosen, len(rows) - 1)
        if rows != self._model.rows:
            self._signed = frozenset(
                i for row in rows for i, cell in enumerate(row.cells) if cell.sign
            )
            self._model.put(rows)
        if rows and chosen >= 0 and self.currentIndex().row() != chosen:
            self.setCurrentIndex(self._model.index(min(chosen, len(rows) - 1), 0))
        self._quiet = False

    def _changed(self, now: QModelIndex, before: QModelIndex) -> None:
        self.row_on = now.row()
        if not self._quiet and now.isValid():
            self.chosen.emit(now.row())

    @property
    def room(self) -> int:
        """So many rows can be seen whole."""
        return max(self.viewport().height() // self.row_px, 1)

    def share(self, shares: Sequence[int]) -> None:
        """Give the columns other shares; one of none is not seen."""
        if tuple(shares) == self._shares:
            return
        self._shares = tuple(shares)
        for column, part in enumerate(shares):
            self.setColumnHidden(column, not part)
        self._divide()

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Give each column its share."""
        super().resizeEvent(event)
        self._divide()
        self.scrollTo(self.currentIndex())
        self.fits.emit(self.room)

    def _divide(self) -> None:
        whole, wide = sum(self._shares), self.viewport().width()
        at = 0
        for column in range(len(self._shares)):
            end = round(wide * sum(self._shares[: column + 1]) / whole)
            self.setColumnWidth(column, end - at)
            at = end

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Take arrows, Enter, Space and what turns pages; leave all signs alone."""
        key, row = event.key(), self.currentIndex().row()
        turns = {Qt.Key.Key_PageDown: 1, Qt.Key.Key_PageUp: -1}
        text = event.text()
        # a blank inside a label that is scanned marks nothing
        goes_on = bool(text) and text.isprintable()
        goes_on = goes_on and self._burst.take(text, pressed_at(event))
        if key in _ENTER:
            event.ignore()  # it may end a scan, which the window knows
        elif key in turns and self.pages:
            self.turned.emit(turns[Qt.Key(key)])
        elif key == Qt.Key.Key_Space and self.marks and not goes_on:
            self.marked.emit()
        elif key == Qt.Key.Key_Up and row <= 0:
            self.left_above.emit()
        elif key in (Qt.Key.Key_Up, Qt.Key.Key_Down, *turns):
            super().keyPressEvent(event)
        elif key in (Qt.Key.Key_Home, Qt.Key.Key_End) and not self.pages:
            super().keyPressEvent(event)
        else:
            event.ignore()
