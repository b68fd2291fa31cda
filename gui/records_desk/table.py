"""A table of rows by keys: only the rows in view are painted.

Qt's own table, so that a screen reader reads it; what a row looks like is ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QByteArray,
    QModelIndex,
    QPersistentModelIndex,
    QPointF,
    QRectF,
    Qt,
    Signal,
)
from PySide6.QtGui import QColor, QFontMetricsF, QKeyEvent, QPainter, QPixmap
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtWidgets import (
    QAbstractItemView,
    QFrame,
    QHeaderView,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableView,
)

from proofstand.drawing.bar import Bar, bar_svg

from ..pieces import pressed_at
from ..scanned import Burst
from ..signs import draw_sign, verdict_ink
from ..theme import Theme

ROW_PX, SMALL_ROW_PX, HEAD_PX = 27, 23, 26
_SIGN_PX, _PAD_PX, _EDGE_PX = 15, 8, 24
_PERCENT_PX = 66
_MOST_CUT = 4000  # texts whose room is known
_ENTER = (Qt.Key.Key_Return, Qt.Key.Key_Enter)
_Place = QModelIndex | QPersistentModelIndex
_NOWHERE = QModelIndex()


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What stands in one place.

    Attributes:
        sign: a verdict, drawn before the text. bar: drawn in the text's place.
        share: drawn as so much of the place, the text behind it; None for none.
        ink: of the text, "" for the usual one.
    """

    text: str
    sign: str = ""
    bar: Bar | None = None
    share: float | None = None
    ink: str = ""
    bold: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row; ``marked`` ones have a mark at their edge."""

    cells: tuple[Cell, ...]
    marked: bool = False
    tip: str = ""


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


class _Look(QStyledItemDelegate):
    """Draws a cell: a sign or a bar, then words that end in dots where they must."""

    def __init__(self, theme: Theme, table: ListTable, size: str) -> None:
        super().__init__(table)
        self._theme, self._table = theme, table
        self._bars: dict[tuple[Bar, int], QSvgRenderer] = {}
        # made once: a page has some hundred cells, each painted by itself
        fonts = theme.font(size), theme.font(size, bold=True)
        self._fonts = fonts
        self._metrics = tuple(QFontMetricsF(font) for font in fonts)
        self._colours: dict[str, QColor] = {}
        self._signs: dict[tuple[str, float], QPixmap] = {}
        self._cut: dict[tuple[str, int, bool], str] = {}
        px, inks = theme.px, theme.inks
        self._ink, self._panel, self._rule = inks.ink, inks.panel, inks.rule
        self._paper, self._outlet = inks.paper, inks.outlet
        self._pad, self._sign, self._side = px(_PAD_PX), px(_SIGN_PX), px(5)
        self._right, self._behind = px(2), px(_SIGN_PX + 6)
        metrics = self._metrics[0]
        self._base = 0.5 * (metrics.ascent() - metrics.descent())

    def _colour(self, ink: str) -> QColor:
        found = self._colours.get(ink)
        if found is None:
            found = self._colours[ink] = QColor(ink)
        return found

    def paint(
        self, painter: QPainter, option: QStyleOptionViewItem, index: _Place
    ) -> None:
        at, column, table = index.row(), index.column(), self._table
        row = table.rows[at]
        cell = row.cells[column]
        box = option.rect
        left, top, wide, high = box.x(), box.y(), box.width(), box.height()
        on = at == table.row_on
        if on:
            painter.fillRect(left, top, wide, high, self._colour(self._panel))
        if column == 0:
            self._edge(painter, row, QRectF(left, top, wide, high), on=on)
            left += table.edge_px
        else:
            left += self._pad
        if column == table.last_column:
            whole = table.viewport().width()
            painter.fillRect(0, top + high - 1, whole, 1, self._colour(self._rule))
        if cell.bar is not None:
            self._bar(painter, cell.bar, QRectF(box.x(), top, wide, high))
            return
        if cell.sign:
            sign = self._sign_of(cell.sign)
            painter.drawPixmap(left, top + (high - self._sign) // 2, sign)
        if table.has_signs(column):
            left += self._behind
        if cell.share is not None:
            whole_box = QRectF(box.x(), top, wide, high)
            left = round(self._share(painter, cell.share, whole_box, float(left)))
        if not cell.text:
            return
        painter.setFont(self._fonts[cell.bold])
        painter.setPen(self._colour(cell.ink or self._ink))
        text = self._fitted(cell, box.x() + wide - left - self._right)
        painter.drawText(QPointF(left, top + 0.5 * high + self._base), text)

    def _sign_of(self, verdict: str) -> QPixmap:
        """Return a verdict's sign, drawn once."""
        ratio = self._table.devicePixelRatioF()
        known = self._signs.get((verdict, ratio))
        if known is None:
            side = round(self._sign * ratio)
            known = QPixmap(side, side)
            known.setDevicePixelRatio(ratio)
            known.fill(Qt.GlobalColor.transparent)
            painter = QPainter(known)
            ink = self._colour(verdict_ink(verdict, self._theme.inks))
            place = QRectF(0.0, 0.0, self._sign, self._sign)
            draw_sign(painter, place, verdict, ink, self._colour(self._paper))
            painter.end()
            self._signs[verdict, ratio] = known
        return known

    def _fitted(self, cell: Cell, wide: int) -> str:
        """Return as much of a text as there is room for."""
        known = self._cut.get((cell.text, wide, cell.bold))
        if known is None:
            dots = Qt.TextElideMode.ElideRight
            known = self._metrics[cell.bold].elidedText(cell.text, dots, wide)
            if len(self._cut) > _MOST_CUT:
                self._cut.clear()
            self._cut[cell.text, wide, cell.bold] = known
        return known

    def _edge(self, painter: QPainter, row: Row, box: QRectF, *, on: bool) -> None:
        """Draw at a row's beginning that it is chosen, and that it is marked."""
        if on:
            ink = self._outlet if self._table.hasFocus() else self._ink
            edge = QRectF(box.left(), box.top(), self._side, box.height() - 1.0)
            painter.fillRect(edge, self._colour(ink))
        if row.marked:
            self._mark(painter, box)

    def _mark(self, painter: QPainter, box: QRectF) -> None:
        """Draw that a row is marked: a filled square behind the edge."""
        px, side = self._theme.px, float(self._theme.px(9))
        place = QRectF(box.left() + px(9), box.center().y() - 0.5 * side, side, side)
        painter.fillRect(place, QColor(self._theme.inks.ink))

    def _share(
        self, painter: QPainter, share: float, box: QRectF, left: float
    ) -> float:
        """Draw a share as a bar; return where its words begin."""
        px, inks = self._theme.px, self._theme.inks
        wide = box.right() - left - px(_PERCENT_PX)
        high = float(px(11))
        place = QRectF(left, box.center().y() - 0.5 * high, max(wide, 0.0), high)
        painter.fillRect(place, QColor(inks.rule))
        place.setWidth(place.width() * min(max(share, 0.0), 1.0))
        painter.fillRect(place, QColor(inks.ink))
        return left + max(wide, 0.0) + px(6)

    def _bar(self, painter: QPainter, bar: Bar, box: QRectF) -> None:
        px, scale = self._theme.px, self._theme.scale
        place = box.adjusted(px(4), px(4), -px(10), -px(5))
        known = self._bars.get((bar, round(place.width())))
        if known is None:
            svg = bar_svg(
                bar, self._theme.inks, place.width() / scale, place.height() / scale
            )
            known = QSvgRenderer(QByteArray(svg.encode()))
            self._bars[bar, round(place.width())] = known
        known.render(painter, place)


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
        self.setItemDelegate(_Look(theme, self, size))
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
