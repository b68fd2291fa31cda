"""What a reviewer adds to a run: what is asked, typed, refused and done. Knows no Qt.

A PIN is handed on and kept nowhere.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from proofstand.keeping.acting import (
    Acted,
    Place,
    asks_pin,
    comment_on,
    concede_finding,
    countersign_kept,
    judged_moved,
    move_boundary,
    page_that_waits,
    reject_run,
)
from proofstand.keeping.anew import Rejudged
from proofstand.keeping.boundaries import (
    Moved,
    held_in,
    seconds_of,
    steps_held,
    time_text,
)
from proofstand.keeping.rejudging import rejudged_lines
from proofstand.keeping.reviewed import Reviewed
from proofstand.signoff.concession import FAILED
from records.errors import InputError, ProofstandError, RefusedError
from records.judgement import Finding

from ..background import Background, Handle
from .shelf import Shelf
from .wording import said, told

COMMENT, COUNTERSIGN, REJECT, CONCEDE = "comment", "countersign", "reject", "concede"
BOUNDARY = "boundary"
BEGIN, END = "begin", "end"
# What each asks, beside name and PIN.
ASKS: dict[str, tuple[str, ...]] = {
    COMMENT: ("text",),
    COUNTERSIGN: (),
    REJECT: ("why",),
    CONCEDE: ("why", "agreed_by", "until"),
    BOUNDARY: (BEGIN, END, "why"),
}
NAME, PIN = "name", "pin"
_MOST_TOLD = 7  # lines that there is room for
_OPTIONS = {
    "TEXT": "text",
    "--why": "why",
    "--agreed-by": "agreed_by",
    "--until": "until",
    "--begin": BEGIN,
    "--end": END,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ActPage:
    """What is asked for an act.

    Attributes:
        id: which, "" for none. lead: what it does, of what.
        fields: ids of what is asked, name last and the PIN after it where it is wanted.
        typed: what stands in the fields; never a PIN.
        key: what the filled key says. said: what came of it, or is wrong. wrong: it is
            the latter.
        looked: what comes of it is shown; the next press keeps it.
        doing: it is being done. done: it is done, or refused at once: nothing is asked.
    """

    id: str = ""
    head: str = ""
    lead: str = ""
    fields: tuple[str, ...] = ()
    typed: Mapping[str, str] = field(default_factory=dict)
    key: str = ""
    said: str = ""
    wrong: bool = False
    looked: bool = False
    doing: bool = False
    done: bool = False


class ActPresenter:
    """Holds the act that is open, if one is.

    Args:
        shelf: the archive that is added to.
        added: is called once something was added to a run.
    """

    def __init__(self, shelf: Shelf, added: Callable[[], None]) -> None:
        self._shelf, self._added = shelf, added
        self._work = Background()
        self._id = ""
        self._run: Reviewed | None = None
        self._finding: Finding | None = None
        self._pin = False
        self._typed: dict[str, str] = {}
        self._said, self._wrong, self._done, self._doing = "", False, False, False
        self._looking = False  # what is on writes nothing
        self._looked: dict[str, str] | None = None  # typed, and what comes of it shown
        self._left: tuple[str, str, dict[str, str]] = ("", "", {})
        self.changed = True

    def open(
        self,
        id: str,
        run: Reviewed,
        finding: Finding | None,
        cursors: tuple[float, float] | None = None,
    ) -> None:
        """Ask what an act wants to know.

        Args:
            id: which.
            run: of which.
            finding: that is looked at.
            cursors: where they stand in the trace, None where none do.
        """
        if self._doing:
            return
        self._id, self._run, self._finding = id, run, finding
        # who acts is most often the same; the rest is of this act alone
        self._typed = {NAME: self._typed.get(NAME, "")}
        self._said, self._wrong, self._done = "", False, False
        self._looked = None
        if id == BOUNDARY and finding is not None:
            edges = cursors or held_in(run.run, finding.step)
            if edges is not None:
                low, high = sorted(edges)
                self._typed |= {BEGIN: time_text(low), END: time_text(high)}
            if cursors is None and self._left[:2] == (run.found.run, finding.step):
                self._typed |= self._left[2]  # looked at and left, to be put right
        if id == CONCEDE and finding is not None and finding.outcome not in FAILED:
            self._refused(
                RefusedError(
                    "finding_not_failed",
                    finding=f"{finding.step}/{finding.id}",
                    outcome=finding.outcome.value,
                )
            )
            self._done = True
            return
        try:
            self._pin = asks_pin(simulated=run.found.simulated)
        except ProofstandError as error:
            self._pin = True
            self._refused(error)
        self.changed = True

    def leave(self) -> bool:
        """Leave it; return whether one was open."""
        if not self._id or (self._doing and not self._looking):
            return bool(self._id)
        if self._looking:
            self._work.let_go()
            self._doing = self._looking = False
        if self._looked is not None and self._run is not None:
            step = "" if self._finding is None else self._finding.step
            left = {} if self._done else self._looked
            self._left = (self._run.found.run, step, left)
        self._id, self._run = "", None
        self.changed = True
        return True

    @property
    def opened(self) -> str:
        """Id of the act that is open, or ""."""
        return self._id

    def type(self, name: str, text: str) -> None:
        """Take what stands in a field, as it may be shown anew; a PIN never is."""
        if name != PIN:
            self._typed[name] = text

    def do(self, typed: dict[str, str]) -> None:
        """Do it, by what was typed; one is done at a time and to its end.

        A boundary is first judged with and what comes of it shown; the next time it is
        kept.
        """
        run = self._run
        if run is None or self._doing or self._done:
            return
        missing = [f for f in self.page().fields if not typed.get(f, "").strip()]
        if missing:
            self._said = said("act", "missing", field=said("asked", missing[0]))
            self._wrong = self.changed = True
            return
        place = Place(folder=self._shelf.folder, key=self._shelf.key)
        finding, id = self._finding, self._id
        if id == BOUNDARY and self._looked is None:
            own = {name: text for name, text in typed.items() if name != PIN}
            self._look(place, run, finding, own)
            return
        if self._looked is not None:
            typed = {**self._looked, **typed}

        def work(handle: Handle) -> Acted:
            return _done(id, place, run, finding, typed, self._shelf)

        self._doing, self._said, self._wrong = True, said("act", "doing"), False
        self._work.run(work, self._did, self._refused)
        self.changed = True

    def _look(
        self,
        place: Place,
        run: Reviewed,
        finding: Finding | None,
        typed: dict[str, str],
    ) -> None:
        """Judge with a boundary; nothing is written."""

        def work(handle: Handle) -> tuple[Rejudged, ...]:
            with self._shelf.index() as index:
                return judged_moved(place, index, run.found, _moved(finding, typed))

        def came(judged: tuple[Rejudged, ...]) -> None:
            self._doing = self._looking = False
            lines = [line.strip() for each in judged for line in rejudged_lines(each)]
            if len(lines) > _MOST_TOLD:
                more = said("act", "more", n=len(lines) - _MOST_TOLD)
                lines = [*lines[:_MOST_TOLD], more]
            self._said, self._looked = "\n".join(lines), typed
            self.changed = True

        self._doing = self._looking = True
        self._said, self._wrong = said("act", "doing"), False
        self._work.run(work, came, self._refused)
        self.changed = True

    def _did(self, done: Acted) -> None:
        self._doing, self._done, self._wrong = False, True, False
        proof = said("act", "proven" if done.by.role else "typed", name=done.by.name)
        self._said = said("act", "done", what=done.what, by=proof)
        if done.left is not None:
            why = "" if done.why is None else told(done.why)[0]
            self._said = said("act", "left", what=done.what, path=done.left, why=why)
            self._wrong = True
        self.changed = True
        self._added()

    def _refused(self, error: ProofstandError) -> None:
        what, do = told(_in_fields(error))
        self._doing, self._said, self._wrong = False, f"{what} {do}", True
        self._looking = False
        self.changed = True

    def page(self) -> ActPage:
        """Return what is to be shown now."""
        id, run = self._id, self._run
        if not id or run is None:
            return ActPage()
        lead = said("act", id, "lead")
        finding = self._finding
        if id == CONCEDE and finding is not None:
            of = f"{finding.step}/{finding.id}"
            outcome = finding.outcome.value
            lead = said("act", id, "of", finding=of, outcome=outcome, lead=lead)
        if id == BOUNDARY:
            lead = _boundary_lead(run, finding)
        looks, asks = id == BOUNDARY and self._looked is None, (*ASKS[id], NAME)
        looked = self._looked is not None and not self._done
        if looked and self._looked is not None:
            edges = {
                each: time_text(seconds_of(self._looked[each], each))
                for each in (BEGIN, END)
            }
            lead, asks = said("act", id, "looked", **edges), ()
        pin = (PIN,) if self._pin and not looks else ()
        return ActPage(
            id=id,
            head=said("act", id, "head"),
            lead=lead,
            fields=(*asks, *pin),
            typed=dict(self._typed),
            key=said("act", id, "look" if looks else "key"),
            said=self._said,
            wrong=self._wrong,
            looked=looked,
            doing=self._doing,
            done=self._done,
        )

    @property
    def busy(self) -> bool:
        """Something is being done; it is never cut off."""
        return self._work.busy

    def take(self) -> None:
        """Take what came of it."""
        self.changed = self._work.take() or self.changed

    def let_go(self) -> None:
        """Leave what is being done to its end."""

    def wait(self) -> None:
        """Let nothing outlive the window."""
        self._work.wait()


def _boundary_lead(run: Reviewed, finding: Finding | None) -> str:
    """Return what moving a boundary does, and where it stands now."""
    step = "" if finding is None else finding.step
    held = held_in(run.run, step)
    if held is None:
        steps = ", ".join(steps_held(run.run))
        return said("act", BOUNDARY, "none", step=step, steps=steps)
    begin, end = map(time_text, held)
    return said("act", BOUNDARY, "of", step=step, begin=begin, end=end)


def _in_fields(error: ProofstandError) -> ProofstandError:
    """Return an error that names a field as it is called here, no option."""
    facts = dict(error.facts)
    field = _OPTIONS.get(facts.get("key", ""))
    if error.id != "value_wrong" or field is None:
        return error
    return InputError("value_wrong", **{**facts, "key": said("asked", field)})


def _done(
    id: str,
    place: Place,
    run: Reviewed,
    finding: Finding | None,
    typed: dict[str, str],
    shelf: Shelf,
) -> Acted:
    by, pin = typed[NAME], typed.get(PIN, "")

    def ask(name: str) -> str:
        return pin

    if id == COMMENT:
        return comment_on(place, run.path, typed["text"], by=by, ask=ask)
    if id == REJECT:
        return reject_run(place, run.path, typed["why"], by=by, ask=ask)
    if id == CONCEDE:
        name = "" if finding is None else f"{finding.step}/{finding.id}"
        return concede_finding(
            place,
            run.path,
            name,
            why=typed["why"],
            agreed_by=typed["agreed_by"],
            until=typed["until"],
            by=by,
            ask=ask,
        )
    if id == BOUNDARY:
        moved = _moved(finding, typed)
        with shelf.index() as index:
            return move_boundary(place, index, run.found, moved, ask=ask)
    return countersign_kept(place, _waiting(run, shelf), by=by, ask=ask)


def _moved(finding: Finding | None, typed: Mapping[str, str]) -> Moved:
    """Return what is to be moved.

    Raises:
        InputError: ``value_wrong``.
    """
    return Moved(
        step="" if finding is None else finding.step,
        begin_s=seconds_of(typed[BEGIN], "--begin"),
        end_s=seconds_of(typed[END], "--end"),
        by=" ".join(typed[NAME].split()),
        why=typed["why"],
        utc_ns=time.time_ns(),
    )


def _waiting(run: Reviewed, shelf: Shelf) -> Path:
    with shelf.index() as index:
        entries = index.entries(run=run.found.run)
    page = page_that_waits(shelf.home.archive, entries)
    if page is None:
        right = said("act", COUNTERSIGN, "none")
        raise InputError("value_wrong", key="PAGE", given=run.found.run, right=right)
    return page
