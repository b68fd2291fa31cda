"""The one action, how far its hold is, and what may be pressed."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QColor, QPainter
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from ..pieces import BigLine, OwnEnter, key, line, needed_px, put, restyle
from ..theme import Theme
from .scales import span_words
from .screen import Action, HoldBar, Phase, Screen
from .wording import said


class HoldProgress(QWidget):
    """How much of a hold is held: a bar with both times under it."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._hold: HoldBar | None = None
        self.setFixedHeight(theme.px(38))
        self.setAccessibleName("hold")

    def put(self, hold: HoldBar | None) -> None:
        """Show how far it is."""
        self._hold = hold
        if hold is not None:
            told = f"{span_words(hold.held_s)} of {span_words(hold.total_s)}"
            self.setAccessibleDescription(told)
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw it."""
        hold = self._hold
        if hold is None or hold.total_s <= 0.0:
            return
        theme, inks = self._theme, self._theme.inks
        painter = QPainter(self)
        high = theme.px(10)
        share = min(hold.held_s / hold.total_s, 1.0)
        end = round(self.width() * share)
        painter.fillRect(0, 0, self.width(), high, QColor(inks.rule))
        painter.fillRect(0, 0, end, high, QColor(inks.ink))
        painter.setFont(theme.font("label"))
        metrics = painter.fontMetrics()
        base = high + theme.px(6) + metrics.ascent()
        held, total = span_words(hold.held_s), span_words(hold.total_s)
        word = said("held")
        painter.setPen(QColor(inks.soft))
        painter.drawText(0, base, word)
        total_x = self.width() - metrics.horizontalAdvance(total)
        painter.drawText(total_x, base, total)
        least = metrics.horizontalAdvance(word) + theme.px(10)
        wide = metrics.horizontalAdvance(held)
        x = max(end - wide, least)
        if x + wide + theme.px(8) < total_x:
            painter.setPen(QColor(inks.ink))
            painter.drawText(x, base, held)


class ActionPanel(QWidget):
    """What to do now."""

    confirm = Signal()
    stop = Signal()
    back = Signal()
    go_back = Signal()
    tell = Signal()
    answered = Signal(str)
    answering_now = Signal(str)

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        inks, px = theme.inks, theme.px
        self.first = BigLine(theme, "huge", bold=True, name="what to do now")
        self.second = BigLine(theme, "large", bold=False, name="how")
        self._theme = theme
        self.detail = line(theme, "far", ink=inks.soft, wrap=True, name="why")
        self.caution = line(
            theme, "far", bold=True, ink=inks.fails, wrap=True, name="caution"
        )
        self.progress = HoldProgress(theme)
        self.done = key(theme, said("done"), size="lead", strong=True)
        self.done.setMinimumHeight(px(54))
        self.done.setMinimumWidth(px(280))
        self.done.clicked.connect(self.confirm)
        self.foot = line(theme, "text", ink=inks.soft, wrap=True, name="what to press")
        self.rig_foot = line(theme, "label", ink=inks.soft, wrap=True)
        self.rig_foot.setText(said("not_in_here"))
        self.stop_key = key(theme, said("stop"))
        self.stop_key.setMinimumHeight(px(36))
        self.stop_key.clicked.connect(self.stop)
        self.go_back_key = key(theme, said("saying", "back", "key"))
        self.tell_key = key(theme, said("saying", "done", "key"))
        for small, signal in (
            (self.go_back_key, self.go_back),
            (self.tell_key, self.tell),
        ):
            small.setMinimumHeight(px(36))
            small.clicked.connect(signal)
        self.back_key = key(theme, said("after", "back"), size="lead", strong=True)
        self.back_key.setMinimumHeight(px(50))
        self.back_key.clicked.connect(self.back)
        for each in (
            self.done,
            self.stop_key,
            self.back_key,
            self.go_back_key,
            self.tell_key,
        ):  # Enter is the window's to give
            each.setAutoDefault(False)
            each.setFocusPolicy(Qt.FocusPolicy.TabFocus)  # a click leaves none behind
        press = QHBoxLayout()
        press.setSpacing(px(18))
        press.addWidget(self.done)
        press.addWidget(self._answering())
        press.addWidget(self.foot, 1, Qt.AlignmentFlag.AlignVCenter)
        low = QHBoxLayout()
        low.setSpacing(px(10))
        low.addWidget(self.rig_foot, 1, Qt.AlignmentFlag.AlignBottom)
        low.addWidget(self.go_back_key, 0, Qt.AlignmentFlag.AlignBottom)
        low.addWidget(self.tell_key, 0, Qt.AlignmentFlag.AlignBottom)
        low.addWidget(self.stop_key, 0, Qt.AlignmentFlag.AlignBottom)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(24), px(6), px(24), px(10))
        layout.setSpacing(0)
        layout.addWidget(self.first)
        layout.addWidget(self.second)
        layout.addWidget(self.detail)
        layout.addSpacing(px(2))
        layout.addWidget(self.caution)
        layout.addSpacing(px(6))
        layout.addWidget(self.progress)
        layout.addLayout(press)
        layout.addWidget(self.back_key, 0, Qt.AlignmentFlag.AlignLeft)
        layout.addStretch(1)
        layout.addSpacing(px(4))
        layout.addLayout(low)

    def _answering(self) -> QWidget:
        """Return the field for an answer: in its place, never in a box over the trace.

        It holds nothing up, least of all stop.
        """
        theme, px = self._theme, self._theme.px
        self.answering = QWidget()
        box = QVBoxLayout(self.answering)
        box.setContentsMargins(0, px(2), 0, 0)
        box.setSpacing(px(2))
        row = QHBoxLayout()
        row.setSpacing(px(12))
        self.answer = OwnEnter()
        self.answer.setFont(theme.font("far"))
        self.answer.setMinimumHeight(px(44))
        self.answer.setFixedWidth(px(230))
        self.answer.setAccessibleName(said("answer"))
        self.answer.setPlaceholderText(said("answer_hint"))
        self.answer.entered.connect(lambda: self.answered.emit(self.answer.text()))
        self.answer.textChanged.connect(self.answering_now)
        self.asks = line(theme, "text", wrap=True, name="in what")
        row.addWidget(self.answer)
        row.addWidget(self.asks, 1)
        box.addLayout(row)
        self.answer_wrong = line(
            theme, "text", bold=True, ink=theme.inks.fails, wrap=True, name="not so"
        )
        self.answer_wrong.hide()
        box.addWidget(self.answer_wrong)
        return self.answering

    def say_wrong(self, words: str) -> None:
        """Say beside the answer why it can't be one, or nothing."""
        put(self.answer_wrong, words)
        self.answer_wrong.setVisible(bool(words))
        restyle(self.answer, "wrong", "true" if words else "false")

    def needed_px(self, width: int) -> int:
        """Return how high it has to be so that nothing is cut."""
        return needed_px(self, width)

    def show_screen(self, screen: Screen, *, enters: bool = True) -> None:
        """Show the action of a screen.

        Args:
            screen: what is shown.
            enters: Enter confirms; what it does not do is not filled with ink.
        """
        action = screen.action
        inks = self._theme.inks
        self.first.set_ink(inks.fails if action.grave else inks.ink)
        self.first.put(action.first)
        self.second.put(action.second)
        put(self.detail, action.detail)
        self.detail.setVisible(bool(action.detail))
        put(self.caution, action.caution)
        self.caution.setVisible(bool(action.caution))
        words = said("done" if enters else "done_plain")
        if self.done.text() != words:
            self.done.setText(words)
            self.done.setAccessibleName(words)
        restyle(self.done, "strong", "true" if enters else "false")
        self._show_keys(action, failed=screen.phase is Phase.FAILED)
        put(self.foot, action.foot)
        self.foot.setVisible(bool(action.foot))
        self.rig_foot.setVisible(screen.phase is not Phase.FAILED)
        for small, shown in (
            (self.go_back_key, screen.goes_back),
            (self.tell_key, screen.may_tell),
        ):
            if small.hasFocus() and not shown:
                self.window().setFocus()
            small.setVisible(shown)
        self.stop_key.setVisible(bool(screen.stop))
        if self.stop_key.text() != screen.stop:
            self.stop_key.setText(screen.stop)
            self.stop_key.setAccessibleName(screen.stop)
        restyle(self.stop_key, "grave", "true" if screen.stop_sure else "false")

    def _show_keys(self, action: Action, *, failed: bool) -> None:
        # A key that goes away must not hand its focus to the next one, which is stop.
        for going, stays in (
            (self.done, bool(action.confirm) and not action.asks),
            (self.back_key, failed),
        ):
            if going.hasFocus() and not stays:
                self.window().setFocus()
            going.setVisible(stays)
        if not action.asks and self.answering.isVisible():
            self.answer.clear()
            self.say_wrong("")
            if self.answer.hasFocus():
                self.window().setFocus()
        begins = bool(action.asks) and self.answering.isHidden()
        self.answering.setVisible(bool(action.asks))
        put(self.asks, action.asks)
        if begins:
            self.answer.setFocus()
        self.progress.setVisible(action.hold is not None)
        self.progress.put(action.hold)
        if action.confirm:
            self.done.setEnabled(action.armed)
