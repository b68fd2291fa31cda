"""What runs are found by: one list of fields, read and said wrong as they are typed.

A filter of the index is a field by itself; how its text is read stands in ``_READERS``
where it is more than a text, its label in the words. Knows no Qt.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, timedelta

from proofstand.keeping.times import begin_of
from proofstand.keeping.wanted import (
    FEW,
    cause_wanted,
    causes_begun,
    findings_wanted,
)
from records.archive.found import FILTERS, NOT_JUDGED, PAGE, FindingWanted, Query
from records.errors import InputError
from records.judgement import Verdict

from .wording import said, told

SINCE, TO = "since", "to"
CAUSE, FOUND = "cause", "found"
FIRST = ("serial", "model", "gas", SINCE, TO, "verdict")
# What is said in words, and so is what is wrong with it: room for both.
WIDE = (CAUSE, FOUND)
# Behind those that are always there, in the index's own order.
MORE = (*(name for name in FILTERS if name not in FIRST), *WIDE)
FIELDS = (*FIRST, *MORE)
VERDICTS = (*(verdict.value for verdict in Verdict), NOT_JUDGED)


class WrongText(ValueError):
    """What was typed can't be meant; says why, in words."""


def _day(text: str) -> date:
    if text.casefold() == said("today"):
        return date.today()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise WrongText(said("wrong", "day")) from None


def day_typed(text: str) -> date | None:
    """Return a day as typed, None where none is.

    Raises:
        WrongText: it is none.
    """
    return _day(text) if text.strip() else None


def _verdict(text: str) -> str:
    """Return the one verdict that is called so, or begins so."""
    wanted = " ".join(text.casefold().split())
    if wanted in VERDICTS:
        return wanted
    begun = [each for each in VERDICTS if each.startswith(wanted)]
    if len(begun) != 1:
        raise WrongText(said("wrong", "verdict", known=", ".join(begun or VERDICTS)))
    return begun[0]


def _cause(text: str) -> str:
    try:
        return cause_wanted(text)
    except InputError:
        fit = causes_begun(text)
        if 0 < len(fit) <= FEW:
            raise WrongText(said("wrong", "verdict", known=", ".join(fit))) from None
        which = "causes" if fit else "cause"
        raise WrongText(said("wrong", which, n=len(fit))) from None


def _found(text: str) -> tuple[FindingWanted, ...]:
    """Return the findings that are wanted, one after the other with a ; between."""
    try:
        return findings_wanted(part for part in text.split(";") if part.strip())
    except InputError as error:
        facts = dict(error.facts)
        if "key" in facts:  # as it is called here, no option
            facts["key"] = said("field", FOUND)
        what, do = told(InputError(error.id, **facts))
        if error.id != "plan_finding_unknown":
            raise WrongText(f"{what} {do}") from None
        raise WrongText(do if error.facts.get("near") else what) from None


def _plain(text: str) -> str:
    return text


_READERS: Mapping[str, Callable[[str], object]] = {
    SINCE: _day,
    TO: _day,
    "verdict": _verdict,
    CAUSE: _cause,
    FOUND: _found,
}


def read(name: str, text: str) -> object | None:
    """Return what a field's text means, or None where it is empty.

    Raises:
        WrongText: it can't be meant.
    """
    text = text.strip()
    return _READERS.get(name, _plain)(text) if text else None


def wrong(name: str, typed: Mapping[str, str]) -> str:
    """Return what is wrong with a field's text, "" where nothing is."""
    try:
        found = read(name, typed.get(name, ""))
    except WrongText as error:
        return str(error)
    if name != TO or not isinstance(found, date) or wrong(SINCE, typed):
        return ""
    since = read(SINCE, typed.get(SINCE, ""))
    return said("wrong", "order") if isinstance(since, date) and found < since else ""


def query_of(
    typed: Mapping[str, str],
    *,
    most: int = PAGE,
    after: str = "",
    simulated: bool | None = None,
) -> Query:
    """Return which runs the fields ask for.

    Args:
        typed: the fields' texts by name.
        most: on the page.
        after: the place that the page begins behind, "" for the first.
        simulated: None for both kinds of rig.

    Raises:
        WrongText: one of them can't be meant.
    """
    found = {name: read(name, typed.get(name, "")) for name in FIELDS}
    since, to, wished = found[SINCE], found[TO], found[FOUND]
    return Query(
        wanted={name: str(found[name]) for name in FILTERS if found[name] is not None},
        since_ns=begin_of(since) if isinstance(since, date) else None,
        before_ns=begin_of(_next(to)) if isinstance(to, date) else None,
        cause=str(found[CAUSE] or ""),
        findings=wished if isinstance(wished, tuple) else (),
        simulated=simulated,
        most=most,
        after=after,
    )


def _next(day: date) -> date:
    return day + timedelta(days=1) if day < date.max else day


def scanned_serials(label: str) -> tuple[str, ...]:
    """Return the serials that a scanned label may be of, the likeliest first.

    A job's label is JOB/SERIAL, and either may hold a slash itself.
    """
    text = label.strip()
    cuts = [i + 1 for i, sign in enumerate(text) if sign == "/"]
    found = [text[i:].strip() for i in cuts] + [text]
    return tuple(dict.fromkeys(each for each in found if each))
