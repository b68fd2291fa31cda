"""What is asked now: value by cursor, verdict or cause; and how the replay goes."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from ..bench_desk.scales import clock
from ..pieces import BigLine, OwnEnter, key, line, put
from ..theme import Theme
from .calling import CAUSE, VERDICT, VERDICTS, causes_of
from .choices import Choices
from .fields import scrolled, text_field
from .practice import Practice
from .replaying import Replay
from .wording import said

_KEY_PX = 42


class CallPanel(QWidget):
    """One thing to do, large; beneath it how fast the replay goes."""

    call = Signal()
    typed = Signal(object)  # text, or None where what was typed is gone
    choose = Signal(str)
    pass_over = Signal()
    play = Signal()
    speed = Signal(int)

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        px = theme.px
        self.first = BigLine(theme, "middle", bold=True, name="what to call")
        self.second = line(theme, "text", wrap=True, name="how")
        self.second.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._places = QStackedWidget()
        self._value = self._value_place()
        self.verdicts = Choices(theme, 2, name=said("call", VERDICT, "name"))
        self.verdicts.put([(id, said("call", VERDICT, id)) for id in VERDICTS])
        self.verdicts.chosen.connect(self.choose)
        self.causes = Choices(theme, 2, name=said("call", CAUSE, "name"), size="label")
        self.causes.chosen.connect(self.choose)
        self._finish = self._finish_place()
        self._causes = scrolled(self.causes)
        self._verdicts = scrolled(self.verdicts)
        for place in (self._value, self._verdicts, self._causes, self._finish):
            self._places.addWidget(place)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(24), px(8), px(20), px(8))
        layout.setSpacing(px(4))
        layout.addWidget(self.first)
        layout.addWidget(self.second)
        layout.addSpacing(px(4))
        layout.addWidget(self._places, 1)
        layout.addLayout(self._transport())
        self._asked = ""

    def _value_place(self) -> QWidget:
        theme, px = self._theme, self._theme.px
        place = QWidget()
        self.field: OwnEnter = text_field(theme, said("call", "value"))
        self.field.setFont(theme.font("lead"))
        self.field.textEdited.connect(lambda text: self.typed.emit(text))
        self.field.scanned.connect(lambda _: self.typed.emit(None))
        self.field.entered.connect(self.call)
        self.call_key = key(theme, said("call", "call"), size="lead", strong=True)
        self.call_key.setMinimumHeight(px(_KEY_PX))
        self.call_key.setMinimumWidth(px(170))
        self.call_key.clicked.connect(self.call)
        self.pass_key = key(theme, said("call", "pass_over"))
        self.pass_key.setMinimumHeight(px(_KEY_PX))
        self.pass_key.clicked.connect(self.pass_over)
        self.how = line(theme, "label", ink=theme.inks.soft, wrap=True, name="read as")
        row = QHBoxLayout()
        row.setSpacing(px(10))
        row.addWidget(self.field, 1)
        row.addWidget(self.call_key)
        row.addWidget(self.pass_key)
        layout = QVBoxLayout(place)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(px(4))
        layout.addLayout(row)
        layout.addWidget(self.how)
        layout.addStretch(1)
        return place

    def _finish_place(self) -> QWidget:
        theme, px = self._theme, self._theme.px
        place = QWidget()
        self.finish_key = key(theme, said("call", "finish"), size="lead", strong=True)
        self.finish_key.setMinimumHeight(px(_KEY_PX))
        self.finish_key.setMinimumWidth(px(170))
        self.finish_key.clicked.connect(self.call)
        row = QHBoxLayout()
        row.addWidget(self.finish_key)
        row.addStretch(1)
        layout = QVBoxLayout(place)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addLayout(row)
        layout.addStretch(1)
        return place

    def _transport(self) -> QVBoxLayout:
        theme, px = self._theme, self._theme.px
        self.play_key = key(theme, said("replay", "pause"))
        self.play_key.setMinimumWidth(px(110))
        self.play_key.clicked.connect(self.play)
        self.slower_key = key(theme, said("replay", "slower"))
        self.slower_key.clicked.connect(lambda: self.speed.emit(-1))
        self.faster_key = key(theme, said("replay", "faster"))
        self.faster_key.clicked.connect(lambda: self.speed.emit(1))
        self.goes = line(theme, "text", name="how the replay goes")
        row = QHBoxLayout()
        row.setSpacing(px(8))
        for button in (self.play_key, self.slower_key, self.faster_key):
            # keys of the keyboard do the same, so that Enter stays with the call
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.setMinimumHeight(px(32))
            row.addWidget(button)
        row.addWidget(self.goes, 1)
        self.keys = line(theme, "label", ink=theme.inks.soft, wrap=True, name="keys")
        self.keys.setText(said("replay", "keys"))
        box = QVBoxLayout()
        box.setSpacing(px(3))
        box.addLayout(row)
        box.addWidget(self.keys)
        return box

    # --- showing ---------------------------------------------------------------------

    def show_now(self, model: Practice) -> None:
        """Show what is asked, and how the replay goes."""
        replay, calls = model.replay, model.calls
        if replay is None or calls is None:
            return
        now = calls.now
        asked = "" if now is None else now.what
        if now is None:
            self.first.put(said("call", "done_first"))
            early = "" if replay.at_end else f" {said('call', 'done_early')}"
            put(self.second, said("call", "done_second") + early)
            self._places.setCurrentWidget(self._finish)
            self.finish_key.setEnabled(not model.at_work)
        else:
            self.first.put(said("call", now.what, "first"))
            put(self.second, said("call", now.what, "second"))
            self._show_place(model, now.what, now.text)
        if model.note or model.at_work:
            put(self.second, model.at_work or model.note)
        ink = self._theme.inks.fails if model.wrong else self._theme.inks.ink
        self.second.setStyleSheet(f"color: {ink};")
        self.keys.setVisible(asked != CAUSE)  # a long list has its room
        self._show_transport(replay)
        if asked != self._asked:
            self._asked = asked
            self.take_focus()

    def _show_place(self, model: Practice, what: str, called: str) -> None:
        if what == VERDICT:
            self.verdicts.put(
                [(id, said("call", VERDICT, id)) for id in VERDICTS], called
            )
            self._places.setCurrentWidget(self._verdicts)
        elif what == CAUSE and model.replay is not None:
            causes = [(c.id, c.words) for c in causes_of(model.replay.plan)]
            self.causes.put(causes, called)
            self._places.setCurrentWidget(self._causes)
        else:
            self._places.setCurrentWidget(self._value)
            self._show_value(model, called)

    def _show_value(self, model: Practice, called: str) -> None:
        measure = model.measure
        text = model.typed
        if text is None:
            text = called if measure is None else measure.text
        if self.field.text() != text:
            self.field.setText(text)
        put(self.how, "" if measure is None else measure.how)
        sets = model.typed is None and measure is None
        words = said("call", "set_cursors" if sets else "call")
        if self.call_key.text() != words:
            self.call_key.setText(words)
            self.call_key.setAccessibleName(words)

    def _show_transport(self, replay: Replay) -> None:
        words = "again" if replay.at_end else "pause" if replay.playing else "play"
        if self.play_key.text() != said("replay", words):
            self.play_key.setText(said("replay", words))
            self.play_key.setAccessibleName(said("replay", words))
        self.play_key.setEnabled(not replay.at_end)
        # how long it is would tell that it was given up early
        now = clock(replay.now_s)
        put(self.goes, said("replay", "speed", now=now, speed=replay.speed))

    def take_focus(self) -> None:
        """Give the focus to what Enter is to press."""
        place = self._places.currentWidget()
        if place is self._verdicts:
            self.verdicts.take_focus()
        elif place is self._causes:
            self.causes.take_focus()
        elif place is self._finish:
            self.finish_key.setFocus()
        else:
            self.call_key.setFocus()
