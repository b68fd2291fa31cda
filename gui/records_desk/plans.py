"""Plans: how each stands, its page to read, and approving it. Knows no Qt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from proofstand.approvals import approval_of, day_of, status_of
from proofstand.display import plain
from proofstand.keeping.acting import asks_pin
from proofstand.keeping.approving import (
    ListedPlan,
    accepted_of,
    approve_plan,
    listed_plans,
)
from proofstand.planpage import plan_page
from records.errors import InputError, ProofstandError
from records.planfile import plan_by_name
from records.tomlfile import text_sha256

from ..background import Background, Handle
from ..bench_desk.screen import Strip
from .acts import NAME, PIN
from .shelf import Shelf
from .wording import said, told

ACCEPT = "accept"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRow:
    """A plan: its id and version, how it stands, by whom and when, its title."""

    plan: str
    status: str
    by: str
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlansPage:
    """What the desk shows.

    Attributes:
        rows: the plans. chosen: number of the one whose page is shown.
        lines: that page. asks: fields that approving it wants.
        file_note: what is wrong with the file that was named.
    """

    head: str = ""
    second: str = ""
    rows: tuple[PlanRow, ...] = ()
    chosen: int = 0
    lines: tuple[str, ...] = ()
    strip: Strip | None = None
    asks: tuple[str, ...] = ()
    file_note: str = ""
    came: str = ""
    wrong: bool = False
    may_approve: bool = False


@dataclass(frozen=True, slots=True)
class _Read:
    """The plans as they are listed, and the page of one."""

    plans: tuple[ListedPlan, ...]
    name: str
    title: str
    lines: tuple[str, ...]


class PlansPresenter:
    """Holds the plans that are looked at.

    Args:
        shelf: the archive; a plan is approved in the shop's own.
    """

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._reading, self._approving = Background(), Background()
        self._read: _Read | None = None
        self._chosen, self._file = 0, ""
        self._file_note = ""
        self._error: Strip | None = None
        self._came, self._wrong = "", False
        self.changed = True

    # --- what is looked at -----------------------------------------------------------

    def open(self) -> None:
        """Look at the plans as they stand now."""
        self._chosen, self._file = 0, ""
        self._came, self._wrong, self._file_note = "", False, ""
        self._again()

    def choose(self, number: int) -> None:
        """Look at another plan's page."""
        if number != self._chosen or self._file:
            self._chosen, self._file = number, ""
            self._came, self._wrong, self._file_note = "", False, ""
            self._again()

    def look_at(self, file: str) -> None:
        """Look at the page of a plan file."""
        if not file.strip():
            return
        self._file, self._file_note = file.strip(), ""
        self._came, self._wrong = "", False
        self._again()

    def _again(self) -> None:
        chosen, file = self._chosen, self._file

        def work(handle: Handle) -> _Read:
            plans = listed_plans()
            name = file
            if not name and chosen < len(plans):
                name = plans[chosen].name
            if not name:  # only its approval is on this computer
                words = said("plans", "elsewhere")
                return _Read(plans, "", "", (words,))
            plan, text = plan_by_name(name)
            sha256 = text_sha256(text)
            page = plan_page(plan, sha256, status_of(plan, sha256), approval_of(plan))
            title = said("plans", "which", plan=plan.id, version=plan.version)
            return _Read(plans, name, title, tuple(page.splitlines()))

        self._error = None
        self._reading.run(work, self._came_in, self._failed)
        self.changed = True

    def _came_in(self, read: _Read) -> None:
        self._read, self.changed = read, True

    def _failed(self, error: ProofstandError) -> None:
        if self._file:
            self._file_note, self._file = " ".join(told(error)), ""
        else:
            what, do = told(error)
            self._error = Strip(what=what, do=do)
        self.changed = True

    # --- approving -------------------------------------------------------------------

    def approve(self, typed: Mapping[str, str]) -> None:
        """Approve the version whose page is shown, by a quality lead's name and PIN."""
        read = self._read
        if read is None or not self._may_approve:
            return
        for field in self._asks:
            if field != ACCEPT and not typed.get(field, "").strip():
                self._came = said("act", "missing", field=said("asked", field))
                self._wrong = self.changed = True
                return
        by, pin = typed[NAME], typed.get(PIN, "")
        accepted = [t for t in typed.get(ACCEPT, "").split(";") if t.strip()]

        def work(handle: Handle) -> str:
            key = said("asked", ACCEPT)
            made, not_kept = approve_plan(
                read.name,
                accept=accepted_of(accepted, key),
                by=by,
                ask=lambda _: pin,
            )
            facts = {"plan": made.plan, "version": made.version, "by": made.by}
            words = said("plans", "approved", **facts, day=day_of(made))
            if not_kept is not None:
                words += " " + said("plans", "not_kept", why=" ".join(told(not_kept)))
            return words

        self._came, self._wrong = said("act", "doing"), False
        self._approving.run(work, self._approved, self._refused)
        self.changed = True

    def _approved(self, words: str) -> None:
        self._came, self._wrong = words, False
        self._again()

    def _refused(self, error: ProofstandError) -> None:
        facts = dict(error.facts)
        if facts.get("key") == "--accept":
            error = InputError(error.id, **{**facts, "key": said("asked", ACCEPT)})
        self._came, self._wrong = " ".join(told(error)), True
        self.changed = True

    @property
    def _may_approve(self) -> bool:
        read = self._read
        return read is not None and bool(read.name) and not self._approving.busy

    @property
    def _asks(self) -> tuple[str, ...]:
        if not self._may_approve:
            return ()
        try:
            pin = asks_pin(simulated=False)
        except ProofstandError:
            pin = True
        return (ACCEPT, NAME, PIN) if pin else (ACCEPT, NAME)

    # --- what is shown ---------------------------------------------------------------

    def page(self) -> PlansPage:
        """Return what is to be shown now."""
        read = self._read
        plans = () if read is None else read.plans
        return PlansPage(
            head=said("plans", "head"),
            second="" if read is None else read.title,
            rows=tuple(map(_row, plans)),
            chosen=self._chosen,
            lines=() if read is None else read.lines,
            strip=self._error,
            asks=self._asks,
            file_note=self._file_note,
            came=self._came,
            wrong=self._wrong,
            may_approve=self._may_approve,
        )

    # --- beside the window -----------------------------------------------------------

    @property
    def busy(self) -> bool:
        """Something is read, or a plan is being approved."""
        return self._reading.busy or self._approving.busy

    def take(self) -> None:
        """Take what came of it."""
        came = [self._reading.take(), self._approving.take()]
        self.changed = any(came) or self.changed

    def let_go(self) -> None:
        """Want nothing any more of what is read; an approval is made to its end."""
        self._reading.let_go()

    def wait(self) -> None:
        """Let nothing outlive the window."""
        self._reading.wait()
        self._approving.wait()


def _row(plan: ListedPlan) -> PlanRow:
    given = plan.approval
    by = "" if given is None else f"{plain(given.by)}, {day_of(given)}"
    return PlanRow(
        plan=f"{plan.id} {said('version', n=plan.version)}",
        status=plan.status.value,
        by=by,
        title=plain(plan.title),
    )
