"""What speaks against a run or a page: a rejection, a review, another in its place."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from records.errors import ProofstandError, RefusedError
from records.people import Act
from records.run import Run

from .notes import KINDS, REJECTION, Note, load_note
from .notices import Notice, Says, last_against, notices_of
from .persons import done, moment
from .verify import Verified, verify


@dataclass(frozen=True, slots=True)
class Rejected:
    """Who rejected a run, on which day, and why."""

    by: str
    day: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """What speaks against a page, or against making one of a run.

    Attributes:
        rejected: the run's rejection. notices: that stand, at most one of each page.
    """

    rejected: Rejected | None = None
    notices: tuple[Notice, ...] = ()

    @property
    def said(self) -> str:
        """What it is in a few words, "" where nothing speaks against it."""
        said = []
        if self.rejected is not None:
            said.append(f"REJECTED by {self.rejected.by} on {self.rejected.day}")
        for notice in self.notices:
            new = f" by {notice.replaced_by}" if notice.replaced_by else ""
            said.append(f"{notice.says.upper()}{new} since {notice.made}")
        return "; ".join(said)

    def refuse_rejected(self, where: str) -> None:
        """Refuse a rejected run and every paper of it.

        Raises:
            RefusedError: ``run_rejected``.
        """
        if self.rejected is not None:
            by, day, why = self.rejected.by, self.rejected.day, self.rejected.why
            raise RefusedError("run_rejected", where=where, by=by, day=day, why=why)

    def refuse(self, where: str, but: str = "") -> None:
        """Refuse a rejected run, and a page that is under review or replaced.

        Args:
            where: the file, for the error.
            but: number of a page whose place is just to be taken.

        Raises:
            RefusedError: ``run_rejected``, ``page_replaced``, ``page_under_review``.
        """
        self.refuse_rejected(where)
        for notice in self.notices:
            if notice.certificate == but:
                continue
            number, day = notice.certificate, notice.made[:10]
            if notice.says == Says.REPLACED:
                new = notice.replaced_by
                raise RefusedError(
                    "page_replaced", where=where, number=number, new=new, day=day
                )
            raise RefusedError(
                "page_under_review",
                where=where,
                number=number,
                day=day,
                why=notice.why,
            )


def standing_of(notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """Return the notice that stands against each file, in the order they were made."""
    by_file: dict[str, list[Notice]] = {}
    for notice in sorted(dict.fromkeys(notices), key=lambda notice: notice.made):
        by_file.setdefault(notice.sha256, []).append(notice)
    found = (last_against(tuple(each)) for each in by_file.values())
    return tuple(notice for notice in found if notice is not None)


def rejected_on_record(run_sha256: str) -> Rejected | None:
    """Return a run's rejection as the shop's record of people has it."""
    for event in done(Act.REJECT, run=run_sha256):
        day = moment(event.utc_ns)[:10]
        return Rejected(event.by, day, str(event.facts["why"]))
    return None


def rejected_among(found: Verified, given: Iterable[Verified]) -> Rejected | None:
    """Return the rejection of a run, or of a page's run, among what lies there.

    Looked at are notes that were given and such as lie in the same folder, signed by
    the key that signed the run or the page.
    """
    if found.note is not None or not found.sha256:
        return None
    notes = [each.note for each in given if each.note is not None]
    for path in sorted(found.path.parent.glob("rejection*.json")):
        with contextlib.suppress(ProofstandError):  # of something else, or changed
            notes.append(load_note(path, REJECTION))
    for note in notes:
        same = note.run_sha256 == found.sha256 and note.key_id == found.key
        if note.what == KINDS[REJECTION][0] and same:
            return rejected_by_note(note)
    return None


def rejected_by_note(note: Note) -> Rejected:
    """Return what a rejection's own file says."""
    return Rejected(note.by, str(note.facts["made"])[:10], str(note.facts["why"]))


def against_run(run: Run) -> Against:
    """Return what the shop's record of people says against a run."""
    return Against(rejected=rejected_on_record(run.sha256))


def against_page(page: Path) -> Against:
    """Return what speaks against a page: notices beside its file, and that record.

    Raises:
        InputError: it can't be read. IntegrityError: it or a notice was changed.
    """
    return Against(
        rejected=rejected_on_record(verify(page).sha256),
        notices=standing_of(notices_of(page)),
    )
