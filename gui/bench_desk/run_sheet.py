"""The run sheet: steps under their stretch of trace; and the whole run as a strip."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen, QPixmap, QPolygonF
from PySide6.QtWidgets import QWidget

from ..history import History
from ..theme import Theme
from ..trace_plot import AXIS_PX
from .screen import Picture

REDRAW = 1.05  # the strip is drawn anew when the run is so much longer
_LEFT = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter


class RunSheet(QWidget):
    """The steps as the time axis of the picture, with round times above them."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._picture: Picture | None = None
        self.setFixedHeight(theme.px(44))
        self.setAccessibleName("run sheet")

    def show_picture(self, picture: Picture) -> None:
        """Show the steps of a picture."""
        self._picture = picture
        on = [cell.words for cell in picture.steps if cell.stop_s is None]
        self.setAccessibleDescription(", ".join(on))
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw times and steps."""
        picture = self._picture
        if picture is None:
            return
        theme, inks, px = self._theme, self._theme.inks, self._theme.px
        painter = QPainter(self)
        axis = px(AXIS_PX)
        width = self.width() - axis
        span = max(picture.to_s - picture.from_s, 1e-9)

        def place(t_s: float) -> float:
            return axis + width * (t_s - picture.from_s) / span

        painter.setFont(theme.font("label"))
        painter.setPen(QColor(inks.soft))
        times_px = px(16)
        for t_s, words in picture.ticks:
            box = QRectF(place(t_s) - px(40), 0, px(80), times_px)
            if box.right() - px(20) > self.width() or box.left() + px(20) < axis:
                continue
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, words)
        top, high = times_px + px(1), self.height() - times_px - px(2)
        for cell in picture.steps:
            stop = picture.to_s if cell.stop_s is None else cell.stop_s
            left = max(place(cell.start_s), float(axis))
            right = min(place(stop), float(self.width()))
            if right - left < 2.0:
                continue
            on = cell.stop_s is None
            box = QRectF(left + 1.0, top, right - left - 2.0, high)
            painter.setPen(QPen(QColor(inks.ink if on else inks.rule), 1.0))
            painter.setBrush(QColor(inks.ink if on else inks.panel))
            painter.drawRect(box)
            self._name(painter, box, cell.words, on=on, done=cell.done)

    def _name(
        self, painter: QPainter, box: QRectF, words: str, *, on: bool, done: bool
    ) -> None:
        inks, px = self._theme.inks, self._theme.px
        font = self._theme.font("label", bold=on)
        metrics = QFontMetricsF(font)
        room = box.width() - px(12)
        if room < px(14):
            return
        words = metrics.elidedText(words, Qt.TextElideMode.ElideRight, room)
        if len(words) < 3:
            return
        painter.setFont(font)
        ink = inks.paper if on else inks.ink if done else inks.soft
        painter.setPen(QColor(ink))
        painter.drawText(box.adjusted(px(7), 0, 0, 0), _LEFT, words)


class WholeRun(QWidget):
    """The whole run as a thin strip, with a frame about what the picture shows."""

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
            self._draw(history, now_s, ink)
        self.update()

    def _draw(self, history: History, until_s: float, ink: str) -> None:
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
            reach = max(high - low, 1e-9)
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
