"""Plans as they are listed with their approvals, and approving one by name and PIN."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass

from records.approval import Approval
from records.errors import InputError, ProofstandError
from records.people import Act
from records.planfile import builtin_plan, builtin_plan_ids, plan_by_name
from records.tomlfile import text_sha256

from ..approvals import (
    Status,
    approval_file,
    approval_of,
    approvals,
    approve,
    status_of,
)
from ..signoff.persons import AskPin, did, prove
from .made import keep_shop


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedPlan:
    """A plan that may be looked at.

    Attributes:
        name: what it is read by, "" for one of which only the approval is here.
        approval: that counts or counted, None for a draft.
    """

    name: str
    id: str
    version: int
    title: str
    status: Status
    approval: Approval | None

    @property
    def built_in(self) -> bool:
        """It comes with the program."""
        return bool(self.name)


def listed_plans() -> tuple[ListedPlan, ...]:
    """Return the plans that come with the program, and what else was approved.

    Raises:
        IntegrityError, InputError: an approval can't be read.
    """
    found = []
    for id in builtin_plan_ids():
        plan, text = builtin_plan(id)
        status = status_of(plan, text_sha256(text))
        found.append(
            ListedPlan(
                name=id,
                id=plan.id,
                version=plan.version,
                title=plan.title,
                status=status,
                approval=None if status is Status.DRAFT else approval_of(plan),
            )
        )
    known = {(each.id, each.version) for each in found}
    found += [
        ListedPlan(
            name="",
            id=each.plan,
            version=each.version,
            title=each.title,
            status=Status.APPROVED,
            approval=each,
        )
        for each in approvals()
        if (each.plan, each.version) not in known
    ]
    return tuple(found)


def accepted_of(texts: list[str], key: str) -> dict[str, str]:
    """Read shop defaults that are accepted, each as ``FINDING=REASON``.

    Args:
        texts: as typed.
        key: what is typed, for an error.

    Raises:
        InputError: ``value_wrong``.
    """
    accept: dict[str, str] = {}
    for given in texts:
        name, equals, reason = (part.strip() for part in given.partition("="))
        if not equals or not name or name in accept:
            right = "FINDING=REASON, each finding once"
            raise InputError("value_wrong", key=key, given=given, right=right)
        accept[name] = reason
    return accept


def approve_plan(
    name: str, *, accept: Mapping[str, str], by: str, ask: AskPin
) -> tuple[Approval, ProofstandError | None]:
    """Approve a version of a plan, and keep its text and the approval.

    Args:
        name: a plan file, or the id of a built-in plan.
        accept: shop defaults that are accepted, with the reason of each.
        by: quality lead who approves it.
        ask: asks for their PIN.

    Returns:
        The approval, and why it could not be kept in the archive, or None.

    Raises:
        InputError, RefusedError: the plan can't be read or approved, or not by them.
    """
    plan, text = plan_by_name(name)
    who = prove(by, Act.APPROVE_PLAN, ask)
    made = approve(
        plan,
        text,
        by=who.name,
        accept=accept,
        utc_ns=time.time_ns(),
        role=who.role,
        proof=who.proof.value,
    )
    did(
        who,
        Act.APPROVE_PLAN,
        plan=made.plan,
        version=str(made.version),
        plan_sha256=made.plan_sha256,
    )
    record = approval_file(plan)
    not_kept = keep_shop([(text.encode(), ".toml"), (record, ".json")], by=who.name)
    return made, not_kept
