"""Runs judged anew: what would come out another, then kept beside the old. Knows no Qt.

Nothing is written before somebody keeps it. What is at work is let go when the page is
left; what it found until then is known the next time.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from proofstand.display import plain
from proofstand.keeping.acting import Place, asks_pin, keep_judged
from proofstand.keeping.anew import Asked, Rejudged, Task
from proofstand.keeping.rejudge import ByRule, ByVersion, Done, by_version
from proofstand.keeping.rejudging import rejudged_tasks, tasks_of
from proofstand.keeping.unfinished import Unfinished
from proofstand.keeping.workers import workers_for
from records.archive.found import MOST, RunFound
from records.errors import ProofstandError
from records.plan import RuleName

from ..background import Background, Handle
from ..bench_desk.scales import span_words
from ..bench_desk.screen import Strip
from .acts import NAME, PIN
from .besides import Choice
from .fields import query_of
from .shelf import Shelf
from .wording import moment, said, told

OWN, VERSION = "own", "version"
RULES: tuple[RuleName, ...] = ("simple", "guarded", "conditional", "risk")


@dataclass(frozen=True, slots=True, kw_only=True)
class AnewRow:
    """One judgement: of what, what it was and is now, what else is told.

    Attributes:
        after: the new verdict, "" where it can't be told. turns: it is another.
    """

    tested: str
    serial: str
    model: str
    before: str
    after: str
    turns: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AnewPage:
    """What the desk shows.

    Attributes:
        by: what may be judged by. asks_plan: a plan file is asked for.
        rows: judgements that come out another, and runs that can't be judged.
        asks: fields that are asked before they are kept.
        may_judge, may_keep: that can be pressed.
    """

    head: str = ""
    second: str = ""
    band: str = ""
    by: Choice
    asks_plan: bool = False
    plan_note: str = ""
    said: str = ""
    strip: Strip | None = None
    rows: tuple[AnewRow, ...] = ()
    asks: tuple[str, ...] = ()
    came: str = ""
    wrong: bool = False
    may_judge: bool = False
    may_keep: bool = False
    at_work: bool = False


@dataclass(frozen=True, slots=True)
class _Far:
    """How far it got."""

    done: int
    of: int
    left_s: float | None


class AnewPresenter:
    """Holds the runs that are judged anew.

    Args:
        shelf: the archive that they are kept in.
    """

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._judging, self._keeping = Background(), Background()
        self._typed: Mapping[str, str] = {}
        self._runs: tuple[RunFound, ...] = ()
        self._by, self._plan = OWN, ""
        self._version: ByVersion | None = None
        self._plan_note = ""
        self._far: _Far | None = None
        self._judged: list[Rejudged] | None = None
        self._done: dict[int, Done] = {}
        self._error: Strip | None = None
        self._came, self._wrong, self._kept = "", False, False
        self._at_work = False
        self.changed = True

    # --- what is judged, and by what -------------------------------------------------

    def open(self, typed: Mapping[str, str], marked: Sequence[RunFound]) -> None:
        """Take the runs that are marked, else all that the fields ask for."""
        self._typed, self._runs = dict(typed), tuple(marked)
        self._forget()

    def choose(self, by: str) -> None:
        """Judge by another thing: their own plan, a version of it, a rule."""
        self._by = by
        self._forget()

    def type_plan(self, text: str) -> None:
        """Take the plan file that is typed."""
        self._plan = text
        self._forget()

    def _forget(self) -> None:
        self._judging.let_go()
        self._judged, self._far, self._error = None, None, None
        self._done, self._kept, self._at_work = {}, False, False
        self._came, self._wrong, self._plan_note = "", False, ""
        self.changed = True

    def judge(self) -> None:
        """Begin to judge; nothing is written."""
        if self._at_work or self._keeping.busy:
            return
        self._forget()
        try:
            self._version = by_version(self._plan.strip()) if self._asks_plan else None
        except ProofstandError as error:
            self._plan_note = " ".join(told(error))
            return
        plan_for = self._version
        rule = ByRule(self._by) if self._by in RULES else None
        typed, marked = dict(self._typed), self._runs
        chosen = plan_for if rule is None else rule
        question = "" if chosen is None else chosen.question

        def work(handle: Handle) -> list[Rejudged]:
            with self._shelf.index() as index:
                runs = list(marked or index.all_runs(query_of(typed, most=MOST)))
                tasks = list(tasks_of(index, runs))
                plans = tuple(each.path for each in index.entries(kind="plan"))
            folder = self._shelf.home.archive.folder
            asked = Asked(folder=folder, plans=plans, plan_for=chosen)
            return self._all_of(handle, asked, tasks, Unfinished(question))

        self._at_work = True
        self._judging.run(work, self._finished, self._failed, self._got_to)

    @staticmethod
    def _all_of(
        handle: Handle, asked: Asked, tasks: list[Task], unfinished: Unfinished
    ) -> list[Rejudged]:
        found: list[Rejudged] = []
        began, n = time.monotonic(), len(tasks)
        handle.tell(_Far(0, n, None))
        work = rejudged_tasks(asked, tasks, workers_for(n), unfinished)
        for done, (_, came) in enumerate(work, 1):
            handle.look()  # leaves the rest, and ends who works on it
            found += [replace(e, data=None) if e.same else e for e in came]
            worked = done - unfinished.taken_over
            left = None
            if worked > 0:
                left = (time.monotonic() - began) / worked * (n - done)
            handle.tell(_Far(done, n, left))
        unfinished.finished()
        return found

    def _got_to(self, far: _Far) -> None:
        self._far = far
        self.changed = True

    def _finished(self, judged: list[Rejudged]) -> None:
        self._judged, self._at_work = judged, False
        self.changed = True

    def _failed(self, error: ProofstandError) -> None:
        what, do = told(error)
        self._error, self._at_work = Strip(what=what, do=do), False
        self.changed = True

    # --- keeping ---------------------------------------------------------------------

    def keep(self, typed: Mapping[str, str]) -> None:
        """Keep each judgement that says another thing, under a name that counts."""
        judged = self._judged
        if judged is None or not self._may_keep:
            return
        for field in self._asks:
            if not typed.get(field, "").strip():
                self._came = said("act", "missing", field=said("asked", field))
                self._wrong = self.changed = True
                return
        place = Place(folder=self._shelf.folder, key=self._shelf.key)
        text = "" if self._version is None else self._version.text
        by, pin = typed[NAME], typed.get(PIN, "")

        def work(handle: Handle) -> list[Done]:
            # one is kept after the other, each whole; it is never cut off
            return list(
                keep_judged(place, judged, plan_text=text, by=by, ask=lambda _: pin)
            )

        self._came, self._wrong = said("act", "doing"), False
        self._keeping.run(work, self._were_kept, self._refused)
        self.changed = True

    def _were_kept(self, done: list[Done]) -> None:
        self._done = dict(enumerate(done))
        self._kept = True
        kept = sum(each.place is not None for each in done)
        refused = sum(each.refused is not None for each in done)
        which = "kept_some" if refused else "kept_all"
        self._came = said("anew", which, kept=kept, refused=refused)
        self._wrong = bool(refused)
        self.changed = True

    def _refused(self, error: ProofstandError) -> None:
        self._came, self._wrong = " ".join(told(error)), True
        self.changed = True

    # --- what is shown ---------------------------------------------------------------

    @property
    def _asks_plan(self) -> bool:
        return self._by == VERSION

    @property
    def _may_keep(self) -> bool:
        if self._judged is None or self._kept or self._keeping.busy:
            return False
        new = any(e.trouble is None and not e.same for e in self._judged)
        return new and self._by not in RULES

    @property
    def _asks(self) -> tuple[str, ...]:
        if not self._may_keep or self._judged is None:
            return ()
        simulated = all(each.run.simulated for each in self._judged)
        try:
            pin = asks_pin(simulated=simulated)
        except ProofstandError:
            pin = True
        return (NAME, PIN) if pin else (NAME,)

    def page(self) -> AnewPage:
        """Return what is to be shown now."""
        options = [(id, said("anew", "by", id)) for id in (OWN, VERSION, *RULES)]
        return AnewPage(
            head=said("anew", "head"),
            second=said("anew", "marked", n=len(self._runs))
            if self._runs
            else said("anew", "asked"),
            band=said("simulated_band")
            if any(each.run.simulated for each in self._judged or ())
            else "",
            by=Choice(options=tuple(options), chosen=self._by),
            asks_plan=self._asks_plan,
            plan_note=self._plan_note,
            said=self._words(),
            strip=self._error,
            rows=tuple(self._rows()),
            asks=self._asks,
            came=self._came,
            wrong=self._wrong,
            may_judge=not self._at_work and not self._keeping.busy,
            may_keep=self._may_keep,
            at_work=self._at_work,
        )

    def _words(self) -> str:
        if self._judged is not None:
            judged = [each for each in self._judged if each.trouble is None]
            facts = {
                "n": len(self._judged),
                "turned": sum(each.turns for each in judged),
                "others": sum(bool(e.changes) and not e.turns for e in judged),
                "troubles": len(self._judged) - len(judged),
            }
            words = said("anew", "came", **facts)
            rule = said("anew", "by_rule") if self._by in RULES else ""
            return f"{words} {rule}".rstrip()
        if self._far is not None and self._at_work:
            left = self._far.left_s
            time_left = "" if left is None else said("anew", "left", t=span_words(left))
            far = said("anew", "far", done=self._far.done, of=self._far.of)
            return f"{far} {time_left}".rstrip()
        return said("looking") if self._at_work else said("anew", "lead")

    def _rows(self) -> list[AnewRow]:
        return [
            row_of(each, self._done.get(number))
            for number, each in enumerate(self._judged or ())
            if each.differs or not each.same
        ]

    # --- beside the window -----------------------------------------------------------

    @property
    def busy(self) -> bool:
        """Something is judged or kept."""
        return self._judging.busy or self._keeping.busy

    def take(self) -> None:
        """Take what came of it."""
        came = [self._judging.take(), self._keeping.take()]
        self.changed = any(came) or self.changed

    def let_go(self) -> None:
        """Want nothing any more of what is judged; what is kept is kept to its end."""
        if self._at_work:
            self._forget()

    def wait(self) -> None:
        """Let nothing outlive the window."""
        self._judging.wait()
        self._keeping.wait()


def row_of(each: Rejudged, done: Done | None = None) -> AnewRow:
    """Return a judgement as a row, and what became of it."""
    words = []
    if each.trouble is not None:
        words.append(told(each.trouble)[0])
    for change in each.changes:
        step = f"{change.step}, " if change.step else ""
        words.append(
            f"{step}{change.label}: {change.before or said('anew', 'none')} "
            f"→ {change.after or said('anew', 'none')}"
        )
    if not words:
        words.append(said("anew", "values"))
    if each.turns and each.trouble is None and each.papers:
        papers = ", ".join(plain(paper.number) for paper in each.papers)
        words.append(said("anew", "papers", papers=papers))
    if done is not None and done.refused is not None:
        words.insert(0, said("anew", "refused", why=told(done.refused)[0]))
    elif done is not None and done.place is not None:
        words.insert(0, said("anew", "kept", file=Path(done.place).name))
    return AnewRow(
        tested=moment(each.run.started_ns),
        serial=plain(each.serial),
        model=plain(each.run.model),
        before=each.before,
        after=each.after,
        turns=each.turns,
        words="; ".join(words),
    )
