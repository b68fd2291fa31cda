"""Approvals: who accepted which text of a plan, and each limit with no firm source."""

from __future__ import annotations

import difflib
import re
import unicodedata
from dataclasses import dataclass

from .plan import Plan

FORMAT = "proofstand.approval/1"
# What classes are called where limits are named.
CLASSES = "classes"
# Words that make a source no source, and how near a misspelt one comes to them.
_OPEN_WORDS = ("default", "defaults", "memory")
_NEAR = 0.83
_WORD = re.compile(r"[^\W\d_]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """One limit that was accepted by name.

    Attributes:
        limit: ``step/finding``, or ``classes``. source: as the plan has it.
        reason: why it was accepted.
    """

    limit: str
    source: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Approval:
    """One plan version, approved.

    Attributes:
        plan, version: of the plan. plan_sha256: digest of the text that was approved.
        title: of the plan. by: who approved it. utc_ns: when.
        accepted: the limits that rest on a default or on memory, each by name.
        role: by which they might, "" where no roll said so. proof: how it was shown who
            they are, "" on early records.
    """

    format: str
    plan: str
    version: int
    plan_sha256: str
    title: str
    by: str
    utc_ns: int
    accepted: tuple[Accepted, ...]
    role: str = ""
    proof: str = ""


def is_open(source: str) -> bool:
    """Tell whether a source blocks approval until it is accepted by name.

    A default or a memory does, wherever and however it is written, misspelt too.
    """
    folded = unicodedata.normalize("NFKC", source).casefold()
    joined = "".join(_WORD.findall(folded))
    named = any(word in joined for word in ("default", "frommemory"))
    return named or any(
        difflib.get_close_matches(word, _OPEN_WORDS, n=1, cutoff=_NEAR)
        for word in _WORD.findall(folded)
    )


def open_limits(plan: Plan) -> dict[str, str]:
    """Return limits that have to be accepted by name, each with its source."""
    found = {
        f"{step.id}/{limit.finding}": limit.source
        for step in plan.steps
        for limit in step.limits
        if is_open(limit.source)
    }
    if plan.classes is not None and is_open(plan.classes.source):
        found[CLASSES] = plan.classes.source
    return found
