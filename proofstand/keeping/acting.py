"""What a reviewer adds to a kept run: remark, second signature, rejection, concession.

A judgement with a boundary moved by hand is another.

Each is written by the same function as the command of that name writes it, under a name
that is shown by a PIN where the shop has a list of people, and kept in the archive at
once. What can't be kept then lies where it is said, and nothing is overwritten.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from records.archive import entry as kinds
from records.archive.chain import Archive
from records.archive.entry import safe_name
from records.archive.found import Listed, RunFound
from records.archive.index import Index
from records.errors import InputError, ProofstandError, RefusedError
from records.people import Act, Signatory
from records.runfile import read_sealed

from ..places import autosave_dir, made
from ..signoff.certificate import Title
from ..signoff.concession import concede
from ..signoff.countersigning import countersign_page
from ..signoff.notes import Note, reason_of
from ..signoff.persons import AskPin, did, prove, the_roll
from ..signoff.rejection import reject
from ..signoff.verify import verify
from .against import known_against_page
from .anew import Asked, Rejudged, judge_anew
from .boundaries import Moved
from .home import head_key, home
from .keep import comment
from .made import keep_countersigned, keep_note
from .rejudge import Done, keep_new
from .rejudging import tasks_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The archive that is added to, and by whose key.

    Attributes:
        folder: of the archive, None for the shop's. key: folder of the key, None for
            the shop's.
    """

    folder: Path | None = None
    key: Path | None = None

    @property
    def archive(self) -> Archive:
        """The archive itself."""
        return home(self.folder).archive


@dataclass(frozen=True, slots=True, kw_only=True)
class Acted:
    """What was added.

    Attributes:
        what: in a few words. by: who signed it, and shown how.
        left: file that could not be kept, None where it is kept. why: why not.
    """

    what: str
    by: Signatory
    left: Path | None = None
    why: ProofstandError | None = None


def asks_pin(*, simulated: bool) -> bool:
    """Tell whether a name has to be shown by a PIN.

    Raises:
        InputError, IntegrityError: the list of people can't be used.
    """
    return not simulated and the_roll() is not None


def comment_on(
    place: Place,
    run_path: Path,
    text: str,
    *,
    by: str,
    ask: AskPin,
    utc_ns: Callable[[], int] = time.time_ns,
) -> Acted:
    """Keep a remark on a run under a name that counts.

    Args:
        place: the archive and whose key.
        run_path: the run's file in it.
        text: the remark.
        by: who says it.
        ask: asks for their PIN.
        utc_ns: the clock.

    Raises:
        InputError: there is nothing to say; the archive can't be written.
        IntegrityError: the run or the archive was changed.
        RefusedError: not by this person.
    """
    run = read_sealed(run_path)
    if not text.strip():
        right = "a text of at most 4000 characters"
        raise InputError("value_wrong", key="TEXT", given="nothing", right=right)
    if run.header.rig.simulated:
        who = Signatory(name=" ".join(by.split()))
    else:
        who = prove(by, Act.COMMENT, ask, utc_ns=utc_ns)
    if not who.name:
        raise RefusedError("person_wanted", act=Act.COMMENT.value)
    key = head_key(place.key)
    comment(place.archive, run.id, text, key=key, who=who.name, utc_ns=utc_ns)
    did(who, Act.COMMENT, utc_ns=utc_ns, run=run.sha256)
    return Acted(what="remark", by=who)


def move_boundary(
    place: Place,
    index: Index,
    found: RunFound,
    moved: Moved,
    *,
    ask: AskPin,
    utc_ns: Callable[[], int] = time.time_ns,
) -> Acted:
    """Keep a judgement of a run with another begin or end of what is read in a step.

    Args:
        place: the archive and whose key.
        index: of the archive, brought up to it.
        found: the run.
        moved: what is moved, by whom and why.
        ask: asks for their PIN.
        utc_ns: the clock.

    Raises:
        InputError: it can't be moved so. RefusedError: not by this person.
        IntegrityError: the run or the archive was changed.
    """
    if found.simulated:
        who = Signatory(name=" ".join(moved.by.split()))
    else:
        who = prove(moved.by, Act.REJUDGE, ask, utc_ns=utc_ns)
    if not who.name:
        raise RefusedError("person_wanted", act=Act.REJUDGE.value)
    judged = judged_moved(place, index, found, replace(moved, by=who.name))
    head = head_key(place.key)
    for each in keep_new(place.archive, judged, who=who, head=head, utc_ns=utc_ns):
        if each.refused is not None:
            raise each.refused
    turns = " and ".join(
        f"{each.before} as before"
        if not each.turns
        else f"{each.before}, now {each.after}"
        for each in judged
    )
    return Acted(what=f"judgement ({turns})", by=who)


def judged_moved(
    place: Place, index: Index, found: RunFound, moved: Moved
) -> tuple[Rejudged, ...]:
    """Judge a run with another begin or end of what is read; nothing is written.

    Args:
        place: the archive.
        index: of it, brought up to it.
        found: the run.
        moved: what is moved, by whom and why.

    Raises:
        InputError: it can't be moved so.
        IntegrityError: the run or the archive was changed.
    """
    plans = tuple(each.path for each in index.entries(kind="plan"))
    asked = Asked(
        folder=place.archive.folder,
        plans=plans,
        moved=replace(moved, why=reason_of(moved.why)),
    )
    (task,) = tasks_of(index, [found])
    judged = judge_anew(asked, task)
    trouble = next((e.trouble for e in judged if e.trouble is not None), None)
    if trouble is not None:
        raise trouble
    return judged


def keep_judged(
    place: Place,
    judged: Sequence[Rejudged],
    *,
    plan_text: str,
    by: str,
    ask: AskPin,
) -> Iterator[Done]:
    """Keep judgements that say another thing than those before them, one by one.

    Args:
        place: the archive and whose key.
        judged: runs judged anew.
        plan_text: of another version of the plan that they were judged by, or "".
        by: who keeps them.
        ask: asks for their PIN.

    Raises:
        InputError, IntegrityError, RefusedError: see :func:`.rejudge.keep_new`.
    """
    if all(each.run.simulated for each in judged):
        who = Signatory(name=" ".join(by.split()))
    else:
        who = prove(by, Act.REJUDGE, ask)
    if not who.name:
        raise RefusedError("person_wanted", act=Act.REJUDGE.value)
    yield from keep_new(
        place.archive,
        judged,
        who=who,
        head=head_key(place.key),
        plan_text=plan_text,
    )


def reject_run(
    place: Place, run_path: Path, why: str, *, by: str, ask: AskPin
) -> Acted:
    """Reject a kept run.

    Raises:
        InputError, IntegrityError, RefusedError: see :func:`signoff.rejection.reject`.
    """
    out = _free("rejection", run_path, ".json")
    note = reject(run_path, out, why=why, by=by, ask=ask, key_folder=place.key)
    return _noted(place, run_path, out, note)


def concede_finding(
    place: Place,
    run_path: Path,
    finding: str,
    *,
    why: str,
    agreed_by: str,
    until: str,
    by: str,
    ask: AskPin,
) -> Acted:
    """Accept a failed finding of a kept run.

    Raises:
        InputError, IntegrityError, RefusedError: see
            :func:`signoff.concession.concede`.
    """
    out = _free("concession", run_path, ".json")
    note = concede(
        run_path,
        out,
        finding=finding,
        why=why,
        agreed_by=agreed_by,
        until=until,
        by=by,
        ask=ask,
        key_folder=place.key,
    )
    return _noted(place, run_path, out, note)


def _noted(place: Place, run_path: Path, out: Path, note: Note) -> Acted:
    why = keep_note(
        run_path,
        out,
        note,
        by=note.by,
        archive=place.folder,
        key_folder=place.key if place.folder is not None else None,
    )
    who = note.facts["by"]
    by = Signatory(name=who["name"], role=who["role"])
    kept = why is None and (not note.demo or place.folder is not None)
    return _acted(note.what, by, out, why, kept=kept)


def countersign_kept(place: Place, page: Path, *, by: str, ask: AskPin) -> Acted:
    """Put the second signature on a kept page, as a new file beside it.

    Raises:
        InputError, IntegrityError, RefusedError: see
            :func:`signoff.countersigning.countersign_page`.
    """
    out = _free("countersigned", page, ".pdf")
    done = countersign_page(
        page,
        out,
        by=by,
        ask=ask,
        key_folder=place.key,
        against=known_against_page(place.folder),
    )
    why = keep_countersigned(
        out,
        by=done.by.name,
        archive=place.folder,
        key_folder=place.key if place.folder is not None else None,
    )
    kept = why is None and (place.folder is not None or not verify(out).simulated)
    return _acted(f"certificate {done.number}", done.by, out, why, kept=kept)


def _acted(
    what: str, by: Signatory, out: Path, why: InputError | None, *, kept: bool
) -> Acted:
    if kept:
        out.unlink(missing_ok=True)
        return Acted(what=what, by=by)
    return Acted(what=what, by=by, left=out, why=why)


def _free(what: str, of: Path, ending: str) -> Path:
    """Return a name for what is made, where it stays if it can't be kept.

    Raises:
        InputError: ``file_unwritable``.
    """
    folder = autosave_dir() / "records"
    try:
        made(folder, private=True)
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(
            "file_unwritable", where=str(folder), what=what, why=why
        ) from None
    stem = safe_name(f"{what}-{of.parent.name}-{time.time_ns()}")
    return folder / f"{stem}{ending}"


def page_that_waits(archive: Archive, entries: tuple[Listed, ...]) -> Path | None:
    """Return a run's page that waits for its second signature, or None.

    Args:
        archive: where it lies.
        entries: of the run, as the index has them.
    """
    pages = [e for e in entries if e.kind == kinds.CERTIFICATE]
    known = {each.path for each in pages}
    for listed in reversed(pages):
        signed = listed.path.removesuffix(".pdf") + "-countersigned.pdf"
        if listed.what.startswith(Title.TO_COUNTERSIGN) and signed not in known:
            return archive.folder / listed.path
    return None
