"""A drill worked by hand: the trace and the action as on the Bench, valves beside."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QSizePolicy, QVBoxLayout, QWidget

from ..bench_desk.action_panel import ActionPanel
from ..bench_desk.screen import AlarmShown, Phase, Screen, Strip
from ..bench_desk.strips import StripBar
from ..bench_desk.view import Halves, TraceArea
from ..pieces import Rule, key
from ..theme import Theme
from .at_the_rig import AtTheRig
from .fields import show_leaving
from .practice import Practice
from .valve_panel import ValvePanel
from .wording import said

_ACTION_SHARE, _VALVES_SHARE = 54, 46
_LOW_PX = 372


class RigPage(QWidget):
    """Shows the test and passes on what hands do; no finding is here."""

    leave = Signal()
    hear = Signal()

    def __init__(self, theme: Theme, model: Practice) -> None:
        super().__init__()
        self._theme, self._model = theme, model
        px = theme.px
        self.strip = StripBar(theme)
        self.heard_key = key(theme, said("rig", "heard"))
        self.heard_key.clicked.connect(self.hear)
        self.heard_key.hide()
        self.trace = TraceArea(theme)
        self.trace.look.only_cursors()
        self.action = ActionPanel(theme)
        self.valves = ValvePanel(theme)
        self.leave_key = key(theme, said("replay", "leave"))
        self.leave_key.clicked.connect(self.leave)
        right = QWidget()
        beside = QVBoxLayout(right)
        beside.setContentsMargins(0, 0, 0, px(8))
        beside.setSpacing(px(2))
        beside.addWidget(self.valves, 1)
        row = QHBoxLayout()
        row.setContentsMargins(px(18), 0, px(20), 0)
        row.addStretch(1)
        row.addWidget(self.heard_key)
        row.addWidget(self.leave_key)
        beside.addLayout(row)
        for side in (self.action, right):
            side.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
            side.setMinimumWidth(1)
        low = QWidget()
        below = QHBoxLayout(low)
        below.setContentsMargins(0, 0, 0, 0)
        below.setSpacing(0)
        below.addWidget(self.action, _ACTION_SHARE)
        below.addWidget(Rule(theme, upright=True))
        below.addWidget(right, _VALVES_SHARE)
        self._halves = Halves(theme, self.trace, low)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.strip)
        layout.addWidget(self._halves, 1)
        self._connect()

    def _connect(self) -> None:
        def rig(what: str, *facts: object) -> None:
            if self._model.rig is not None:
                getattr(self._model.rig, what)(*facts)
                self.show_now()

        action, valves = self.action, self.valves
        action.confirm.connect(lambda: rig("confirm"))
        action.stop.connect(lambda: rig("stop"))
        action.back.connect(self.leave)
        action.answered.connect(self._answer)
        valves.moved.connect(lambda name, share: rig("move", name, share))
        valves.fitted.connect(lambda id: rig("fit", id))
        self.hear.connect(lambda: rig("hear"))
        trace = self.trace
        trace.plot.zoomed.connect(lambda factor, at: rig("look", "zoom", factor, at))
        trace.plot.panned.connect(lambda share: rig("look", "pan", share))
        trace.plot.cursor_moved.connect(
            lambda which, at: rig("look", "move_cursor", which, at)
        )
        for steps in (trace.sheet, trace.whole):
            steps.wanted.connect(lambda a, b: rig("look", "show_stretch", a, b))
        trace.look.now.connect(lambda: rig("look", "to_now"))
        trace.look.cursors.connect(lambda: rig("look", "cursors"))

    def _answer(self, text: str) -> None:
        if self._model.rig is not None:
            self.action.say_wrong(self._model.rig.answer(text))

    def confirm(self) -> None:
        """Confirm what is asked, or go to the question that waits."""
        rig = self._model.rig
        if rig is None:
            return
        if rig.presenter.question is not None:
            self.action.answer.setFocus()
        else:
            rig.confirm()
            self.show_now()

    @property
    def sounds(self) -> bool:
        """This test has an alarm that nobody has heard."""
        return self._model.rig is not None and _sounds(self._model.rig.alarm)

    def show_now(self) -> None:
        """Show the test as it is now."""
        rig = self._model.rig
        if rig is None:
            return
        show_leaving(self.leave_key, asked=self._model.leaving.asked)
        screen = rig.screen()
        self.strip.show_strip(_strip(screen))
        self.heard_key.setVisible(_sounds(screen.alarm))
        if screen.picture is not None and screen.picture.lanes:
            glide = screen.phase is Phase.RUNNING and not screen.picture.looking
            short = self.strip.isVisible()
            self.trace.show_picture(
                screen.picture, rig.channels, glide=glide, short=short
            )
        self.action.show_screen(screen)
        self._show_valves(rig)
        needed = self.action.needed_px(self.action.width())
        self._halves.give(max(self._theme.px(_LOW_PX), needed))

    def _show_valves(self, rig: AtTheRig) -> None:
        self.valves.make(rig.valves)
        words = {valve.name: rig.words(valve.name) for valve in rig.valves}
        self.valves.show_positions(rig.shares, words, rig.fixture)


def _sounds(alarm: AlarmShown | None) -> bool:
    return alarm is not None and bool(alarm.key)


def _strip(screen: Screen) -> Strip | None:
    """Return what stands above the trace: an alarm before anything else."""
    alarm: AlarmShown | None = screen.alarm
    if alarm is None:
        return screen.strip
    return Strip(what=f"{alarm.first} {alarm.second} {alarm.what}", do=alarm.do[0])
