"""The window: opens, drives one desk, and closes without losing anything."""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from proofstand.alarms import hose_page
from proofstand.at_work import (
    AtWork,
    Order,
    Standing,
    found_at_work,
    remove_note,
    serial_in,
)
from proofstand.commands.window import WindowOptions
from proofstand.words.sentences import trouble
from records.errors import InputError, ProofstandError
from records.planfile import DEFAULT_PLAN

from .desks import LOADERS
from .display import check_display

try:
    from PySide6.QtCore import QSize, Qt, QTimer
    from PySide6.QtGui import QCloseEvent, QKeyEvent, QKeySequence
    from PySide6.QtWidgets import (
        QApplication,
        QPushButton,
        QStackedWidget,
        QVBoxLayout,
        QWidget,
    )
except ImportError as error:  # said in words by whoever opens the window
    raise InputError("window_missing", why=error) from error

from .application import made_application as made_application
from .bench_desk.alarm_bar import AlarmBar
from .bench_desk.head import HeadBar
from .bench_desk.hose_page import HosePage
from .bench_desk.last_test import keep_last, last_test
from .bench_desk.looking import FINE, STEP
from .bench_desk.presenter import Presenter
from .bench_desk.screen import Head, Phase, Screen
from .bench_desk.start_checks import Given
from .bench_desk.start_sheet import StartSheet
from .bench_desk.station_strips import StationStrips, station_of
from .bench_desk.strips import CloseStrip, InterruptedStrip
from .bench_desk.wording import said
from .desk import Desk, DeskMaker, DeskModel
from .pieces import Rule, pressed_at
from .scanned import GAP_S, Burst
from .session_process import SessionProcess
from .session_thread import (
    Over,
    SessionThread,
    Task,
    asks_who,
    earlier_run_of,
    paper_of,
    recorded_run,
    recovered_run,
    tag_of_run,
)
from .theme import Theme, inks_for, palette, scale_for, sheet
from .tone import Tone

if TYPE_CHECKING:
    from .bench_desk.card_draft import Draft
    from .bench_desk.card_form import CardForm
    from .bench_desk.view import BenchDesk, TraceArea

BEAT_MS = 60
# A rig whose time runs fast needs the computer for its readings.
FAST_RIG_BEAT_MS = 100
HEAD_BEATS = 8
RESCALE_MS = 200
SWITCH_S = 0.0005
SHELL_MS = 300  # the shell beneath goes once the window is painted
_SCALE_MOVES = 0.03
DONE = ("adjusted", "opened")
_KEYS = {
    Qt.Key.Key_F1: "burst_hose",
    Qt.Key.Key_F2: "hear",
    Qt.Key.Key_F3: "go_back",
    Qt.Key.Key_F4: "tell",
    Qt.Key.Key_F6: "open_paper",
    Qt.Key.Key_F7: "open_tag",
    Qt.Key.Key_F8: "next_regulator",
    Qt.Key.Key_F9: "another_test",
    Qt.Key.Key_F10: "stop",
    Qt.Key.Key_F12: "next_station",
}
# These count at every desk.
_EVERYWHERE = (Qt.Key.Key_F1, Qt.Key.Key_F2, Qt.Key.Key_F10, Qt.Key.Key_F12)
_DESK_KEYS = (Qt.Key.Key_1, Qt.Key.Key_2, Qt.Key.Key_3)
BENCH = "bench"
_ZOOM = {
    Qt.Key.Key_Plus: 0.5,
    Qt.Key.Key_Equal: 0.5,
    Qt.Key.Key_Up: 0.5,
    Qt.Key.Key_Minus: 2.0,
    Qt.Key.Key_Down: 2.0,
}
# Signs that a label may hold too: they look back once no other one followed at once.
_LOOKS = (
    Qt.Key.Key_Plus,
    Qt.Key.Key_Equal,
    Qt.Key.Key_Minus,
    Qt.Key.Key_C,
    Qt.Key.Key_O,
    Qt.Key.Key_P,
)
SIGN_MS = round(1000.0 * GAP_S) + 10
_ENTER = (Qt.Key.Key_Return, Qt.Key.Key_Enter)
_COMMANDS = Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.AltModifier


@dataclass(frozen=True, slots=True, eq=False)
class Led:
    """One test that the window leads.

    Attributes:
        presenter: folds what is told of it. thread: tells it. by: who tests.
    """

    presenter: Presenter
    thread: SessionThread | SessionProcess
    by: str


@dataclass(frozen=True, slots=True, eq=False)
class SideTask:
    """What is done beside a test: its paper, its tag, an earlier run of it.

    Attributes:
        presenter: whose it is; another test may be shown by the time it is done.
    """

    thread: SessionThread
    presenter: Presenter


class Window(QWidget):
    """The one window: start sheet, then a test, its verdict, and the next.

    Args:
        options: what it was opened with.
        size: a fixed size for pictures and tests, or None for the whole screen.
    """

    def __init__(self, options: WindowOptions, size: QSize | None = None) -> None:
        super().__init__()
        self._options = options
        self._inks = inks_for(light=options.light, dark=options.dark)
        if size is None:
            size = self.screen().availableSize()
        self.resize(size)
        self.setMinimumSize(min(size.width(), 1100), min(size.height(), 700))
        self.setWindowTitle(said("title"))
        self._theme = Theme(self._inks, self._scale_of(size))
        self._given = Given(
            rig=options.rig,
            plan=options.plan,
            job=options.job,
            out=options.out,
            by=options.by,
            label=options.label,
        )
        self._by = options.by
        self._presenter: Presenter | None = None
        self._thread: SessionThread | SessionProcess | None = None
        self._others: list[Led] = []
        self._interrupted: list[AtWork] = []
        self._side_tasks: list[SideTask] = []
        self._burst = Burst()
        self._sign: Qt.Key | None = None
        self._closing = False
        self._end_asked = False
        self._tone = Tone(time.monotonic)
        self._behind_hose: QWidget | None = None
        self._desk_in_view = self._hose_from = BENCH
        self._models: dict[str, DeskModel] = {}
        self._other_desks: dict[str, Desk] = {}
        self._makers: dict[str, DeskMaker] = {}
        self._left_a_test = False  # put aside when another desk was gone to
        self._beats = 0
        self._phase: Phase | None = None
        self.screen_now: Screen | None = None
        self.start: StartSheet
        self.desk: BenchDesk | None = None
        self.form: CardForm | None = None
        self._layout = QVBoxLayout(self)
        self._layout.setContentsMargins(0, 0, 0, 0)
        self._layout.setSpacing(0)
        self._build()
        self._beat = QTimer(self)
        self._beat.setInterval(BEAT_MS)
        self._beat.timeout.connect(self.beat)
        self._beat.start()
        self._sign_wait = QTimer(self)
        self._sign_wait.setSingleShot(True)
        self._sign_wait.setInterval(SIGN_MS)
        self._sign_wait.timeout.connect(self._look_by_sign)
        self._rescale = QTimer(self)
        self._rescale.setSingleShot(True)
        self._rescale.setInterval(RESCALE_MS)
        self._rescale.timeout.connect(self._fit)

    # --- building --------------------------------------------------------------------

    def _build(self) -> None:
        """Make all widgets at the present scale."""
        while (item := self._layout.takeAt(0)) is not None:
            old = item.widget()
            if old is not None:
                old.hide()
                old.deleteLater()
        theme = self._theme
        self.setPalette(palette(self._inks))
        self.setAutoFillBackground(True)
        self.setStyleSheet(sheet(theme))
        self.head = HeadBar(theme, (BENCH, *LOADERS))
        self.head.hose.connect(self.burst_hose)
        self.head.desk.connect(self.go_to_desk)
        self.alarm_bar = AlarmBar(theme)
        self.alarm_bar.heard.connect(self.hear)
        self.hose_page = HosePage(theme)
        self.hose_page.left.connect(self.leave_hose)
        self._behind_hose = None
        self.close_strip = CloseStrip(theme)
        self.close_strip.keep.connect(self.keep_on)
        self.close_strip.leave.connect(self.leave_and_close)
        self.close_strip.end.connect(self.end_and_close)
        self.interrupted = InterruptedStrip(theme)
        self.interrupted.go_on.connect(self._go_on_interrupted)
        self.interrupted.keep.connect(self._keep_interrupted)
        self.interrupted.later.connect(self._leave_interrupted)
        self.stations = StationStrips(theme)
        self.stations.chosen.connect(self.go_to)
        self._stack = QStackedWidget()
        self.start = StartSheet(theme, self._given, last_test())
        self.start.begin.connect(self.begin)
        self.start.watch.connect(lambda _: self.watch_simulated(None))
        self.start.look.connect(self.look_at)
        self.start.fill_in.connect(self.fill_in)
        self._stack.addWidget(self.start)
        self._stack.addWidget(self.hose_page)
        self.desk = None
        self.form = None
        self._layout.addWidget(self.head)
        self._layout.addWidget(Rule(theme))
        self._layout.addWidget(self.alarm_bar)
        self._layout.addWidget(self.close_strip)
        self._layout.addWidget(self.interrupted)
        self._layout.addWidget(self.stations)
        self._desks = QStackedWidget()
        self._desks.addWidget(self._stack)
        self._other_desks = {}
        self._layout.addWidget(self._desks, 1)
        self.start.fields["label"].setFocus()  # a scan or Enter is the first key

    def _bench(self) -> BenchDesk:
        """Return the desk, made when it is first needed: plots take long to load."""
        if self.desk is None:
            from .bench_desk.view import BenchDesk

            self.desk = BenchDesk(self._theme)
            self.desk.confirm.connect(self.confirm)
            self.desk.answered.connect(self.answer)
            self.desk.answering.connect(self.answering)
            self.desk.stop.connect(self.stop)
            self.desk.make_paper.connect(self.make_paper)
            self.desk.make_tag.connect(self.make_tag)
            self.desk.next_test.connect(self.next_test)
            self.desk.go_back.connect(self.go_back)
            self.desk.tell.connect(self.tell)
            self.desk.told.connect(self.told)
            self.desk.scanned.connect(self.scanned)
            self._look_backs(self.desk.trace)
            self._stack.addWidget(self.desk)
        return self.desk

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Fit the sizes of everything to a window that has another size."""
        super().resizeEvent(event)
        if hasattr(self, "_rescale"):
            self._rescale.start()

    def _scale_of(self, size: QSize) -> float:
        return scale_for(size.width(), size.height(), self.devicePixelRatioF())

    def _fit(self) -> None:
        scale = self._scale_of(self.size())
        if abs(scale - self._theme.scale) <= _SCALE_MOVES * self._theme.scale:
            return
        self._given = self.start.given
        read, had = self.start.read.isChecked(), self.start.had_a_test
        form = self.form
        self._theme = Theme(self._inks, scale)
        self._build()
        self.start.read.setChecked(read)
        self.start.had_a_test = had
        self._show_stations()
        if self._desk_in_view != BENCH:
            self._bring(self._desk_in_view)
        if self._presenter is not None:
            self._stack.setCurrentWidget(self._bench())
            self._phase = None
            self.show_now()
        elif form is not None:
            self._open_form(form.card, form.draft)

    # --- the desks -------------------------------------------------------------------

    def go_to_desk(self, id: str) -> None:
        """Bring a desk into view; a test that is on goes on as a strip."""
        if id == self._desk_in_view or self._closing:
            return
        if id == BENCH:
            self._to_bench()
            if self._left_a_test and self._others:
                self.go_to(len(self._others) - 1)
            elif self._presenter is None and self.form is None:
                self.start.fields["label"].setFocus()
            return
        if self._desk_in_view == BENCH:
            self.leave_hose()
            if self._set_aside():
                self._left_a_test = True
                self._options_used()
                self._to_start(anew=True)
                self._show_stations()
        self._desk_in_view = id
        self._bring(id)

    def _to_bench(self) -> None:
        if self._desk_in_view != BENCH:
            self._desk_in_view = BENCH
            self._desks.setCurrentWidget(self._stack)
            self.head.put_desk(BENCH)
            self.head.show_head(Head())

    def _bring(self, id: str) -> None:
        """Show a desk, made when it is first wanted and after the size changed."""
        if id not in self._makers:
            self._makers[id] = LOADERS[id]()
            self._models[id] = self._makers[id].model(self._options)
        desk = self._other_desks.get(id)
        if desk is None:
            desk = self._makers[id].view(self._theme, self._models[id])
            desk.head_changed.connect(self._show_desk_head)
            self._other_desks[id] = desk
            self._desks.addWidget(desk)
        self._desks.setCurrentWidget(desk)
        self.head.put_desk(id)
        self._show_desk_head()
        desk.come_into_view()

    @property
    def other_desk(self) -> Desk | None:
        """The desk in view, when it is not the Bench."""
        return self._other_desks.get(self._desk_in_view)

    def _show_desk_head(self) -> None:
        desk = self.other_desk
        if desk is not None:
            first, second = desk.head_lines
            self.head.show_head(Head(first=first, second=second, band=desk.band))

    # --- the job card ----------------------------------------------------------------

    def fill_in(self, card: str) -> None:
        """Open the form of a job card, or of a new one; what is no card is told."""
        try:
            self._open_form(card)
        except ProofstandError as error:
            told = trouble(error)
            where = f"{told.where}: " if told.where else ""
            self.start.side_note.setText(f"{where}{told.what} {told.do}")

    def _open_form(self, card: str, draft: Draft | None = None) -> None:
        from .bench_desk.card_form import CardForm
        from .bench_desk.start_checks import card_rules

        given = self.start.given
        form = CardForm(self._theme, card, lambda job: card_rules(given, job), draft)
        self._close_form()
        self.start.side_note.setText("")
        self.form = form
        form.left.connect(self.card_left)
        form.again.connect(self.fill_in)
        self._stack.addWidget(form)
        self._stack.setCurrentWidget(form)
        form.editors["id"].setFocus()

    def card_left(self, card: str) -> None:
        """Go back from the form, the card that it saved on the start sheet."""
        if self.form is not None and self.form.unsaved:
            self.start.side_note.setText(said("card", "unsaved"))
        self._close_form()
        self._stack.setCurrentWidget(self.start)
        if card:
            self.start.fields["job"].setText(card)
        self.start.look_now()

    def _close_form(self) -> None:
        if self.form is not None:
            self._stack.removeWidget(self.form)
            self.form.deleteLater()
            self.form = None

    # --- what is begun ---------------------------------------------------------------

    def open_as_asked(self) -> None:
        """Begin what the options ask for."""
        options = self._options
        if options.run is not None:
            self.look_at(options.run)
        elif options.simulated:
            self.watch_simulated(options.folder)
        elif options.hands is not None:
            self.begin(self._given)
        else:
            self.find_again()
        if options.desk in self.head.desks:
            self.go_to_desk(options.desk)

    def begin(self, given: Given) -> None:
        """Begin a test on a rig."""
        self._given, self._by = given, given.by.strip()
        keep_last(given)
        hands, key = self._options.hands, self._options.key
        plan = given.plan.strip() or DEFAULT_PLAN
        order = Order(
            rig=Path(given.rig.strip()).absolute(),
            plan=str(Path(plan).absolute()) if Path(plan).is_file() else plan,
            job=Path(given.job.strip()).absolute(),
            out=Path(given.out.strip()).absolute(),
            by=self._by,
            key_folder=None if key is None else key.absolute(),
            hands=hands,
            label=given.label.strip(),
            cautions_read_by=self._by if self.start.read.isChecked() else "",
        )
        presenter = Presenter("opening", hands=hands is None)
        self.follow(SessionProcess(order), presenter)

    def watch_simulated(self, folder: Path | None) -> None:
        """Begin a whole simulated test in a folder of its own."""
        from proofstand.demo_order import demo_order, free_folder

        order = demo_order(free_folder(folder).absolute())
        presenter = Presenter("opening_simulated", hands=False)
        self.follow(SessionProcess(order), presenter)

    def look_at(self, path: Path, key: Path | None = None) -> None:
        """Show a recorded run; its papers are sealed with a key, else the window's."""
        thread = SessionThread(recorded_run(path, key or self._options.key))
        self.follow(thread, Presenter("looking", live=False))

    def find_again(self) -> None:
        """Take up again the test that an earlier window began, if there is one."""
        for found in found_at_work():
            if found.how is Standing.LONG_DEAD:
                self._interrupted.append(found)
                continue
            if self._presenter is not None:
                self.another_test()
            if found.how is Standing.SEALED:
                remove_note(found.order.journal)
                self.look_at(found.order.out, found.order.key_folder)
            else:
                order = found.order
                self._by = order.by
                hands = order.hands is None and order.demo is None
                presenter = Presenter("finding_again", hands=hands)
                self.follow(SessionProcess(order, attach=True), presenter)
        self._show_interrupted()

    # --- a test that was interrupted some time ago -----------------------------------

    def _show_interrupted(self) -> None:
        """Tell of the first such test, as long as no other one is shown."""
        told = None
        if self._interrupted and self._presenter is None and self.form is None:
            found = self._interrupted[0]
            serial = serial_in(found.order.journal) or said("interrupted", "unknown")
            at = time.localtime(found.last_s)
            when = time.strftime("%Y-%m-%d %H:%M %z", at)
            told = (
                said("interrupted", "what", serial=serial, when=when),
                said("interrupted", "do", path=found.order.journal),
            )
        self.interrupted.show_test(told)

    def _go_on_interrupted(self) -> None:
        """Go on with it: its recorder is started again, and repeats its step."""
        order = self._interrupted.pop(0).order
        self._by = order.by
        hands = order.hands is None and order.demo is None
        presenter = Presenter("finding_again", hands=hands)
        self.follow(SessionProcess(order, attach=True), presenter)

    def _keep_interrupted(self) -> None:
        """Make a file of what was recorded, and look at it; the journal stays."""
        order = self._interrupted.pop(0).order
        task = recovered_run(order, self._options.key)
        presenter = Presenter("looking", live=False)
        self.follow(SessionThread(task), presenter)

    def _leave_interrupted(self) -> None:
        """Ask again when the window is opened the next time."""
        self._interrupted.pop(0)
        self._show_interrupted()

    def follow(
        self, thread: SessionThread | SessionProcess, presenter: Presenter
    ) -> None:
        """Show what a thread tells, unless another one is still at it."""
        if self._thread is not None and self._thread.alive:
            return
        self._thread = thread
        self.show_test(presenter)
        self._thread.start()

    def show_test(self, presenter: Presenter) -> None:
        """Go to the Bench desk and show a test there."""
        self._to_bench()
        self._left_a_test = False
        self._presenter = presenter
        self.interrupted.show_test(None)
        presenter.come_into_view()
        self._stack.setCurrentWidget(self._bench())
        self.setFocus()
        self.show_now()
        if presenter.typed:
            self._bench().action.answer.setText(presenter.typed)

    def next_test(self) -> None:
        """Go back to the start sheet, ready for the next regulator."""
        if self._thread is not None and self._thread.alive:
            return
        begun = self._presenter is not None and self._presenter.begun
        self._options_used()
        self._to_start(anew=begun)

    def another_test(self) -> None:
        """Go to the start sheet for a test at another station; this one goes on."""
        if self._set_aside():
            self._options_used()
            self._to_start(anew=True)
            self._show_stations()

    def next_station(self) -> None:
        """Go to the test that was longest out of sight."""
        self.go_to(0)

    def go_to(self, number: int) -> None:
        """Show another one of the tests that are on."""
        if number >= len(self._others):
            return
        led = self._others.pop(number)
        self._set_aside()
        self._drop_desk()
        self._thread, self._by, self._phase = led.thread, led.by, None
        self.show_test(led.presenter)
        self._show_stations()

    def _set_aside(self) -> bool:
        """Put the test that is shown among the others; return whether there is one."""
        presenter, thread = self._presenter, self._thread
        if presenter is None or thread is None:
            return False
        if self.desk is not None:
            presenter.keep_typed(self.desk.action.answer.text())
        self._others.append(Led(presenter, thread, self._by))
        self._presenter = self._thread = None
        return True

    def _show_stations(self) -> None:
        self.stations.show_stations(
            [station_of(led.presenter.screen()) for led in self._others]
        )

    def _to_start(self, *, anew: bool) -> None:
        """Go to the start sheet; anew, its last card has been begun with."""
        self._presenter, self.screen_now = None, None
        self.alarm_bar.show_alarm(None)
        self._tone.want(False)
        self.start.read.setChecked(False)
        self.start.folder_anew()
        self._stack.setCurrentWidget(self.start)
        self.start.renew(last_test(), card=not anew)
        self._drop_desk()
        self.head.show_head(Head())
        self._show_interrupted()

    def _drop_desk(self) -> None:
        if self.desk is not None:
            self._stack.removeWidget(self.desk)
            self.desk.deleteLater()
            self.desk = None

    def _options_used(self) -> None:
        """What the command line asked for has been done; from now on people choose."""
        self._options = replace(
            self._options, hands=None, simulated=False, folder=None, run=None
        )

    # --- looking back ----------------------------------------------------------------

    def _look_backs(self, trace: TraceArea) -> None:
        """Connect what looks back in the trace; none of it is told to the session."""
        look, plot = self._look, trace.plot
        plot.zoomed.connect(lambda factor, at: look("zoom", factor, at))
        plot.panned.connect(lambda share: look("pan", share))
        plot.cursor_moved.connect(lambda which, at: look("move_cursor", which, at))
        for steps in (trace.sheet, trace.whole):
            steps.wanted.connect(lambda a, b: look("show_stretch", a, b))
        row = trace.look
        row.now.connect(lambda: look("to_now"))
        row.cursors.connect(lambda: look("cursors"))
        row.earlier.connect(self.earlier)
        row.chosen.connect(lambda path: self.earlier(Path(path)) if path else None)
        row.save.connect(self.save_picture)

    def _look(self, what: str, *facts: float) -> None:
        """Change what is looked at, and show it."""
        if self._presenter is not None:
            getattr(self._presenter, what)(*facts)
            self.show_now()

    def earlier(self, chosen: Path | None = None) -> None:
        """Lay the last run, or a chosen one, under the trace; or take it away."""
        if self._presenter is None or self._presenter.busy_looking:
            return
        wanted = self._presenter.seek_earlier(chosen)
        if wanted is not None:
            self._beside(earlier_run_of(*wanted), self._presenter)
        self.show_now()

    def save_picture(self) -> None:
        """Save what is seen of the trace, beside the run."""
        from .bench_desk.picture_file import free_names, save_picture

        presenter = self._presenter
        place = None if presenter is None else presenter.run_place
        if presenter is None or place is None or self.desk is None:
            return
        png, svg = free_names(place.parent, place.stem)
        try:
            save_picture(
                self.desk.trace, self._theme, presenter.picture_head(), png, svg
            )
        except ProofstandError as error:
            told = trouble(error)
            presenter.say_of_picture(f"{told.where}: {told.what} {told.do}")
        else:
            words = said("look", "saved", png=png.name, svg=svg.name)
            presenter.say_of_picture(words)
        self.show_now()

    def _looks(self, event: QKeyEvent) -> bool:
        """Take a key that looks back; return whether it was one."""
        desk = self.desk
        if desk is None or not desk.trace.isVisible() or self._asks:
            return False
        shift = event.modifiers() & Qt.KeyboardModifier.ShiftModifier
        ctrl = event.modifiers() & Qt.KeyboardModifier.ControlModifier
        sideways = {Qt.Key.Key_Left: -1.0, Qt.Key.Key_Right: 1.0}
        if event.key() in sideways:
            way = sideways[Qt.Key(event.key())]
            if shift or ctrl:
                self._look("nudge_cursor", 1 if shift else 0, way * FINE)
            else:
                self._look("pan", way * STEP)
        elif event.key() in _ZOOM:
            self._look("zoom", _ZOOM[Qt.Key(event.key())])
        elif event.key() == Qt.Key.Key_End:
            self._look("to_now")
        else:
            return False
        return True

    def _look_by_sign(self) -> None:
        """Look back as a sign asks that stood alone: it was typed by hand."""
        sign, self._sign = self._sign, None
        desk = self.desk
        if sign is None or desk is None or not desk.trace.isVisible() or self._asks:
            return
        if sign in _ZOOM:
            self._look("zoom", _ZOOM[sign])
        elif sign == Qt.Key.Key_C:
            self._look("cursors")
        elif sign == Qt.Key.Key_O:
            self.earlier()
        else:
            self.save_picture()

    # --- the beat --------------------------------------------------------------------

    def beat(self) -> None:
        """Take what the session told since, and show it."""
        if self._end_asked and not self._closing:
            self.leave_and_close()
        if self._thread is not None and self._presenter is not None:
            self._presenter.take(self._thread.drain())
        for task in list(self._side_tasks):
            done = not task.thread.alive  # asked first: nothing comes after that
            told = task.thread.drain()
            task.presenter.take(e for e in told if not isinstance(e, Over))
            if done:
                self._side_tasks.remove(task)
        self._beat_others()
        if self._stack.currentWidget() is self.hose_page:
            self.hose_page.show_readings(self._hose_readings())
        if self._presenter is not None:
            fast = self._presenter.time_multiple > 2.0
            self._beat.setInterval(FAST_RIG_BEAT_MS if fast else BEAT_MS)
            self.show_now()
        desk = self.other_desk
        if desk is not None:
            desk.beat()
        self._tone.want(any(self._sounds(one) for one in self._all_presenters))
        if self._closing and not self._busy():
            self.close()

    def _beat_others(self) -> None:
        """Take what the tests told that are not shown; their strips follow slowly."""
        for led in self._others:
            led.presenter.take(led.thread.drain())
        if self._others and self._beats % HEAD_BEATS == 0:
            self._show_stations()
            if self._presenter is None:
                self._show_alarm_elsewhere()
        if self._presenter is None:
            self._beats += 1

    def _show_alarm_elsewhere(self) -> None:
        """Say across the window that a test is in alarm which no desk shows now."""
        screens = [led.presenter.screen() for led in self._others]
        found = next((s for s in screens if s.alarm is not None and s.alarm.key), None)
        if found is None or found.alarm is None:
            self.alarm_bar.show_alarm(None)
            return
        serial = found.head.first.split("   ")[0]
        first = said("stations", "alarm_of", of=serial, alarm=found.alarm.first)
        shown = replace(found.alarm, first=first, key=said("stations", "go_to_alarm"))
        self.alarm_bar.show_alarm(shown)

    @property
    def real_alarm(self) -> bool:
        """A test that is not shown sounds an alarm: its keys come first everywhere."""
        return any(self._sounds(led.presenter) for led in self._others)

    @property
    def _all_presenters(self) -> list[Presenter]:
        shown = [] if self._presenter is None else [self._presenter]
        return shown + [led.presenter for led in self._others]

    @staticmethod
    def _sounds(presenter: Presenter) -> bool:
        alarm = presenter.alarm
        return alarm is not None and bool(alarm.key)

    def show_now(self) -> None:
        """Show the screen as it is now."""
        if self._presenter is None:
            return
        self.screen_now = self._presenter.screen()
        self._beats = (self._beats + 1) % HEAD_BEATS
        if self._beats == 0 or self.screen_now.phase is not self._phase:
            self._phase = self.screen_now.phase
            self.head.show_head(self.screen_now.head)
        self.alarm_bar.show_alarm(self.screen_now.alarm)
        self._bench().show_screen(
            self.screen_now, self._presenter.histories, self._presenter.under
        )

    def _busy(self) -> bool:
        if any(thread is not None and thread.alive for thread in self._all_threads):
            return True
        return any(model.busy for model in self._models.values())

    @property
    def _all_threads(self) -> list[SessionThread | SessionProcess | None]:
        others = [led.thread for led in self._others]
        return [self._thread, *(task.thread for task in self._side_tasks), *others]

    # --- presses ---------------------------------------------------------------------

    def confirm(self) -> None:
        """Pass on that what was asked is done."""
        if self._burst.on:  # a blank in a label presses the key that has the focus
            return
        if self._presenter is not None and self._thread is not None:
            if self._presenter.question is not None:
                self._bench().action.answer.setFocus()
                return
            command = self._presenter.confirm(self._by or said("nobody"))
            if command is not None:
                self._thread.say(command)
                self.show_now()

    def answering(self, text: str) -> None:
        """Say at once what is wrong with an answer that is being typed."""
        if self._presenter is not None:
            self._bench().action.say_wrong(self._presenter.answer_trouble(text))

    def answer(self, text: str) -> None:
        """Take the answer to a question, if it still waits for one."""
        presenter = self._presenter
        if presenter is None or self._thread is None or presenter.question is None:
            return
        try:
            command = presenter.answer(text, self._by or said("nobody"))
        except InputError as error:
            told = trouble(error)
            self._bench().action.say_wrong(f"{told.what} {told.do}")
            return
        self._thread.say(command)
        self.show_now()

    def stop(self) -> None:
        """Take a press on stop; where no test is shown, go to the one that is on."""
        if self._presenter is None and self._others:
            self.go_to(len(self._others) - 1)
            return
        if self._presenter is not None and self._thread is not None:
            command = self._presenter.stop(self._by or said("nobody"))
            if command is not None:
                self._thread.say(command)
            self.show_now()

    def hear(self) -> None:
        """Take that an alarm was heard; go to it where its test is not shown."""
        here = self._presenter is not None and self._sounds(self._presenter)
        for number, led in enumerate(self._others):
            if not here and self._sounds(led.presenter):
                self.go_to(number)
                return
        if self._presenter is not None and self._thread is not None:
            command = self._presenter.hear(self._by or self._presenter.person)
            if command is not None:
                self._thread.say(command)
            self.show_now()

    def go_back(self) -> None:
        """Ask where the test is to go back to."""
        if self._presenter is not None and self._presenter.ways_back:
            self._bench().ask("back", self._presenter.ways_back)

    def tell(self) -> None:
        """Ask what was done to the regulator or the rig unasked."""
        if self._presenter is not None and self._presenter.may_tell:
            choices = [(id, said("saying", "done", "to", id)) for id in DONE]
            self._bench().ask("done", choices)

    def told(self, kind: str, what: str, reason: str) -> None:
        """Pass on what a person said unasked."""
        if self._presenter is None or self._thread is None or self._burst.on:
            return
        by = self._by or self._presenter.person
        command = self._presenter.tell(kind, what, reason, by)
        if command is not None:
            self._thread.say(command)
        self._bench().leave_saying()
        self.show_now()

    def burst_hose(self) -> None:
        """Show what to do on a burst hose; once more, what was there before."""
        if self._stack.currentWidget() is self.hose_page:
            self.leave_hose()
            return
        presenter = self._presenter
        self._hose_from = self._desk_in_view
        self._to_bench()
        told = hose_page() if presenter is None else presenter.burst_hose()
        self.hose_page.show_page(told)
        self.hose_page.show_readings(self._hose_readings())
        self._behind_hose = self._stack.currentWidget()
        self._stack.setCurrentWidget(self.hose_page)
        self.setFocus()

    def leave_hose(self) -> None:
        """Go back to what was shown before."""
        if self._behind_hose is not None:
            self._stack.setCurrentWidget(self._behind_hose)
            self._behind_hose = None
            self.setFocus()
            if self._presenter is not None:
                self._presenter.come_into_view()
            came_from, self._hose_from = self._hose_from, BENCH
            if came_from != BENCH:
                self.go_to_desk(came_from)

    def _hose_readings(self) -> str:
        """Return what all tests read now: a hose may be of any of them."""
        told = [one.readings_told for one in self._all_presenters if one.running]
        return "\n".join(filter(None, told)) or said("no_test_reads")

    def make_paper(self, name: str = "", pin: str = "") -> None:
        """Make the certificate or report of the run that is shown.

        Where the shop has a list of people it is first asked who issues it.
        """
        presenter = self._presenter
        if presenter is None or presenter.final is None:
            return
        if not pin and asks_who(presenter.final):
            self._bench().verdict.ask_who(presenter.final.by)
            return
        final = presenter.make_paper()
        if final is not None:
            self._beside(paper_of(final, name, pin), presenter)

    def make_tag(self) -> None:
        """Make the tag of the run that is shown."""
        presenter = self._presenter
        made = None if presenter is None else presenter.make_tag()
        if presenter is not None and made is not None:
            self._beside(tag_of_run(*made), presenter)

    def _beside(self, task: Task, presenter: Presenter) -> None:
        """Do something beside a test; what comes of it is told to that test."""
        made = SideTask(SessionThread(task), presenter)
        self._side_tasks.append(made)
        made.thread.start()
        self.show_now()

    def _at_verdict(self, press: str) -> None:
        """Press a key of the verdict, where one stands."""
        over = self.screen_now is not None and self.screen_now.phase is Phase.OVER
        if over and self.desk is not None and self.desk.isVisible():
            getattr(self.desk.verdict, press)()

    def _leave_failed(self) -> None:
        """Go back to the start sheet from a test that failed, once that may be."""
        screen = self.screen_now
        if screen is not None and screen.phase is Phase.FAILED and screen.action.armed:
            self.next_test()

    def open_paper(self) -> None:
        """Open the paper of the run that is shown."""
        self._at_verdict("open_paper")

    def open_tag(self) -> None:
        """Open the tag of the run that is shown."""
        self._at_verdict("open_tag")

    def next_regulator(self) -> None:
        """Leave the verdict for the next regulator."""
        over = self.screen_now is not None and self.screen_now.phase is Phase.OVER
        if over:
            self.next_test()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Enter presses what has the focus, else confirms; Esc takes a press back.

        Arrows, plus, minus, End, C, O and P look back. F1 a burst hose, F2 an alarm is
        heard, F3 back, F4 something was done, F6 and F7 open paper and tag, F8 the next
        regulator, F9 another test, F12 the next station. Ctrl-Q closes the window.
        What a scanner types does none of it.
        """
        if self._to_another_desk(event):
            return
        desk = self.other_desk
        if desk is not None:
            self._at_desk(desk, event)
            return
        if self._takes_sign(event) or self._looks(event) or event.isAutoRepeat():
            return
        if event.key() in _ENTER:
            if self._ends_scan(pressed_at(event)):
                return
            focused = QApplication.focusWidget()
            if isinstance(focused, QPushButton) and focused.isVisible():
                focused.click()
            elif self._presenter is not None and not self._asks:
                self.confirm()
                self._at_verdict("go_on")
                self._leave_failed()
        elif event.key() == Qt.Key.Key_Escape:
            self.keep_on()
        elif event.key() in _KEYS:
            getattr(self, _KEYS[Qt.Key(event.key())])()
        elif event.matches(QKeySequence.StandardKey.Quit):
            self.close()
        else:
            super().keyPressEvent(event)

    def _to_another_desk(self, event: QKeyEvent) -> bool:
        control = event.modifiers() == Qt.KeyboardModifier.ControlModifier
        if not control or event.key() not in _DESK_KEYS:
            return False
        number = _DESK_KEYS.index(Qt.Key(event.key()))
        desks = list(self.head.desks)
        if number < len(desks):
            self.go_to_desk(desks[number])
        return True

    def _at_desk(self, desk: Desk, event: QKeyEvent) -> None:
        """Take a key that no widget of another desk took."""
        if self._takes_sign(event) or event.isAutoRepeat():
            return
        if event.key() in _ENTER:
            label, close = (
                self._burst.scan(pressed_at(event)),
                self._burst.close(pressed_at(event)),
            )
            self._burst.forget()
            focused = QApplication.focusWidget()
            if label:
                desk.scanned(label)
            elif not close and isinstance(focused, QPushButton):
                focused.click()
            elif not close:
                desk.entered()
        elif event.key() == Qt.Key.Key_Escape:
            if self.close_strip.isVisible():
                self.close_strip.hide()
            elif desk.back():
                desk.setFocus()
        elif event.key() in _EVERYWHERE:
            getattr(self, _KEYS[Qt.Key(event.key())])()
        elif event.matches(QKeySequence.StandardKey.Quit):
            self.close()
        else:
            super().keyPressEvent(event)

    def _takes_sign(self, event: QKeyEvent) -> bool:
        """Take a sign that may be of a scan; one that looks back waits a moment."""
        sign = event.text().isprintable() and bool(event.text())
        if not sign or event.isAutoRepeat() or event.modifiers() & _COMMANDS:
            return False
        goes_on = self._burst.take(event.text(), pressed_at(event))
        looks = not goes_on and event.key() in _LOOKS and self.other_desk is None
        self._sign = Qt.Key(event.key()) if looks else None
        if looks:
            self._sign_wait.start()
        return goes_on or looks

    def _ends_scan(self, at_s: float | None) -> bool:
        """Take the Enter of a scan; return whether it was one, or may have been."""
        label, close = self._burst.scan(at_s), self._burst.close(at_s)
        self._burst.forget()
        if close:
            self._sign = None
        if label:
            self.scanned(label)
        return close

    def scanned(self, label: str) -> None:
        """Take a label that was scanned while a test is shown: it confirms nothing."""
        if self._presenter is not None:
            self._presenter.scanned(label)
            self.show_now()

    @property
    def _asks(self) -> bool:
        """Something is open in which Enter confirms no request of the test."""
        said_open = self.desk is not None and self.desk.asks
        return said_open or self._stack.currentWidget() is self.hose_page

    # --- closing ---------------------------------------------------------------------

    def keep_on(self) -> None:
        """Go on with the test: the window stays."""
        if self._closing:
            return
        self.close_strip.hide()
        if self._stack.currentWidget() is self.hose_page:
            self.leave_hose()
        if self.desk is not None and self.desk.asks:
            self.desk.leave_saying()
        self.setFocus()
        if self._presenter is not None:
            self._presenter.keep_on()

    def end_and_close(self) -> None:
        """End the test that is shown, keep what was recorded, then close.

        Tests at other stations go on.
        """
        self._closing = True
        self._let_go_of_others()
        self._let_go_of_desks()
        if self._presenter is not None and self._thread is not None:
            for command in self._presenter.end(self._by or said("nobody")):
                self._thread.say(command)
        if self._busy():
            self.close_strip.tell_ending()
        else:
            self.close()

    def leave_and_close(self) -> None:
        """Close; a test that is on goes on, and the next window finds it again."""
        self._closing = True
        self._let_go_of_others()
        self._let_go_of_desks()
        if isinstance(self._thread, SessionProcess):
            self._thread.let_go()
        if self._busy():
            self.close_strip.tell_ending()
        else:
            self.close()

    def _let_go_of_others(self) -> None:
        for led in self._others:
            if isinstance(led.thread, SessionProcess):
                led.thread.let_go()

    def _let_go_of_desks(self) -> None:
        for model in self._models.values():
            model.let_go()

    def ask_end(self) -> None:
        """Close at the next beat; may be called from a signal's handler."""
        self._end_asked = True

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        """Close at once when nothing is on; else ask, and at the second time leave."""
        running = any(one.running for one in self._all_presenters)
        drill = any(getattr(m, "running", False) for m in self._models.values())
        if self.form is not None:
            self.form.keep_now()
        if not self._busy():
            self._beat.stop()
            event.accept()
            return
        event.ignore()
        if self._closing:
            return
        if (running or drill) and not self.close_strip.isVisible():
            self.close_strip.ask(drill=not running)
        else:
            self.leave_and_close()

    def wait_for_threads(self) -> None:
        """Let nothing outlive the window."""
        self._tone.close()
        self._let_go_of_desks()
        for model in self._models.values():
            model.wait()
        for thread in self._all_threads:
            if thread is not None and thread.alive:
                if isinstance(thread, SessionProcess) or not thread.join(10.0):
                    thread.let_go()
                thread.join()


@contextmanager
def _end_signals(window: Window) -> Iterator[None]:
    """Let a polite end signal close the window; a test that is on goes on."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    names = [n for n in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, n)]
    before = {
        getattr(signal, name): signal.signal(
            getattr(signal, name), lambda *_: window.ask_end()
        )
        for name in names
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def open_window(options: WindowOptions) -> int:
    """Open the window and wait until it is closed.

    Raises:
        InputError: ``no_display`` or ``window_missing``.
    """
    check_display()
    return run_window(options)


def run_window(
    options: WindowOptions, shown: Callable[[], object] = lambda: None
) -> int:
    """Show the window and wait until it is closed.

    Args:
        options: what it is opened with.
        shown: called when it is on the screen.
    """
    # Reading, judging and drawing take turns; long turns would cost readings.
    sys.setswitchinterval(SWITCH_S)
    app = made_application()
    window = Window(options)
    window.showMaximized()
    QTimer.singleShot(SHELL_MS, shown)
    with _end_signals(window):
        window.open_as_asked()
        app.exec()
    window.wait_for_threads()
    return 0
