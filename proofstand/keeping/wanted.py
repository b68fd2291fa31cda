"""Which findings a run has to have to be found, as people write it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from difflib import get_close_matches

from records.archive.found import FindingWanted
from records.errors import InputError
from records.faults import CATALOGUE, OF_FIRST
from records.judgement import FINDINGS, FindingKind, Outcome
from records.measure import parse_quantity

OPTION = "--found"
FEW = 4  # names that are told where several fit
_WANTED = re.compile(
    r"\s*(?P<id>[A-Za-z_]+)\s*(?:@\s*(?P<step>[\w.-]+)\s*)?"
    r"(?:(?P<sign><=|>=|=)\s*(?P<bound>\S.*?)\s*)?"
)
_RIGHT = (
    "a finding, with @ and a step where one is meant, and >=, <= or = with a value or "
    "an outcome, such as 'lockup_rise@lockup-1 >= 0.5 kPa' or 'seat_leak = fail'"
)


def findings_wanted(texts: Iterable[str]) -> tuple[FindingWanted, ...]:
    """Return what runs have to have; bounds of one finding and step are one wish.

    Args:
        texts: as ``lockup_rise >= 0.5 kPa``, ``lockup_rise@lockup-1`` or
            ``seat_leak = fail``. A pressure without a reference has the finding's own.

    Raises:
        InputError: ``value_wrong``, ``plan_finding_unknown``,
            ``quantity_reference_other`` or what else is wrong with a quantity.
    """
    found: dict[tuple[str, str], FindingWanted] = {}
    for text in texts:
        match = _WANTED.fullmatch(text)
        if match is None:
            raise InputError("value_wrong", key=OPTION, given=ascii(text), right=_RIGHT)
        kind = finding_kind(match["id"])
        step = match["step"] or ""
        before = found.get((kind.id, step), FindingWanted(finding=kind.id, step=step))
        found[kind.id, step] = _bound(
            before, kind, match["sign"] or "", match["bound"] or ""
        )
    for each in found.values():
        _refuse_empty(each)
    return tuple(found.values())


def finding_kind(id: str) -> FindingKind:
    """Return a finding of the registry.

    Raises:
        InputError: ``plan_finding_unknown``.
    """
    if id not in FINDINGS:
        near = _begun(id, {each: () for each in sorted(FINDINGS)})
        if not 0 < len(near) <= FEW:
            near = tuple(get_close_matches(id, FINDINGS, n=FEW, cutoff=0.75))
        known = ", ".join(near)
        right = f"The findings are: {', '.join(sorted(FINDINGS))}."
        raise InputError(
            "plan_finding_unknown",
            given=ascii(id),
            right=f"One of: {known}." if near else right,
            near=known,
        )
    return FINDINGS[id]


def causes_begun(text: str) -> tuple[str, ...]:
    """Return the faults whose id or sentence begins with a text."""
    said = {id: (entry.sentence,) for id, entry in CATALOGUE.items()}
    return _begun(text.removeprefix(OF_FIRST), said)


def cause_wanted(fault: str) -> str:
    """Return a fault that runs are found by.

    Args:
        fault: its id, or a beginning of that or of its sentence that fits it alone.

    Raises:
        InputError: ``fault_unknown``; the facts list those that fit.
    """
    own = fault.removeprefix(OF_FIRST)
    if not fault or own in CATALOGUE:
        return fault
    fit = causes_begun(fault)
    if len(fit) != 1:
        known = ", ".join(fit or CATALOGUE)
        raise InputError("fault_unknown", given=ascii(fault), known=known)
    return fault.removesuffix(own) + fit[0]


def _begun(text: str, known: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """Return the ids that begin with a text, themselves or in one of their words."""

    def folded(each: str) -> str:
        return " ".join(each.casefold().replace("_", " ").split())

    wanted = folded(text)
    return tuple(
        id
        for id, said in known.items()
        if any(folded(each).startswith(wanted) for each in (id, *said))
    )


def _bound(
    wanted: FindingWanted, kind: FindingKind, sign: str, bound: str
) -> FindingWanted:
    if not sign:
        return wanted
    if sign == "=":
        outcomes = [each.value for each in Outcome]
        if bound not in outcomes:
            right = f"an outcome: {', '.join(outcomes)}"
            raise InputError("value_wrong", key=OPTION, given=ascii(bound), right=right)
        return replace(wanted, outcome=bound)
    value = _value_of(kind, bound)
    if sign == ">=":
        return replace(wanted, least=value)
    return replace(wanted, most=value)


def _value_of(kind: FindingKind, bound: str) -> float:
    """Return a bound in SI, against what the finding itself is read against."""
    try:
        read = parse_quantity(bound, kind.kind, OPTION)
    except InputError as error:
        if error.id != "quantity_reference_missing":
            raise
        return parse_quantity(
            f"{bound} {kind.reference.value}", kind.kind, OPTION
        ).value_si
    if read.reference is not kind.reference:
        raise InputError(
            "quantity_reference_other",
            where=OPTION,
            given=repr(bound),
            finding=kind.id,
            found=read.reference.value,
            wanted=kind.reference.value,
        )
    return read.value_si


def _refuse_empty(wanted: FindingWanted) -> None:
    least, most = wanted.least, wanted.most
    if least is not None and most is not None and least > most:
        right = "a lower bound that is not above the upper one"
        raise InputError(
            "value_wrong",
            key=OPTION,
            given=f"{wanted.finding}, {least:g} to {most:g}",
            right=right,
        )
