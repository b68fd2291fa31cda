"""Issuing: from a sealed, signed run to a signed page, written once.

The one front door; whoever wants a certificate calls :func:`issue`.
"""

from __future__ import annotations

import json
import secrets
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from analysis.by_regulator import each_regulator
from analysis.marks import Performance, performances
from records.errors import InputError, RefusedError
from records.judgement import Judgement
from records.people import Act
from records.plan import Plan
from records.run import MarkKind, Run, RunState
from records.runfile import check_place, write_once

from ..approvals import approvals_for
from ..drawing.picture import picture_of
from ..report import judgement_json, judgements_json, without_odds
from ..version import VERSION
from ..words.sentences import label
from .against import Against, against_run
from .asheld import channels_used, expired
from .beside import NOT_ASKED, NOTHING, Asked, Beside, announced, gathered
from .certificate import (
    CONFIRMATION_NAME,
    DATA_NAME,
    JUDGEMENT_NAME,
    Box,
    Certificate,
    Earlier,
    Title,
    certificate_json,
    code_text,
    concession_files,
    number_of,
    title_of,
)
from .concession import conceded
from .content import page_data
from .pades import sign
from .page import Attached, set_page_and_box
from .persons import AskPin, did, done, no_pin, the_roll
from .second_person import confirmed, judged, turned
from .signed_run import key_of, signed_run, who_signs

SALT_BYTES = 16


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate that was written.

    Attributes:
        path: the file. certificate: its facts. judgement: what it says.
        bytes: of the file. notice: that it took another one's place, beside that one.
    """

    path: Path
    certificate: Certificate
    judgement: Judgement
    bytes: int
    notice: Path | None = None


def issue(
    run_path: Path,
    out: Path,
    *,
    by: str = "",
    key_folder: Path | None = None,
    as_found: bool = False,
    of: str = "",
    plan_name: str = "",
    concessions: Sequence[Path] = (),
    confirmation: Path | None = None,
    ask: AskPin = no_pin,
    asked: Asked = NOT_ASKED,
    utc_ns: Callable[[], int] = time.time_ns,
    keep: Callable[[bytes, bool], object] | None = None,
    earlier: Callable[[Run], tuple[Earlier, ...] | None] = lambda run: None,
    last: Callable[[Run, Sequence[str]], str] = lambda run, titles: "",
    against: Callable[[Run], Against] = against_run,
) -> Issued:
    """Make the certificate, test report or condition report of a run.

    Args:
        run_path: sealed and signed run file.
        out: the page to make; must not exist.
        by: who issues it.
        key_folder: of the key that signs it, the one that sealed the run; None takes
            the shop's.
        as_found: the regulator was tested as received: a condition report.
        of: serial of the regulator that the page is of; needed where two were tested.
        plan_name: another version of the run's plan to judge by; "" the run's own.
        concessions: failed findings that were accepted.
        confirmation: by a second person, where a fail became a pass.
        ask: asks for the PIN of who issues it, where the shop has a roll.
        asked: what is to stand beside it.
        utc_ns: the clock.
        keep: keeps the page before it is handed out, and is told whether it is of a
            simulated rig; a page that can't be kept is not handed out.
        earlier: returns the tests of the same regulator before this one; None where
            they were not looked for.
        last: returns the number of the last page of this run with one of some titles,
            or "": a further one has to take its place.
        against: tells which pages of this run are under review, or that it was
            rejected.

    Raises:
        InputError: a file can't be read or written; ``regulator_wanted``.
        IntegrityError: the run was changed, or another key sealed it.
        RefusedError: a rule forbids it; nothing is written.
    """
    check_place(out, "certificate")
    run = signed_run(run_path)
    key = key_of(run, run_path, key_folder)
    plan, judgement = judged(run, plan_name)
    run, judgement = _one_of(judgement, run, of, run_path)
    beside = gathered(asked, run, key)
    _refuse_not_whole(run, plan, judgement, run_path)
    _refuse_expired(run, judgement, run_path)
    title = title_of(judgement, plan, as_found=as_found or plan.as_found)
    if not key.demo:
        _refuse_not_on_record(run, plan, judgement, run_path)
    taken = "" if beside.replaces is None else beside.replaces.number
    against(run).refuse(str(run_path), but=taken)
    standing = last(run, [alike.value for alike in _alike(title)])
    if standing and standing != taken:
        raise RefusedError(
            "page_already_issued",
            where=str(run_path),
            title=title.said,
            number=standing,
        )
    issued_ns = utc_ns()
    accepted = conceded(concessions, run, plan, judgement, key, issued_ns)
    before = None if key.demo and not plan_name else turned(run, judgement)
    if before is not None:
        before = confirmed(
            before, confirmation, run, plan, judgement, by, key, str(run_path)
        )
    issuer = who_signs(key, by, Act.CERTIFY, ask, utc_ns)
    judgement = replace(judgement, by=issuer.name)
    issued = datetime.fromtimestamp(issued_ns // 10**9, tz=UTC).astimezone()
    to_countersign = title is Title.TO_COUNTERSIGN
    certificate = Certificate(
        number=number_of(run, issued, issued_ns, secrets.token_bytes(SALT_BYTES)),
        title=title,
        run_id=run.id,
        run_sha256=run.sha256,
        plan_id=plan.id,
        plan_version=plan.version,
        plan_sha256=judgement.plan_sha256,
        verdict=judgement.verdict,
        issued=issued,
        by=issuer.name,
        issuer=issuer,
        key_id=key.id,
        owner=key.owner,
        software=VERSION,
        analysis_version=judgement.analysis_version,
        simulated=run.header.rig.simulated,
        countersign=(plan.countersign or "") if to_countersign else "",
        concessions=accepted,
        before=before,
        replaces=beside.replaces,
        as_found=beside.as_found_run,
        earlier=earlier(run),
    )
    pdf, box = page_and_box(certificate, run, plan, judgement, beside)
    signed = sign(pdf, key, certificate.title.said, box)
    kept: list[object] = []

    def on_record() -> None:
        did(
            issuer,
            Act.CERTIFY,
            utc_ns=utc_ns,
            number=certificate.number,
            title=title.value,
            run=run.sha256,
            verdict=judgement.verdict.value,
            plan=plan.id,
            version=str(plan.version),
            plan_sha256=judgement.plan_sha256,
        )
        if keep is not None:
            kept.append(keep(signed, certificate.simulated))

    # On record once there is room for it and before it is there: what could not be
    # written is not kept as issued, and none is handed out that nobody knows of.
    try:
        write_once(out, signed, "certificate", first=on_record)
    except InputError as error:
        if not kept:
            raise
        why = str(error.facts.get("why", error))
        raise InputError(
            "page_kept_only", where=str(out), number=certificate.number, why=why
        ) from None
    notice = announced(asked, certificate, issuer, key_folder, utc_ns)
    return Issued(out, certificate, judgement, len(signed), notice)


def _alike(title: Title) -> tuple[Title, ...]:
    """Return the titles of one kind of page: what waits for a second signature too."""
    kinds = (Title.CERTIFICATE, Title.TO_COUNTERSIGN)
    return kinds if title in kinds else (title,)


def page_of(
    certificate: Certificate,
    run: Run,
    plan: Plan,
    judgement: Judgement,
    beside: Beside = NOTHING,
) -> bytes:
    """Return the page, unsigned, with the judgement and its own facts inside."""
    return page_and_box(certificate, run, plan, judgement, beside)[0]


def page_and_box(
    certificate: Certificate,
    run: Run,
    plan: Plan,
    judgement: Judgement,
    beside: Beside = NOTHING,
) -> tuple[bytes, Box | None]:
    """Return the page as :func:`page_of`, and where a second signature is to show."""
    judged_json = judgements_json([judgement_json(without_odds(judgement), run, plan)])
    attached = [
        Attached(
            JUDGEMENT_NAME, _text(judged_json), "The findings, as proofstand judge"
        ),
        Attached(DATA_NAME, _text(certificate_json(certificate)), "What this page is"),
    ]
    attached += [
        Attached(name, note.data.decode("utf-8"), "A fail that was accepted")
        for name, note in concession_files(certificate)
    ]
    if certificate.before is not None and certificate.before.confirmed is not None:
        text = certificate.before.confirmed.data.decode("utf-8")
        attached.append(Attached(CONFIRMATION_NAME, text, "A second person's word"))
    return set_page_and_box(
        page_data(certificate, run, plan, judgement, beside),
        [picture_of(run, plan, part.number) for part in run.parts],
        code_text(certificate.number, certificate.run_sha256),
        attached,
        certificate.issued,
    )


def _one_of(
    judgement: Judgement, run: Run, of: str, path: Path
) -> tuple[Run, Judgement]:
    """Return run and judgement as they are of one regulator."""
    each = each_regulator(judgement, run)
    serials = [own.header.job.regulator.serial for own, _ in each]
    if not of and len(each) == 1:
        return each[0]
    if of not in serials:
        raise InputError(
            "regulator_wanted",
            where=str(path),
            given=of or "none said",
            known=", ".join(serials),
        )
    return each[serials.index(of)]


def _text(document: dict[str, object]) -> str:
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)


def _refuse_not_on_record(
    run: Run, plan: Plan, judgement: Judgement, path: Path
) -> None:
    """Refuse an approval that was put there since the shop's roll began, past it."""
    roll = the_roll()
    if roll is None or plan.status != "approved":
        return
    found = approvals_for(run.header, plan, judgement.plan_sha256)
    facts = {"plan": plan.id, "plan_sha256": judgement.plan_sha256}
    known = bool(done(Act.APPROVE_PLAN, **facts))
    if found and not known and all(a.utc_ns > roll.begun_ns for a in found):
        raise RefusedError(
            "approval_not_on_record",
            where=str(path),
            plan=plan.id,
            version=plan.version,
            by=found[0].by,
        )


def _refuse_not_whole(run: Run, plan: Plan, judgement: Judgement, path: Path) -> None:
    """Refuse an interrupted run unless all that is required lies in whole parts."""
    if run.state is not RunState.INTERRUPTED:
        return
    done = performances(run, plan)
    for finding in judgement.findings:
        performed = done.get(finding.step)
        whole = (
            finding.measured is not None
            and isinstance(performed, Performance)
            and _is_whole(run, performed.part)
        )
        if finding.required and not whole:
            what = f"{label(finding.id)}, step {finding.step},"
            raise RefusedError("run_not_whole", where=str(path), what=what)
    if not any(f.required for f in judgement.findings):
        raise RefusedError("run_not_whole", where=str(path), what="the trace")


def _is_whole(run: Run, part: int) -> bool:
    """Tell whether every step that was begun in a part came to its end there."""
    open_steps: set[str] = set()
    for mark in run.marks:
        if mark.part != part:
            continue
        if mark.kind is MarkKind.STEP_BEGIN:
            open_steps.add(mark.step)
        elif mark.kind in (MarkKind.STEP_END, MarkKind.STEP_SKIP):
            open_steps.discard(mark.step)
    return not open_steps


def _refuse_expired(run: Run, judgement: Judgement, path: Path) -> None:
    late = expired(channels_used(run, judgement), run)
    if late is None:
        return
    channel, calibration, day = late
    raise RefusedError(
        "calibration_was_expired",
        where=str(path),
        channel=channel.id,
        record=calibration.id,
        due=calibration.due.isoformat(),
        day=day.isoformat(),
    )
