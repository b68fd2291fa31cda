"""What the index is asked and what it answers; no library of databases is needed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from ..errors import InputError

PAGE = 50
MOST = 1000
NOT_JUDGED = "not judged"
# What runs may be found by, as filters name it.
FILTERS = (
    "serial",
    "model",
    "gas",
    "customer",
    "job",
    "plan",
    "verdict",
    "technician",
    "rig",
)
_AFTER = re.compile(r"(-?\d{1,19})/([A-Za-z0-9][A-Za-z0-9._-]{0,99})")


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingWanted:
    """A finding that a run has to have, of its latest judgement.

    Attributes:
        finding: id. step: "" for any. outcome: as judgements say it, "" for any.
        least, most: of its value, SI, both ends counted; None where that is open.
    """

    finding: str
    step: str = ""
    outcome: str = ""
    least: float | None = None
    most: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """Which runs are wanted, newest first.

    Attributes:
        wanted: a text for each of ``FILTERS`` that matters; one that ends with ``*``
            means all that begin so.
        since_ns, before_ns: start of the test, UTC.
        rig: its id, exactly; "" for any.
        cause: id of a fault that the latest judgement suspects; "" for any.
        findings: all of them have to be there.
        simulated: None for both kinds.
        most: on the page. after: the last page's ``next``.
    """

    wanted: Mapping[str, str] = field(default_factory=dict)
    since_ns: int | None = None
    before_ns: int | None = None
    rig: str = ""
    cause: str = ""
    findings: tuple[FindingWanted, ...] = ()
    simulated: bool | None = None
    most: int = PAGE
    after: str = ""

    @property
    def is_limited(self) -> bool:
        """It means fewer than all runs."""
        open_ends = self.since_ns is None and self.before_ns is None
        named = self.wanted or self.rig or self.cause or self.findings
        return bool(named) or not open_ends or self.simulated is not None


@dataclass(frozen=True, slots=True)
class RunFound:
    """One run as the index has it.

    Attributes:
        verdict: of the judgement that was added last, "not judged" without one.
        certificate, title: of the certificate that was added last, "" without one.
    """

    run: str
    serial: str
    model: str
    gas: str
    customer: str
    job: str
    plan: str
    plan_version: int
    rig: str
    station: str
    tested_by: str
    started_ns: int
    simulated: bool
    verdict: str
    certificate: str
    title: str


@dataclass(frozen=True, slots=True)
class Page:
    """Some of the runs that were found.

    Attributes:
        next: gives the page after this one, "" for the last.
    """

    runs: tuple[RunFound, ...]
    next: str


@dataclass(frozen=True, slots=True)
class Count:
    """Runs of one month, model and verdict."""

    month: str
    model: str
    verdict: str
    runs: int


@dataclass(frozen=True, slots=True)
class Paper:
    """A certificate as the index has it."""

    number: str
    run: str
    path: str
    title: str
    verdict: str
    utc_ns: int


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of the chain as the index has it."""

    n: int
    path: str
    kind: str
    run: str
    sha256: str
    size: int
    utc_ns: int
    who: str
    what: str


def after_of(run: RunFound) -> str:
    """Return what gives the page after the one that ends with this run."""
    return f"{run.started_ns}/{run.run}"


def read_after(text: str) -> tuple[int, str]:
    """Return the place that a page begins behind.

    Raises:
        InputError: ``value_wrong``.
    """
    found = _AFTER.fullmatch(text)
    if found is None:
        right = "what the page before this one says after 'next'"
        raise InputError("value_wrong", key="--after", given=ascii(text), right=right)
    return int(found[1]), found[2]
