"""One kept run as a reviewer needs it: samples, judgements, papers, notes, who.

All of it comes from the archive's own files, each compared with what the chain tells of
it; one that is not as it was kept is told and not read.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from analysis.by_regulator import each_regulator
from analysis.judge import judge
from analysis.version import ANALYSIS_VERSION
from records.archive import entry as kinds
from records.archive.chain import Archive
from records.archive.found import Listed, RunFound
from records.archive.index import Index
from records.boundary import Boundary
from records.errors import InputError, IntegrityError, ProofstandError
from records.judgement import Judgement
from records.plan import Plan
from records.run import Run
from records.runfile import read_sealed

from ..approvals import plan_of
from ..signoff.notes import read_note as read_signed
from ..signoff.notices import read_notice
from .boundaries import boundaries_in, with_boundaries
from .keep import RUN_NAME, read_note


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptJudgement:
    """A judgement that is kept; of several the newest stands.

    Attributes:
        n: number of its record. utc_ns, who: when it was kept, and by whom.
        outcomes: of each finding, by step, id and channel.
        boundaries: of what was read, moved by hand.
    """

    n: int
    utc_ns: int
    who: str
    path: str
    verdict: str
    plan: str
    plan_version: int
    analysis_version: int
    outcomes: Mapping[tuple[str, str, str], str]
    boundaries: tuple[Boundary, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptPaper:
    """Something that was added to a run: a page, a note, a notice.

    Attributes:
        kind: as the chain has it. what: in a few words. text: what it says, or "".
        by: who says it, as it says itself, "" where it does not.
    """

    n: int
    utc_ns: int
    who: str
    kind: str
    what: str
    path: str
    text: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reviewed:
    """A run with all that was added to it, the newest first.

    Attributes:
        path: its file. run: with the boundaries that were kept last.
        plan: with the status that its approval gives it.
        judgement: as it is judged by this program now. standing: the one kept last.
        same: that says the same as ``judgement``.
        unread: what is missing or not as it was kept.
    """

    found: RunFound
    path: Path
    run: Run
    plan: Plan
    judgement: Judgement
    judgements: tuple[KeptJudgement, ...]
    papers: tuple[KeptPaper, ...]
    unread: tuple[ProofstandError, ...]

    @property
    def standing(self) -> KeptJudgement | None:
        """The judgement that was kept last, or None."""
        return self.judgements[0] if self.judgements else None

    @property
    def same(self) -> bool:
        """The judgement that was kept last says what this program says now."""
        kept = self.standing
        if kept is None or kept.analysis_version != ANALYSIS_VERSION:
            return False
        # of two regulators a page's judgement is of the one that it was made for
        each = each_regulator(self.judgement, self.run)
        told = [self.judgement, *(judgement for _, judgement in each)]
        return any(_says(kept, judgement) for judgement in told)


def _says(kept: KeptJudgement, judgement: Judgement) -> bool:
    """Tell whether a kept judgement says of every finding what this one says."""
    now = {(f.step, f.id, f.channel): f.outcome.value for f in judgement.findings}
    return kept.verdict == judgement.verdict.value and kept.outcomes == now


def reviewed(index: Index, archive: Archive, found: RunFound) -> Reviewed:
    """Return a kept run with all that belongs to it.

    Args:
        index: of the archive, brought up to it.
        archive: where the files are.
        found: which run.

    Raises:
        InputError: the run's file is missing. IntegrityError: it was changed.
    """
    entries = index.entries(run=found.run)
    path, run = run_of(archive, entries, found)
    plan = plan_of(run.header)
    judged: list[KeptJudgement] = []
    papers: list[KeptPaper] = []
    unread: list[ProofstandError] = []
    for listed in entries:
        if listed.kind == kinds.RUN:
            continue
        try:
            data = read_as_kept(archive, listed)
            if listed.kind == kinds.JUDGEMENT:
                judged.append(_judgement(listed, data))
            else:
                papers.append(paper_of(archive, listed, data))
        except ProofstandError as error:
            unread.append(error)
    if judged:
        try:
            run = with_boundaries(run, judged[-1].boundaries)
        except ProofstandError as error:
            unread.append(error)
    return Reviewed(
        found=found,
        path=path,
        run=run,
        plan=plan,
        judgement=judge(run, plan),
        judgements=tuple(reversed(judged)),
        papers=tuple(reversed(papers)),
        unread=tuple(unread),
    )


def run_of(
    archive: Archive, entries: Iterable[Listed], found: RunFound
) -> tuple[Path, Run]:
    """Return a run with its file's place, once that is shown to be the one kept.

    Raises:
        IntegrityError: it is missing or was changed.
    """
    for listed in entries:
        if listed.kind == kinds.RUN:
            read_as_kept(archive, listed)
            path = archive.folder / listed.path
            return path, read_sealed(path)
    where = str(archive.folder / found.run / RUN_NAME)
    raise IntegrityError("archive_file_missing", where=where)


def read_as_kept(archive: Archive, listed: Listed) -> bytes:
    """Return a kept file's bytes, once they are shown to be those that were kept.

    Raises:
        IntegrityError: ``archive_file_missing`` or ``archive_file_changed``.
    """
    place = archive.folder / listed.path
    try:
        data = place.read_bytes()
    except OSError:
        raise IntegrityError("archive_file_missing", where=str(place)) from None
    if hashlib.sha256(data).hexdigest() != listed.sha256:
        raise IntegrityError("archive_file_changed", where=str(place), n=listed.n)
    return data


def _judgement(listed: Listed, data: bytes) -> KeptJudgement:
    try:
        (told,) = json.loads(data)["judgements"]
        return KeptJudgement(
            n=listed.n,
            utc_ns=listed.utc_ns,
            who=listed.who,
            path=listed.path,
            verdict=str(told["verdict"]),
            plan=str(told["plan"]["id"]),
            plan_version=int(told["plan"]["version"]),
            analysis_version=int(told["analysis_version"]),
            outcomes={
                (str(f["step"]), str(f["id"]), str(f["channel"] or "")): str(
                    f["outcome"]
                )
                for f in told["findings"]
            },
            boundaries=boundaries_in(told),
        )
    except (ValueError, KeyError, TypeError, InputError):
        raise IntegrityError(
            "archive_file_changed", where=listed.path, n=listed.n
        ) from None


def paper_of(archive: Archive, listed: Listed, data: bytes) -> KeptPaper:
    """Return what one file beside a run says, in words.

    Raises:
        IntegrityError: it is not what its record says that it is.
    """
    text = by = ""
    if listed.kind == kinds.NOTE:
        try:
            note = read_note(data)
        except ValueError:
            raise IntegrityError(
                "archive_file_changed", where=listed.path, n=listed.n
            ) from None
        text, by = note.text, note.by
    elif listed.kind in kinds.SIGNED_NOTES:
        signed = read_signed(data, str(archive.folder / listed.path))
        text, by = str(signed.facts["why"]), signed.by
    elif listed.kind == kinds.NOTICE:
        notice = read_notice(archive.folder / listed.path)
        text, by = notice.why, notice.by
    return KeptPaper(
        n=listed.n,
        utc_ns=listed.utc_ns,
        who=listed.who,
        kind=listed.kind,
        what=listed.what,
        path=listed.path,
        text=text,
        by=by,
    )
