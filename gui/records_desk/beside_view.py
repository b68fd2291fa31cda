"""The page of several runs on one picture."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QKeyEvent, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QVBoxLayout, QWidget

from ..bench_desk.scales import nice_step
from ..bench_desk.strips import StripBar
from ..pieces import line, put
from ..theme import Theme
from .besides import STEP, BesideLine, BesidePage, BesidePresenter
from .choice_row import ChoiceRow
from .keys_row import KeysRow
from .save_row import SaveRow
from .saving import Saving
from .wording import said

_AXIS_PX, _FOOT_PX, _TOP_PX, _NAMES_PX, _SAMPLE_PX = 64, 24, 24, 330, 30
_BUCKETS = 700
_CHOICES = ("step", "event", "role")
# Told apart by their strokes first, then by ink.
_STROKES: tuple[tuple[str, float, tuple[float, ...]], ...] = (
    ("outlet", 2.2, ()),
    ("inlet", 2.0, (6.0, 3.0)),
    ("ink", 1.5, ()),
    ("other", 2.0, (1.5, 2.5)),
    ("soft", 1.8, (7.0, 3.0, 1.5, 3.0)),
)


class BesidePlot(QWidget):
    """Traces from an event on, each named at its end."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._page = BesidePage()
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName(said("beside"))

    def put(self, page: BesidePage) -> None:
        """Show other traces, or another stretch."""
        self._page = page
        names = "; ".join(each.name for each in page.lines)
        self.setAccessibleDescription(f"{names} {page.missing}".strip())
        self.update()

    def _pen(self, at: int) -> QPen:
        ink, wide, dashes = _STROKES[at % len(_STROKES)]
        pen = QPen(QColor(getattr(self._theme.inks, ink)), wide * self._theme.scale)
        if dashes:
            pen.setDashPattern(list(dashes))
        return pen

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw grid, event, traces and names."""
        page, px = self._page, self._theme.px
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setFont(self._theme.font("label"))
        if page.scale is None:
            return
        box = QRectF(
            px(_AXIS_PX),
            px(_TOP_PX),
            self.width() - px(_AXIS_PX + _NAMES_PX),
            self.height() - px(_TOP_PX + _FOOT_PX),
        )
        self._grid(painter, box)
        ends = []
        painter.save()
        painter.setClipRect(box.adjusted(-1.0, -4.0, 1.0, 4.0))
        for at, each in enumerate(page.lines):
            ends.append(self._trace(painter, box, each, self._pen(at)))
        painter.restore()
        self._names(painter, box, ends)

    def _y(self, box: QRectF, value: float) -> float:
        scale = self._page.scale
        assert scale is not None
        share = (value - scale.low) / (scale.high - scale.low)
        return box.bottom() - share * box.height()

    def _x(self, box: QRectF, t_s: float) -> float:
        page = self._page
        return (
            box.left() + (t_s - page.from_s) / (page.to_s - page.from_s) * box.width()
        )

    def _grid(self, painter: QPainter, box: QRectF) -> None:
        page, inks, px = self._page, self._theme.inks, self._theme.px
        assert page.scale is not None
        half = 0.5 * QFontMetricsF(painter.font()).height()
        right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        for value, words in page.scale.ticks:
            y = self._y(box, value)
            painter.setPen(QPen(QColor(inks.rule), 1.0))
            painter.drawLine(QPointF(box.left(), y), QPointF(box.right(), y))
            painter.setPen(QColor(inks.soft))
            place = QRectF(0.0, y - half, box.left() - px(6), 2.0 * half)
            painter.drawText(place, right, words)
        painter.drawText(QPointF(px(8), half * 1.6), page.unit)
        step = nice_step(page.to_s - page.from_s, 8)
        first = int(np.ceil(page.from_s / step))
        for n in range(first, int(page.to_s / step) + 1):
            words = f"{n * step:g} s" if n else said("at_event")
            x = self._x(box, n * step)
            if n == 0:
                painter.setPen(QPen(QColor(inks.ink), 1.2, Qt.PenStyle.DashLine))
                painter.drawLine(QPointF(x, box.top()), QPointF(x, box.bottom()))
            painter.setPen(QColor(inks.ink if n == 0 else inks.soft))
            wide = QFontMetricsF(painter.font()).horizontalAdvance(words)
            painter.drawText(
                QPointF(x - 0.5 * wide, box.bottom() + px(_FOOT_PX - 6)),
                words.replace("-", "\u2212"),
            )

    def _trace(
        self, painter: QPainter, box: QRectF, each: BesideLine, pen: QPen
    ) -> float:
        """Draw one trace; return where its last value stands."""
        page = self._page
        start, stop = page.from_s + each.shift_s, page.to_s + each.shift_s
        t, value = each.history.drawn(start, stop, _BUCKETS)
        shown = (value - page.offset) / page.factor
        x = box.left() + (t - start) / (stop - start) * box.width()
        scale = page.scale
        assert scale is not None
        y = box.bottom() - (shown - scale.low) / (scale.high - scale.low) * box.height()
        known = np.isfinite(y)
        painter.setPen(pen)
        edges = np.flatnonzero(np.diff(known.astype(int))) + 1
        last = box.center().y()
        for part in np.split(np.arange(x.size), edges):
            if part.size and known[part[0]]:
                points = map(QPointF, x[part].tolist(), y[part].tolist())
                painter.drawPolyline(QPolygonF(list(points)))
                inside = part[x[part] <= box.right() + 1.0]
                if inside.size:
                    last = float(y[inside[-1]])
        return last

    def _names(self, painter: QPainter, box: QRectF, ends: list[float]) -> None:
        """Name each trace at its end, with a piece of its stroke; none over another."""
        px = self._theme.px
        metrics = QFontMetricsF(painter.font())
        high = metrics.height() + px(3)
        order = sorted(range(len(ends)), key=lambda i: ends[i])
        places: dict[int, float] = {}
        y = box.top()
        for i in order:
            y = max(ends[i], y)
            places[i] = y
            y += high
        over = y - high - (box.bottom() - 2.0)
        if over > 0.0:
            limit = box.bottom()
            for i in reversed(order):
                places[i] = min(places[i], limit)
                limit = places[i] - high
        for i, at in places.items():
            left = box.right() + px(8)
            painter.setPen(self._pen(i))
            painter.drawLine(QPointF(left, at), QPointF(left + px(_SAMPLE_PX), at))
            painter.setPen(QColor(self._theme.inks.ink))
            room = QRectF(
                left + px(_SAMPLE_PX + 6),
                at - 0.5 * high,
                px(_NAMES_PX - _SAMPLE_PX - 22),
                high,
            )
            words = metrics.elidedText(
                self._page.lines[i].name, Qt.TextElideMode.ElideRight, room.width()
            )
            painter.drawText(room, Qt.AlignmentFlag.AlignVCenter, words)


class BesideView(QWidget):
    """Two to five runs, aligned at an event that is chosen."""

    scanned = Signal(str)

    def __init__(
        self, theme: Theme, presenter: BesidePresenter, saving: Saving
    ) -> None:
        super().__init__()
        self._presenter = presenter
        px = theme.px
        self.strip = StripBar(theme)
        self.choices = ChoiceRow(theme, "align", _CHOICES, 170, presenter.choose)
        self.words = line(theme, "text", wrap=True, name=said("beside"))
        self.words.setContentsMargins(px(24), 0, px(24), 0)
        self.plot = BesidePlot(theme)
        self.saving = SaveRow(theme, saving)
        self.saving.scanned.connect(self.scanned)
        self.keys = KeysRow(theme, "beside", strong="picture")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(px(6))
        layout.addWidget(self.strip)
        layout.addLayout(self.choices)
        layout.addWidget(self.words)
        layout.addWidget(self.plot, 1)
        layout.addWidget(self.saving)
        layout.addWidget(self.keys)

    def back(self) -> bool:
        """Show the stretch that was shown at first; return whether it was another."""
        return self._presenter.whole()

    def takes(self, event: QKeyEvent) -> bool:
        """Take a key that moves the stretch; return whether it was one."""
        key = event.key()
        if self.choices.has_focus:
            return False
        zooms = {
            Qt.Key.Key_Up: 0.5,
            Qt.Key.Key_Plus: 0.5,
            Qt.Key.Key_Down: 2.0,
            Qt.Key.Key_Minus: 2.0,
        }
        if key == Qt.Key.Key_Left:
            self._presenter.pan(-STEP)
        elif key == Qt.Key.Key_Right:
            self._presenter.pan(STEP)
        elif key in zooms and not event.text().strip():
            self._presenter.zoom(zooms[Qt.Key(key)])
        elif key == Qt.Key.Key_End:
            self._presenter.whole()
        else:
            return False
        return True

    def show_page(self, page: BesidePage) -> None:
        """Show the runs."""
        self.strip.show_strip(page.strip)
        words = "  ".join(p for p in (page.said, page.missing) if p)
        put(self.words, words)
        self.words.setVisible(bool(words))
        for name, choice in zip(
            _CHOICES, (page.steps, page.events, page.roles), strict=True
        ):
            self.choices.fill(name, choice)
            self.choices.boxes[name].setEnabled(len(choice.options) > 1)
        self.plot.put(page)
        self.keys.enable({"picture": bool(page.lines)})
