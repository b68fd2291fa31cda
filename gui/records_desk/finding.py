"""Finding runs: what is typed, the page that answers it, what is chosen. Knows no Qt.

Nothing is asked in the window's own thread; what came is taken on its beat.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from proofstand.keeping.glance import glance
from records.archive.found import RunFound
from records.errors import ProofstandError

from ..background import Background, Handle
from ..bench_desk.screen import Strip
from .fields import FIELDS, WrongText, query_of, scanned_serials, wrong
from .rows import RunRow, rows_of
from .shelf import Shelf
from .wording import said, told

LEAST_ROWS = 4
MOST_MARKED = 5  # as many as one picture can tell apart
_NO_ARCHIVE = "archive_missing"


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundPage:
    """What the desk shows of the runs that were found.

    Attributes:
        rows: of this page. chosen: number of the row that is chosen.
        marked: ids of the runs that are marked, in the order in which they were.
        foot: which page this is, and what is marked. said: in the rows' place.
        before, after: there is a page to turn to.
        looking: an answer is waited for.
    """

    rows: tuple[RunRow, ...] = ()
    chosen: int = 0
    marked: tuple[str, ...] = ()
    foot: str = ""
    said: tuple[str, ...] = ()
    strip: Strip | None = None
    before: bool = False
    after: bool = False
    looking: bool = False


@dataclass(frozen=True, slots=True)
class _Answer:
    rows: tuple[RunRow, ...]
    next: str
    serial: str | None = None


class FindPresenter:
    """Holds what was typed and found.

    Args:
        shelf: the archive that is looked into.
    """

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._asking, self._glancing = Background(), Background()
        self.typed: dict[str, str] = dict.fromkeys(FIELDS, "")
        self.notes: dict[str, str] = {}
        self._asked: dict[str, str] = {}
        self._most = 0
        self._places: list[str] = [""]  # behind which each page so far begins
        self._wanted: list[str] = [""]
        self._found: _Answer | None = None
        self._chosen = 0
        self._marked: dict[str, RunFound] = {}
        self._said: tuple[str, ...] = ()
        self._strip: Strip | None = None
        self._seen: Strip | None = None
        self._note = ""
        self._glanced = False
        self._lines = 0
        self.changed = True

    # --- what is typed ---------------------------------------------------------------

    def type(self, name: str, text: str) -> None:
        """Take what stands in a field now, and say what is wrong with it."""
        self.typed[name] = text
        self.notes = {
            each: note for each in FIELDS if (note := wrong(each, self.typed))
        }

    def clear(self) -> bool:
        """Empty all fields; return whether there was anything in them."""
        had = any(text.strip() for text in self.typed.values())
        self.typed = dict.fromkeys(FIELDS, "")
        self.notes = {}
        return had

    def find(self) -> bool:
        """Look for the runs that the fields ask for; return whether they can be."""
        try:
            query_of(self.typed)
        except WrongText:
            return False
        if self.notes:
            return False
        self._asked = dict(self.typed)
        self._ask([""])
        return True

    def scanned(self, label: str) -> None:
        """Look for the runs of the regulator whose label was scanned."""
        self.clear()
        self._ask([""], label=label)

    # --- pages -----------------------------------------------------------------------

    def fit(self, rows: int) -> None:
        """Take how many rows there is room for; the first time, look for them."""
        rows = max(rows, LEAST_ROWS)
        if rows != self._most:
            first = self._most == 0
            self._most = rows
            if first or self._found is not None:
                self._ask([""] if first else list(self._places))

    def come_into_view(self) -> None:
        """Look again: runs may have been kept meanwhile."""
        self._glanced = False
        if self._most:
            self._ask(list(self._places))

    def turn(self, by: int) -> None:
        """Go to the next page, 1, or to the one before, -1."""
        if self._found is None or self._asking.busy:
            return
        if by > 0:
            if self._found.next:
                self._ask([*self._places, self._found.next])
            else:
                self._note = said("last_page")
        elif len(self._places) > 1:
            self._ask(self._places[:-1])
        else:
            self._note = said("first_page")
        self.changed = True

    def _ask(self, places: list[str], label: str = "") -> None:
        most, asked = self._most or LEAST_ROWS, dict(self._asked)
        self._wanted = places

        def work(handle: Handle) -> _Answer:
            def read(lines: int) -> None:
                handle.look()
                handle.tell(lines)

            with self._shelf.index(read) as index:
                archive = self._shelf.home.archive
                serial = None
                if label:
                    asked.update(dict.fromkeys(FIELDS, ""))
                    options = scanned_serials(label)
                    serial = next(
                        (s for s in options if index.by_serial(s)), options[0]
                    )
                    asked["serial"] = serial
                query = query_of(asked, most=most, after=places[-1])
                page = index.page(query)
                handle.look()
                rows = rows_of(index, archive, page.runs)
                return _Answer(rows, page.next, serial)

        self._note, self._lines = "", 0
        self._asking.run(work, self._answered, self._failed, self._read)
        self.changed = True

    def _read(self, lines: int) -> None:
        """Take how much of the chain was read: the first time takes a while."""
        self._lines, self.changed = lines, True

    def _answered(self, answer: _Answer) -> None:
        if answer.serial is not None:
            self.clear()
            self.typed["serial"] = answer.serial
            self._asked = dict(self.typed)
            models = {row.run.model for row in answer.rows}
            if len(models) == 1:
                self.typed["model"] = models.pop()
        turned = self._wanted != self._places
        self._places, self._found = self._wanted, answer
        self._strip = None
        self._chosen = 0 if turned else min(self._chosen, max(len(answer.rows) - 1, 0))
        self._said = () if answer.rows else (self._nothing, said("nothing_do"))
        self.changed = True
        if not self._glanced:
            self._glanced = True
            self._glancing.run(self._glance, self._saw, self._saw_failed)

    @property
    def _nothing(self) -> str:
        if len(self._places) > 1:
            return said("nothing_more")
        typed = any(text.strip() for text in self._asked.values())
        return said("nothing" if typed else "nothing_kept")

    def _failed(self, error: ProofstandError) -> None:
        self._found = None
        what, do = told(error)
        if error.id == _NO_ARCHIVE:
            self._said = (said("no_archive"), what, said("no_archive_do"))
            self._strip = None
        else:
            self._said, self._strip = (), Strip(what=what, do=do)
        self.changed = True

    def _glance(self, handle: Handle) -> tuple[ProofstandError, ...]:
        return glance(self._shelf.home.archive, handle.look) or ()

    def _saw(self, found: tuple[ProofstandError, ...]) -> None:
        self._seen = None
        if found:
            what, do = told(found[0])
            if len(found) > 1:
                what = said("troubles", first=what, n=len(found) - 1)
            self._seen = Strip(what=what, do=f"{do} {said('check')}")
        self.changed = True

    def _saw_failed(self, error: ProofstandError) -> None:
        what, do = told(error)
        self._seen = Strip(what=what, do=do)
        self.changed = True

    # --- what is chosen --------------------------------------------------------------

    def choose(self, number: int) -> None:
        """Take which row is chosen."""
        if number != self._chosen:
            self._chosen = number
            self.changed = True

    @property
    def chosen(self) -> RunFound | None:
        """The run that is chosen, or None."""
        rows = () if self._found is None else self._found.rows
        return rows[self._chosen].run if self._chosen < len(rows) else None

    def mark(self) -> None:
        """Mark the run that is chosen, or no more."""
        run = self.chosen
        if run is None:
            return
        if run.run in self._marked:
            del self._marked[run.run]
        elif len(self._marked) == MOST_MARKED:
            self._note = said("marked_full", most=MOST_MARKED)
        else:
            self._marked[run.run] = run
        self.changed = True

    @property
    def marked(self) -> tuple[RunFound, ...]:
        """The runs that are marked, in the order in which they were."""
        return tuple(self._marked.values())

    def unmark(self) -> bool:
        """Mark none; return whether any was."""
        had = bool(self._marked)
        self._marked = {}
        self.changed = self.changed or had
        return had

    @property
    def asked(self) -> Mapping[str, str]:
        """What the page answers, by field."""
        return self._asked

    # --- what is shown ---------------------------------------------------------------

    def page(self) -> FoundPage:
        """Return what is to be shown now."""
        found = self._found
        rows = () if found is None else found.rows
        looking = self._asking.busy and found is None and not self._said
        return FoundPage(
            rows=rows,
            chosen=self._chosen,
            marked=tuple(self._marked),
            foot=self._foot(rows),
            said=(self._looking,) if looking else self._said,
            strip=self._strip or self._seen,
            before=len(self._places) > 1,
            after=found is not None and bool(found.next),
            looking=looking,
        )

    @property
    def _looking(self) -> str:
        return said("indexing", n=self._lines) if self._lines else said("looking")

    def _foot(self, rows: tuple[RunRow, ...]) -> str:
        parts = []
        if rows:
            parts.append(said("page", n=len(self._places), runs=len(rows)))
        if self._marked:
            parts.append(said("marked", n=len(self._marked)))
        if self._note:
            parts.append(self._note)
        return "   ".join(parts)

    def state_changed(self) -> None:
        """Take that something was added to a run: its row has to be read again."""
        if self._found is not None:
            self._ask(list(self._places))

    # --- beside the window -----------------------------------------------------------

    @property
    def busy(self) -> bool:
        """Something is being asked."""
        return self._asking.busy or self._glancing.busy

    def take(self) -> None:
        """Take what came."""
        for work in (self._asking, self._glancing):
            self.changed = work.take() or self.changed

    def let_go(self) -> None:
        """Want nothing any more."""
        self._asking.let_go()
        self._glancing.let_go()

    def wait(self) -> None:
        """Let nothing outlive the window."""
        self._asking.wait()
        self._glancing.wait()
