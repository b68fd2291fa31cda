"""A regulator's life as rows, the newest first. Knows no Qt."""

from __future__ import annotations

from dataclasses import dataclass

from proofstand.display import plain
from proofstand.keeping.life import Event, Happened, Life, life_of
from records.archive.found import NOT_JUDGED, RunFound
from records.errors import ProofstandError

from ..background import Background, Handle
from ..bench_desk.screen import Strip
from .shelf import Shelf
from .wording import known, moment, said, told

COLUMNS = ("when", "happened", "words", "by", "job")
SHARES = (23, 20, 45, 18, 14)


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeRow:
    """One event: a text for each column, and the verdict of a test for its sign."""

    cells: tuple[str, ...]
    verdict: str = ""
    opens: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LifePage:
    """What the desk shows of a life."""

    head: str = ""
    second: str = ""
    band: str = ""
    said: tuple[str, ...] = ()
    strip: Strip | None = None
    rows: tuple[LifeRow, ...] = ()
    chosen: int = 0


class LifePresenter:
    """Holds the regulator whose life is looked at.

    Args:
        shelf: the archive that its runs are kept in.
    """

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._work = Background()
        self._of: RunFound | None = None
        self._life: Life | None = None
        self._error: Strip | None = None
        self._chosen = 0
        self.changed = True

    def open(self, run: RunFound) -> None:
        """Look for everything that is kept of a run's regulator."""
        self._of, self._life, self._error, self._chosen = run, None, None, 0
        self._work.run(self._read, self._found, self._failed)
        self.changed = True

    def _read(self, handle: Handle) -> Life:
        assert self._of is not None
        of = self._of
        with self._shelf.index() as index:
            return life_of(index, self._shelf.home.archive, of.serial, of.model)

    def _found(self, life: Life) -> None:
        self._life = life
        self.changed = True

    def _failed(self, error: ProofstandError) -> None:
        what, do = told(error)
        self._error = Strip(what=what, do=do)
        self.changed = True

    def choose(self, number: int) -> None:
        """Take which event is chosen."""
        self._chosen = number

    @property
    def chosen(self) -> RunFound | None:
        """The run that the chosen event belongs to, or None."""
        events = () if self._life is None else self._life.events
        return events[self._chosen].run if self._chosen < len(events) else None

    def page(self) -> LifePage:
        """Return what is to be shown now."""
        of, life = self._of, self._life
        if of is None:
            return LifePage()
        head = "   ".join(plain(p) for p in (of.serial, of.model, of.gas) if p)
        if life is None:
            words = () if self._error is not None else (said("looking"),)
            return LifePage(head=head, said=words, strip=self._error)
        strip = None
        if life.unread:
            what, do = told(life.unread[0])
            if len(life.unread) > 1:
                what = said("troubles", first=what, n=len(life.unread) - 1)
            strip = Strip(what=what, do=do)
        tests = sum(bool(event.verdict) for event in life.events)
        return LifePage(
            head=head,
            second=said("life_of", tests=tests, events=len(life.events)),
            band=said("simulated_band") if _only_simulated(life) else "",
            strip=strip,
            rows=tuple(_row(event) for event in life.events),
            chosen=self._chosen,
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


def _only_simulated(life: Life) -> bool:
    runs = [event.run for event in life.events if event.run is not None]
    return bool(runs) and all(run.simulated for run in runs)


def _row(event: Event) -> LifeRow:
    when = moment(event.utc_ns)
    words = event.words
    happened = said("happened", event.what.name.lower())
    if event.what is Happened.PAPER and known("happened_paper", event.paper):
        happened = said("happened_paper", event.paper)
    run = event.run
    if run is not None and event.verdict:
        words = said("by_plan", plan=run.plan, version=run.plan_version)
        if run.simulated:
            words = f"{words}, {said('state', 'simulated')}"
    judged = event.verdict if event.verdict != NOT_JUDGED else ""
    if event.verdict:
        happened = f"{happened}: {event.verdict}"
    return LifeRow(
        cells=(
            when.split(" ", 1)[0] if event.day_only else when,
            happened,
            plain(words),
            plain(event.by),
            plain(event.job),
        ),
        verdict=judged,
        opens=run is not None,
    )
