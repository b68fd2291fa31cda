"""A second person for a second judgement that turns a fail into a pass.

`judge` writes nothing and needs nobody. A page is another matter: where the plan that a
run was recorded by, or a page on the shop's record, said *fail*, a page that says
*pass* needs the confirmation of a lead who made neither.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from analysis.judge import judge
from records.errors import InputError, RefusedError
from records.judgement import Judgement, Verdict
from records.people import Act, name_key
from records.plan import Plan
from records.planfile import plan_by_name
from records.run import Run
from records.runfile import check_place
from records.tomlfile import text_sha256

from ..approvals import approvals_for, as_approved, plan_of
from .certificate import Before
from .concession import of_this_shop
from .keys import Key
from .notes import CONFIRMATION, Note, common, load_note, reason_of, signed, write_note
from .persons import AskPin, did, done, moment, no_pin
from .roll import Clock
from .signed_run import key_of, signed_run, who_signs


def judged(run: Run, plan_name: str) -> tuple[Plan, Judgement]:
    """Return a run's judgement by its own plan, or by another version of it.

    Args:
        run: as read from its file.
        plan_name: a file or a built-in id; "" takes the plan that the run carries.

    Raises:
        InputError: the plan can't be used; ``plan_not_a_version``.
        IntegrityError: the record of its approval was changed.
    """
    if not plan_name:
        plan = plan_of(run.header)
        judgement = judge(run, plan)
        return plan, replace(judgement, plan_sha256=run.header.plan_sha256)
    plan, text = plan_by_name(plan_name)
    if plan.id != run.header.plan.id:
        raise InputError(
            "plan_not_a_version",
            where=plan_name,
            given=plan.id,
            wanted=run.header.plan.id,
        )
    sha256 = text_sha256(text)
    plan = as_approved(plan, sha256)
    return plan, replace(judge(run, plan), plan_sha256=sha256)


def turned(run: Run, now: Judgement) -> Before | None:
    """Return the fail that a judgement turns into a pass, or None.

    Looked at are the plan that the run was recorded by, and the pages of the run that
    are on the shop's record.

    Raises:
        InputError, IntegrityError: a record can't be used.
    """
    if now.verdict is not Verdict.PASS:
        return None
    if now.plan_sha256 != run.header.plan_sha256:
        plan, first = judged(run, "")
        if first.verdict is Verdict.FAIL:
            return _before(plan.id, plan.version, first.plan_sha256)
    for event in done(Act.CERTIFY, run=run.sha256, verdict=Verdict.FAIL.value):
        facts = event.facts
        return _before(facts["plan"], int(facts["version"]), facts["plan_sha256"])
    return None


def _before(plan: str, version: int, sha256: str) -> Before:
    return Before(
        plan_id=plan, plan_version=version, plan_sha256=sha256, verdict=Verdict.FAIL
    )


def confirm(
    run_path: Path,
    out: Path,
    *,
    plan_name: str,
    why: str,
    by: str,
    ask: AskPin = no_pin,
    key_folder: Path | None = None,
    utc_ns: Clock = time.time_ns,
) -> Note:
    """Record that a lead confirms a second judgement that turns a fail into a pass.

    Args:
        run_path: sealed and signed run.
        out: the record to write; must not exist.
        plan_name: plan version of the second judgement; "" the run's own.
        why: the reason.
        by: quality lead who confirms.
        ask: asks for their PIN.
        key_folder: as for a certificate.
        utc_ns: the clock.

    Raises:
        InputError: something given won't do, or can't be read or written.
        IntegrityError: the run was changed.
        RefusedError: ``nothing_to_confirm``, ``second_person_wanted``, or not by this
            person.
    """
    check_place(out, "confirmation")
    run = signed_run(run_path)
    key = key_of(run, run_path, key_folder)
    plan, now = judged(run, plan_name)
    before = turned(run, now)
    if before is None:
        raise RefusedError(
            "nothing_to_confirm", where=str(run_path), verdict=now.verdict.value
        )
    reason_of(why)  # before anybody types a PIN
    who = who_signs(key, by, Act.CONFIRM, ask, utc_ns)
    if not who.name:
        raise RefusedError("person_wanted", act=Act.CONFIRM.value)
    refuse_first(who.name, run, str(run_path))
    refuse_approver(who.name, run, plan, now.plan_sha256, str(run_path))
    facts: dict[str, Any] = {
        **common(CONFIRMATION, run, who, why, moment(utc_ns())),
        "plan": {"id": plan.id, "version": plan.version, "sha256": now.plan_sha256},
        "before": {
            "plan": {
                "id": before.plan_id,
                "version": before.plan_version,
                "sha256": before.plan_sha256,
            },
            "verdict": before.verdict.value,
        },
        "after": {
            "verdict": now.verdict.value,
            "analysis_version": now.analysis_version,
        },
    }
    note = signed(facts, key)
    write_note(out, note)
    did(who, Act.CONFIRM, utc_ns=utc_ns, run=run.sha256, plan_sha256=now.plan_sha256)
    return note


def confirmed(
    before: Before,
    path: Path | None,
    run: Run,
    plan: Plan,
    now: Judgement,
    issuer: str,
    key: Key,
    where: str,
) -> Before:
    """Return what was before with the confirmation of what is now.

    Raises:
        InputError, IntegrityError: the file is no such record of ours.
        RefusedError: ``second_person_wanted``.
    """
    if path is None:
        raise _wanted(before, where)
    note = load_note(path, CONFIRMATION)
    of_this_shop(note, run, key, path)
    same = (
        note.facts["plan"]["sha256"] == now.plan_sha256
        and note.facts["before"]["plan"]["sha256"] == before.plan_sha256
        and note.facts["after"]["analysis_version"] == now.analysis_version
    )
    if not same or name_key(note.by) == name_key(issuer):
        raise _wanted(before, str(path))
    refuse_first(note.by, run, str(path))
    refuse_approver(note.by, run, plan, now.plan_sha256, str(path))
    return replace(before, confirmed=note)


def _wanted(before: Before, where: str) -> RefusedError:
    return RefusedError(
        "second_person_wanted",
        where=where,
        plan=before.plan_id,
        version=before.plan_version,
    )


def refuse_first(name: str, run: Run, where: str) -> None:
    """Refuse a confirmation by who recorded the run or issued a page of its fail.

    Raises:
        RefusedError: ``second_person_same``.
    """
    first = {name_key(run.header.by or run.header.job.technician)}
    fails = done(Act.CERTIFY, run=run.sha256, verdict=Verdict.FAIL.value)
    first |= {name_key(event.by) for event in fails}
    if name_key(name) in first:
        raise RefusedError("second_person_same", where=where, name=name)


def refuse_approver(
    name: str, run: Run, plan: Plan, plan_sha256: str, where: str
) -> None:
    """Refuse a confirmation by who approved the version that makes it a pass.

    Raises:
        RefusedError: ``second_person_approved``.
    """
    if plan_sha256 == run.header.plan_sha256:
        return  # the plan turned nothing
    approvers = {name_key(a.by) for a in approvals_for(run.header, plan, plan_sha256)}
    if name_key(name) in approvers:
        raise RefusedError(
            "second_person_approved",
            where=where,
            name=name,
            plan=plan.id,
            version=plan.version,
        )
