"""Pages of text: a day's end, and what a check of the whole archive found. No Qt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from proofstand.keeping.checked import check_archive
from proofstand.keeping.checked_told import checked_lines
from proofstand.keeping.day import day_page
from proofstand.keeping.day_told import day_lines
from proofstand.keeping.home import settle_if_possible
from proofstand.keeping.shown import rejected_runs
from proofstand.signoff.heads import known_places
from records.errors import ProofstandError

from ..background import Background, Handle
from ..bench_desk.screen import Strip
from .saving import Make, written
from .shelf import Shelf
from .wording import said, told

DAY, CHECK = "day", "check"
_MOST_TOLD = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class TextPage:
    """A page of lines; one that begins with no blank is a heading or a line alone."""

    id: str = DAY
    head: str = ""
    second: str = ""
    band: str = ""
    said: str = ""
    strip: Strip | None = None
    lines: tuple[str, ...] = ()


class TellPresenter:
    """Holds the day that is looked at, or what a check found.

    Args:
        shelf: the archive.
    """

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._work = Background()
        self._id = DAY
        self.day = date.today()
        self._simulated = False
        self._lines: tuple[str, ...] = ()
        self._so_far = ""
        self._error: Strip | None = None
        self.changed = True

    def open_day(self, *, simulated: bool) -> None:
        """Look at today."""
        self._id, self.day, self._simulated = DAY, date.today(), simulated
        self._read_day()

    def turn(self, by: int) -> None:
        """Look at another day, so many later; below 0 earlier."""
        if self._id != DAY:
            return
        try:
            self.day += timedelta(days=by)
        except OverflowError:
            return
        self._read_day()

    def other_rigs(self) -> None:
        """Count runs of simulated rigs instead of real ones, or back."""
        if self._id == DAY:
            self._simulated = not self._simulated
            self._read_day()

    def _read_day(self) -> None:
        day, simulated = self.day, self._simulated

        def work(handle: Handle) -> tuple[str, ...]:
            with self._shelf.index() as index:
                archive = self._shelf.home.archive
                page = day_page(index, archive, day, simulated=simulated)
                rejected = rejected_runs(index)
            return tuple(day_lines(page, rejected, simulated=simulated))

        self._begin("")
        self._work.run(work, self._came, self._failed)

    def open_check(self) -> None:
        """Check every byte of the archive."""
        self._id = CHECK

        def work(handle: Handle) -> tuple[str, ...]:
            archive = self._shelf.home.archive
            archive.head()
            settle_if_possible(archive)
            own = [] if self._shelf.key is None else [self._shelf.key]
            if not own and self._shelf.folder is None:
                own = list(known_places())

            def so_far(done: int, of: int) -> None:
                handle.look()
                handle.tell((done, of))

            checked = check_archive(archive, own, told=so_far)
            lines = checked_lines(checked, told=_MOST_TOLD)
            for each in checked.troubles[:_MOST_TOLD]:
                what, do = told(each)
                lines += ["", what, f"  {do}"]
            return tuple(lines)

        self._begin(said("checking"))
        self._work.run(work, self._came, self._failed, self._count)

    def _begin(self, words: str) -> None:
        self._lines, self._error = (), None
        self._so_far = words or said("looking")
        self.changed = True

    def _count(self, so_far: tuple[int, int]) -> None:
        self._so_far = said("checked_so_far", done=so_far[0], of=so_far[1])
        self.changed = True

    def _came(self, lines: tuple[str, ...]) -> None:
        self._lines, self._so_far, self.changed = lines, "", True

    def _failed(self, error: ProofstandError) -> None:
        what, do = told(error)
        self._error, self._so_far, self.changed = Strip(what=what, do=do), "", True

    def text(self) -> Make | None:
        """Return what writes the page as text, or None without one."""
        if not self._lines:
            return None
        stem = f"day-{self.day}" if self._id == DAY else "archive-check"
        data = ("\n".join(self._lines) + "\n").encode("utf-8")
        return written(stem, [(".txt", lambda: data)])

    def page(self) -> TextPage:
        """Return what is to be shown now."""
        band = said("simulated_band") if self._id == DAY and self._simulated else ""
        return TextPage(
            id=self._id,
            head=said("text_head", self._id),
            second=str(self.day) if self._id == DAY else self._shelf.shown,
            band=band,
            said=self._so_far,
            strip=self._error,
            lines=self._lines,
        )

    @property
    def busy(self) -> bool:
        """Something is being read."""
        return self._work.busy

    def take(self) -> None:
        """Take what came."""
        self.changed = self._work.take() or self.changed

    def let_go(self) -> None:
        """Want nothing any more."""
        self._work.let_go()

    def wait(self) -> None:
        """Let nothing outlive the window."""
        self._work.wait()
