"""The tag of a tested regulator: what it may say, and its PDF; command and window."""

from __future__ import annotations

import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analysis.judge import judge
from records.errors import InputError, IntegrityError, RefusedError
from records.jobcard import JobCard
from records.judgement import Judgement, Verdict
from records.plan import Plan
from records.run import Run
from records.runfile import check_place, open_run, write_once

from .approvals import plan_of
from .keeping.against import known_against_page, known_against_run
from .signoff.certificate import Title, title_of
from .signoff.labels import Size, Standing, State, set_labels, state_for, tag
from .signoff.verify import verify
from .words.sentences import page

STOCK = "100x50"


def tag_of(
    run_file: Path,
    *,
    certificate: Path | None = None,
    wanted: State | None = None,
    card: JobCard | None = None,
    by: str = "",
    archive: Path | None = None,
) -> tuple[dict[str, Any], State]:
    """Return what the tag of a run says, and its state.

    Args:
        run_file: the sealed run.
        certificate: of this run, or None.
        wanted: a state that is asked for; None takes what run and card allow.
        card: the job card as it is now; None takes the run's.
        by: who tags it.
        archive: that is asked what speaks against it; None takes that of the settings,
            else the user's, for a simulated rig none.

    Raises:
        InputError, IntegrityError: a file can't be used, or is of another run.
        RefusedError: ``tag_not_serviceable``, ``label_differs``,
            ``certificate_of_other_run``.
    """
    run = open_run(run_file)
    plan = plan_of(run.header)
    judgement = judge(run, plan)
    job = run.header.job if card is None else _of_this_regulator(card, run)
    standing = _standing(run_file, certificate, run, plan, judgement, job, archive)
    state = state_for(standing, wanted)
    said = tag(run, plan, judgement, state, number=standing.number, card=job, by=by)
    return said, state


def write_labels(out: Path, labels: Sequence[dict[str, Any]], size: Size) -> None:
    """Write labels as a PDF, one a page; nothing is written over.

    Raises:
        InputError: ``file_exists`` or ``file_unwritable``.
        RefusedError: ``label_too_small``.
    """
    check_place(out, "label")
    now = datetime.fromtimestamp(time.time_ns() // 10**9, tz=UTC)
    write_once(out, set_labels(list(labels), size, now), "label")


def _of_this_regulator(card: JobCard, run: Run) -> JobCard:
    job = run.header.job
    serial = job.regulator.serial
    if card.id != job.id or serial not in card.known_serials:
        given = f"{card.id}/{card.regulator.serial}"
        raise RefusedError("label_differs", given=given, card=job.id, known=serial)
    return card.of_serial(serial)


def _standing(
    run_file: Path,
    certificate: Path | None,
    run: Run,
    plan: Plan,
    judgement: Judgement,
    card: JobCard,
    archive: Path | None,
) -> Standing:
    title = title_of(judgement, plan, as_found=plan.as_found)
    number = against = ""
    if certificate is not None:
        number, against = _of_page(certificate, run_file, run, archive)
    of_run = known_against_run(archive)(run)
    for notice in of_run.notices:
        other = page("tag_other_under_review", number=notice.certificate)
        against = against or other
    if of_run.rejected is not None:
        who = f"{of_run.rejected.by}, {of_run.rejected.day}"
        against = page("tag_rejected", by=who)
    return Standing(
        passes=title in (Title.CERTIFICATE, Title.TO_COUNTERSIGN),
        fails=judgement.verdict is Verdict.FAIL,
        number=number,
        against=against,
        ending=card.disposition[-1].ending if card.disposition else "",
    )


def _of_page(
    certificate: Path, run_file: Path, run: Run, archive: Path | None
) -> tuple[str, str]:
    """Return the number of a run's page, and what stands against it, or ""."""
    found, where = verify(certificate), str(certificate)
    if found.paper is None:
        raise InputError("file_not_ours", where=where, what="certificate")
    number = found.paper.number
    if found.run != run.id:
        raise RefusedError(
            "certificate_of_other_run",
            where=where,
            number=number,
            run=found.run,
            wanted=run.id,
        )
    if found.sha256 != run.sha256:
        raise IntegrityError(
            "certificate_of_another_run", where=str(run_file), number=number
        )
    if found.key != run.key_id:
        raise IntegrityError("signature_wrong", where=where, key=run.key_id[:16])
    against = ", ".join(
        n.says for n in known_against_page(archive)(certificate).notices
    )
    if found.paper.title != Title.CERTIFICATE.value:
        against = against or f"a {found.paper.title}"
    return number, against
