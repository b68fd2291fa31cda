"""An alarm across the window: what it is and what to do at once, in large words.

Word and shape carry it, colour only helps: hatched ends, a triangle, capitals that are
read from two metres. It takes its place above everything and covers no reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen, QPolygonF
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from proofstand.words.sentences import alarm_words

from ..pieces import BigLine, NumberedLines, key, line, put, restyle
from ..theme import Theme
from .readouts import LargeReadout
from .screen import AlarmShown, Lane
from .wording import said

_EDGE_PX = 34


class _Triangle(QWidget):
    """A triangle with a mark in it, as on a warning sign."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._ink = theme.inks.paper
        side = theme.px(104)
        self.setFixedSize(side, side)

    def set_ink(self, ink: str) -> None:
        """Draw it in another ink."""
        self._ink = ink
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw it."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        wide, thick = self.width(), self._theme.px(9)
        pen = QPen(QColor(self._ink), thick)
        pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
        painter.setPen(pen)
        high, low = 0.12 * wide, 0.88 * wide
        corners = [(0.5 * wide, high), (0.94 * wide, low), (0.06 * wide, low)]
        painter.drawPolygon(QPolygonF([QPointF(x, y) for x, y in corners]))
        painter.setPen(QPen(QColor(self._ink), 0.0))
        painter.setBrush(QColor(self._ink))
        bar = QRectF(0.46 * wide, 0.38 * wide, 0.08 * wide, 0.26 * wide)
        painter.drawRoundedRect(bar, thick / 3, thick / 3)
        painter.drawEllipse(QPointF(0.5 * wide, 0.745 * wide), thick / 2, thick / 2)


class AlarmBar(QWidget):
    """The alarm that stands, and the key that says it was heard."""

    heard = Signal()

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._loud = True
        px = theme.px
        self.sign = _Triangle(theme)
        self.first = BigLine(theme, "huge", bold=True, name="alarm")
        self.second = BigLine(theme, "large", bold=True, name="what to do at once")
        self.what = line(theme, "far", wrap=True, name="what was read")
        self.key = key(theme, alarm_words("heard", key="F2"), size="lead")
        self.key.setMinimumHeight(px(58))
        self.key.setMinimumWidth(px(210))
        self.key.setAutoDefault(False)
        self.key.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.key.clicked.connect(self.heard)
        words = QVBoxLayout()
        words.setSpacing(px(2))
        for each in (self.first, self.second, self.what):
            words.addWidget(each)
        layout = QHBoxLayout(self)
        edge = px(_EDGE_PX)
        layout.setContentsMargins(edge + px(16), px(12), edge + px(18), px(12))
        layout.setSpacing(px(22))
        layout.addWidget(self.sign, 0, Qt.AlignmentFlag.AlignVCenter)
        layout.addLayout(words, 1)
        layout.addWidget(self.key, 0, Qt.AlignmentFlag.AlignVCenter)
        self.hide()

    def show_alarm(self, alarm: AlarmShown | None) -> None:
        """Show the alarm, or nothing."""
        self.setVisible(alarm is not None)
        if alarm is None:
            return
        inks = self._theme.inks
        self._loud = bool(alarm.key)
        ink = inks.paper if self._loud else inks.fails
        self.sign.set_ink(ink)
        for big, text in ((self.first, alarm.first), (self.second, alarm.second)):
            big.set_ink(ink)
            big.put(text)
        self.what.setStyleSheet(f"color: {ink if self._loud else inks.ink};")
        told = "  ".join(p for p in (alarm.what, alarm.more) if p)
        put(self.what, told)
        self.what.setVisible(bool(told))
        if alarm.key and self.key.text() != alarm.key:
            self.key.setText(alarm.key)
            self.key.setAccessibleName(alarm.key)
        if self.key.hasFocus() and not alarm.key:
            self.window().setFocus()
        self.key.setVisible(bool(alarm.key))
        restyle(self.key, "alarm", "true")
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw the ground, and both ends hatched."""
        inks, px = self._theme.inks, self._theme.px
        painter = QPainter(self)
        ground, hatch = inks.fails, inks.paper
        if not self._loud:
            ground, hatch = inks.panel, inks.fails
        painter.fillRect(self.rect(), QColor(ground))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        pen = QPen(QColor(hatch), px(9))
        painter.setPen(pen)
        edge, step, high = px(_EDGE_PX), px(26), self.height()
        for left in (0, self.width() - edge):
            painter.save()
            clip = QPainterPath()
            clip.addRect(QRectF(left, 0, edge, high))
            painter.setClipPath(clip)
            for y in range(-edge, high + edge + step, step):
                painter.drawLine(left - px(4), y + edge, left + edge + px(4), y)
            painter.restore()
        painter.fillRect(0, high - 2, self.width(), 2, QColor(inks.fails))


class AlarmSteps(QWidget):
    """What to do in an alarm, in that order."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        px = theme.px
        self.steps = NumberedLines(theme, "far")
        self._head = line(theme, "far", bold=True, ink=theme.inks.fails)
        put(self._head, alarm_words("what_to_do"))
        self.heard_by = line(theme, "lead", ink=theme.inks.soft, wrap=True)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(20), px(8), px(20), px(8))
        layout.setSpacing(px(6))
        layout.addWidget(self._head)
        layout.addWidget(self.steps)
        layout.addStretch(1)
        layout.addWidget(self.heard_by)

    def show_alarm(self, alarm: AlarmShown) -> None:
        """Show what to do in an alarm."""
        put(self.heard_by, alarm.heard_by)
        self.heard_by.setVisible(bool(alarm.heard_by))
        self.steps.put(alarm.do)


class AlarmReadings(QWidget):
    """The pressures in an alarm, side by side, large enough from two metres."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self.readouts: dict[str, LargeReadout] = {}
        self._row = QHBoxLayout(self)
        self._row.setContentsMargins(theme.px(24), theme.px(8), theme.px(24), 0)
        self._row.setSpacing(theme.px(40))

    def show_lanes(self, lanes: Sequence[Lane]) -> None:
        """Show the readings now."""
        if [lane.channel for lane in lanes] != list(self.readouts):
            while (item := self._row.takeAt(0)) is not None:
                old = item.widget()
                if old is not None:
                    old.deleteLater()
            self.readouts = {}
            for lane in lanes:
                made = LargeReadout(self._theme, self._theme.inks.of_role(lane.role))
                self._row.addWidget(made, 1)
                self.readouts[lane.channel] = made
        for lane in lanes:
            shown = replace(lane, notes=())
            if not lane.value:
                shown = replace(shown, value=said("no_reading"), stale=True)
            self.readouts[lane.channel].put(shown)
