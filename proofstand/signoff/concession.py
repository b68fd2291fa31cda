"""Concessions: a finding that failed, accepted by the lead with somebody's agreement.

It never turns a fail into a pass: the page says *fail, accepted by concession*.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from analysis.judge import judge
from records.errors import InputError, IntegrityError, RefusedError
from records.judgement import Finding, Judgement, Outcome
from records.materials import is_oxidiser
from records.people import Act, name_key
from records.plan import Plan
from records.run import Run
from records.runfile import check_place

from ..approvals import plan_of
from ..display import show
from ..report import role_of
from ..words.sentences import label
from .keys import Key
from .notes import (
    CONCESSION,
    Note,
    common,
    load_note,
    reason_of,
    signed,
    write_note,
)
from .persons import AskPin, did, moment, no_pin
from .roll import Clock
from .shopkeys import known_keys
from .signed_run import key_of, signed_run, who_signs

MOST_DAYS = 366  # that a concession may count; common practice, no source
FAILED = (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)
# What can't be conceded: leakage to the outside, creep and what still passes the seat,
# and what says how well the rig measured.
_LEAKS = frozenset(
    {
        *("external_leak", "solution_leak", "bubble_count"),
        *("seat_leak", "seat_transfer", "creep_rate", "creep_total"),
        *("pressure_decay_rate",),
    }
)
_RELIEF = frozenset({"relief_opening", "relief_reseat"})
_RIG = frozenset(
    {
        *("rig_leak", "reference_leak", "zero_offset", "closing_zero_change"),
        "outlet_volume",
    }
)
_CREEP_STEPS = frozenset({"creep-hold"})


def concede(
    run_path: Path,
    out: Path,
    *,
    finding: str,
    why: str,
    agreed_by: str,
    until: str,
    by: str,
    ask: AskPin = no_pin,
    key_folder: Path | None = None,
    utc_ns: Clock = time.time_ns,
) -> Note:
    """Record that a failed finding of a run is accepted.

    Args:
        run_path: sealed and signed run.
        out: the concession to write; must not exist.
        finding: ``STEP/ID``.
        why: the reason.
        agreed_by: whose agreement.
        until: last day on which it counts, ISO 8601.
        by: quality lead who grants it.
        ask: asks for their PIN.
        key_folder: as for a certificate.
        utc_ns: the clock.

    Raises:
        InputError: something given won't do, or can't be read or written.
        IntegrityError: the run was changed.
        RefusedError: no such concession is possible, or not by this person; who grants
            it can't agree to it for another.
    """
    check_place(out, "concession")
    run = signed_run(run_path)
    key = key_of(run, run_path, key_folder)
    now = utc_ns()
    last = _day(until, now)
    plan = plan_of(run.header)
    judgement = judge(run, plan)
    failed = _failed(finding, judgement, str(run_path))
    refuse_impossible(failed, run, plan, str(run_path))
    agreed = " ".join(agreed_by.split())
    if not agreed or len(agreed) > 96 or not agreed.isprintable():
        raise InputError(
            "value_wrong", key="--agreed-by", given=ascii(agreed_by), right="a name"
        )
    reason_of(why)
    if name_key(agreed) == name_key(by):
        raise RefusedError("concession_agreed_alone", where=str(run_path), name=agreed)
    who = who_signs(key, by, Act.CONCEDE, ask, utc_ns)
    if not who.name:
        raise RefusedError("person_wanted", act=Act.CONCEDE.value)
    shown = show(failed, plan, role_of(failed, run.header.rig))
    facts: dict[str, Any] = {
        **common(CONCESSION, run, who, why, moment(now)),
        "plan": {
            "id": plan.id,
            "version": plan.version,
            "sha256": run.header.plan_sha256,
        },
        "finding": {
            "id": failed.id,
            "step": failed.step,
            "channel": failed.channel,
            "label": label(failed.id),
            "outcome": failed.outcome.value,
            "found": f"{shown.found} {shown.whole_unit}".strip(),
            "limit": shown.limit,
        },
        "agreed_by": agreed,
        "until": last.isoformat(),
    }
    note = signed(facts, key)
    write_note(out, note)
    did(
        who,
        Act.CONCEDE,
        utc_ns=utc_ns,
        run=run.sha256,
        finding=f"{failed.step}/{failed.id}",
    )
    return note


def _day(text: str, now_ns: int) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        right = "a day such as 2027-03-31"
        raise InputError(
            "value_wrong", key="--until", given=ascii(text), right=right
        ) from None
    today = _today(now_ns)
    if not today <= day <= today + timedelta(days=MOST_DAYS):
        right = f"a day from today on, at most {MOST_DAYS} days ahead"
        raise InputError("value_wrong", key="--until", given=text, right=right)
    return day


def _today(now_ns: int) -> date:
    return datetime.fromtimestamp(now_ns // 10**9, tz=UTC).astimezone().date()


def _failed(name: str, judgement: Judgement, where: str) -> Finding:
    """Return the finding that failed, by ``STEP/ID``."""
    step, _, id = name.rpartition("/")
    same = [f for f in judgement.findings if (f.step, f.id) == (step, id)]
    if not same:
        known = [f"{f.step}/{f.id}" for f in judgement.findings if f.limit is not None]
        raise InputError(
            "finding_unknown", where=where, given=name, known=", ".join(known)
        )
    failed = next((f for f in same if f.outcome in FAILED), None)
    if failed is None:
        raise RefusedError(
            "finding_not_failed",
            where=where,
            finding=name,
            outcome=same[0].outcome.value,
        )
    return failed


def refuse_impossible(finding: Finding, run: Run, plan: Plan, where: str) -> None:
    """Refuse a concession that nobody may grant.

    Raises:
        RefusedError: ``concession_impossible``.
    """
    step = plan.step(finding.step)
    why = ""
    if is_oxidiser(run.header.job.regulator.gas):
        why = "the regulator is for oxygen, or a gas that burns things like it"
    elif finding.id in _LEAKS:
        why = "leakage and creep are never accepted"
    elif step is not None and step.kind in _CREEP_STEPS:
        why = "it says how far the outlet creeps, and creep is never accepted"
    elif finding.id in _RELIEF:
        why = "a relief valve that fails is never accepted"
    elif finding.id in _RIG:
        why = "it says how well the rig measured, not how the regulator is"
    if why:
        name = f"{finding.step}/{finding.id}"
        raise RefusedError("concession_impossible", where=where, finding=name, why=why)


def conceded(
    paths: Sequence[Path],
    run: Run,
    plan: Plan,
    judgement: Judgement,
    key: Key,
    issued_ns: int,
) -> tuple[Note, ...]:
    """Return concessions once they are shown to be of this judgement.

    Raises:
        InputError, IntegrityError: a file is no such record of ours;
            ``note_of_another_run``, ``note_signature_wrong``.
        RefusedError: ``concession_of_another``, ``concession_ended``,
            ``concession_impossible``.
    """
    notes = [load_note(path, CONCESSION) for path in paths]
    for path, note in zip(paths, notes, strict=True):
        of_this_shop(note, run, key, path)
        found = note.facts["finding"]
        named = (found["step"], found["id"], found["channel"])
        same = [f for f in judgement.findings if (f.step, f.id, f.channel) == named]
        own_plan = note.facts["plan"]["sha256"] == judgement.plan_sha256
        if not same or not own_plan or same[0].outcome not in FAILED:
            raise RefusedError(
                "concession_of_another",
                where=str(path),
                finding=f"{found['step']}/{found['id']}",
            )
        refuse_impossible(same[0], run, plan, str(path))
        if date.fromisoformat(note.facts["until"]) < _today(issued_ns):
            raise RefusedError(
                "concession_ended", where=str(path), until=note.facts["until"]
            )
    return tuple(notes)


def of_this_shop(note: Note, run: Run, key: Key, path: Path) -> None:
    """Refuse a note of another run, or one that no key of the shop signed.

    Raises:
        IntegrityError: ``note_of_another_run``, ``note_signature_wrong``.
    """
    if note.run_sha256 != run.sha256:
        raise IntegrityError("note_of_another_run", where=str(path), what=note.what)
    ours = {key.id} if key.demo else {key.id, *(k.id for k in known_keys())}
    if note.key_id not in ours:
        raise IntegrityError(
            "note_signature_wrong", where=str(path), what=note.what, key=key.id[:16]
        )
