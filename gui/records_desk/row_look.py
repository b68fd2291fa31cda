"""What a row of a table looks like: words, a verdict's sign, a bar, a share.

A page has some hundred cells, each painted by itself: what they share is made once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from PySide6.QtCore import (
    QByteArray,
    QModelIndex,
    QPersistentModelIndex,
    QPointF,
    QRectF,
    Qt,
)
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPixmap
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtWidgets import QStyledItemDelegate, QStyleOptionViewItem, QWidget

from proofstand.drawing.bar import Bar, bar_svg

from ..signs import draw_sign, verdict_ink
from ..theme import Theme

_SIGN_PX, _PAD_PX = 15, 8
_PERCENT_PX = 66
_MOST_CUT = 4000  # texts whose room is known
_Place = QModelIndex | QPersistentModelIndex


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


class Shows(Protocol):
    """The table that rows are painted for.

    Attributes:
        row_on: number of the row that is chosen. edge_px: before the first column.
    """

    row_on: int
    edge_px: int

    @property
    def rows(self) -> tuple[Row, ...]:
        """What is shown."""

    @property
    def last_column(self) -> int:
        """Number of the last column that is seen."""

    def has_signs(self, column: int) -> bool:
        """Tell whether a sign stands in any place of a column."""

    def hasFocus(self) -> bool:  # noqa: N802
        """Tell whether keys go to it."""

    def viewport(self) -> QWidget:
        """Where the rows are."""

    def devicePixelRatioF(self) -> float:  # noqa: N802
        """Dots per pixel."""


class RowLook(QStyledItemDelegate):
    """Draws a cell: a sign or a bar, then words that end in dots where they must."""

    def __init__(self, theme: Theme, table: Shows, size: str) -> None:
        super().__init__()
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
        """Draw one cell."""
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
