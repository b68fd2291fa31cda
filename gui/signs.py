"""Verdicts as shapes: told apart without colour, large from afar or small in a row.

A filled disc with a tick passes; a square, crossed like a failed finding's bar, fails;
a disc hatched one way is undecided; an empty ring was not measured or had no limits.
"""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor, QPainter, QPen

from proofstand.drawing.inks import Inks

_HATCHES = (0.34, 0.5, 0.66, 0.82, 1.0, 1.16)
_FEW_HATCHES = (0.42, 0.7, 0.98)
_SMALL_PX = 24.0


def verdict_ink(kind: str, inks: Inks) -> str:
    """Return the ink of a verdict."""
    return {"pass": inks.conforms, "fail": inks.fails}.get(kind, inks.undecided)


def draw_sign(
    painter: QPainter, place: QRectF, kind: str, ink: QColor, paper: QColor
) -> None:
    """Draw a verdict's sign into a square place.

    Args:
        painter: to draw with; its transformation is left as it was.
        place: a square, in pixels.
        kind: the verdict.
        ink: to draw with.
        paper: the ground, for the tick.
    """
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.translate(place.topLeft())
    wide = place.width()
    thick = wide / 13.0
    box = QRectF(thick, thick, wide - 2.0 * thick, wide - 2.0 * thick)
    painter.setPen(QPen(ink, thick))
    if kind == "pass":
        painter.setBrush(ink)
        painter.drawEllipse(box)
        painter.setPen(QPen(paper, 1.7 * thick))
        points = [(0.27, 0.52), (0.44, 0.69), (0.74, 0.34)]
        painter.drawPolyline([QPointF(wide * x, wide * y) for x, y in points])
    elif kind == "fail":
        painter.drawRect(box)
        painter.setPen(QPen(ink, 1.7 * thick))
        low, high = 0.27 * wide, 0.73 * wide
        painter.drawLine(QPointF(low, low), QPointF(high, high))
        painter.drawLine(QPointF(low, high), QPointF(high, low))
    else:
        painter.drawEllipse(box)
        if kind == "inconclusive":
            small = wide < _SMALL_PX
            painter.setPen(QPen(ink, thick if small else 0.7 * thick))
            for share in _FEW_HATCHES if small else _HATCHES:
                low, high = max(share - 0.5, 0.2), min(share + 0.1, 0.8)
                painter.drawLine(
                    QPointF(wide * low, wide * (share - low + 0.16)),
                    QPointF(wide * high, wide * (share - high + 0.16)),
                )
    painter.restore()
