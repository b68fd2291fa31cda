"""Putting records into the archive: runs with their papers, notes, the shop's own."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from analysis.judge import judge
from records.archive import entry as kinds
from records.archive.chain import Archive, Item, Kept
from records.archive.entry import Fact, is_safe, safe_name
from records.archive.files import Staged, sha256_of
from records.errors import InputError, IntegrityError, ProofstandError
from records.run import Run
from records.runfile import read_sealed
from records.tomlfile import from_json, to_json

from ..approvals import plan_of
from ..report import judgement_json, judgements_json
from ..signoff.heads import SigningKey, trusted_keys
from ..signoff.notes import Note as SignedNote
from ..signoff.notes import read_note as read_signed
from ..signoff.notices import Notice, read_notice
from ..signoff.verify import CERTIFICATE, Verified, verify
from .nouns import shop_item, sort_of

RUN_NAME = "run.h5"
NOTE_FORMAT = "proofstand.note/1"
MOST_NOTE = 4000  # characters


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A remark on a run; it never changes what it is on.

    Attributes:
        run, run_sha256: what it is on. by: who says it. utc_ns: when.
    """

    format: str
    run: str
    run_sha256: str
    by: str
    utc_ns: int
    text: str


@dataclass(frozen=True, slots=True)
class Added:
    """What was added to the archive.

    Attributes:
        run: the run's id, "" for records of the shop. kept: each file, in order.
    """

    run: str
    kept: tuple[Kept, ...]

    @property
    def new(self) -> tuple[Kept, ...]:
        """Those that were not there before."""
        return tuple(each for each in self.kept if each.entry is not None)


def add(
    archive: Archive,
    paths: Sequence[Path],
    *,
    key: SigningKey,
    who: str,
    utc_ns: Callable[[], int] = time.time_ns,
) -> Added:
    """Keep a run file with its certificates, or records of the shop, all or none.

    The archive is made where there is none. What is there already, byte for byte, is
    not added again.

    Args:
        archive: where to.
        paths: one run file and certificates of it; or certificates of a run that is
            kept already; or plans, rigs, calibrations and other records of the shop.
        key: signs the archive's head.
        who: by whom.
        utc_ns: the clock.

    Raises:
        InputError: a file can't be read, is none of ours or none to keep; the archive
            can't be written.
        IntegrityError: a file was changed; a certificate is of another run; the archive
            was changed.
        RefusedError: ``run_not_sealed``.
    """
    sorted_ = {path: sort_of(path) for path in paths}
    archive.make(key, who, utc_ns)
    with ExitStack() as stack:

        def staged(source: Path | bytes, what: str) -> Staged:
            made = archive.stage(source, what)
            stack.callback(archive.drop, made)
            return made

        items: list[Item] = []
        run_id = ""
        runs = [path for path, sort in sorted_.items() if sort == kinds.RUN]
        pages = [path for path, sort in sorted_.items() if sort == kinds.CERTIFICATE]
        if len(runs) > 1:
            why = "Give one run file at a time, with its certificates."
            raise InputError("usage", why=why, help="proofstand records add -h")
        if runs:
            made = staged(runs[0], "run file")
            run = _of(runs[0], read_sealed, made)
            run_id = run.id
            items.append(run_item(run, made))
            if not pages:
                judged = judgement_bytes(run, who="")
                items.append(judgement_item(run, judged, staged(judged, "judgement")))
        for page in pages:
            made = staged(page, "certificate")
            found = _of(page, verify, made)
            run = run if runs else kept_run(archive, found, page)
            run_id = run.id
            items += certificate_items(run, found, page, made, staged)
        for path, sort in sorted_.items():
            if sort in kinds.SIGNED_NOTES:
                note = read_signed(path.read_bytes(), str(path))
                run = run if runs else _run_of_note(archive, note, path)
                items.append(signed_note_item(run, note, staged(path, sort)))
            elif sort == kinds.NOTICE:
                notice = read_notice(path)
                place = page_kept(archive, notice)
                if place is None:
                    where = str(archive.folder)
                    given = notice.certificate
                    raise InputError("record_unknown", where=where, given=given)
                made = staged(path, sort)
                items.append(notice_item(notice, place, place.parent.name, made))
            elif sort not in (kinds.RUN, kinds.CERTIFICATE):
                items.append(shop_item(path, sort, staged(path, sort)))
        stack.pop_all()  # from here on the archive takes them away itself
        kept = put_items(archive, items, key, who, utc_ns)
    return Added(run_id, kept)


def keep_issued(
    archive: Archive,
    run_path: Path,
    page: bytes,
    *,
    key: SigningKey,
    who: str,
    plan: str = "",
    as_found_run: Path | None = None,
    utc_ns: Callable[[], int] = time.time_ns,
) -> Added:
    """Keep a run with a page that was just made of it, before that is handed out.

    Args:
        archive: where to.
        run_path: the run file.
        page: the page's bytes.
        key: signs the archive's head.
        who: by whom.
        plan: text of another version of the plan that the page was judged by.
        as_found_run: run of the test as received that the page shows.
        utc_ns: the clock.

    Raises:
        InputError, IntegrityError: see :func:`add`.
    """
    archive.make(key, who, utc_ns)
    with ExitStack() as stack:

        def staged(source: Path | bytes, what: str) -> Staged:
            made = archive.stage(source, what)
            stack.callback(archive.drop, made)
            return made

        of_run = staged(run_path, "run file")
        run = _of(run_path, read_sealed, of_run)
        of_page = staged(page, "certificate")
        found = verify(of_page.path)
        items = [run_item(run, of_run)]
        if as_found_run is not None:
            made = staged(as_found_run, "run file")
            received = _of(as_found_run, read_sealed, made)
            items.append(run_item(received, made))
            if not (archive.folder / folder_of(received) / RUN_NAME).exists():
                judged = judgement_bytes(received, who="")
                judged_file = staged(judged, "judgement")
                items.append(judgement_item(received, judged, judged_file))
        if plan:
            of_plan = staged(plan.encode(), "plan")
            items.append(shop_item(of_plan.path, "plan", of_plan, ".toml"))
        items += certificate_items(run, found, run_path, of_page, staged)
        stack.pop_all()  # from here on the archive takes them away itself
        kept = put_items(archive, items, key, who, utc_ns)
    return Added(run.id, kept)


def comment(
    archive: Archive,
    run_id: str,
    text: str,
    *,
    key: SigningKey,
    who: str,
    utc_ns: Callable[[], int] = time.time_ns,
) -> Added:
    """Keep a remark on a run that is kept.

    Raises:
        InputError: ``record_unknown``, ``value_wrong``; the archive can't be written.
        IntegrityError: the run was changed, or the archive was.
    """
    said = text.strip()
    if not said or len(said) > MOST_NOTE or "\0" in said:
        right = f"a text of at most {MOST_NOTE} characters"
        given = ascii(said[:40]) if said else "nothing"
        raise InputError("value_wrong", key="TEXT", given=given, right=right)
    run = read_sealed(run_folder(archive, run_id) / RUN_NAME)
    note = Note(
        format=NOTE_FORMAT,
        run=run.id,
        run_sha256=run.sha256,
        by=who,
        utc_ns=utc_ns(),
        text=said,
    )
    made = archive.stage(to_json(note) + b"\n", "note")
    item = Item(
        staged=made,
        folder=folder_of(run),
        name="note-{n}.json",
        kind=kinds.NOTE,
        what=f"note on run {run.id}",
        about={"run": run.id},
    )
    return Added(run.id, put_items(archive, [item], key, who, utc_ns))


def read_note(data: bytes) -> Note:
    """Return a note from its file's bytes.

    Raises:
        ValueError: they are none.
    """
    return from_json(data, Note)


def put_items(
    archive: Archive,
    items: Sequence[Item],
    key: SigningKey,
    who: str,
    utc_ns: Callable[[], int],
) -> tuple[Kept, ...]:
    """Keep staged items for good, all or none; other benches' keys count as known.

    Raises:
        InputError, IntegrityError: see :meth:`Archive.add`.
    """
    return archive.add(items, key=key, who=who, utc_ns=utc_ns, trusted=trusted_keys())


T = TypeVar("T")


def _of(path: Path, read: Callable[[Path], T], made: Staged) -> T:
    """Read a staged copy, and tell what is wrong of the file that it was made from."""
    try:
        return read(made.path)
    except ProofstandError as error:
        raise error.at(str(path)) from None


# --- a run and its papers ------------------------------------------------------------


def folder_of(run: Run) -> str:
    """Return where a run lies: year of the test and the run's id.

    Raises:
        InputError: ``run_id_unusable``.
    """
    if not is_safe(run.id):
        raise InputError("run_id_unusable", given=ascii(run.id[:60]))
    return f"{_moment(run.header.started_utc_ns):%Y}/{run.id}"


def _moment(utc_ns: int) -> datetime:
    try:
        return datetime.fromtimestamp(utc_ns // 10**9, tz=UTC)
    except (ValueError, OverflowError, OSError):
        return datetime.fromtimestamp(0, tz=UTC)


def run_folder(archive: Archive, run_id: str) -> Path:
    """Return the folder of a run that is kept.

    Raises:
        InputError: ``record_unknown``.
    """
    if is_safe(run_id):
        for found in sorted(archive.folder.glob(f"[0-9][0-9][0-9][0-9]/{run_id}")):
            if (found / RUN_NAME).is_file():
                return found
    raise InputError("record_unknown", where=str(archive.folder), given=run_id)


def kept_run(archive: Archive, found: Verified, page: Path) -> Run:
    """Return the run of a certificate, which has to be kept.

    Raises:
        InputError: ``certificate_run_not_kept``. IntegrityError: it was changed.
    """
    try:
        return read_sealed(run_folder(archive, found.run) / RUN_NAME)
    except InputError:
        raise InputError(
            "certificate_run_not_kept", where=str(page), run=found.run
        ) from None


def run_facts(run: Run) -> dict[str, Fact]:
    """Return what a run is found by."""
    header = run.header
    job = header.job
    return {
        "run": run.id,
        "run_sha256": run.sha256,
        "state": run.state.value,
        "serial": job.regulator.serial,
        "model": job.regulator.model,
        "family": job.regulator.family,
        "gas": job.regulator.gas,
        "customer": job.intake.sender if job.intake is not None else "",
        "job": job.id,
        "plan": header.plan.id,
        "plan_version": header.plan.version,
        "rig": header.rig.id,
        "station": header.station,
        "by": header.by,
        "started_ns": header.started_utc_ns,
        "origin": header.origin,
        "simulated": header.rig.simulated,
    }


def run_item(run: Run, made: Staged) -> Item:
    """Return a run as it is to be kept.

    Raises:
        InputError: ``run_id_unusable``.
    """
    return Item(
        staged=made,
        folder=folder_of(run),
        name=RUN_NAME,
        kind=kinds.RUN,
        what=f"run of {run.header.job.regulator.serial}",
        about=run_facts(run),
    )


def judgement_bytes(run: Run, who: str) -> bytes:
    """Return a run's judgement against its own plan, as ``judge --json`` prints it."""
    plan = plan_of(run.header)
    document = judgements_json([judgement_json(judge(run, plan, by=who), run, plan)])
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1).encode()


def judgement_facts(data: bytes, run: Run) -> dict[str, Fact]:
    """Return what a judgement is found by, once it is shown to be one of this run.

    Raises:
        ValueError: it is not.
    """
    try:
        (told,) = json.loads(data)["judgements"]
        facts: dict[str, Fact] = {
            "run": str(told["run"]["id"]),
            "run_sha256": str(told["run"]["sha256"]),
            "verdict": str(told["verdict"]),
            "plan": str(told["plan"]["id"]),
            "plan_version": int(told["plan"]["version"]),
            "analysis_version": int(told["analysis_version"]),
        }
    except (ValueError, KeyError, TypeError) as error:
        raise ValueError("no judgement") from error
    if (facts["run"], facts["run_sha256"]) != (run.id, run.sha256):
        raise ValueError("of another run")
    return facts


def judgement_item(run: Run, data: bytes, made: Staged) -> Item:
    """Return a judgement as it is to be kept.

    Raises:
        ValueError: it is none, or of another run.
    """
    facts = judgement_facts(data, run)
    return Item(
        staged=made,
        folder=folder_of(run),
        name="judgement-{n}.json",
        kind=kinds.JUDGEMENT,
        what=f"judgement: {facts['verdict']}",
        about=facts,
    )


def certificate_facts(found: Verified) -> dict[str, Fact]:
    """Return what a certificate is found by."""
    assert found.paper is not None
    paper = found.paper
    return {
        "run": found.run,
        "run_sha256": found.sha256,
        "number": paper.number,
        "title": paper.title,
        "verdict": paper.verdict,
        "issued": paper.issued,
        "by": paper.by,
        "simulated": found.simulated,
    }


def certificate_items(
    run: Run,
    found: Verified,
    page: Path,
    made: Staged,
    staged: Callable[[bytes, str], Staged],
) -> tuple[Item, Item]:
    """Return the judgement inside a certificate and the certificate itself.

    Raises:
        InputError: ``file_not_ours``.
        IntegrityError: ``certificate_of_another_run``, ``certificate_changed``.
    """
    if found.what != CERTIFICATE or found.paper is None:
        raise InputError("file_not_ours", where=str(page), what="certificate")
    paper = found.paper
    if (found.run, found.sha256) != (run.id, run.sha256):
        raise IntegrityError(
            "certificate_of_another_run", where=str(page), number=paper.number
        )
    judged = paper.judgement
    try:
        item = judgement_item(run, judged, staged(judged, "judgement"))
        if not is_safe(paper.number):
            raise ValueError("no number")
    except ValueError:
        why = "the judgement inside is not one of its run"
        raise IntegrityError("certificate_changed", where=str(page), why=why) from None
    # one number, two files: the page that waited, and the same with both signatures
    second = "" if paper.second is None else "-countersigned"
    return item, Item(
        staged=made,
        folder=folder_of(run),
        name=f"certificate-{safe_name(paper.number)}{second}.pdf",
        kind=kinds.CERTIFICATE,
        what=f"{paper.title} {paper.number}",
        about=certificate_facts(found),
    )


def signed_note_facts(note: SignedNote) -> dict[str, Fact]:
    """Return what a signed note about a run is found by."""
    return {"run": note.run_id, "by": note.by, "made": str(note.facts["made"])}


def signed_note_item(run: Run, note: SignedNote, made: Staged) -> Item:
    """Return a concession, rejection or confirmation as it is to be kept.

    Raises:
        IntegrityError: ``note_of_another_run``.
    """
    if note.run_sha256 != run.sha256:
        raise IntegrityError("note_of_another_run", where=run.id, what=note.what)
    return Item(
        staged=made,
        folder=folder_of(run),
        name=f"{note.what}-{{n}}.json",
        kind=note.what,
        what=f"{note.what} by {note.by}",
        about=signed_note_facts(note),
    )


def _run_of_note(archive: Archive, note: SignedNote, path: Path) -> Run:
    try:
        return read_sealed(run_folder(archive, note.run_id) / RUN_NAME)
    except InputError:
        raise InputError(
            "certificate_run_not_kept", where=str(path), run=note.run_id
        ) from None


def page_kept(archive: Archive, notice: Notice) -> Path | None:
    """Return the certificate that a notice is of, from the archive's folder on."""
    named = f"certificate-{safe_name(notice.certificate)}*.pdf"
    for page in sorted(archive.folder.glob(f"[0-9][0-9][0-9][0-9]/*/{named}")):
        if sha256_of(page)[0] == notice.sha256:
            return page.relative_to(archive.folder)
    return None


def notice_facts(notice: Notice, run_id: str) -> dict[str, Fact]:
    """Return what a notice beside a certificate is found by."""
    return {
        "run": run_id,
        "certificate": notice.certificate,
        "says": notice.says,
        "by": notice.by,
        "made": notice.made,
    }


def notice_item(notice: Notice, page: Path, run_id: str, made: Staged) -> Item:
    """Return a notice as it is to be kept: beside its certificate.

    Args:
        notice: what it says.
        page: the certificate, from the archive's folder on.
        run_id: of its run.
        made: the notice's staged file.
    """
    return Item(
        staged=made,
        folder=page.parent.as_posix(),
        name=f"{page.stem}.notice-{{n}}.json",
        kind=kinds.NOTICE,
        what=f"{notice.certificate}: {notice.says}",
        about=notice_facts(notice, run_id),
    )
