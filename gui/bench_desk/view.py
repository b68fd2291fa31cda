"""The Bench desk's widgets put together; shows screens and passes presses on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QApplication,
    QHBoxLayout,
    QPushButton,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from proofstand.drawing.bar import BarState, state_ink

from ..history import History
from ..pieces import Rule, line, needed_px, put
from ..theme import Theme
from ..trace_plot import IntervalToDraw, LaneToDraw, TracePlot, ZoneToDraw
from .action_panel import ActionPanel
from .alarm_bar import AlarmReadings, AlarmSteps
from .findings_panel import FindingsPanel
from .live import Live
from .look_row import LookRow
from .readouts import LargeReadout, SmallReadout
from .run_sheet import RunSheet, WholeRun
from .saying import Choice, Saying
from .screen import Interval, Lane, Phase, Picture, Screen, Zone
from .strips import StripBar
from .verdict_panel import VerdictPanel

Under = tuple[Mapping[str, History], float]
READOUT_PX = 234
ACTION_SHARE, FINDINGS_SHARE = 55, 45
LOW_PX = 372
BEATS_PER_TEXT = 4  # nobody reads numbers that change twenty times a second


class TraceArea(QWidget):
    """The picture with its readouts, run sheet and whole run."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        px = theme.px
        self.plot = TracePlot(theme)
        self.sheet = RunSheet(theme)
        self.whole = WholeRun(theme)
        self.to_come = line(theme, "label", ink=theme.inks.soft, wrap=True)
        self.whole_words = line(theme, "label", ink=theme.inks.soft)
        self._beats = 0
        self.readouts: dict[str, LargeReadout | SmallReadout] = {}
        self._large: list[bool] = []
        self._beside = QWidget()
        self._beside_layout = QVBoxLayout(self._beside)
        self._beside_layout.setContentsMargins(0, 0, 0, 0)
        self._beside_layout.setSpacing(px(4))
        top = QHBoxLayout()
        top.setSpacing(px(14))
        top.addWidget(self.plot, 1)
        top.addWidget(self._beside)
        foot = QHBoxLayout()
        foot.setSpacing(px(14))
        strips = QVBoxLayout()
        strips.setSpacing(px(5))
        strips.addWidget(self.sheet)
        strips.addWidget(self.whole)
        self.look = LookRow(theme)
        foot.addLayout(strips, 1)
        words = QWidget()
        words.setFixedWidth(px(READOUT_PX))
        beside = QVBoxLayout(words)
        beside.setContentsMargins(0, px(4), 0, px(4))
        beside.setSpacing(0)
        beside.addWidget(self.to_come)
        beside.addStretch(1)
        beside.addWidget(self.whole_words)
        foot.addWidget(words)
        self._beside.setFixedWidth(px(READOUT_PX))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(8), px(8), px(18), px(6))
        layout.setSpacing(px(4))
        layout.addLayout(top, 1)
        layout.addLayout(foot)
        layout.addWidget(self.look)

    def show_picture(
        self,
        picture: Picture,
        channels: Mapping[str, Live],
        *,
        glide: bool,
        short: bool = False,
        under: Under | None = None,
    ) -> None:
        """Show a picture of the channels' histories.

        Args:
            picture: what to show.
            channels: their histories.
            glide: change scales gently.
            short: something above takes room; the strip of the whole run gives it.
            under: an earlier run's samples by role, and by how much they are moved.
        """
        roles = {lane.channel: lane.role for lane in picture.lanes}

        def beneath(key: str) -> tuple[History, float] | None:
            found = None if under is None else under[0].get(roles[key])
            return None if under is None or found is None else (found, under[1])

        inks = self._theme.inks

        def history(key: str) -> History:
            return channels[key].history

        lanes = [self._to_draw(lane, picture) for lane in picture.lanes]
        self._beats += 1
        large = [lane.large for lane in picture.lanes]
        text = self._beats % BEATS_PER_TEXT == 0 or not glide or not self.readouts
        if text or large != self._large:
            self._show_readouts(picture.lanes)
        self.plot.draw(
            lanes,
            history,
            picture.from_s,
            picture.to_s,
            glide=glide,
            under=beneath,
            cursors=picture.cursors,
        )
        self.look.show_picture(picture)
        self.sheet.show_picture(picture)
        first = picture.lanes[0]
        self.whole.setVisible(not (short or picture.over or picture.cursors))
        self.whole.show_picture(
            picture, history(first.channel), inks.of_role(first.role)
        )
        put(self.to_come, picture.to_come)
        put(self.whole_words, picture.whole_words)

    def _to_draw(self, lane: Lane, picture: Picture) -> LaneToDraw:
        return LaneToDraw(
            key=lane.channel,
            ink=self._theme.inks.of_role(lane.role),
            low=lane.scale.low,
            high=lane.scale.high,
            ticks=lane.scale.ticks,
            factor=lane.factor,
            offset=lane.offset,
            zones=tuple(self._zone(zone, picture) for zone in lane.zones),
            intervals=tuple(self._interval(each) for each in lane.intervals),
            large=lane.large,
            dot=bool(lane.value) and not lane.stale,
            marked=picture.marked,
        )

    def _interval(self, interval: Interval) -> IntervalToDraw:
        return IntervalToDraw(
            at_s=interval.at_s,
            low=interval.low,
            high=interval.high,
            ink=state_ink(interval.state, self._theme.inks),
            filled=interval.state is BarState.CONFORMS,
            crossed=interval.state is BarState.FAILS,
        )

    def _zone(self, zone: Zone, picture: Picture) -> ZoneToDraw:
        inks = self._theme.inks
        ink = inks.fails if zone.wall else inks.conforms if zone.firm else inks.soft
        return ZoneToDraw(
            low=zone.low,
            high=zone.high,
            from_s=zone.from_s,
            to_s=picture.to_s if zone.to_s is None else zone.to_s,
            words=zone.words,
            ink=ink,
            wall=zone.wall,
        )

    def _show_readouts(self, lanes: tuple[Lane, ...]) -> None:
        large = [lane.large for lane in lanes]
        if [lane.channel for lane in lanes] != list(self.readouts) or (
            large != self._large
        ):
            self._large = large
            while (item := self._beside_layout.takeAt(0)) is not None:
                old = item.widget()
                if old is not None:
                    old.deleteLater()
            self.readouts = {}
            for lane in lanes:
                kind = LargeReadout if lane.large else SmallReadout
                made = kind(self._theme, self._theme.inks.of_role(lane.role))
                self._beside_layout.addWidget(made, 30 if lane.large else 10)
                self.readouts[lane.channel] = made
        wide = self._theme.px(READOUT_PX)
        for lane in lanes:
            readout = self.readouts[lane.channel]
            readout.put(lane)
            wide = max(wide, round(readout.needed_px(lane)) + 4)
        if self._beside.width() < wide:
            self._beside.setFixedWidth(wide)


class Halves(QWidget):
    """The trace above and what is done below, which gets the height that it needs.

    Not a layout of Qt's: one that holds lines of words that break leaves a part of them
    outside the window.
    """

    def __init__(self, theme: Theme, above: QWidget, below: QWidget) -> None:
        super().__init__()
        self._above, self._rule, self._below = above, Rule(theme), below
        self.low_px = theme.px(LOW_PX)
        for part in (self._above, self._rule, self._below):
            part.setParent(self)

    def give(self, low_px: int) -> None:
        """Give the lower part so much."""
        if low_px != self.low_px:
            self.low_px = low_px
            self._place()

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Place the parts anew."""
        self._place()

    def _place(self) -> None:
        wide, thick = self.width(), self._rule.height()
        low = self.height() - self.low_px
        self._above.setGeometry(0, 0, wide, low - thick)
        self._rule.setGeometry(0, low - thick, wide, thick)
        self._below.setGeometry(0, low, wide, self.low_px)


class BenchDesk(QWidget):
    """A test: trace above, action or verdict and findings below."""

    confirm = Signal()
    stop = Signal()
    make_paper = Signal(str, str)
    make_tag = Signal()
    next_test = Signal()
    answered = Signal(str)
    answering = Signal(str)
    go_back = Signal()
    tell = Signal()
    told = Signal(str, str, str)
    scanned = Signal(str)

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        px = theme.px
        self.strip = StripBar(theme)
        self.trace = TraceArea(theme)
        self.action = ActionPanel(theme)
        self.verdict = VerdictPanel(theme)
        self.findings = FindingsPanel(theme)
        self.action.confirm.connect(self.confirm)
        self.action.answered.connect(self.answered)
        self.action.answering_now.connect(self.answering)
        self.action.stop.connect(self.stop)
        self.action.back.connect(self.next_test)
        self.action.go_back.connect(self.go_back)
        self.action.tell.connect(self.tell)
        self.alarm_steps = AlarmSteps(theme)
        self.saying = Saying(theme)
        self.saying.told.connect(self.told)
        self.saying.left.connect(self.leave_saying)
        for field in (
            self.action.answer,
            self.saying.reason,
            self.verdict.issuer,
            self.trace.look.file,
        ):
            field.scanned.connect(self.scanned)
        self.asks = False
        self._left, self._right = QStackedWidget(), QStackedWidget()
        for page in (self.findings, self.alarm_steps, self.saying):
            self._right.addWidget(page)
        # the shares of both sides hold, whatever a page would like
        for side in (self._left, self._right):
            side.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
            side.setMinimumWidth(1)
        self.verdict.make.connect(self.make_paper)
        self.verdict.tag.connect(self.make_tag)
        self.verdict.next.connect(self.next_test)
        self._left.addWidget(self.action)
        self._left.addWidget(self.verdict)
        self._least_px = px(LOW_PX)
        low = QWidget()
        below = QHBoxLayout(low)
        below.setContentsMargins(0, 0, 0, 0)
        below.setSpacing(0)
        below.addWidget(self._left, ACTION_SHARE)
        below.addWidget(Rule(theme, upright=True))
        below.addWidget(self._right, FINDINGS_SHARE)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.strip)
        self.alarm_readings = AlarmReadings(theme)
        self._above = QStackedWidget()
        self._above.addWidget(self.trace)
        self._above.addWidget(self.alarm_readings)
        self._halves = Halves(theme, self._above, low)
        layout.addWidget(self._halves, 1)

    def ask(self, kind: str, choices: Sequence[Choice]) -> None:
        """Let a person say something unasked, in the findings' place."""
        self.asks = True
        self.saying.ask(kind, choices)
        self._right.setCurrentWidget(self.saying)
        self.saying.choices[0].setFocus()

    def leave_saying(self) -> None:
        """Show the findings again."""
        self.asks = False
        self._right.setCurrentWidget(self.findings)
        self.window().setFocus()

    def _show_right(self, screen: Screen) -> None:
        """Show what to do in an alarm before what is said, and that before findings."""
        if self.asks and not screen.may_tell:
            self.leave_saying()
        page: QWidget = self.saying if self.asks else self.findings
        if screen.alarm is not None:
            self.alarm_steps.show_alarm(screen.alarm)
            page = self.saying if self.asks else self.alarm_steps
        self._right.setCurrentWidget(page)

    @property
    def _enter_confirms(self) -> bool:
        """Whether Enter confirms: not while it presses something else."""
        focused = QApplication.focusWidget()
        other = isinstance(focused, QPushButton) and focused is not self.action.done
        return not (self.asks or other)

    def show_screen(
        self,
        screen: Screen,
        channels: Mapping[str, Live],
        under: Under | None = None,
    ) -> None:
        """Show everything of a screen; an earlier run may lie under the trace."""
        self.strip.show_strip(screen.strip)
        if screen.picture is not None and screen.picture.lanes:
            glide = screen.phase is Phase.RUNNING and not screen.picture.looking
            short = screen.strip is not None or self.asks
            short = short and screen.verdict is None
            self.trace.show_picture(
                screen.picture, channels, glide=glide, short=short, under=under
            )
            self.alarm_readings.show_lanes(screen.picture.lanes)
        calm = screen.alarm is None
        self._above.setCurrentWidget(self.trace if calm else self.alarm_readings)
        self.findings.show_rows(screen.findings)
        self._show_right(screen)
        if screen.verdict is not None:
            self.verdict.show_verdict(screen.verdict)
            self._left.setCurrentWidget(self.verdict)
            needed = self._least_px
        else:
            self.action.show_screen(screen, enters=self._enter_confirms)
            self._left.setCurrentWidget(self.action)
            # words that take another line push the trace up, and are not cut
            needed = max(self._least_px, self.action.needed_px(self._left.width()))
        if not calm:  # the pressures stand whole, above what is only room
            above = needed_px(self.alarm_readings, self.width())
            room = max(self._halves.height() - above, 0)
            least = self.action.needed_px(self._left.width())
            needed = max(least, min(self._least_px, room))
        beside = self._right.currentWidget()
        if beside is not self.findings:
            needed = max(needed, needed_px(beside, self._right.width()))
        self._halves.give(needed)
