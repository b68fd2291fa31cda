"""Issuing: from a sealed, signed run to a signed page, written once.

The one front door; whoever wants a certificate calls :func:`issue`.
"""

from __future__ import annotations

import json
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from analysis.judge import judge
from analysis.marks import Performance, performances
from records.errors import InputError, IntegrityError, RefusedError
from records.journal import is_journal
from records.judgement import Judgement
from records.plan import Plan
from records.run import MarkKind, Run, RunState
from records.runfile import check_place, read_seal, read_sealed, write_once

from ..approvals import plan_of
from ..drawing.picture import picture_of
from ..report import judgement_json, judgements_json
from ..version import VERSION
from ..words.sentences import label
from .asheld import channels_used, expired
from .beside import NOT_ASKED, NOTHING, Asked, Beside, announced, gathered
from .certificate import (
    DATA_NAME,
    JUDGEMENT_NAME,
    Certificate,
    certificate_json,
    code_text,
    number_of,
    title_of,
)
from .content import page_data
from .keys import PRIVATE_NAME, Key, key_for, shop_folder, signature_fits
from .pades import sign
from .page import Attached, set_page

SALT_BYTES = 16


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate that was written.

    Attributes:
        path: the file. certificate: its facts. judgement: what it says.
        bytes: of the file.
    """

    path: Path
    certificate: Certificate
    judgement: Judgement
    bytes: int


def issue(
    run_path: Path,
    out: Path,
    *,
    by: str = "",
    key_folder: Path | None = None,
    as_found: bool = False,
    asked: Asked = NOT_ASKED,
    utc_ns: Callable[[], int] = time.time_ns,
) -> Issued:
    """Make the certificate, test report or condition report of a run.

    Args:
        run_path: sealed and signed run file.
        out: the page to make; must not exist.
        by: who issues it.
        key_folder: of the key that signs it, the one that sealed the run; None takes
            the shop's.
        as_found: the regulator was tested as received: a condition report.
        asked: what is to stand beside it.
        utc_ns: the clock.

    Raises:
        InputError: a file can't be read or written.
        IntegrityError: the run was changed, or another key sealed it.
        RefusedError: a rule forbids it; nothing is written.
    """
    check_place(out, "certificate")
    run = _sealed(run_path)
    key = _key(run, run_path, key_folder)
    beside = gathered(asked, run, key)
    plan = plan_of(run.header)
    judgement = judge(run, plan, by=by)
    _refuse_not_whole(run, plan, judgement, run_path)
    _refuse_expired(run, judgement, run_path)
    issued_ns = utc_ns()
    issued = datetime.fromtimestamp(issued_ns // 10**9, tz=UTC).astimezone()
    certificate = Certificate(
        number=number_of(run, issued, issued_ns, secrets.token_bytes(SALT_BYTES)),
        title=title_of(judgement, plan, as_found=as_found or plan.as_found),
        run_id=run.id,
        run_sha256=run.sha256,
        plan_id=plan.id,
        plan_version=plan.version,
        plan_sha256=judgement.plan_sha256,
        verdict=judgement.verdict,
        issued=issued,
        by=by,
        key_id=key.id,
        owner=key.owner,
        software=VERSION,
        analysis_version=judgement.analysis_version,
        simulated=run.header.rig.simulated,
        replaces=beside.replaces,
        as_found=beside.as_found_run,
    )
    page = page_of(certificate, run, plan, judgement, beside)
    write_once(out, sign(page, key, certificate.title.said), "certificate")
    announced(asked, certificate, key_folder, utc_ns)
    return Issued(out, certificate, judgement, out.stat().st_size)


def page_of(
    certificate: Certificate,
    run: Run,
    plan: Plan,
    judgement: Judgement,
    beside: Beside = NOTHING,
) -> bytes:
    """Return the page, unsigned, with the judgement and its own facts inside."""
    judged = judgements_json([judgement_json(judgement, run, plan)])
    attached = (
        Attached(JUDGEMENT_NAME, _text(judged), "The findings, as proofstand judge"),
        Attached(DATA_NAME, _text(certificate_json(certificate)), "What this page is"),
    )
    return set_page(
        page_data(certificate, run, plan, judgement, beside),
        [picture_of(run, plan, part.number) for part in run.parts],
        code_text(certificate.number, certificate.run_sha256),
        attached,
        certificate.issued,
    )


def _text(document: dict[str, object]) -> str:
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)


def _sealed(path: Path) -> Run:
    if is_journal(path):
        raise RefusedError("run_not_sealed", where=str(path))
    run = read_sealed(path)
    if not run.key_id:
        raise RefusedError("run_not_signed", where=str(path))
    return run


def _key(run: Run, run_path: Path, folder: Path | None) -> Key:
    """Return the key that signs, once it is shown to be the one that sealed the run."""
    simulated = run.header.rig.simulated
    if folder is None and simulated:
        raise RefusedError("simulated_needs_demo_key", where=str(run_path))
    if folder is None and not (shop_folder() / PRIVATE_NAME).exists():
        # A key made now could not be the one that sealed the run.
        raise InputError("file_missing", where=str(shop_folder()), what="key")
    key = key_for(simulated=simulated, folder=folder)
    assert key is not None
    if run.key_id != key.id or not signature_fits(read_seal(run_path), key.public):
        raise IntegrityError("signature_wrong", where=str(run_path), key=key.id[:16])
    return key


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
