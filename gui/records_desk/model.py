"""What the Records desk knows; it outlives the widgets. Knows no Qt."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from proofstand.commands.window import WindowOptions

from .acts import ActPresenter
from .anew import AnewPresenter
from .besides import BesidePresenter
from .finding import FindPresenter
from .living import LifePresenter
from .plans import PlansPresenter
from .recalling import RecallPresenter
from .reviewing import ReviewPresenter
from .saving import Saving
from .shelf import Shelf
from .telling import TellPresenter
from .trends import TrendPresenter

FIND, RUN, LIFE = "find", "run", "life"
BESIDE, TRENDS, TEXT, ANEW = "beside", "trends", "text", "anew"
PLANS, RECALL = "plans", "recall"


class Part(Protocol):
    """What one page knows, and does beside the window.

    Attributes:
        changed: something is to be shown anew.
    """

    changed: bool

    @property
    def busy(self) -> bool:
        """Something is at work."""

    def take(self) -> None:
        """Take what came since."""

    def let_go(self) -> None:
        """Want nothing any more of what is on."""

    def wait(self) -> None:
        """Let nothing outlive the window."""


class RecordsModel:
    """The archive that is looked into, and each page's presenter.

    Args:
        options: what the window was opened with.

    Attributes:
        pages: the pages that led here, the one in view last.
        find: finds runs. review: looks at one. act: adds to it. life: a regulator's.
        beside: runs on one picture. trends: over many. text: a day, a check.
        anew: judges runs anew. plans: shows and approves them.
        recall: what leans on a calibration that was wrong.
        saving: writes files.
    """

    def __init__(self, options: WindowOptions) -> None:
        self.shelf = Shelf(options.archive, options.index, options.key)
        self.pages: list[str] = [FIND]
        self.find = FindPresenter(self.shelf)
        self.review = ReviewPresenter(self.shelf)
        self.act = ActPresenter(self.shelf, self._added)
        self.life = LifePresenter(self.shelf)
        self.beside = BesidePresenter(self.shelf)
        self.trends = TrendPresenter(self.shelf)
        self.text = TellPresenter(self.shelf)
        self.anew = AnewPresenter(self.shelf)
        self.plans = PlansPresenter(self.shelf)
        self.recall = RecallPresenter(self.shelf)
        self.saving = Saving(self.shelf, _folder(options))
        self._parts: dict[str, Part] = {
            FIND: self.find,
            RUN: self.review,
            "act": self.act,
            LIFE: self.life,
            BESIDE: self.beside,
            TRENDS: self.trends,
            TEXT: self.text,
            ANEW: self.anew,
            PLANS: self.plans,
            RECALL: self.recall,
            "saving": self.saving,
        }

    def _added(self) -> None:
        """Something was added to the run that is open: read it again."""
        self.review.again()
        self.find.state_changed()

    @property
    def page(self) -> str:
        """The page in view."""
        return self.pages[-1]

    def part(self, page: str) -> Part:
        """Return what a page knows."""
        return self._parts[page]

    def go_to(self, page: str) -> None:
        """Bring a page into view; Esc leads back to this one."""
        if page in self.pages:
            del self.pages[self.pages.index(page) :]
        self.pages.append(page)

    def back(self) -> bool:
        """Go back to the page that led here; return whether there was one."""
        if len(self.pages) == 1:
            return False
        self._parts[self.pages.pop()].let_go()  # nobody waits for it any more
        return True

    @property
    def busy(self) -> bool:
        """Something is at work beside the window."""
        return any(part.busy for part in self._parts.values())

    def take(self) -> None:
        """Take what came since."""
        for part in self._parts.values():
            part.take()

    def let_go(self) -> None:
        """Want nothing any more of what is on."""
        for part in self._parts.values():
            part.let_go()

    def wait(self) -> None:
        """Let nothing of it outlive the window."""
        for part in self._parts.values():
            part.wait()
        self.shelf.close()


def _folder(options: WindowOptions) -> Path:
    """Return where files go at first: beside the runs that are made, else here."""
    try:
        return Path(options.out).parent.absolute() if options.out else Path.cwd()
    except OSError:  # the folder that it was started in is gone
        return Path.home()
