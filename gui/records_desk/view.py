"""The Records desk's widgets put together: one page at a time, keys lead between."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QStackedWidget, QVBoxLayout, QWidget

from ..desk import Desk
from ..theme import Theme
from .anew_view import AnewView
from .beside_view import BesideView
from .find_view import FindView
from .life_view import LifeView
from .model import (
    ANEW,
    BESIDE,
    FIND,
    LIFE,
    PLANS,
    RECALL,
    RUN,
    TEXT,
    TRENDS,
    RecordsModel,
)
from .plans_view import PlansView
from .presses import Presses
from .recall_view import RecallView
from .review_view import ReviewView
from .text_view import TextView
from .trend_view import TrendView
from .wording import said

_KEYS = {
    FIND: {
        Qt.Key.Key_F3: "life",
        Qt.Key.Key_F4: "beside",
        Qt.Key.Key_F5: "more",
        Qt.Key.Key_F6: "trends",
        Qt.Key.Key_F7: "day",
        Qt.Key.Key_F8: "bundle",
        Qt.Key.Key_F9: "check",
        Qt.Key.Key_F11: "anew",
    },
    RUN: {
        Qt.Key.Key_F3: "life",
        Qt.Key.Key_F5: "boundary",
        Qt.Key.Key_F6: "papers",
        Qt.Key.Key_F7: "comment",
        Qt.Key.Key_F8: "countersign",
        Qt.Key.Key_F9: "reject",
        Qt.Key.Key_F11: "concede",
    },
    LIFE: {},
    BESIDE: {Qt.Key.Key_F8: "picture"},
    TRENDS: {
        Qt.Key.Key_F5: "rigs",
        Qt.Key.Key_F7: "table",
        Qt.Key.Key_F8: "chart",
    },
    TEXT: {Qt.Key.Key_F5: "rigs", Qt.Key.Key_F8: "save_text"},
    ANEW: {Qt.Key.Key_F5: "judge", Qt.Key.Key_F8: "keep"},
    PLANS: {Qt.Key.Key_F8: "approve"},
    RECALL: {
        Qt.Key.Key_F5: "look",
        Qt.Key.Key_F7: "customers",
        Qt.Key.Key_F8: "mark",
    },
}


_Saves = TypeVar(
    "_Saves", BesideView, TrendView, TextView, AnewView, PlansView, RecallView
)


class RecordsDesk(Desk):
    """Kept runs: found, looked at, and what is added to them.

    Args:
        theme: inks and fonts.
        model: what it knows.
    """

    def __init__(self, theme: Theme, model: RecordsModel) -> None:
        super().__init__()
        self.theme, self._model = theme, model
        self._presses = Presses(self, model)
        self._views: dict[str, QWidget] = {}
        self._head: tuple[str, str, str] = ("", "", "")
        self.pages = QStackedWidget()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.pages)
        self._made(FIND)
        for page in model.pages[1:]:  # made anew at another size
            self._made(page)
        self._bring()

    # --- the pages, each made when it is first wanted --------------------------------

    def _made(self, page: str) -> QWidget:
        if page not in self._views:
            view = getattr(self, f"_make_{page}")()
            self._views[page] = view
            self.pages.addWidget(view)
        return self._views[page]

    def _make_find(self) -> FindView:
        view = FindView(self.theme, self._model.find, self._model.saving)
        view.opened.connect(lambda: self._pressed("open"))
        view.keys.pressed.connect(self._pressed)
        return view

    def _make_run(self) -> ReviewView:
        view = ReviewView(self.theme, self._model.review)
        view.keys.pressed.connect(self._pressed)
        view.findings.opened.connect(lambda _: view.go_to_stretch())
        view.act.wanted.connect(self._model.act.do)
        view.act.typed.connect(self._model.act.type)
        view.act.left.connect(lambda: self.back())
        view.act.scanned.connect(self.scanned)
        return view

    def _make_life(self) -> LifeView:
        view = LifeView(self.theme, self._model.life)
        view.keys.pressed.connect(self._pressed)
        view.opened.connect(lambda: self._pressed("open_test"))
        return view

    def _make_beside(self) -> BesideView:
        view = BesideView(self.theme, self._model.beside, self._model.saving)
        return self._with_keys(view)

    def _make_trends(self) -> TrendView:
        view = TrendView(self.theme, self._model.trends, self._model.saving)
        return self._with_keys(view)

    def _make_text(self) -> TextView:
        view = TextView(self.theme, self._model.text, self._model.saving)
        return self._with_keys(view)

    def _make_anew(self) -> AnewView:
        view = AnewView(self.theme, self._model.anew)
        return self._with_keys(view)

    def _make_plans(self) -> PlansView:
        view = PlansView(self.theme, self._model.plans)
        return self._with_keys(view)

    def _make_recall(self) -> RecallView:
        view = RecallView(self.theme, self._model.recall, self._model.saving)
        return self._with_keys(view)

    def _with_keys(self, view: _Saves) -> _Saves:
        view.keys.pressed.connect(self._pressed)
        view.scanned.connect(self.scanned)
        return view

    @property
    def finder(self) -> FindView:
        """The page where runs are found."""
        view = self._views[FIND]
        assert isinstance(view, FindView)
        return view

    @property
    def review(self) -> ReviewView:
        """The page of one run."""
        view = self._made(RUN)
        assert isinstance(view, ReviewView)
        return view

    @property
    def life(self) -> LifeView:
        """The page of a regulator's life."""
        view = self._made(LIFE)
        assert isinstance(view, LifeView)
        return view

    @property
    def beside(self) -> BesideView:
        """The page of several runs."""
        view = self._made(BESIDE)
        assert isinstance(view, BesideView)
        return view

    @property
    def trends(self) -> TrendView:
        """The page of trends."""
        view = self._made(TRENDS)
        assert isinstance(view, TrendView)
        return view

    @property
    def text(self) -> TextView:
        """The page of text."""
        view = self._made(TEXT)
        assert isinstance(view, TextView)
        return view

    @property
    def anew(self) -> AnewView:
        """The page where runs are judged anew."""
        view = self._made(ANEW)
        assert isinstance(view, AnewView)
        return view

    @property
    def plans(self) -> PlansView:
        """The page of plans."""
        view = self._made(PLANS)
        assert isinstance(view, PlansView)
        return view

    @property
    def recall(self) -> RecallView:
        """The page of a recall."""
        view = self._made(RECALL)
        assert isinstance(view, RecallView)
        return view

    def go_to(self, page: str) -> None:
        """Bring a page into view; Esc leads back from it."""
        self._model.go_to(page)
        self._bring()

    def _bring(self) -> None:
        """Show the model's page, and give it the keys."""
        page = self._model.page
        self.pages.setCurrentWidget(self._made(page))
        part = self._model.part(page)
        part.changed = True
        self._show(page)
        self._focus()

    def focusInEvent(self, event: Any) -> None:  # noqa: N802
        """Hand the keys on to what takes them on the page in view."""
        self._focus()

    def _focus(self) -> None:
        page = self._model.page
        if page == FIND:
            self.finder.to_rows()
        elif page == RUN:
            self.review.to_keys()
        elif page == LIFE:
            self.life.table.setFocus()
        elif page == BESIDE:
            self.beside.plot.setFocus()
        elif page == TRENDS:
            self.trends.table.setFocus()
        elif page == TEXT:
            self.text.text.setFocus()
        elif page == ANEW:
            self.anew.table.setFocus()
        elif page == PLANS:
            self.plans.table.setFocus()
        elif page == RECALL:
            self.recall.of.setFocus()

    def _show(self, page: str) -> None:
        part = self._model.part(page)
        if part.changed:
            part.changed = False
            getattr(self, f"_show_{page}")()
            self._say_head()

    def _show_find(self) -> None:
        self.finder.show_page(self._model.find.page())

    def _show_run(self) -> None:
        self.review.show_page(self._model.review.page())

    def show_act(self) -> None:
        """Show what an act asks, in its place on the run's page."""
        self._show("act")

    def _show_act(self) -> None:
        page = self._model.act.page()
        self.review.show_act(page)
        self.review.keys.fill("" if page.id else "stretch")

    def _show_life(self) -> None:
        self.life.show_page(self._model.life.page())

    def _show_beside(self) -> None:
        self.beside.show_page(self._model.beside.page())

    def _show_trends(self) -> None:
        self.trends.show_page(self._model.trends.page())

    def _show_text(self) -> None:
        self.text.show_page(self._model.text.page())

    def _show_anew(self) -> None:
        self.anew.show_page(self._model.anew.page())

    def _show_plans(self) -> None:
        self.plans.show_page(self._model.plans.page())

    def _show_recall(self) -> None:
        self.recall.show_page(self._model.recall.page())

    def _show_saving(self) -> None:
        for page in (FIND, BESIDE, TRENDS, TEXT, RECALL):
            view = self._views.get(page)
            if isinstance(
                view, FindView | BesideView | TrendView | TextView | RecallView
            ):
                view.saving.show_saving()

    # --- what the window asks --------------------------------------------------------

    @property
    def head_lines(self) -> tuple[str, str]:
        """The archive that is looked into, or the run."""
        return self._head[0], self._head[1]

    @property
    def band(self) -> str:
        """Whether what is looked at was made by a simulated rig."""
        return self._head[2]

    def _say_head(self) -> None:
        model = self._model
        head = (said("head"), model.shelf.shown, "")
        if model.page == RUN:
            run = model.review.page()
            head = (run.head, run.second, run.band)
        elif model.page == LIFE:
            life = model.life.page()
            head = (life.head, life.second, life.band)
        elif model.page == BESIDE:
            head = (model.beside.page().head, "", model.beside.page().band)
        elif model.page == TRENDS:
            trends = model.trends.page()
            head = (trends.head, trends.second, trends.band)
        elif model.page == TEXT:
            text = model.text.page()
            head = (text.head, text.second, text.band)
        elif model.page == ANEW:
            anew = model.anew.page()
            head = (anew.head, anew.second, anew.band)
        elif model.page == PLANS:
            plans = model.plans.page()
            head = (plans.head, plans.second, "")
        elif model.page == RECALL:
            recall = model.recall.page()
            head = (recall.head, recall.second, recall.band)
        if head != self._head:
            self._head = head
            self.head_changed.emit()

    def come_into_view(self) -> None:
        """Look for runs at once; keys go to the rows."""
        self._model.find.come_into_view()
        self._focus()
        self.beat()

    def beat(self) -> None:
        """Take what came, and show it."""
        self._model.take()
        self._show(self._model.page)
        if self._model.page == RUN:
            self._show("act")
        self._show("saving")

    def scanned(self, label: str) -> None:
        """Find the runs of the regulator whose label was scanned."""
        self._model.act.leave()
        del self._model.pages[1:]
        self._bring()
        self.finder.scanned(label)

    def entered(self) -> None:
        """Do what the filled key does."""
        if self._model.page == FIND:
            self._pressed("open")
        elif self._model.page == RUN and not self._model.act.opened:
            self.review.go_to_stretch()
        elif self._model.page == LIFE:
            self._pressed("open_test")
        elif self._model.page == BESIDE:
            self._pressed("picture")
        elif self._model.page == TEXT:
            self._pressed("save_text")
        elif self._model.page == ANEW:
            self._pressed("keep" if self._model.anew.page().may_keep else "judge")
        elif self._model.page == PLANS:
            self._pressed("approve")
        elif self._model.page == RECALL:
            self._pressed("mark" if self._model.recall.page().may_mark else "look")

    def back(self) -> bool:
        """Leave what is open on a page, else the page."""
        if self._model.page == RUN and self._model.act.leave():
            self._show("act")
            return True
        view = self._views[self._model.page]
        leave: Callable[[], bool] = getattr(view, "back", lambda: False)
        if leave():
            return True
        if self._model.back():
            self._bring()
            return True
        return False

    # --- presses ---------------------------------------------------------------------

    def _pressed(self, id: str) -> None:
        self._presses.press(id)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Take this desk's own keys; leave the others to the window."""
        page = self._model.page
        press = _KEYS[page].get(Qt.Key(event.key()), "")
        if press and not event.isAutoRepeat():
            self._pressed(press)
        elif page == FIND and self.finder.takes(event):
            return
        elif page == RUN and self.review.takes(event):
            return
        elif page == BESIDE and self.beside.takes(event):
            return
        elif page == TEXT and self.text.takes(event):
            return
        else:
            event.ignore()
