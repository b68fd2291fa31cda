"""Which faults the findings point at, as groups that this plan can't tell apart.

A readable model: each group of causes has odds at which it is met, each sign in the
findings and in the trace multiplies those of the groups it speaks for, the more the
stronger it is (`cause_groups`, `signs`). The groups and "none of these" share a
probability of one. That supposes one cause; two at once share it. What conforms is
never suspected, and no probability changes a finding.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from records.errors import Reason
from records.judgement import Finding, Outcome, Suspect

from .cause_groups import (
    FIRST_GROUPS,
    GROUPS,
    NONE,
    NONE_MET,
    OUTSIDE_OF_FIRST,
    WEIGHTS,
    Group,
)
from .halted import Halted
from .separating import checks
from .signs import Seen, Shown, signs, told, unexplained

_OF_RIG = ("zero_offset", "closing_zero_change")
_BETWEEN = "interstage"
_OF_FIRST = "first:"
_OPEN = (
    Outcome.FAIL,
    Outcome.CONDITIONAL_FAIL,
    Outcome.INCONCLUSIVE,
    Outcome.NOT_MEASURED,
)
LEAST = 0.05  # what is less likely is not named
MOST_NAMED = 4
OF_RIG = frozenset(fault for group in GROUPS if group.of_rig for fault in group.faults)
_RIG_SIGNS = frozenset(
    sign
    for sign, row in WEIGHTS.items()
    for group in GROUPS
    if group.of_rig and group.id in row
)
_BY_ID = {group.id: group for group in (*GROUPS, *FIRST_GROUPS)}


@dataclass(frozen=True, slots=True)
class Weighed:
    """The signs of a test, and how likely they make each group.

    Attributes:
        signs: those that are there; of the first of two stages under ``first:``.
        probability: of each group that the plan could show, and of none of them; they
            add up to one.
    """

    signs: Mapping[str, Shown]
    probability: Mapping[str, float]


def weighed(findings: Sequence[Finding], halted: Sequence[Halted] = ()) -> Weighed:
    """Return the signs of a test and the probability of each group.

    Of two stages what was read between them is the first one's alone; what leaks
    outward leaks from either.
    """
    first = [f for f in findings if f.channel == _BETWEEN and f.id not in _OF_RIG]
    rest = [f for f in findings if f.channel != _BETWEEN or f.id in _OF_RIG]
    found = signs(Seen(rest, halted))
    # of two stages either one's findings show what lies in the rig
    whole = signs(Seen(findings, halted)) if first else found
    found |= {id: shown for id, shown in whole.items() if id in _RIG_SIGNS}
    of_first = signs(Seen(first)) if first else {}
    if {"seat_leak_fails", "went_on_rising"} & set(of_first):
        # what a first seat lets through keeps the second from being shown tight
        found.pop("outlet_loss_hides_it", None)
    found |= {
        _OF_FIRST + id: shown
        for id, shown in of_first.items()
        if id not in _RIG_SIGNS and any(_twin(g) in _BY_ID for g in WEIGHTS[id])
    }
    left = unexplained(findings)
    if left:
        found["unexplained"] = Shown(1.0, tuple(map(told, left)))
    return Weighed(found, _shared(found, two=bool(first)))


def weights_of(sign: str) -> Mapping[str, float]:
    """Return what a sign says of groups, that of a first stage of its own groups."""
    row = WEIGHTS[sign.removeprefix(_OF_FIRST)]
    if not sign.startswith(_OF_FIRST):
        return row
    return {_twin(g) if _twin(g) in _BY_ID else g: w for g, w in row.items()}


def _twin(group: str) -> str:
    return _OF_FIRST + group


def _shared(found: Mapping[str, Shown], *, two: bool) -> dict[str, float]:
    """Return probabilities that add up to one."""
    groups = (*GROUPS, *FIRST_GROUPS) if two else GROUPS
    score = {group.id: math.log(group.met) for group in groups}
    score[NONE] = math.log(NONE_MET)
    for sign, shown in found.items():
        for group, weight in weights_of(sign).items():
            score[group] += weight * shown.strength
    most = max(score.values())
    odds = {group: math.exp(one - most) for group, one in score.items()}
    total = math.fsum(odds.values())
    return {group: one / total for group, one in odds.items()}


def suspects(
    findings: Sequence[Finding], halted: Sequence[Halted] = ()
) -> tuple[Suspect, ...]:
    """Return the groups of causes that the findings point at, the likeliest first.

    Args:
        findings: of a judgement, in any order.
        halted: what a step that was given up shows in the trace.

    Returns:
        None where all conforms, or where nothing points anywhere.
    """
    if not any(f.outcome in _OPEN and f.required for f in findings):
        return ()
    seen = weighed(findings, halted)
    if not seen.signs:
        return ()
    named = [
        (group, p, because)
        for group, p in _merged(seen)
        if p >= LEAST and (because := _because(group, seen.signs))
    ]
    named.sort(key=lambda one: -one[1])
    named = named[:MOST_NAMED]
    ids = [group.id for group, _, _ in named]
    return tuple(
        Suspect(
            fault_group=group.faults,
            probability=round(p, 3),
            because=because,
            look_at=group.look_at,
            separate_by=checks(group.id, [id for id in ids if id != group.id]),
        )
        for group, p, because in named
    )


def _merged(seen: Weighed) -> list[tuple[Group, float]]:
    """Return the groups with their probabilities; what this test can't part is one."""
    two = any(id.startswith(_OF_FIRST) for id in seen.probability)
    left = dict(seen.probability)
    found: list[tuple[Group, float]] = []
    alike = [
        id
        for sign in ("outlet_loss_hides_it", _OF_FIRST + "outlet_loss_hides_it")
        if sign in seen.signs
        for id in weights_of(sign)
    ]
    if alike:
        ids = tuple(dict.fromkeys(alike))
        found.append((_one_of(ids, two=two), sum(left.pop(id) for id in ids)))
    found += [(_group(id, two=two), p) for id, p in left.items()]
    return found


def _group(id: str, *, two: bool) -> Group:
    """Return a group; of two stages outward leaks are those of either."""
    if id == NONE:
        return Group(NONE, (NONE,), ("trace", "job_card"), NONE_MET)
    group = _BY_ID[id]
    if id != "outside" or not two:
        return group
    either = (*group.faults, *(_OF_FIRST + fault for fault in OUTSIDE_OF_FIRST))
    look_at = (*group.look_at, "first_stage", "hose")
    return Group(group.id, either, look_at, group.met)


def _one_of(ids: Sequence[str], *, two: bool) -> Group:
    groups = [_group(id, two=two) for id in ids]
    return Group(
        "+".join(ids),
        tuple(dict.fromkeys(fault for g in groups for fault in g.faults)),
        tuple(dict.fromkeys(place for g in groups for place in g.look_at)),
        sum(g.met for g in groups),
    )


def _because(group: Group, found: Mapping[str, Shown]) -> tuple[Reason, ...]:
    """Return what speaks for a group, the weightiest sign first."""
    ids = group.id.split("+")
    spoken = [
        (max(weights_of(sign).get(id, 0.0) for id in ids) * shown.strength, shown)
        for sign, shown in found.items()
    ]
    spoken = [each for each in spoken if each[0] > 0.0]
    spoken.sort(key=lambda each: -each[0])
    why = (reason for _, shown in spoken for reason in shown.because)
    return tuple(dict.fromkeys(why))
