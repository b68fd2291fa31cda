"""What a certificate is: title, number, and what it stands for.

A run that passes against an accepted plan gives a *certificate*, or, where the plan
asks for a countersignature, a *test report to countersign* that becomes one by the
second signature; any other verdict, or a draft plan, a *test report*; a test of a
regulator as it was received a *condition report*.
"""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from records.judgement import Judgement, Verdict
from records.people import NOBODY, Signatory
from records.plan import Plan
from records.run import Run

from ..words.sentences import page
from .notes import Note, signatory_json

SCHEMA = "proofstand.certificate/1"
DATA_NAME = "certificate.json"
JUDGEMENT_NAME = "judgement.json"
CONFIRMATION_NAME = "confirmation.json"
COPIED_NAME = "certificate.pdf"  # inside a copy
SIMULATED_MARK = "SIM-"
# No digit or letter that a person could take for another.
_ALPHABET = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
_LETTERS = 6
_POINTS_A_MM = 72.0 / 25.4
_A4_MM = 297.0


class Title(StrEnum):
    """What the paper calls itself."""

    CERTIFICATE = "certificate"
    TEST_REPORT = "test report"
    CONDITION_REPORT = "condition report"
    TO_COUNTERSIGN = "test report to countersign"

    @property
    def said(self) -> str:
        """The title as printed."""
        return page(f"title_{self.value.replace(' ', '_')}")


@dataclass(frozen=True, slots=True)
class Box:
    """Where on a page the second signature shows: millimetres from the upper left."""

    page: int
    x: float
    y: float
    width: float
    height: float

    @property
    def points(self) -> tuple[int, int, int, int]:
        """The same in points, from the lower left."""
        low, high = _A4_MM - self.y - self.height, _A4_MM - self.y
        corners = (self.x, low, self.x + self.width, high)
        left, bottom, right, top = (round(mm * _POINTS_A_MM) for mm in corners)
        return left, bottom, right, top


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """What a run was judged to be before, where a second judgement turned it.

    Attributes:
        plan_id, plan_version, plan_sha256: what it was judged against.
        verdict: what came out. confirmed: by whom the second one is confirmed.
    """

    plan_id: str
    plan_version: int
    plan_sha256: str
    verdict: Verdict
    confirmed: Note | None = None


@dataclass(frozen=True, slots=True)
class Linked:
    """Another certificate: its number and the hash of its file; why it is named."""

    number: str
    sha256: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class RunNamed:
    """A run, by its id and hash."""

    id: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """A test of the same regulator before this one, on this job or another.

    Attributes:
        run, sha256: its id and hash. day: of the test, UTC. verdict: kept last.
        job: its number. same_job: it is this one's.
        as_received: of the regulator as it came in; no attempt.
        rejected: the run was set aside by a lead.
        work: what the card of the test after it tells of the work since, or "".
    """

    run: str
    sha256: str
    day: str
    verdict: str
    job: str
    same_job: bool
    as_received: bool = False
    rejected: bool = False
    work: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """A certificate's facts, as they are attached to its page.

    Attributes:
        number: unique without a register. run_id, run_sha256: what it is of.
        plan_id, plan_version, plan_sha256: what was judged against.
        issued: when, with the offset of the place. by: who issued it, "" if not said.
        issuer: the same, with role and how it was shown.
        key_id: of the key that signs it. owner: whose that is.
        software, analysis_version: what made it.
        countersign: role whose second signature makes it a certificate, or "".
        concessions: findings that failed and were accepted.
        before: what an earlier judgement was that this one turned, or None.
        replaces: the certificate that it takes the place of, or None.
        as_found: the run of the test as received that stands beside it, or None.
        earlier: tests of the same regulator before it, in their order, as far as the
            archive knows; None where none was looked into.
    """

    number: str
    title: Title
    run_id: str
    run_sha256: str
    plan_id: str
    plan_version: int
    plan_sha256: str
    verdict: Verdict
    issued: datetime
    by: str
    key_id: str
    owner: str
    software: str
    analysis_version: int
    simulated: bool
    issuer: Signatory = NOBODY
    countersign: str = ""
    concessions: tuple[Note, ...] = ()
    before: Before | None = None
    replaces: Linked | None = None
    as_found: RunNamed | None = None
    earlier: tuple[Earlier, ...] | None = None


def title_of(judgement: Judgement, plan: Plan, *, as_found: bool) -> Title:
    """Return the title that a judgement may carry."""
    if as_found:
        return Title.CONDITION_REPORT
    if judgement.verdict is Verdict.PASS and plan.status == "approved":
        return Title.CERTIFICATE if plan.countersign is None else Title.TO_COUNTERSIGN
    return Title.TEST_REPORT


def number_of(run: Run, issued: datetime, issued_ns: int, salt: bytes) -> str:
    """Return a number that no other certificate has: day of issue and six letters.

    Args:
        run: what it is of; a simulated rig marks the number.
        issued: local time of issue.
        issued_ns: the same to the nanosecond, UTC.
        salt: random bytes.
    """
    digest = hashlib.sha256(f"{run.sha256} {issued_ns} ".encode() + salt).digest()
    left = int.from_bytes(digest)
    letters = ""
    for _ in range(_LETTERS):
        left, at = divmod(left, len(_ALPHABET))
        letters += _ALPHABET[at]
    mark = SIMULATED_MARK if run.header.rig.simulated else ""
    return f"{mark}{issued:%Y%m%d}-{letters}"


def certificate_json(made: Certificate) -> dict[str, Any]:
    """Return the facts as the schema has them."""
    beside: dict[str, Any] = {}
    if made.replaces is not None:
        beside["replaces"] = asdict(made.replaces)
    if made.as_found is not None:
        beside["as_found"] = asdict(made.as_found)
    earlier = made.earlier
    return {
        "schema": SCHEMA,
        "number": made.number,
        "title": made.title.value,
        "run": {"id": made.run_id, "sha256": made.run_sha256},
        "plan": {
            "id": made.plan_id,
            "version": made.plan_version,
            "sha256": made.plan_sha256,
        },
        "verdict": made.verdict.value,
        "issued": made.issued.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "by": made.by,
        "issuer": signatory_json(made.issuer),
        "countersign": made.countersign or None,
        "concessions": [
            {
                "file": name,
                "sha256": hashlib.sha256(note.data).hexdigest(),
                "step": note.facts["finding"]["step"],
                "finding": note.facts["finding"]["id"],
                "until": note.facts["until"],
            }
            for name, note in concession_files(made)
        ],
        "before": None if made.before is None else _before(made.before),
        "software": made.software,
        "analysis_version": made.analysis_version,
        "key": made.key_id,
        "simulated": made.simulated,
        "earlier": None if earlier is None else [asdict(each) for each in earlier],
        **beside,
    }


def concession_files(made: Certificate) -> list[tuple[str, Note]]:
    """Return the concessions that a page rests on, as they are called inside it."""
    return [(f"concession-{n}.json", c) for n, c in enumerate(made.concessions, 1)]


def _before(before: Before) -> dict[str, Any]:
    note = before.confirmed
    return {
        "plan": {
            "id": before.plan_id,
            "version": before.plan_version,
            "sha256": before.plan_sha256,
        },
        "verdict": before.verdict.value,
        "confirmation": None
        if note is None
        else {
            "file": CONFIRMATION_NAME,
            "sha256": hashlib.sha256(note.data).hexdigest(),
            "by": note.by,
        },
    }


def code_text(number: str, run_sha256: str) -> str:
    """Return what the code on the page holds: two plain lines."""
    return f"{number}\n{run_sha256}"
