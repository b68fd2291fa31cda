"""A drill that is on: the trace as on the Bench, what is asked, and what was called."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QSizePolicy, QVBoxLayout, QWidget

from ..bench_desk.view import Halves, TraceArea
from ..pieces import Rule, key
from ..theme import Theme
from .call_panel import CallPanel
from .calling import VERDICT, Call, causes_of
from .choices import Choices
from .fields import scrolled, show_leaving
from .practice import Practice
from .wording import said

_CALL_SHARE, _LIST_SHARE = 64, 36
_LOW_PX = 312


class ReplayPage(QWidget):
    """Trace above, calls below; nothing of the answer is here."""

    leave = Signal()
    go_to_call = Signal(int)

    def __init__(self, theme: Theme, model: Practice) -> None:
        super().__init__()
        self._theme, self._model = theme, model
        px = theme.px
        self.trace = TraceArea(theme)
        self.trace.look.only_cursors()
        self.panel = CallPanel(theme)
        self.made = Choices(theme, name=said("page", "drills"))
        self.made.chosen.connect(lambda id: self.go_to_call.emit(int(id)))
        self.leave_key = key(theme, said("replay", "leave"))
        self.leave_key.clicked.connect(self.leave)
        right = QWidget()
        beside = QVBoxLayout(right)
        beside.setContentsMargins(px(18), px(10), px(20), px(8))
        beside.setSpacing(px(6))
        beside.addWidget(scrolled(self.made), 1)
        row = QHBoxLayout()
        row.addStretch(1)
        row.addWidget(self.leave_key)
        beside.addLayout(row)
        for side in (self.panel, right):
            side.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
            side.setMinimumWidth(1)
        low = QWidget()
        below = QHBoxLayout(low)
        below.setContentsMargins(0, 0, 0, 0)
        below.setSpacing(0)
        below.addWidget(self.panel, _CALL_SHARE)
        below.addWidget(Rule(theme, upright=True))
        below.addWidget(right, _LIST_SHARE)
        halves = Halves(theme, self.trace, low)
        halves.give(px(_LOW_PX))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(halves)

    def show_now(self) -> None:
        """Show how far the replay is, and what was called."""
        model = self._model
        replay, calls = model.replay, model.calls
        if replay is None or calls is None:
            return
        show_leaving(self.leave_key, asked=model.leaving.asked)
        picture = replay.picture()
        if picture is not None:
            glide = replay.playing and not picture.looking
            self.trace.show_picture(picture, replay.channels, glide=glide)
        lines = [(str(i), self._line(call)) for i, call in enumerate(calls.all)]
        self.made.put(lines, str(calls.at))
        self.panel.show_now(model)

    def _line(self, call: Call) -> str:
        text = call.text
        if text and call.what == VERDICT:
            text = said("call", VERDICT, text)
        elif text and call.value is None and self._model.replay is not None:
            causes = {c.id: c.short for c in causes_of(self._model.replay.plan)}
            text = causes.get(text, text)
        quiet = "passed" if call.passed else "not_yet"
        return f"{said('call', call.what, 'name')}: {text or said('replay', quiet)}"
