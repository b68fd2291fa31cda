"""A fit drawn: the data with the line through them, and beneath what is left over."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from proofstand.review.fits import Fitted
from records.trace import FloatArray

from ..bench_desk.scales import pressure_range
from ..bench_desk.screen import Range
from ..theme import Theme
from .wording import said

_HIGH_PX = 236
_AXIS_PX, _FOOT_PX, _HEAD_PX, _GAP_PX = 64, 18, 18, 10
_SHARE = 0.62  # of the height, for the data
_DOT_PX = 1.6


class FitPicture(QWidget):
    """Two panels on one time axis, each with its unit."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._fit: Fitted | None = None
        self.setFixedHeight(theme.px(_HIGH_PX))
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(said("fit"))

    def put(self, fit: Fitted | None) -> None:
        """Show another fit, or none."""
        if fit is self._fit:
            return
        self._fit = fit
        if fit is not None:
            spread = float(np.std(fit.residual))
            self.setAccessibleDescription(
                f"{said('fit_head', fit.kind)} "
                + said("residual_head", spread=f"{spread:.2g}", unit=fit.residual_unit)
            )
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw both panels."""
        fit = self._fit
        if fit is None:
            return
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        px, inks = self._theme.px, self._theme.inks
        painter.setFont(self._theme.font("label"))
        room = self.height() - px(_FOOT_PX + 2 * _HEAD_PX + _GAP_PX)
        first = QRectF(
            px(_AXIS_PX), px(_HEAD_PX), self.width() - px(_AXIS_PX + 8), _SHARE * room
        )
        top = first.bottom() + px(_GAP_PX + _HEAD_PX)
        second = QRectF(first.left(), top, first.width(), (1.0 - _SHARE) * room)
        span = float(fit.t_s[-1] - fit.t_s[0]) or 1.0
        x = first.left() + (fit.t_s - fit.t_s[0]) / span * first.width()
        spread = float(np.std(fit.residual))
        heads = (
            f"{said('fit_head', fit.kind)} {said('fit_unit', unit=fit.unit)}",
            said("residual_head", spread=f"{spread:.2g}", unit=fit.residual_unit),
        )
        for box, head in ((first, heads[0]), (second, heads[1])):
            painter.setPen(QColor(inks.soft))
            painter.drawText(QPointF(box.left(), box.top() - px(5)), head)
        both = np.concatenate((fit.value, fit.line))
        scale = _range(both, 3)
        self._grid(painter, first, scale)
        self._dots(painter, first, scale, x, fit.value)
        self._line(painter, first, scale, x, fit.line)
        scale = _range(np.append(fit.residual, 0.0), 2)
        self._grid(painter, second, scale)
        self._dots(painter, second, scale, x, fit.residual)
        self._line(painter, second, scale, x[[0, -1]], np.zeros(2))
        self._times(painter, second, fit)

    def _y(self, box: QRectF, scale: Range, value: FloatArray) -> FloatArray:
        share = (value - scale.low) / (scale.high - scale.low)
        return np.asarray(box.bottom() - share * box.height())

    def _grid(self, painter: QPainter, box: QRectF, scale: Range) -> None:
        inks, px = self._theme.inks, self._theme.px
        half = 0.5 * QFontMetricsF(painter.font()).height()
        last = float("inf")
        for value, words in scale.ticks:
            y = float(self._y(box, scale, np.array([value]))[0])
            if not box.top() - 0.5 <= y <= box.bottom() + 0.5:
                continue
            painter.setPen(QPen(QColor(inks.rule), 1.0))
            painter.drawLine(QPointF(box.left(), y), QPointF(box.right(), y))
            if last - y < 1.7 * half:
                continue
            last = y
            place = QRectF(0.0, y - half, box.left() - px(6), 2.0 * half)
            painter.setPen(QColor(inks.soft))
            painter.drawText(
                place,
                Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
                words,
            )

    def _dots(
        self,
        painter: QPainter,
        box: QRectF,
        scale: Range,
        x: FloatArray,
        value: FloatArray,
    ) -> None:
        size = _DOT_PX * self._theme.scale
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(self._theme.inks.outlet))
        for at, y in zip(x.tolist(), self._y(box, scale, value).tolist(), strict=True):
            painter.drawEllipse(QPointF(at, y), size, size)

    def _line(
        self,
        painter: QPainter,
        box: QRectF,
        scale: Range,
        x: FloatArray,
        value: FloatArray,
    ) -> None:
        points = map(QPointF, x.tolist(), self._y(box, scale, value).tolist())
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(QColor(self._theme.inks.ink), 1.4 * self._theme.scale))
        painter.drawPolyline(QPolygonF(list(points)))

    def _times(self, painter: QPainter, box: QRectF, fit: Fitted) -> None:
        start, stop = float(fit.t_s[0]), float(fit.t_s[-1])
        place = QRectF(box.left(), box.bottom(), box.width(), self._theme.px(_FOOT_PX))
        painter.setPen(QColor(self._theme.inks.soft))
        down = Qt.AlignmentFlag.AlignVCenter
        left, right = Qt.AlignmentFlag.AlignLeft, Qt.AlignmentFlag.AlignRight
        painter.drawText(place, left | down, f"{start:.1f} s")
        painter.drawText(place, right | down, f"{stop:.1f} s")


def _range(value: FloatArray, lines: int) -> Range:
    low, high = float(np.min(value)), float(np.max(value))
    least = 1e-9 * max(abs(low), abs(high), 1e-9)
    return pressure_range(low, high, least, lines)
