"""The judgement of each regulator of a run, where two were tested as a pair.

What was read between the two is the first stage's, what was read at the outlet the
second's. What belongs to both and to the rig, as external leakage, zero and the rig's
own leak, counts for each: nothing tells whose it is.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator

from records.errors import Reason
from records.faults import OF_FIRST
from records.jobcard import JobCard
from records.judgement import Finding, Judgement, Suspect
from records.run import Run

from .cause_groups import NONE
from .decision import verdict
from .diagnosis import OF_RIG
from .interstage import ROLE as BETWEEN

# Read over all volumes, and yet of the seat that feeds the outlet.
_OF_LAST = ("seat_transfer",)


def each_regulator(judgement: Judgement, run: Run) -> tuple[tuple[Run, Judgement], ...]:
    """Return the run as it is of each regulator, and that one's judgement.

    Args:
        judgement: of the whole run.
        run: as read from its file.

    Returns:
        Upstream first. The run has the regulator's own card in its header, and is
        otherwise the same record; of one regulator both are as given.
    """
    job = run.header.job
    if job.upstream is None:
        return ((run, judgement),)
    return tuple(_of(judgement, run, card) for card in job.cards)


def _of(judgement: Judgement, run: Run, card: JobCard) -> tuple[Run, Judgement]:
    job = run.header.job
    first = card is job.upstream
    findings = tuple(f for f in judgement.findings if _is_of(f, first=first))
    partner = next(c for c in job.cards if c is not card)
    with_partner = Reason.of(
        "tested_with",
        place="behind" if first else "before",
        serial=partner.regulator.serial,
    )
    narrowed = dataclasses.replace(
        judgement,
        findings=findings,
        verdict=verdict(findings),
        suspects=tuple(_own(judgement.suspects, first=first)),
        warnings=(with_partner, *judgement.warnings),
        facts=tuple(_facts(judgement, card)),
    )
    own = dataclasses.replace(card, upstream=None, upstream_card="")
    header = dataclasses.replace(run.header, job=own)
    return dataclasses.replace(run, header=header), narrowed


def _is_of(finding: Finding, *, first: bool) -> bool:
    if finding.channel == BETWEEN:
        return first
    if finding.channel == "outlet" or finding.id in _OF_LAST:
        return not first
    return True


def _own(suspects: Iterable[Suspect], *, first: bool) -> Iterator[Suspect]:
    """Give the groups of causes without those that lie in the other regulator."""
    for suspect in suspects:
        group = suspect.fault_group
        kept = tuple(f for f in group if f.startswith(OF_FIRST) is first)
        if set(group) <= OF_RIG:
            yield suspect
        elif group == (NONE,) or kept == group:
            yield suspect
        elif kept:
            # the other one may have it: nothing claims how likely it is in this one
            yield dataclasses.replace(suspect, fault_group=kept, probability=None)


def _facts(judgement: Judgement, card: JobCard) -> Iterator[tuple[str, object]]:
    own = {"job": card.id, "serial": card.regulator.serial}
    yield from ((name, own.get(name, value)) for name, value in judgement.facts)
