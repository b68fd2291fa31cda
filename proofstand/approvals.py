"""Approvals of plans as the shop keeps them: one file each, written once.

A plan is approved by a record and by nothing else: what a plan file says of itself does
not count. A text that changed is a draft again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path

from records.approval import (
    FORMAT,
    Accepted,
    Approval,
    is_open,
    open_limits,
)
from records.errors import InputError, IntegrityError, RefusedError
from records.plan import Limit, Plan
from records.run import RunHeader
from records.runfile import write_once
from records.tomlfile import from_json, text_sha256, to_jsonable

from . import places

_SEAL = "sha256"


class Status(StrEnum):
    """How a plan's text stands."""

    APPROVED = "approved"
    DRAFT = "draft"
    CHANGED = "changed since approved"


def approve(
    plan: Plan,
    text: str,
    *,
    by: str,
    accept: Mapping[str, str],
    utc_ns: int,
    folder: Path | None = None,
    role: str = "",
    proof: str = "",
) -> Approval:
    """Record that a plan version was approved, and return the record.

    Args:
        plan: as parsed from its text.
        text: the same, that is approved.
        by: who approves it.
        accept: why a limit that rests on a default or on memory is accepted, by
            ``step/finding``, by ``finding`` for all of that name, or ``classes``.
        utc_ns: now.
        folder: where approvals are kept; None takes the user's.
        role: by which they may.
        proof: how it was shown who they are.

    Raises:
        InputError: ``value_wrong``: nobody named, a reason missing;
            ``plan_accept_unknown``; the folder can't be written.
        IntegrityError: an approval there was changed.
        RefusedError: ``plan_limits_unaccepted``, ``plan_approved_already``,
            ``plan_version_taken``.
    """
    if not by.strip():
        raise InputError("value_wrong", key="--by", given="nothing", right="a name")
    folder = places.approvals_dir() if folder is None else folder
    _refuse_taken(plan, text, folder)
    approval = Approval(
        format=FORMAT,
        plan=plan.id,
        version=plan.version,
        plan_sha256=text_sha256(text),
        title=plan.title,
        by=by.strip(),
        utc_ns=utc_ns,
        accepted=_accepted(plan, accept),
        role=role,
        proof=proof,
    )
    path = _file(plan, folder)
    try:
        places.made(folder)
    except OSError as error:
        why = error.strerror or error
        raise InputError("file_unwritable", where=str(folder), why=why) from None
    write_once(path, _sealed(approval), "approval")
    return approval


def status_of(plan: Plan, sha256: str, folder: Path | None = None) -> Status:
    """Return how a plan's text stands.

    Raises:
        IntegrityError: the record of its approval was changed.
    """
    if not _judges(plan):
        return Status(plan.status)
    found = approval_of(plan, folder)
    if found is None:
        return Status.DRAFT
    return Status.APPROVED if _fits(found, plan, sha256) else Status.CHANGED


def as_approved(plan: Plan, sha256: str, folder: Path | None = None) -> Plan:
    """Return a plan with the status that its record gives it.

    The limits of an approved one say in their source who accepted them.

    Raises:
        IntegrityError: the record of its approval was changed.
    """
    found = approval_of(plan, folder) if _judges(plan) else None
    return with_approval(plan, found, sha256)


def plan_of(header: RunHeader, folder: Path | None = None) -> Plan:
    """Return the plan that a run carries, with the status that a record gives it.

    The run's own record counts, or one that was made for the same text since.

    Raises:
        IntegrityError: the record of its approval was changed.
    """
    plan, own = header.plan, header.approval
    if own is not None and _fits(own, plan, header.plan_sha256):
        return with_approval(plan, own, header.plan_sha256)
    return as_approved(plan, header.plan_sha256, folder)


def fitting(plan: Plan, sha256: str, folder: Path | None = None) -> Approval | None:
    """Return the approval of just this text, or None.

    Raises:
        IntegrityError: the record of its approval was changed.
    """
    found = approval_of(plan, folder) if _judges(plan) else None
    return found if found is not None and _fits(found, plan, sha256) else None


def approvals_for(
    header: RunHeader, plan: Plan, sha256: str, folder: Path | None = None
) -> tuple[Approval, ...]:
    """Return the approvals by which a run's plan may count as approved.

    Raises:
        IntegrityError: the record of its approval was changed.
    """
    found = (header.approval, fitting(plan, sha256, folder))
    return tuple(a for a in found if a is not None and _fits(a, plan, sha256))


def _fits(approval: Approval, plan: Plan, sha256: str) -> bool:
    named = (approval.plan, approval.version, approval.plan_sha256)
    return named == (plan.id, plan.version, sha256)


def with_approval(plan: Plan, approval: Approval | None, sha256: str) -> Plan:
    """Return a plan as an approval leaves it: a draft without one that fits."""
    if not _judges(plan):
        return plan  # nothing to approve
    if approval is None or not _fits(approval, plan, sha256):
        return replace(plan, status="draft")
    signed = f", accepted by {approval.by}"

    def said(source: str) -> str:
        return source + signed * (is_open(source) and not source.endswith(signed))

    def accepted(limit: Limit) -> Limit:
        return replace(limit, source=said(limit.source))

    steps = tuple(
        replace(step, limits=tuple(map(accepted, step.limits))) for step in plan.steps
    )
    lists = plan.classes
    if lists is not None:
        lists = replace(lists, source=said(lists.source))
    return replace(plan, status="approved", steps=steps, classes=lists)


def approval_of(plan: Plan, folder: Path | None = None) -> Approval | None:
    """Return the approval of a plan's version, whatever its text was, or None.

    Raises:
        IntegrityError: ``approval_changed``.
    """
    path = _file(plan, places.approvals_dir() if folder is None else folder)
    return _read(path) if path.exists() else None


def approvals(folder: Path | None = None) -> tuple[Approval, ...]:
    """Return all approvals, in the order in which they were given.

    Raises:
        IntegrityError: ``approval_changed``.
    """
    folder = places.approvals_dir() if folder is None else folder
    if not folder.is_dir():
        return ()
    found = [_read(path) for path in sorted(folder.glob("*.json"))]
    return tuple(sorted(found, key=lambda each: each.utc_ns))


def day_of(approval: Approval) -> str:
    """Return the day of an approval, UTC."""
    return f"{datetime.fromtimestamp(approval.utc_ns // 10**9, tz=UTC):%Y-%m-%d}"


def _judges(plan: Plan) -> bool:
    return any(step.limits for step in plan.steps) or plan.classes is not None


def approval_file(plan: Plan) -> Path:
    """Return where the shop's approval of a plan's version lies, be it there or not."""
    return _file(plan, places.approvals_dir())


def _file(plan: Plan, folder: Path) -> Path:
    return folder / f"{plan.id}-{plan.version}.json"


def _refuse_taken(plan: Plan, text: str, folder: Path) -> None:
    known = approval_of(plan, folder)
    if known is None:
        return
    same = known.plan_sha256 == text_sha256(text)
    raise RefusedError(
        "plan_approved_already" if same else "plan_version_taken",
        where=str(_file(plan, folder)),
        plan=plan.id,
        version=plan.version,
        by=known.by,
        day=day_of(known),
    )


def _accepted(plan: Plan, accept: Mapping[str, str]) -> tuple[Accepted, ...]:
    """Return each open limit with the reason that it was accepted for."""
    waiting = open_limits(plan)
    used: set[str] = set()
    found: list[Accepted] = []
    for limit, source in waiting.items():
        named = limit if limit in accept else limit.rpartition("/")[2]
        used.add(named)
        if named in accept:
            reason = accept[named].strip()
            if not reason:
                raise InputError(
                    "value_wrong",
                    key="--accept",
                    given=named,
                    right=f"{named}=REASON, with a reason",
                )
            found.append(Accepted(limit=limit, source=source, reason=reason))
    for name in accept:
        if name not in used:
            known = ", ".join(waiting) or "none"
            raise InputError(
                "plan_accept_unknown", where=plan.id, given=name, known=known
            )
    taken = {each.limit for each in found}
    left = [f"{limit} ({waiting[limit]})" for limit in waiting if limit not in taken]
    if left:
        raise RefusedError(
            "plan_limits_unaccepted",
            where=plan.id,
            plan=plan.id,
            limits=", ".join(left),
        )
    return tuple(found)


def _text(document: object) -> str:
    return json.dumps(document, ensure_ascii=False, indent=1)


def _sealed(approval: Approval) -> bytes:
    document = to_jsonable(approval)
    return _text({**document, _SEAL: text_sha256(_text(document))}).encode()


def _read(path: Path) -> Approval:
    try:
        document = json.loads(path.read_bytes())
        seal = document.pop(_SEAL)
        if seal != text_sha256(_text(document)):
            raise ValueError("another digest")
        approval = from_json(_text(document), Approval)
    except OSError as error:
        raise InputError(
            "file_unreadable",
            where=str(path),
            what="approval",
            why=error.strerror or error,
        ) from None
    except (ValueError, KeyError, AttributeError, TypeError):
        raise IntegrityError("approval_changed", where=str(path)) from None
    return approval
