"""The run sheet: steps under their stretch of trace; and the whole run as a strip."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QMouseEvent,
    QPainter,
    QPen,
    QPixmap,
    QPolygonF,
)
from PySide6.QtWidgets import QWidget

from ..history import History
from ..theme import Theme
from ..trace_plot import AXIS_PX
from .scales import staggered
from .screen import Picture, StepCell

REDRAW = 1.05  # the strip is drawn anew when the run is so much longer
BASE_PX = 44  # times and cells
NAME_PX = 15  # a row of names beneath the cells
_PAD_PX = 6
_LEFT = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter


class RunSheet(QWidget):
    """The steps as the time axis of the picture, with round times above them.

    A click on a step goes to its stretch.
    """

    wanted = Signal(float, float)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Go to the stretch of the step that is pressed."""
        x = event.position().x()
        for cell, left, right in self._boxes():
            if left <= x <= right and self._picture is not None:
                stop = self._picture.now_s if cell.stop_s is None else cell.stop_s
                self.wanted.emit(cell.start_s, stop)

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._picture: Picture | None = None
        self.setFixedHeight(theme.px(BASE_PX))
        self.setAccessibleName("run sheet")

    def show_picture(self, picture: Picture) -> None:
        """Show the steps of a picture."""
        self._picture = picture
        on = [cell.words for cell in picture.steps if cell.stop_s is None]
        self.setAccessibleDescription(", ".join(on))
        if picture.over:  # all steps stand in one picture, the short ones beside theirs
            rows = max((row for _, row, _ in self.names()), default=0)
            high = self._theme.px(BASE_PX + rows * NAME_PX)
            if self.height() != high:
                self.setFixedHeight(high)
        self.update()

    def _boxes(self) -> list[tuple[StepCell, float, float]]:
        """Return the cells that show, with both their ends."""
        picture = self._picture
        if picture is None:
            return []
        axis = self._theme.px(AXIS_PX)
        found = []
        for cell in picture.steps:
            stop = picture.to_s if cell.stop_s is None else cell.stop_s
            left = max(self._place(picture, cell.start_s), float(axis))
            right = min(self._place(picture, stop), float(self.width()))
            if right - left >= 2.0:
                found.append((cell, left, right))
        return found

    def _place(self, picture: Picture, t_s: float) -> float:
        axis = self._theme.px(AXIS_PX)
        span = max(picture.to_s - picture.from_s, 1e-9)
        return axis + (self.width() - axis) * (t_s - picture.from_s) / span

    def names(self) -> list[tuple[StepCell, int, float]]:
        """Return which names are shown, in which row and from where; 0 is in the cell.

        While the test is on, the picture moves past the steps; a name that does not fit
        any more is left out.
        """
        boxes = self._boxes()
        wides = [
            QFontMetricsF(self._font(cell)).horizontalAdvance(cell.words)
            + self._theme.px(2 * _PAD_PX)
            for cell, _, _ in boxes
        ]
        places = staggered(
            [(left, right) for _, left, right in boxes],
            wides,
            (float(self._theme.px(AXIS_PX)), float(self.width())),
        )
        over = self._picture is not None and self._picture.over
        return [
            (cell, row, x)
            for (cell, _, _), (row, x) in zip(boxes, places, strict=True)
            if over or row == 0
        ]

    def _font(self, cell: StepCell) -> QFont:
        return self._theme.font("label", bold=cell.stop_s is None)

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw times and steps."""
        picture = self._picture
        if picture is None:
            return
        theme, inks, px = self._theme, self._theme.inks, self._theme.px
        painter = QPainter(self)
        axis = px(AXIS_PX)
        painter.setFont(theme.font("label"))
        painter.setPen(QColor(inks.soft))
        metrics = QFontMetricsF(painter.font())
        times_px = px(16)
        for t_s, words in picture.ticks:
            wide = metrics.horizontalAdvance(words)
            left = self._place(picture, t_s) - wide / 2.0
            box = QRectF(left, 0, wide, times_px)
            if box.right() > self.width() or box.left() < axis:
                continue
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, words)
        top, high = times_px + px(1), px(BASE_PX) - times_px - px(2)
        middles = {}
        for cell, left, right in self._boxes():
            on = cell.stop_s is None
            box = QRectF(left + 1.0, top, right - left - 2.0, high)
            middles[cell.start_s] = box.center().x()
            painter.setPen(QPen(QColor(inks.ink if on else inks.rule), 1.0))
            painter.setBrush(QColor(inks.ink if on else inks.panel))
            painter.drawRect(box)
        names = self.names()
        foot = float(top + high)
        painter.setPen(QPen(QColor(inks.soft), 1.0))
        for cell, row, _ in names:
            if row:
                x = middles[cell.start_s]
                y = foot + (row - 1) * px(NAME_PX) + px(4)
                painter.drawLine(QPointF(x, foot), QPointF(x, y))
        for cell, row, x in names:
            on = cell.stop_s is None
            font = self._font(cell)
            painter.setFont(font)
            wide = QFontMetricsF(font).horizontalAdvance(cell.words)
            box = QRectF(x + px(_PAD_PX), top, wide + 1.0, high)
            if row:  # over the lines that lead further down
                y = foot + (row - 1) * px(NAME_PX) + px(3)
                box = QRectF(x + px(_PAD_PX), y, wide + 1.0, px(NAME_PX))
                painter.fillRect(box, QColor(inks.paper))
            painter.setPen(
                QColor(inks.paper if on else inks.ink if cell.done else inks.soft)
            )
            painter.drawText(box, _LEFT, cell.words)


class WholeRun(QWidget):
    """The whole run as a thin strip, with a frame about what the picture shows.

    A press or a drag moves the frame there.
    """

    wanted = Signal(float, float)

    def _go_to(self, x: float) -> None:
        picture = self._picture
        axis = self._theme.px(AXIS_PX)
        if picture is None or self.width() <= axis:
            return
        middle = picture.whole_s * (x - axis) / (self.width() - axis)
        half = 0.5 * (picture.to_s - picture.from_s) / 1.12
        self.wanted.emit(middle - half, middle + half)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Show what lies there."""
        self._go_to(event.position().x())

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Follow the pointer."""
        self._go_to(event.position().x())

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._picture: Picture | None = None
        self._drawn: QPixmap | None = None
        self._drawn_for = (0, 0.0)
        self.setFixedHeight(theme.px(26))
        self.setAccessibleName("whole run")

    def show_picture(self, picture: Picture, history: History, ink: str) -> None:
        """Show where the picture lies in the run."""
        self._picture = picture
        width, until_s = self._drawn_for
        now_s = picture.now_s
        if width != self.width() or not until_s <= now_s <= REDRAW * until_s + 1.0:
            self._drawn_for = (self.width(), now_s)
            scale = picture.lanes[0]
            least = (scale.scale.high - scale.scale.low) * scale.factor
            self._draw(history, now_s, ink, least)
        self.update()

    def _draw(self, history: History, until_s: float, ink: str, least: float) -> None:
        theme, ratio = self._theme, self.devicePixelRatioF()
        axis = theme.px(AXIS_PX)
        width, height = self.width() - axis, self.height()
        if width < 8:
            return
        made = QPixmap(round(width * ratio), round(height * ratio))
        made.setDevicePixelRatio(ratio)
        made.fill(QColor(theme.inks.panel))
        t, value = history.drawn(0.0, until_s, max(width // 2, 64))
        good = np.isfinite(value)
        if good.sum() > 1:
            low, high = float(np.min(value[good])), float(np.max(value[good]))
            reach = max(high - low, least, 1e-9)
            x = width * t[good] / max(until_s, 1e-9)
            y = height - 3.0 - (height - 6.0) * (value[good] - low) / reach
            line = QPolygonF(list(map(QPointF, x.tolist(), y.tolist())))
            painter = QPainter(made)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setPen(QPen(QColor(ink), 1.1 * theme.scale))
            painter.drawPolyline(line)
            painter.end()
        self._drawn = made

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw the trace and the frame."""
        picture = self._picture
        if picture is None or self._drawn is None:
            return
        theme = self._theme
        painter = QPainter(self)
        axis = theme.px(AXIS_PX)
        width, height = self.width() - axis, self.height()
        whole = max(picture.whole_s, 1e-9)
        painter.fillRect(axis, 0, width, height, QColor(theme.inks.panel))
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        until = width * self._drawn_for[1] / whole
        painter.drawPixmap(QRectF(axis, 0, until, height), self._drawn, QRectF())
        left = axis + width * max(picture.from_s, 0.0) / whole
        right = axis + width * min(picture.to_s / whole, 1.0)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(theme.inks.ink), 1.6 * theme.scale))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(QRectF(left, 1.0, max(right - left, 4.0) - 1.0, height - 2.0))
