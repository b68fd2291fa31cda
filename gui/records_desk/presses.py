"""What each key of the Records desk does, by its id in the words."""

from __future__ import annotations

from typing import Protocol

from records.archive.found import RunFound

from ..bench_desk.picture_file import picture_bytes
from ..theme import Theme
from .acts import BOUNDARY, COMMENT, CONCEDE, COUNTERSIGN, REJECT
from .anew_view import AnewView
from .beside_view import BesideView
from .find_view import FindView
from .model import ANEW, BESIDE, LIFE, PLANS, RECALL, RUN, TEXT, TRENDS, RecordsModel
from .plans_view import PlansView
from .recall_view import RecallView
from .review_view import ReviewView
from .saving import bundles, written


class Pages(Protocol):
    """What a press needs of the desk: its pages, and ways between them."""

    @property
    def theme(self) -> Theme:
        """Inks and fonts."""

    @property
    def finder(self) -> FindView:
        """The page where runs are found."""

    @property
    def review(self) -> ReviewView:
        """The page of one run."""

    @property
    def beside(self) -> BesideView:
        """The page of several runs."""

    @property
    def anew(self) -> AnewView:
        """The page where runs are judged anew."""

    @property
    def plans(self) -> PlansView:
        """The page of plans."""

    @property
    def recall(self) -> RecallView:
        """The page of a recall."""

    def go_to(self, page: str) -> None:
        """Bring a page into view."""

    def show_act(self) -> None:
        """Show what an act asks."""

    def back(self) -> bool:
        """Go back."""


class Presses:
    """What can be pressed.

    Args:
        desk: shows the pages.
        model: what the desk knows.
    """

    def __init__(self, desk: Pages, model: RecordsModel) -> None:
        self._desk, self._model = desk, model

    def press(self, id: str) -> None:
        """Do what a key says, by its id."""
        getattr(self, id)()

    def back(self) -> None:
        """Go back one page, or leave what is open on it."""
        self._desk.back()

    def open(self) -> None:
        """Open the run that is chosen."""
        run = self._model.find.chosen
        if run is not None:
            self._open(run)

    def _open(self, run: RunFound) -> None:
        self._model.act.leave()  # it is of the run that was open before
        self._model.review.open(run)
        self._desk.go_to(RUN)

    def stretch(self) -> None:
        """Show the stretch that the finding was read from."""
        self._desk.review.go_to_stretch()

    def whole(self) -> None:
        """Show the whole run."""
        self._desk.review.whole()

    def cursors(self) -> None:
        """Show two cursors, or none."""
        self._desk.review.cursors()

    def papers(self) -> None:
        """Show judgements and papers, or the finding."""
        self._desk.review.other_side()

    def life(self) -> None:
        """Show the life of the run's regulator."""
        on_run = self._model.page == RUN
        opened = self._model.review.reviewed if on_run else None
        run = self._model.find.chosen if opened is None else opened.found
        if run is not None:
            self._model.life.open(run)
            self._desk.go_to(LIFE)

    def open_test(self) -> None:
        """Open the run of the event that is chosen."""
        run = self._model.life.chosen
        if run is not None:
            self._open(run)

    def beside(self) -> None:
        """Show the marked runs side by side."""
        marked = self._model.find.marked
        if len(marked) > 1:
            self._model.beside.open(marked)
            self._desk.go_to(BESIDE)

    @property
    def _simulated(self) -> bool:
        """What is looked at now was made by a simulated rig."""
        run = self._model.find.chosen
        return run is not None and run.simulated

    def trends(self) -> None:
        """Show trends over what the fields ask for."""
        self._model.trends.open(self._model.find.asked, simulated=self._simulated)
        self._desk.go_to(TRENDS)

    def day(self) -> None:
        """Show the page of today."""
        self._model.text.open_day(simulated=self._simulated)
        self._desk.go_to(TEXT)

    def check(self) -> None:
        """Check the whole archive."""
        self._model.text.open_check()
        self._desk.go_to(TEXT)

    def anew(self) -> None:
        """Judge anew what is marked, else all that the fields ask for."""
        find = self._model.find
        self._model.anew.open(find.asked, find.marked)
        self._desk.go_to(ANEW)

    def plans(self) -> None:
        """Look at the plans, and at what approves them."""
        self._model.plans.open()
        self._desk.go_to(PLANS)

    def approve(self) -> None:
        """Approve the plan whose page is shown."""
        self._desk.plans.approve()

    def recall(self) -> None:
        """Ask what leans on a calibration that was wrong."""
        self._model.recall.open(simulated=self._simulated)
        self._desk.go_to(RECALL)

    def look(self) -> None:
        """Look what leans on it."""
        self._desk.recall.look()

    def mark(self) -> None:
        """Put papers under review."""
        self._desk.recall.mark()

    def customers(self) -> None:
        """Save whom to tell."""
        make = self._model.recall.customers()
        if make is not None:
            self._model.saving.save(make)

    def judge(self) -> None:
        """Judge the runs anew."""
        self._model.anew.judge()

    def keep(self) -> None:
        """Keep what came out another."""
        self._desk.anew.keep()

    def bundle(self) -> None:
        """Save a bundle of what is marked, or chosen."""
        chosen = self._model.find.chosen
        runs = self._model.find.marked or ((chosen,) if chosen is not None else ())
        if runs:
            self._model.saving.save(bundles(self._model.shelf, runs))

    def rigs(self) -> None:
        """Look at simulated rigs instead of real ones, or back."""
        if self._model.page == TRENDS:
            self._model.trends.other_rigs()
        else:
            self._model.text.other_rigs()

    def table(self) -> None:
        """Save the table of a trend."""
        if self._model.trends.may_table:
            self._model.saving.save(self._model.trends.table())

    def chart(self) -> None:
        """Save the chart of a trend."""
        make = self._model.trends.chart()
        if make is not None:
            self._model.saving.save(make)

    def save_text(self) -> None:
        """Save the page of text."""
        make = self._model.text.text()
        if make is not None:
            self._model.saving.save(make)

    def earlier(self) -> None:
        """Show the day before."""
        self._model.text.turn(-1)

    def later(self) -> None:
        """Show the day after."""
        self._model.text.turn(1)

    def picture(self) -> None:
        """Save the picture of runs side by side."""
        page = self._model.beside.page()
        if not page.lines:
            return
        head = [page.head, page.band, *(each.name for each in page.lines)]
        files = picture_bytes(
            self._desk.beside.plot, self._desk.theme, [h for h in head if h]
        )
        self._model.saving.save(
            written(
                "side-by-side",
                [(".png", lambda: files[0]), (".svg", lambda: files[1])],
            )
        )

    def _act(self, id: str) -> None:
        review = self._model.review
        if review.reviewed is not None:
            bench = review.bench
            cursors = None if bench is None else bench.cursor_times
            self._model.act.open(id, review.reviewed, review.finding, cursors)
            self._desk.show_act()

    def comment(self) -> None:
        """Ask for a remark."""
        self._act(COMMENT)

    def countersign(self) -> None:
        """Ask for the second signature."""
        self._act(COUNTERSIGN)

    def reject(self) -> None:
        """Ask for a rejection."""
        self._act(REJECT)

    def boundary(self) -> None:
        """Ask from when to when a step is to be read."""
        self._act(BOUNDARY)

    def concede(self) -> None:
        """Ask for a concession."""
        self._act(CONCEDE)

    def more(self) -> None:
        """Show more fields, or fewer."""
        self._desk.finder.more()

    def before(self) -> None:
        """Go to the page before."""
        self._model.find.turn(-1)

    def after(self) -> None:
        """Go to the next page."""
        self._model.find.turn(1)
