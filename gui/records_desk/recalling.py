"""A recall: what leans on a calibration that was wrong, then marked. Knows no Qt.

First it is only looked: each run is judged anew with the error taken off. Papers are
put under review, and the recall goes on record, once a quality lead signs for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from proofstand.display import plain
from proofstand.keeping.acting import Place, asks_pin
from proofstand.keeping.home import head_key
from proofstand.keeping.recall import (
    Marked,
    Recalled,
    customers_csv,
    look,
    look_up,
    mark,
    to_tell,
)
from proofstand.keeping.recall_wanted import wanted_of
from proofstand.keeping.workers import workers_for
from records.errors import InputError, ProofstandError

from ..background import Background, Handle
from ..bench_desk.screen import Strip
from .acts import NAME, PIN
from .anew import AnewRow, row_of
from .besides import Choice
from .fields import WrongText, day_typed
from .saving import Make, written
from .shelf import Shelf
from .wording import said, told

OF = ("calibration", "channel", "reference")
WHAT, ZERO, SPAN, AT, SINCE, UNTIL = "what", "zero", "span", "at", "since", "until"
FIELDS = (WHAT, ZERO, SPAN, AT, SINCE, UNTIL)
WHY = "why"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallPage:
    """What the desk shows.

    Attributes:
        of: what it may be a recall of. asks_error: how far it was off is asked for.
        rows: runs of which something comes out another, or that can't be judged.
        asks: fields that marking wants.
    """

    head: str = ""
    second: str = ""
    band: str = ""
    of: Choice
    asks_error: bool = False
    said: str = ""
    wrong: bool = False
    strip: Strip | None = None
    rows: tuple[AnewRow, ...] = ()
    asks: tuple[str, ...] = ()
    came: str = ""
    came_wrong: bool = False
    may_look: bool = False
    may_mark: bool = False


class RecallPresenter:
    """Holds the recall that is looked at.

    Args:
        shelf: the archive that is looked through.
    """

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._looking, self._marking = Background(), Background()
        self._of = OF[0]
        self._simulated = False
        self._so_far: int | None = None
        self._recalled: Recalled | None = None
        self._said, self._wrong = "", False
        self._came, self._came_wrong, self._marked = "", False, False
        self._at_work = False
        self.changed = True

    # --- what is looked at -----------------------------------------------------------

    def open(self, *, simulated: bool) -> None:
        """Begin anew, for runs of real rigs or of simulated ones."""
        self._simulated = simulated
        self._forget()

    def choose(self, of: str) -> None:
        """Recall another sort of thing."""
        self._of = of
        self._forget()

    def _forget(self) -> None:
        self._looking.let_go()
        self._recalled, self._so_far, self._at_work = None, None, False
        self._said, self._wrong = "", False
        self._came, self._came_wrong, self._marked = "", False, False
        self.changed = True

    def look(self, typed: Mapping[str, str]) -> None:
        """Look what leans on it; nothing is written."""
        if self._at_work or self._marking.busy:
            return
        self._forget()
        text = {name: typed.get(name, "").strip() for name in FIELDS}
        try:
            if not text[WHAT]:
                what = said("recall", "of", self._of)
                raise WrongText(said("act", "missing", field=what))
            error = self._of != OF[0]
            wanted = wanted_of(
                **{self._of: text[WHAT]},
                zero=text[ZERO] if error else "",
                span=text[SPAN] if error else "",
                at=[p for p in text[AT].split(";") if p.strip()] if error else (),
                since=day_typed(text[SINCE]),
                until=day_typed(text[UNTIL]),
                simulated=self._simulated,
            )
        except (WrongText, ProofstandError) as error_found:
            self._not_so(error_found)
            return
        today = datetime.now(tz=UTC).astimezone().date()

        def work(handle: Handle) -> Recalled:
            def so_far(done: int) -> None:
                handle.look()
                handle.tell(done)

            with self._shelf.index() as index:
                archive = self._shelf.home.archive
                found = look_up(index, archive, wanted, today)
                return look(index, archive, found, so_far, workers_for)

        self._at_work = True
        self._looking.run(work, self._looked, self._not_so, self._count)

    def _count(self, done: int) -> None:
        self._so_far, self.changed = done, True

    def _looked(self, recalled: Recalled) -> None:
        self._recalled, self._at_work, self.changed = recalled, False, True

    def _not_so(self, error: WrongText | ProofstandError) -> None:
        if isinstance(error, ProofstandError):
            self._said = " ".join(told(_in_fields(error)))
        else:
            self._said = str(error)
        self._wrong, self._at_work, self.changed = True, False, True

    # --- marking ---------------------------------------------------------------------

    def mark(self, typed: Mapping[str, str]) -> None:
        """Put the papers under review, by a quality lead's name and PIN."""
        recalled = self._recalled
        if recalled is None or not self._may_mark:
            return
        for field in self._asks:
            if not typed.get(field, "").strip():
                self._came = said("act", "missing", field=said("asked", field))
                self._came_wrong = self.changed = True
                return
        place = Place(folder=self._shelf.folder, key=self._shelf.key)
        by, pin, why = typed[NAME], typed.get(PIN, ""), typed[WHY]

        def work(handle: Handle) -> Marked:
            return mark(
                place.archive,
                recalled,
                why=why,
                by=by,
                head=head_key(place.key if self._simulated else None),
                ask=lambda _: pin,
                key_folder=place.key,
            )

        self._came, self._came_wrong = said("act", "doing"), False
        self._marking.run(work, self._were_marked, self._refused)
        self.changed = True

    def _were_marked(self, marked: Marked) -> None:
        self._marked = True
        self._came = said(
            "recall",
            "marked" if marked.note is not None else "marked_before",
            n=len(marked.marked),
            before=len(marked.before),
            left=len(marked.not_marked),
        )
        self._came_wrong = bool(marked.not_marked)
        self.changed = True

    def _refused(self, error: ProofstandError) -> None:
        self._came, self._came_wrong = " ".join(told(_in_fields(error))), True
        self.changed = True

    def customers(self) -> Make | None:
        """Return what writes whom to tell as a table, or None without anybody."""
        recalled = self._recalled
        if recalled is None or not recalled.affected:
            return None
        data = customers_csv(recalled.affected).encode("utf-8")
        return written(f"customers-{recalled.found.id}", [(".csv", lambda: data)])

    # --- what is shown ---------------------------------------------------------------

    @property
    def _may_mark(self) -> bool:
        recalled = self._recalled
        if recalled is None or self._marked or self._marking.busy:
            return False
        return bool(recalled.affected)

    @property
    def _asks(self) -> tuple[str, ...]:
        if not self._may_mark:
            return ()
        try:
            pin = asks_pin(simulated=self._simulated)
        except ProofstandError:
            pin = True
        return (WHY, NAME, PIN) if pin else (WHY, NAME)

    def page(self) -> RecallPage:
        """Return what is to be shown now."""
        recalled = self._recalled
        kind = "simulated" if self._simulated else "real"
        return RecallPage(
            head=said("recall", "head"),
            second=said("recall", kind),
            band=said("simulated_band") if self._simulated else "",
            of=Choice(
                options=tuple((id, said("recall", "of", id)) for id in OF),
                chosen=self._of,
            ),
            asks_error=self._of != OF[0],
            said=self._words(),
            wrong=self._wrong,
            rows=()
            if recalled is None
            else tuple(row_of(each) for each in recalled.affected),
            asks=self._asks,
            came=self._came,
            came_wrong=self._came_wrong,
            may_look=not self._at_work and not self._marking.busy,
            may_mark=self._may_mark,
        )

    def _words(self) -> str:
        recalled = self._recalled
        if self._said:
            return self._said
        if self._at_work:
            return said("recall", "far", n=self._so_far or 0)
        if recalled is None:
            return said("recall", "lead")
        judged = [each for each in recalled.affected if each.trouble is None]
        owners = {row.customer for row in to_tell(recalled.affected)}
        return said(
            "recall",
            "came",
            what=plain(recalled.found.told),
            since=recalled.found.since,
            until=recalled.found.until,
            runs=len({each.run.run for each in recalled.runs}),
            turned=sum(each.turns for each in judged),
            others=sum(not each.turns for each in judged),
            troubles=len(recalled.affected) - len(judged),
            owners=len(owners),
        )

    # --- beside the window -----------------------------------------------------------

    @property
    def busy(self) -> bool:
        """Something is looked at or marked."""
        return self._looking.busy or self._marking.busy

    def take(self) -> None:
        """Take what came of it."""
        came = [self._looking.take(), self._marking.take()]
        self.changed = any(came) or self.changed

    def let_go(self) -> None:
        """Want nothing any more of what is looked at; marks are made to their end."""
        if self._at_work:
            self._forget()

    def wait(self) -> None:
        """Let nothing outlive the window."""
        self._looking.wait()
        self._marking.wait()


def _in_fields(error: ProofstandError) -> ProofstandError:
    """Return an error that names a field as it is called here, no option."""
    facts = dict(error.facts)
    name = {"--channel": WHAT}.get(facts.get("key", ""), facts.get("key", "")[2:])
    if error.id == "usage":
        why = said("recall", "say_error")
        return InputError(
            "value_wrong", key=said("recall", "error"), given="?", right=why
        )
    if error.id != "value_wrong" or name not in FIELDS:
        return error
    return InputError("value_wrong", **{**facts, "key": said("recall", "field", name)})
