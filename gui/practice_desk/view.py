"""The Practice desk's widgets put together; keys of the replay, pages by name."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QEvent, QObject, Qt, QTimer
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QApplication,
    QHBoxLayout,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from proofstand.commands.window import WindowOptions
from proofstand.display import plain

from ..bench_desk.looking import FINE, STEP
from ..desk import Desk, DeskMaker
from ..pieces import Rule, pressed_at
from ..scanned import GAP_S, Burst
from ..theme import Theme
from .choices import Choices
from .class_page import ClassPage
from .drills_page import DrillsPage
from .faults_page import FaultsPage
from .practice import OPEN_PAGES, Page, Practice
from .replay_page import ReplayPage
from .rig_page import RigPage
from .score_page import ScorePage
from .wording import said

_ZOOM = {Qt.Key.Key_Up: 0.5, Qt.Key.Key_Down: 2.0}
_SIDEWAYS = {Qt.Key.Key_Left: -1.0, Qt.Key.Key_Right: 1.0}
_ARROWS = (*_SIDEWAYS, *_ZOOM)
_ALT = Qt.KeyboardModifier.AltModifier
_COMMANDS = Qt.KeyboardModifier.ControlModifier | _ALT
_ENTER = (Qt.Key.Key_Return, Qt.Key.Key_Enter)
# Signs that a label may hold too: they count once no other one followed at once.
_SIGNS: dict[str, tuple[str, tuple[float, ...]]] = {
    "+": ("zoom", (0.5,)),
    "=": ("zoom", (0.5,)),
    "-": ("zoom", (2.0,)),
    "c": ("set_cursors", ()),
}
_KEYS: dict[Qt.Key, tuple[str, tuple[int, ...]]] = {
    Qt.Key.Key_F5: ("press_play", ()),
    Qt.Key.Key_F6: ("change_speed", (-1,)),
    Qt.Key.Key_F7: ("change_speed", (1,)),
    Qt.Key.Key_End: ("to_now", ()),
}
_SIGN_MS = round(1000.0 * GAP_S) + 10
_PAGES_PX = 40


class PracticeDesk(Desk):
    """Pages of the desk, one in view."""

    def __init__(self, theme: Theme, model: Practice) -> None:
        super().__init__()
        self._theme, self.model = theme, model
        self._burst = Burst()
        self._sign = ""
        self._sign_wait = QTimer(self)
        self._sign_wait.setSingleShot(True)
        self._sign_wait.setInterval(_SIGN_MS)
        self._sign_wait.timeout.connect(self._do_sign)
        self._page: Page | None = None
        self._head: tuple[str, str, str] = ("", "", "")
        self.pages = self._page_names()
        self.drills = DrillsPage(theme, model)
        self.class_sheet = ClassPage(theme, model)
        self.faults = FaultsPage(theme, model)
        self.rig = RigPage(theme, model)
        self.replay = ReplayPage(theme, model)
        self.score = ScorePage(theme, model)
        self._stack = QStackedWidget()
        self._of_page: dict[Page, QWidget] = {
            Page.DRILLS: self.drills,
            Page.CLASS: self.class_sheet,
            Page.FAULTS: self.faults,
            Page.RIG: self.rig,
            Page.REPLAY: self.replay,
            Page.SCORE: self.score,
        }
        for page in self._of_page.values():
            self._stack.addWidget(page)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._names)
        layout.addWidget(self._names_rule)
        layout.addWidget(self._stack, 1)
        self._connect()
        self.show_now()

    def _page_names(self) -> Choices:
        px = self._theme.px
        made = Choices(self._theme, len(OPEN_PAGES), name=said("head"), moves=True)
        made.put([(page.value, said("page", page.value)) for page in OPEN_PAGES])
        made.chosen.connect(lambda id: self._do(lambda m: m.go_to(Page(id))))
        self._names = QWidget()
        self._names.setFixedHeight(px(_PAGES_PX))
        row = QHBoxLayout(self._names)
        row.setContentsMargins(px(16), px(2), px(24), px(2))
        row.addWidget(made)
        row.addStretch(1)
        self._names_rule = Rule(self._theme)
        return made

    def _connect(self) -> None:
        drills, replay = self.drills, self.replay
        drills.chosen.connect(self._choose_drill)
        drills.named.connect(self._name)
        drills.begin.connect(lambda: self._do(Practice.begin))
        drills.by_hand.connect(lambda: self._do(Practice.work_by_hand))
        drills.take_in.connect(lambda path: self._do(lambda m: m.take_in(path)))
        drills.make.connect(lambda draft: self._do(lambda m: m.make(draft)))
        self.class_sheet.keep.connect(lambda: self._do(Practice.keep_table))
        self.class_sheet.answers.connect(
            lambda: self._do(lambda m: m.show_answers(shown=not m.answers))
        )
        self.faults.wanted.connect(
            lambda id, family: self._do(lambda m: m.explain(id, family))
        )
        self.rig.leave.connect(lambda: self._do(Practice.press_leave))
        replay.leave.connect(lambda: self._do(Practice.press_leave))
        replay.go_to_call.connect(lambda n: self._do(lambda m: m.go_to_call(n)))
        panel = replay.panel
        panel.call.connect(lambda: self._do(Practice.call_it))
        panel.typed.connect(lambda text: self._do(lambda m: m.type_value(text)))
        panel.choose.connect(lambda id: self._do(lambda m: m.choose(id)))
        panel.pass_over.connect(lambda: self._do(Practice.pass_over))
        panel.play.connect(lambda: self._look("press_play"))
        panel.speed.connect(lambda by: self._look("change_speed", by))
        trace = replay.trace
        trace.plot.zoomed.connect(lambda factor, at: self._look("zoom", factor, at))
        trace.plot.panned.connect(lambda share: self._look("pan", share))
        trace.plot.cursor_moved.connect(lambda n, at: self._look("move_cursor", n, at))
        for steps in (trace.sheet, trace.whole):
            steps.wanted.connect(lambda a, b: self._look("show_stretch", a, b))
        trace.look.now.connect(lambda: self._look("to_now"))
        trace.look.cursors.connect(lambda: self._look("set_cursors"))
        self.score.back.connect(lambda: self._do(Practice.leave))
        for button in replay.findChildren(QPushButton):
            if not isinstance(button.parent(), Choices):  # those go up and down
                button.installEventFilter(self)

    # --- of the window ---------------------------------------------------------------

    @property
    def head_lines(self) -> tuple[str, str]:
        """The two lines of the window's head."""
        kept = self.model.drill
        if kept is None:
            return said("head"), said("head_second")
        drill = kept.drill
        who = plain(self.model.trainee.strip()) or said("nobody")
        facts = {"family": drill.family, "plan": drill.plan, "trainee": who}
        return plain(drill.title), said("drill_second", **facts)

    @property
    def band(self) -> str:
        """That no regulator is tested."""
        return said("band")

    def come_into_view(self) -> None:
        """Take the focus to what Enter is to press."""
        self.model.look_again()
        self.model.show_answers(shown=False)
        self.show_now()
        self._take_focus()

    def beat(self) -> None:
        """Take what came, and let a replay go on."""
        if self.model.beat() or self.model.page is not self._page:
            self.show_now()

    def back(self) -> bool:
        """Leave what can be left with Esc: cursors first, then a score."""
        model = self.model
        if model.leaving.forget():
            self.show_now()
            return True
        if model.page is Page.REPLAY and model.replay is not None:
            if model.replay.looking.cursors is None:
                return False
            self._look("set_cursors")
            return True
        if model.page is Page.SCORE:
            self._do(Practice.leave)
            return True
        return False

    # --- showing ---------------------------------------------------------------------

    def show_now(self) -> None:
        """Show the model as it is now."""
        page = self.model.page
        names = page in OPEN_PAGES
        self._names.setVisible(names)
        self._names_rule.setVisible(names)
        if names:
            self.pages.put(
                [(each.value, said("page", each.value)) for each in OPEN_PAGES],
                page.value,
            )
        self._stack.setCurrentWidget(self._of_page[page])
        turned = page is not self._page
        self._page = page
        self._of_page[page].show_now()  # type: ignore[attr-defined]
        head = (*self.head_lines, self.band)
        if head != self._head:
            self._head = head
            self.head_changed.emit()
        if turned and self.isVisible():
            self._take_focus()

    def _take_focus(self) -> None:
        page = self.model.page
        if page is Page.DRILLS:
            named = bool(self.model.trainee.strip())
            ready = named and self.drills.begin_key.isEnabled()
            (self.drills.begin_key if ready else self.drills.trainee).setFocus()
        elif page is Page.RIG:
            self.setFocus()  # Enter confirms what is asked
        elif page is Page.REPLAY:
            self.replay.panel.take_focus()
        elif page is Page.SCORE:
            self.score.back_key.setFocus()
        else:
            self.pages.take_focus(page.value)

    def _do(self, what: Callable[[Practice], object]) -> None:
        """Let the model do something, and show what came of it."""
        what(self.model)
        self.show_now()

    def _choose_drill(self, number: int) -> None:
        self.model.chosen = number
        self.show_now()

    def _name(self, typed: str) -> None:
        self.model.trainee = typed

    def _look(self, what: str, *facts: float) -> None:
        """Change how the replay goes or what is looked at, and show it."""
        if self.model.page is Page.RIG:
            self._look_at_rig(what, *facts)
        elif self.model.replay is not None and self.model.page is Page.REPLAY:
            getattr(self.model.replay, what)(*facts)
            self.show_now()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Take arrows from keys that have the focus: they look back, as elsewhere."""
        if isinstance(event, QKeyEvent) and event.type() is QEvent.Type.KeyPress:
            arrow = event.key() in _ARROWS and self.model.page is Page.REPLAY
            return arrow and self._arrows(event)
        return super().eventFilter(watched, event)

    # --- keys ------------------------------------------------------------------------

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Lead a replay by keys; a scan does nothing here."""
        if self.model.page is Page.RIG:
            self._at_the_rig(event)
            return
        if self.model.page is not Page.REPLAY:
            super().keyPressEvent(event)
            return
        if self._takes_sign(event) or self._arrows(event):
            event.accept()
        elif event.key() in _ENTER:
            scan = self._burst.scan(pressed_at(event)) or self._burst.close(
                pressed_at(event)
            )
            self._burst.forget()
            if scan:
                self._sign = ""
            elif isinstance(QApplication.focusWidget(), QPushButton):
                super().keyPressEvent(event)  # the window presses it
            elif not event.isAutoRepeat():
                self._do(Practice.call_it)
        elif event.key() in _KEYS:
            what, facts = _KEYS[Qt.Key(event.key())]
            self._look(what, *facts)
        else:
            super().keyPressEvent(event)

    def _at_the_rig(self, event: QKeyEvent) -> None:
        """Take a key while the rig is worked; F2 and F10 are those of the Bench.

        Nothing with Ctrl or Alt is taken but what moves a cursor: it is the window's.
        """
        focused = QApplication.focusWidget()
        if event.modifiers() & _COMMANDS:
            sideways = event.key() in _SIDEWAYS and not event.modifiers() & _ALT
            if not (sideways and self._arrows(event)):
                super().keyPressEvent(event)
        elif event.key() == Qt.Key.Key_F2:
            if self._real_alarm or not self.rig.sounds:
                event.ignore()  # the window goes to the test that it is of
            else:
                self.rig.hear.emit()
        elif event.key() == Qt.Key.Key_F10:
            self.rig.action.stop.emit()
        elif event.key() in _ENTER and not isinstance(focused, QPushButton):
            close = self._burst.close(pressed_at(event))
            self._burst.forget()
            if not close and not event.isAutoRepeat():
                self.rig.confirm()
        elif event.text().isprintable() and event.text():
            self._burst.take(event.text(), pressed_at(event))
        elif event.key() == Qt.Key.Key_End:
            self._look_at_rig("to_now")
        elif not self._arrows(event):
            super().keyPressEvent(event)

    @property
    def _real_alarm(self) -> bool:
        """Tell whether a test at the Bench sounds an alarm: that goes first."""
        return bool(getattr(self.window(), "real_alarm", False))

    def _look_at_rig(self, what: str, *facts: float) -> None:
        if self.model.rig is not None:
            self.model.rig.look(what, *facts)
            self.show_now()

    def _takes_sign(self, event: QKeyEvent) -> bool:
        text = event.text()
        if not text or not text.isprintable() or event.modifiers() & _COMMANDS:
            return False
        goes_on = self._burst.take(text, pressed_at(event))
        self._sign = "" if goes_on else text.lower()
        self._sign_wait.start()
        return True

    def _do_sign(self) -> None:
        sign, self._sign = self._sign, ""
        if sign in _SIGNS:
            what, facts = _SIGNS[sign]
            self._look(what, *facts)

    def _arrows(self, event: QKeyEvent) -> bool:
        key, held = event.key(), event.modifiers()
        if key in _SIDEWAYS:
            way = _SIDEWAYS[Qt.Key(key)]
            shift = bool(held & Qt.KeyboardModifier.ShiftModifier)
            control = bool(held & Qt.KeyboardModifier.ControlModifier)
            if shift or control:
                self._look("nudge_cursor", 1 if shift else 0, way * FINE)
            else:
                self._look("pan", way * STEP)
        elif key in _ZOOM:
            self._look("zoom", _ZOOM[Qt.Key(key)])
        else:
            return False
        return True


def maker() -> DeskMaker:
    """Return how the desk is made."""

    def model(options: WindowOptions) -> Practice:
        return Practice(options)

    return DeskMaker(model, PracticeDesk)
