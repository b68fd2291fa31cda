"""The page of one run: the trace above, findings and what is told of one beneath."""

from __future__ import annotations

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from proofstand.drawing.bar import state_ink

from ..bench_desk.looking import FINE, STEP
from ..bench_desk.strips import StripBar
from ..bench_desk.verdict_panel import VerdictSign
from ..bench_desk.view import TraceArea
from ..pieces import FittedLine, Rule, line, put
from ..scanned import GAP_S
from ..signs import verdict_ink
from ..theme import Theme
from .act_view import ActView
from .acts import ActPage
from .detail_view import DetailView, Scrolled
from .keys_row import KeysRow
from .reviewing import ReviewPresenter, RunPage, Told
from .table import Cell, ListTable, Row
from .wording import said

SHARES = (30, 25, 18, 18, 40)
_COLUMNS = ("finding", "step", "bar", "outcome", "value")
_LEFT, _RIGHT = 53, 47
_SIGN_MS = round(1000.0 * GAP_S) + 10
_ZOOM = {Qt.Key.Key_Plus: 0.5, Qt.Key.Key_Equal: 0.5, Qt.Key.Key_Minus: 2.0}


class PapersView(Scrolled):
    """Judgements, papers and notes of a run, the newest first."""

    def __init__(self, theme: Theme) -> None:
        super().__init__(theme)
        self._theme = theme
        self._shown: tuple[tuple[Told, ...], tuple[Told, ...]] | None = None
        self._made: list[QWidget] = []

    def put(self, judgements: tuple[Told, ...], papers: tuple[Told, ...]) -> None:
        """Show them."""
        if (judgements, papers) == self._shown:
            return
        self._shown = (judgements, papers)
        for old in self._made:
            self.column.removeWidget(old)
            old.hide()
            old.deleteLater()
        self._made = []
        theme = self._theme
        for head, told, none in (
            ("judgements", judgements, "no_judgement"),
            ("papers", papers, "no_paper"),
        ):
            title = line(theme, "lead", bold=True, wrap=True)
            title.setText(said(head))
            self._add(title)
            for each in told:
                top = line(theme, "text", wrap=True)
                top.setText(each.head)
                self._add(top)
                if each.text:
                    text = line(theme, "label", ink=theme.inks.soft, wrap=True)
                    text.setText(each.text)
                    self._add(text)
            if not told:
                words = line(theme, "text", ink=theme.inks.soft, wrap=True)
                words.setText(said(none))
                self._add(words)
        self.column.addStretch(1)
        self.to_top()

    def _add(self, widget: QWidget) -> None:
        self.column.insertWidget(len(self._made), widget)
        self._made.append(widget)


class ReviewView(QWidget):
    """A run under review."""

    def __init__(self, theme: Theme, presenter: ReviewPresenter) -> None:
        super().__init__()
        self._theme, self._presenter = theme, presenter
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        px = theme.px
        self.strip = StripBar(theme)
        self.trace = TraceArea(theme)
        # an earlier run and a picture beside the file have no place in an archive
        for widget in (
            self.trace.look.earlier_key,
            self.trace.look.file,
            self.trace.look.save_key,
            self.trace.look.cursor_key,
        ):
            widget.hide()
        self._connect_trace()
        self.sign = VerdictSign(theme)
        self.sign.setFixedSize(px(24), px(24))
        self.verdict = FittedLine(theme, "lead", name=said("verdict"))
        heads = [said("finding_column", each) for each in _COLUMNS]
        self.findings = ListTable(theme, heads, SHARES, said("findings"), "label")
        self.findings.pages = True
        self.findings.turned.connect(self.turn)
        self.findings.chosen.connect(self._choose)
        self.detail, self.papers = DetailView(theme), PapersView(theme)
        self.right = QStackedWidget()
        self.right.addWidget(self.detail)
        self.right.addWidget(self.papers)
        self.act = ActView(theme)
        self.right.addWidget(self.act)
        self.opening = line(theme, "far", wrap=True, name=said("verdict"))
        self.keys = KeysRow(theme, "run", strong="stretch")
        left = QWidget()
        of_left = QVBoxLayout(left)
        of_left.setContentsMargins(0, px(6), 0, 0)
        of_left.setSpacing(px(4))
        top = QHBoxLayout()
        top.setContentsMargins(px(24), 0, px(12), 0)
        top.setSpacing(px(10))
        top.addWidget(self.sign)
        top.addWidget(self.verdict, 1)
        of_left.addLayout(top)
        of_left.addWidget(self.findings, 1)
        low = QWidget()
        below = QHBoxLayout(low)
        below.setContentsMargins(0, 0, 0, 0)
        below.setSpacing(0)
        below.addWidget(left, _LEFT)
        below.addWidget(Rule(theme, upright=True))
        below.addWidget(self.right, _RIGHT)
        for side in (left, self.right):
            side.setMinimumWidth(1)
        self._whole = QWidget()
        within = QVBoxLayout(self._whole)
        within.setContentsMargins(0, 0, 0, 0)
        within.setSpacing(0)
        within.addWidget(self.trace, 45)
        within.addWidget(Rule(theme))
        within.addWidget(low, 55)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(px(2))
        layout.addWidget(self.strip)
        self.opening.setContentsMargins(px(24), px(24), px(24), 0)
        layout.addWidget(self.opening)
        layout.addWidget(self._whole, 1)
        layout.addStretch(0)
        layout.addWidget(self.keys)
        self._sign: Qt.Key | None = None
        self._sign_wait = QTimer(self)
        self._sign_wait.setSingleShot(True)
        self._sign_wait.setInterval(_SIGN_MS)
        self._sign_wait.timeout.connect(self._by_sign)

    def _connect_trace(self) -> None:
        plot, look = self.trace.plot, self._look
        plot.zoomed.connect(lambda factor, at: look("zoom", factor, at))
        plot.panned.connect(lambda share: look("pan", share))
        plot.cursor_moved.connect(lambda which, at: look("move_cursor", which, at))
        for steps in (self.trace.sheet, self.trace.whole):
            steps.wanted.connect(lambda a, b: look("show_stretch", a, b))

    def _look(self, what: str, *facts: float) -> None:
        bench = self._presenter.bench
        if bench is not None:
            getattr(bench, what)(*facts)
            self.show_trace()

    # --- presses ---------------------------------------------------------------------

    def _choose(self, number: int) -> None:
        self._presenter.choose(number)
        if self.right.currentWidget() is self.papers:
            self.right.setCurrentWidget(self.detail)

    def to_keys(self) -> None:
        """Give the keys to the findings, or to the page where none are shown yet."""
        if self.right.currentWidget() is self.act:
            return
        (self.findings if self._whole.isVisible() else self).setFocus()

    def go_to_stretch(self) -> None:
        """Show the stretch that the finding was read from."""
        self._presenter.go_to_finding()

    def whole(self) -> None:
        """Show the whole run."""
        self._look("to_now")

    def cursors(self) -> None:
        """Show two cursors in the trace, or take them away."""
        self._look("cursors")

    def other_side(self) -> None:
        """Show judgements, papers and notes, or the finding again."""
        shown = self.right.currentWidget()
        if shown is self.act:
            return
        other = self.papers if shown is self.detail else self.detail
        self.right.setCurrentWidget(other)

    def show_act(self, page: ActPage) -> None:
        """Show what an act asks in the finding's place, or the finding again."""
        shown = self.right.currentWidget()
        if page.id:
            self.right.setCurrentWidget(self.act)
            self.act.show_page(page)
        elif shown is self.act:
            self.right.setCurrentWidget(self.detail)
            self.act.show_page(page)
            self.findings.setFocus()

    def turn(self, by: int) -> None:
        """Scroll what is told on the right."""
        shown = self.right.currentWidget()
        if isinstance(shown, Scrolled):
            shown.turn(by)

    def back(self) -> bool:
        """Leave a stretch for the whole run; return whether there was one."""
        bench = self._presenter.bench
        if self.right.currentWidget() is self.papers:
            self.right.setCurrentWidget(self.detail)
            return True
        if bench is not None and bench.looks_back:
            self._look("to_now")
            return True
        return False

    def takes(self, event: QKeyEvent) -> bool:
        """Take a key that looks at the trace or scrolls; return whether it was one."""
        key = event.key()
        sideways = {Qt.Key.Key_Left: -1.0, Qt.Key.Key_Right: 1.0}
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        ctrl = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
        if key in sideways:
            way = sideways[Qt.Key(key)]
            if shift or ctrl:
                self._look("nudge_cursor", 1 if shift else 0, way * FINE)
            else:
                self._look("pan", way * STEP)
        elif key == Qt.Key.Key_End:
            self._look("to_now")
        else:
            self._take_sign(event)
            return False
        return True

    def _take_sign(self, event: QKeyEvent) -> None:
        """A sign looks at the trace once no other one followed: it was no scan's."""
        if not event.text() or not event.text().isprintable():
            return
        alone = not self._sign_wait.isActive()
        looks = key_looks(event) and alone
        self._sign = Qt.Key(event.key()) if looks else None
        self._sign_wait.start()

    def _by_sign(self) -> None:
        sign, self._sign = self._sign, None
        if sign is None or not self.isVisible():
            return
        if sign in _ZOOM:
            self._look("zoom", _ZOOM[sign])
        else:
            self._look("cursors")

    # --- what is shown ---------------------------------------------------------------

    def show_page(self, page: RunPage) -> None:
        """Show the run as far as it is read."""
        self.strip.show_strip(page.strip)
        put(self.opening, page.said)
        self.opening.setVisible(bool(page.said))
        here = bool(page.verdict)
        if here != self._whole.isVisible():
            self._whole.setVisible(here)
            self.to_keys()
        self.keys.enable(dict.fromkeys(self.keys.keys, here) | {"back": True})
        if not here:
            return
        ink = verdict_ink(page.verdict, self._theme.inks)
        self.sign.put(page.verdict, ink)
        self.verdict.put(page.verdict_words)
        rows = [
            Row(
                cells=(
                    Cell(text=each.name),
                    Cell(text=each.where, ink=self._theme.inks.soft),
                    Cell(text="", bar=each.bar),
                    Cell(
                        text=each.outcome,
                        bold=True,
                        ink=state_ink(each.bar.state, self._theme.inks),
                    ),
                    Cell(text=each.value),
                ),
                tip=f"{each.name}, {each.where}: {each.outcome}, {each.value}",
            )
            for each in page.lines
        ]
        self.findings.put(rows, page.chosen)
        presenter = self._presenter
        self.detail.show_detail(presenter.detail, presenter.fit, presenter.fit_words)
        self.papers.put(page.judgements, page.papers)
        self.show_trace()

    def show_trace(self) -> None:
        """Show the trace as it is looked at."""
        picture = self._presenter.picture
        if picture is not None and picture.lanes:
            self.trace.show_picture(
                picture, self._presenter.channels, glide=False, short=True
            )
            # what is looked at is this page's own; only what cursors read is told here
            self.trace.look.setVisible(picture.cursors is not None)
            self.trace.look.now_key.hide()


def key_looks(event: QKeyEvent) -> bool:
    """Tell whether a sign, alone, looks at the trace."""
    return event.key() in _ZOOM or event.key() == Qt.Key.Key_C
