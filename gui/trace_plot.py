"""The live trace: each channel in a lane of its own scale, limits where they apply.

What is drawn is made ready per pixel from the histories, so that a frame costs the same
after an hour as after a minute.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyqtgraph as pg
from pyqtgraph.Qt.internals import PrimitiveArray
from PySide6.QtCore import QPointF, QRectF, QSizeF, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QMouseEvent,
    QPainter,
    QPainterPath,
    QPen,
    QWheelEvent,
)
from PySide6.QtWidgets import (
    QFrame,
    QGraphicsView,
    QHBoxLayout,
    QVBoxLayout,
    QWidget,
)

from records.trace import FloatArray

from .bars import NO_BARS, split
from .history import History
from .theme import Theme

_View = tuple[float, float, float, float]  # from and to in time, then in value
GLIDE = 0.35  # how far the picture goes towards its new scale per frame
_HATCH_PX = 9.0
AXIS_PX = 56
TALL_PX = 6  # what swings more within a bucket is drawn as a column
LARGE_SHARE, SMALL_SHARE = 30, 10


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneToDraw:
    """A band (both ends) or a wall (one end), in the lane's unit."""

    low: float | None
    high: float | None
    from_s: float
    to_s: float
    words: str
    ink: str
    wall: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalToDraw:
    """A finding's interval where it was read, in the lane's unit.

    Attributes:
        filled, crossed: as its bar is; neither is an outline.
    """

    at_s: float
    low: float
    high: float
    ink: str
    filled: bool
    crossed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneToDraw:
    """One lane of a picture.

    Attributes:
        key: names the lane. low, high, ticks: its scale.
        factor, offset: SI to the unit of the scale.
        now: the reading at the end of the trace, or None.
        marked: a stretch of time that stands out, or None.
    """

    key: str
    ink: str
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]
    factor: float
    offset: float
    zones: tuple[ZoneToDraw, ...]
    intervals: tuple[IntervalToDraw, ...]
    large: bool
    dot: bool
    marked: tuple[float, float] | None = None


# An earlier run's samples, and by how many seconds they are moved to later.
Under = tuple[History, float]
_NEAR_PX = 9.0  # so near to a cursor it is taken hold of


class LanePlot(pg.GraphicsView):  # type: ignore[misc]
    """One lane: a trace, few grid lines, zones."""

    def __init__(self, theme: Theme, lane: LaneToDraw) -> None:
        super().__init__(background=QColor(theme.inks.paper))
        self.theme = theme
        self.lane = lane
        self.curve = pg.PlotCurveItem(
            pen=_pen(theme, lane),
            antialias=True,
            connect="finite",
        )
        # Many short lines are drawn several times faster than one long path.
        self.curve.setSegmentedLineMode("on")
        self.under = pg.PlotCurveItem(
            pen=_under_pen(theme), antialias=True, connect="finite"
        )
        self.cursors: tuple[float, float] | None = None
        self._shown: tuple[FloatArray, FloatArray] = (np.empty(0), np.empty(0))
        self._bars = NO_BARS
        self._end: tuple[float, float] | None = None
        self._view: _View | None = None
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setCacheMode(QGraphicsView.CacheModeFlag.CacheNone)
        self.setViewportUpdateMode(QGraphicsView.ViewportUpdateMode.FullViewportUpdate)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._box = pg.ViewBox(enableMenu=False, enableMouse=False, defaultPadding=0.0)
        self._box.disableAutoRange()
        self._box.addItem(self.under)
        self._box.addItem(self.curve)
        self.setCentralItem(self._box)

    # The mouse is left to the plot of all lanes beneath.

    def wheelEvent(self, event: Any) -> None:  # noqa: N802
        """Leave it."""
        event.ignore()

    def mousePressEvent(self, event: Any) -> None:  # noqa: N802
        """Leave it."""
        event.ignore()

    def mouseMoveEvent(self, event: Any) -> None:  # noqa: N802
        """Leave it."""
        event.ignore()

    def mouseReleaseEvent(self, event: Any) -> None:  # noqa: N802
        """Leave it."""
        event.ignore()

    def draw(
        self,
        lane: LaneToDraw,
        history: History,
        from_s: float,
        to_s: float,
        glide: bool,
        under: Under | None = None,
        cursors: tuple[float, float] | None = None,
    ) -> None:
        """Show a stretch of the history, with an earlier run's under it."""
        if lane.large != self.lane.large:
            self.curve.setPen(_pen(self.theme, lane))
        self.lane = lane
        wanted = (from_s, to_s, lane.low, lane.high)
        if self._view is None or not glide or _close(self._view, wanted):
            self._view = wanted
        else:
            now = self._view
            left, right, low, high = (
                a + GLIDE * (b - a) for a, b in zip(now, wanted, strict=True)
            )
            self._view = (left, right, low, high)
        left, right, low, high = self._view
        pixels = self.viewport().width() * self.devicePixelRatioF()
        buckets = max(int(pixels / (2 if lane.large else 4)), 64)
        t, value = history.drawn(left, right, buckets)
        shown = (value - lane.offset) / lane.factor
        good = np.flatnonzero(np.isfinite(shown[-8:])) if shown.size else np.empty(0)
        self._end = None
        if good.size:
            at = max(shown.size - 8, 0) + int(good[-1])
            self._end = (float(t[at]), float(shown[at]))
        pad = (0.05 if lane.large else 0.1) * (high - low)
        self._box.setRange(
            xRange=(left, right), yRange=(low - pad, high + pad), padding=0.0
        )
        drawn = split(t, shown, self.theme.px(TALL_PX) * self._per_px(low, high, pad))
        self.curve.setData(drawn.t, drawn.value)
        self._bars = drawn.bars
        self._shown = (t, shown)
        self.cursors = cursors
        self.under.setVisible(under is not None)
        if under is not None:
            earlier, shift = under
            then, found = earlier.drawn(left - shift, right - shift, buckets)
            self.under.setData(then + shift, (found - lane.offset) / lane.factor)

    def _per_px(self, low: float, high: float, pad: float) -> float:
        return (high - low + 2.0 * pad) / max(float(self.viewport().height()), 1.0)

    # --- what is drawn about the trace -----------------------------------------------

    def at(self, x: float, y: float) -> QPointF:
        """Return where a time and a value stand, in pixels."""
        return QPointF(self._box.mapViewToScene(QPointF(x, y)))

    def drawBackground(self, painter: QPainter, rect: QRectF) -> None:  # noqa: N802
        """Draw paper, grid lines and bands beneath the trace."""
        painter.fillRect(rect, QColor(self.theme.inks.paper))
        painter.save()
        painter.resetTransform()
        if self._view is not None:
            self._marked(painter)
            self._grid(painter)
            for zone in self.lane.zones:
                self._zone(painter, zone)
        painter.restore()

    def drawForeground(self, painter: QPainter, rect: QRectF) -> None:  # noqa: N802
        """Draw the end of the trace, and what the zones say, above it."""
        super().drawForeground(painter, rect)
        painter.save()
        painter.resetTransform()
        self._columns(painter)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        if self._end is not None and self.lane.large and self.lane.dot:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(self.lane.ink))
            size = self.theme.px(4.5)
            painter.drawEllipse(self.at(*self._end), size, size)
        for interval in self.lane.intervals:
            self._interval(painter, interval)
        self._words(painter)
        self._cursor_lines(painter)
        painter.restore()

    def _interval(self, painter: QPainter, interval: IntervalToDraw) -> None:
        """Draw an interval as an upright bar with feet, never less than can be seen."""
        if self._view is None or not self._view[0] <= interval.at_s <= self._view[1]:
            return
        top = self.at(interval.at_s, interval.high)
        foot = self.at(interval.at_s, interval.low)
        half, ink = self.theme.px(3), QColor(interval.ink)
        high = max(foot.y() - top.y(), float(self.theme.px(4)))
        middle = 0.5 * (foot.y() + top.y())
        # left of the step's end, so that the next step's trace stays free
        x = top.x() - 2.5 * half
        box = QRectF(x - half, middle - 0.5 * high, 2.0 * half, high)
        painter.setPen(QPen(ink, 1.4 * self.theme.scale))
        painter.setBrush(ink if interval.filled else QColor(self.theme.inks.paper))
        painter.drawRect(box)
        for y in (box.top(), box.bottom()):
            painter.drawLine(QPointF(x - 2.0 * half, y), QPointF(x + 2.0 * half, y))
        if interval.crossed:
            painter.drawLine(box.topLeft(), box.bottomRight())
            painter.drawLine(box.bottomLeft(), box.topRight())

    def _cursor_lines(self, painter: QPainter) -> None:
        """Draw both cursors, with their letters where the lane is the large one."""
        if self.cursors is None:
            return
        ink, high = QColor(self.theme.inks.ink), self.viewport().height()
        font = self.theme.font("label", bold=True)
        painter.setFont(font)
        metrics = QFontMetricsF(font)
        for letter, t_s in zip("AB", sorted(self.cursors), strict=True):
            x = self.at(t_s, 0.0).x()
            painter.setPen(QPen(ink, 1.3 * self.theme.scale))
            painter.drawLine(QPointF(x, 0.0), QPointF(x, float(high)))
            if self.lane.large:
                wide = metrics.horizontalAdvance(letter) + self.theme.px(8)
                box = QRectF(x, high - metrics.height(), wide, metrics.height())
                painter.fillRect(box, ink)
                painter.setPen(QColor(self.theme.inks.paper))
                painter.drawText(box, Qt.AlignmentFlag.AlignCenter, letter)

    def _columns(self, painter: QPainter) -> None:
        """Draw what swings too widely for lines."""
        if not self._bars.shape[1]:
            return
        origin, unit = self.at(0.0, 0.0), self.at(1.0, 1.0)
        across, up = unit.x() - origin.x(), unit.y() - origin.y()
        left, right, low, high = self._bars
        half = 0.5 * self.curve.opts["pen"].widthF()
        boxes = PrimitiveArray(QRectF, 4)
        boxes.resize(left.size)
        room = boxes.ndarray()
        room[:, 0] = origin.x() + across * left
        room[:, 1] = origin.y() + up * high - half
        room[:, 2] = across * (right - left)
        room[:, 3] = up * (low - high) + 2.0 * half
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(self.lane.ink))
        painter.drawRects(*boxes.drawargs())

    def _marked(self, painter: QPainter) -> None:
        """Draw a stretch that stands out: a ground of its own between two edges."""
        if self.lane.marked is None:
            return
        left, right = (self.at(t_s, 0.0).x() for t_s in self.lane.marked)
        right = max(right, left + 2.0)
        ink, high = QColor(self.theme.inks.ink), float(self.viewport().height())
        wash = QColor(ink)
        wash.setAlphaF(0.09)
        painter.fillRect(QRectF(left, 0.0, right - left, high), wash)
        painter.setPen(QPen(ink, 1.0, Qt.PenStyle.DashLine))
        for x in (left, right):
            painter.drawLine(QPointF(x, 0.0), QPointF(x, high))

    def _grid(self, painter: QPainter) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        painter.setPen(QPen(QColor(self.theme.inks.rule), 1.0))
        width = self.viewport().width()
        for value, _ in self.lane.ticks:
            y = round(self.at(0.0, value).y())
            painter.drawLine(0, y, width, y)

    def _zone_box(self, zone: ZoneToDraw) -> tuple[float, float]:
        left = self.at(zone.from_s, 0.0).x()
        right = self.at(zone.to_s, 0.0).x()
        return max(left, 0.0), min(right, float(self.viewport().width()))

    def _zone(self, painter: QPainter, zone: ZoneToDraw) -> None:
        left, right = self._zone_box(zone)
        if right <= left:
            return
        ink = QColor(zone.ink)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        if not zone.wall and zone.low is not None and zone.high is not None:
            top, foot = self.at(0.0, zone.high).y(), self.at(0.0, zone.low).y()
            wash = QColor(ink)
            wash.setAlphaF(0.13)
            painter.fillRect(QRectF(left, top, right - left, foot - top), wash)
            painter.setPen(QPen(ink, 1.2 * self.theme.scale))
            for y in (top, foot):
                painter.drawLine(QPointF(left, y), QPointF(right, y))
            return
        above = zone.high is not None
        level = zone.high if above else zone.low
        assert level is not None
        y = self.at(0.0, level).y()
        painter.setPen(QPen(ink, 1.6 * self.theme.scale))
        painter.drawLine(QPointF(left, y), QPointF(right, y))
        deep = self.theme.px(8) * (-1.0 if above else 1.0)
        path = QPainterPath()
        x = left
        while x < right - abs(deep):
            path.moveTo(x, y)
            path.lineTo(x + abs(deep), y + deep)
            x += _HATCH_PX * self.theme.scale
        painter.setPen(QPen(ink, 1.0 * self.theme.scale))
        painter.drawPath(path)

    def _words(self, painter: QPainter) -> None:
        font = self.theme.font("label")
        metrics = QFontMetricsF(font)
        painter.setFont(font)
        taken: list[QRectF] = []
        said: set[str] = set()
        view = QRectF(self.viewport().rect())
        for zone in self.lane.zones:
            left, right = self._zone_box(zone)
            if right - left < 4.0 or zone.words in said:
                continue
            said.add(zone.words)
            size = QSizeF(metrics.horizontalAdvance(zone.words), metrics.height())
            box = self._place(zone, left, size, view, taken)
            if box is None:
                continue
            taken.append(box)
            painter.setPen(QColor(zone.ink))
            painter.drawText(box, Qt.AlignmentFlag.AlignVCenter, zone.words)

    def _place(
        self,
        zone: ZoneToDraw,
        left: float,
        size: QSizeF,
        view: QRectF,
        taken: Sequence[QRectF],
    ) -> QRectF | None:
        """Return where a zone's words stand, free of the trace if they can be."""
        x = min(max(left + 4.0, 4.0), view.width() - size.width() - 6.0)
        gap = self.theme.px(10) if zone.wall else 2.0
        places: list[float] = []
        if zone.high is not None:
            top = self.at(0.0, zone.high).y()
            places.append(top - size.height() - gap)
            foot = top if zone.low is None else self.at(0.0, zone.low).y()
            if not zone.wall and foot - top > size.height() + 2.0:
                places.append(top + 2.0)
        low = zone.low if zone.low is not None else zone.high
        if low is not None:
            places.append(self.at(0.0, low).y() + 3.0)
        fit = [
            box
            for box in (QRectF(QPointF(x, y), size) for y in places)
            if box.top() >= 0.0
            and box.bottom() <= view.height()
            and not any(box.intersects(other) for other in taken)
        ]
        free = [box for box in fit if not self._crosses(box)]
        if free or fit:
            return (free or fit)[0]
        return None

    def _crosses(self, box: QRectF) -> bool:
        """Tell whether the trace runs through a box of pixels."""
        t, value = self._shown
        if self._view is None or not t.size:
            return False
        left, right, _, _ = self._view
        second = max(self.viewport().width(), 1) / max(right - left, 1e-9)
        x = (t - left) * second
        near = value[(x >= box.left() - 2.0) & (x <= box.right() + 2.0)]
        if not near.size:
            return False
        top = self.at(0.0, float(np.fmax.reduce(near))).y()
        foot = self.at(0.0, float(np.fmin.reduce(near))).y()
        return top <= box.bottom() and foot >= box.top()


def _under_pen(theme: Theme) -> QPen:
    pen = theme.pen(theme.inks.soft, 1.6)
    pen.setStyle(Qt.PenStyle.DotLine)
    return pen


def _pen(theme: Theme, lane: LaneToDraw) -> QPen:
    return theme.pen(lane.ink, 2.0 if lane.large else 1.4)


def _close(now: _View, wanted: _View) -> bool:
    """Tell whether two pictures are so alike that there is nothing to glide."""
    height = max(now[3] - now[2], wanted[3] - wanted[2])
    near = abs(now[3] - wanted[3]) < 0.002 * height
    near = near and abs(now[2] - wanted[2]) < 0.002 * height
    width = max(now[1] - now[0], 1e-9)
    return near and abs(now[1] - wanted[1]) < 0.02 * width


class ScaleNumbers(QWidget):
    """The numbers of a lane's scale, left of it."""

    def __init__(self, plot: LanePlot) -> None:
        super().__init__()
        self._plot = plot
        self.setFixedWidth(plot.theme.px(AXIS_PX))

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw each number at its grid line."""
        plot = self._plot
        painter = QPainter(self)
        font: QFont = plot.theme.font("label")
        painter.setFont(font)
        painter.setPen(QColor(plot.theme.inks.soft))
        half = QFontMetricsF(font).height() / 2.0
        right = self.width() - plot.theme.px(8)
        last: float | None = None
        for value, words in plot.lane.ticks:
            y = plot.at(0.0, value).y()
            if y < -half or y > plot.height() + half:
                continue
            y = min(max(y, half - 2.0), plot.height() - half + 2.0)
            if last is not None and abs(last - y) < 1.7 * half:
                continue
            last = y
            box = QRectF(0.0, y - half, right, 2.0 * half)
            painter.drawText(
                box, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, words
            )


class TracePlot(QWidget):
    """All lanes, one above the other, on one time axis.

    The wheel zooms about the pointer, dragging moves picture or cursor.
    """

    zoomed = Signal(float, float)
    panned = Signal(float)
    cursor_moved = Signal(int, float)

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._stretch = (0.0, 1.0)
        self._cursors: tuple[float, float] | None = None
        self._held: int | None = None
        self._from_x: float | None = None
        self._theme = theme
        self._lanes: dict[str, tuple[LanePlot, ScaleNumbers]] = {}
        self._layout = QVBoxLayout(self)
        self._layout.setContentsMargins(0, 0, 0, 0)
        self._layout.setSpacing(theme.px(6))

    @property
    def plots(self) -> dict[str, LanePlot]:
        """The lanes by key."""
        return {key: plot for key, (plot, _) in self._lanes.items()}

    def draw(
        self,
        lanes: Sequence[LaneToDraw],
        history: Callable[[str], History],
        from_s: float,
        to_s: float,
        *,
        glide: bool = True,
        under: Callable[[str], Under | None] = lambda key: None,
        cursors: tuple[float, float] | None = None,
    ) -> None:
        """Show a stretch of all lanes."""
        self._stretch, self._cursors = (from_s, to_s), cursors
        if [lane.key for lane in lanes] != list(self._lanes):
            self._make(lanes)
        for i, lane in enumerate(lanes):
            share = LARGE_SHARE if lane.large else SMALL_SHARE
            if self._layout.stretch(i) != share:
                self._layout.setStretch(i, share)
            plot, numbers = self._lanes[lane.key]
            plot.draw(
                lane,
                history(lane.key),
                from_s,
                to_s,
                glide,
                under(lane.key),
                cursors,
            )
            numbers.update()

    # --- the mouse -------------------------------------------------------------------

    def time_at(self, x: float) -> float:
        """Return the time at a place across the widget."""
        axis = self._theme.px(AXIS_PX)
        share = (x - axis) / max(self.width() - axis, 1)
        return self._stretch[0] + share * (self._stretch[1] - self._stretch[0])

    def _x_of(self, t_s: float) -> float:
        axis = self._theme.px(AXIS_PX)
        left, right = self._stretch
        share = (t_s - left) / max(right - left, 1e-9)
        return axis + share * (self.width() - axis)

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802
        """Zoom about the pointer."""
        turned = event.angleDelta().y() / 120.0
        if turned:
            self.zoomed.emit(0.8**turned, self.time_at(event.position().x()))
        event.accept()

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Take hold of a cursor that is near, else of the picture."""
        x = event.position().x()
        self._from_x, self._held = x, None
        for i, t_s in enumerate(self._cursors or ()):
            if abs(self._x_of(t_s) - x) <= self._theme.px(_NEAR_PX):
                self._held = i
        event.accept()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Move what is held."""
        if self._from_x is None:
            return
        x = event.position().x()
        if self._held is not None:
            self.cursor_moved.emit(self._held, self.time_at(x))
        elif abs(x - self._from_x) >= 2.0:
            wide = max(self.width() - self._theme.px(AXIS_PX), 1)
            self.panned.emit((self._from_x - x) / wide)
            self._from_x = x

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Let go."""
        self._from_x = self._held = None

    def _make(self, lanes: Sequence[LaneToDraw]) -> None:
        while (item := self._layout.takeAt(0)) is not None:
            old = item.widget()
            if old is not None:
                old.close()
                old.deleteLater()
        self._lanes = {}
        for lane in lanes:
            plot = LanePlot(self._theme, lane)
            numbers = ScaleNumbers(plot)
            row = QWidget()
            side_by_side = QHBoxLayout(row)
            side_by_side.setContentsMargins(0, 0, 0, 0)
            side_by_side.setSpacing(0)
            side_by_side.addWidget(numbers)
            side_by_side.addWidget(plot, 1)
            self._layout.addWidget(row, LARGE_SHARE if lane.large else SMALL_SHARE)
            self._lanes[lane.key] = (plot, numbers)
