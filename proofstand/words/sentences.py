"""Turns ids and facts into sentences. The only reader of the word files."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any

from records.errors import ProofstandError, Reason, Trouble
from records.run import Request


@cache
def words() -> Mapping[str, Any]:
    """Return all words."""
    text = (resources.files("proofstand.words") / "en.toml").read_text("utf-8")
    return tomllib.loads(text)


class _Facts(dict[str, str]):
    def __missing__(self, key: str) -> str:
        return "?"


def _fill(sentence: str, facts: Mapping[str, str]) -> str:
    return sentence.format_map(_Facts(facts))


def trouble(error: ProofstandError) -> Trouble:
    """Return what to tell a person of an error."""
    said = words()["trouble"][error.id]
    facts, do = dict(error.facts), said["do"]
    refusal = words()["refusal"].get(facts.get("code", ""))
    if refusal is not None and error.id == "instrument_refused":
        facts["code"] += f", {refusal['means']}"
        do = refusal["do"]
    return Trouble(
        error.id,
        _fill(said["what"], facts),
        error.where,
        _fill(do, facts),
        error.exit_code,
    )


def reason(why: Reason) -> str:
    """Return the sentence for a reason or a warning."""
    return _fill(words()["reason"][why.id], dict(why.facts))


def label(finding_id: str) -> str:
    """Return a finding's name as people say it."""
    return str(words()["finding"][finding_id])


def role_name(role: str) -> str:
    """Return a role of the shop as people say it."""
    return str(words()["role"][role])


def step_asks(kind: str) -> str:
    """Return what a kind of step asks, for a page that is signed."""
    return str(words()["step_asks"].get(kind, ""))


def fault(id: str) -> str:
    """Return a cause that is no fault of the catalogue, without its full stop."""
    said = words()["fault"].get(id)
    return id.replace("_", " ") if said is None else str(said)


def odds_words(id: str, /, **facts: object) -> str:
    """Return a piece of what is said of how likely a group of causes is."""
    return _filled(words()["odds"][id], facts)


def check_words(id: str) -> tuple[str, str]:
    """Return what a check that parts causes asks, and its caution."""
    said = words()["check"][id]
    return str(said["do"]), str(said["caution"])


def act_words(request: Request) -> str:
    """Return the name under which the words for a request stand, in both places.

    A valve whose closing is read closes as the trace shows it. Where a person's word
    is asked for instead, everything is shut before pressure comes back.
    """
    act = request.act
    return "shut_both" if act == "close_bleed" and request.confirm else act


def action(request: Request, aim: str = "") -> tuple[str, str]:
    """Return the action line and the line under it.

    Args:
        request: what is asked.
        aim: the aim as it is to be shown, with unit and reference.
    """
    first, second = words()["act"][act_words(request)]
    typed = aim or (request.aim.typed if request.aim is not None else "")
    lasting = request.lasting.typed if request.lasting is not None else "at once"
    facts = {"aim": typed, "repeats": str(request.repeats), "lasting": lasting}
    facts |= {"asks": request.asks, "instrument": request.instrument or "no instrument"}
    return _fill(first, facts), _fill(second, facts)


def count_words(id: str) -> str:
    """Return what is counted under a name; a driver may count things of its own."""
    return str(words()["count"].get(id, "counted by the instrument's driver"))


def caution(id: str) -> str:
    """Return a caution's sentence."""
    return str(words()["caution"][id])


def hose_words(id: str, /, **facts: object) -> str:
    """Return a piece of what is said of a burst hose, its facts filled in."""
    return _filled(words()["hose"][id], facts)


def hose_list(id: str) -> tuple[str, ...]:
    """Return a list of what is said of a burst hose."""
    return tuple(words()["hose"][id])


def alarm_words(id: str, /, **facts: object) -> str:
    """Return a piece of what is said of any alarm, its facts filled in."""
    return _filled(words()["alarm"][id], facts)


def noted_words(id: str, /, **facts: object) -> str:
    """Return what is said of a note of the procedure, its facts filled in."""
    return _filled(words()["noted"][id], facts)


def live_words(*path: str, **facts: object) -> str:
    """Return what is said of a trouble beside a test that goes on."""
    found: Any = words()["live"]
    for part in path:
        found = found[part]
    return _filled(str(found), facts)


def ended_words(how: str, step: str) -> str:
    """Return what is said of a step that ended the test, or ""."""
    said = words()["bench"]["left_out"].get(how, "")
    return _filled(said, {"step": step})


def alarm_said(what: str, part: str, /, **facts: object) -> str:
    """Return a piece of what one kind of alarm says: its first words, and so on."""
    return _filled(words()["alarm"][what][part], facts)


def alarm_does(what: str) -> tuple[str, ...]:
    """Return what to do in one kind of alarm, in that order."""
    return tuple(words()["alarm"][what]["do"])


def _filled(said: object, facts: Mapping[str, object]) -> str:
    return _fill(str(said), {name: str(value) for name, value in facts.items()})


def page(id: str, /, **facts: object) -> str:
    """Return a piece of the certificate's wording, its facts filled in."""
    said = str(words()["page"][id])
    return _fill(said, {name: str(value) for name, value in facts.items()})


def why_words(id: str, /, **facts: object) -> str:
    """Return a piece of what explains a finding, its facts filled in."""
    said = str(words()["why"][id])
    return _fill(said, {name: str(value) for name, value in facts.items()})


def trend_words(id: str, /, **facts: object) -> str:
    """Return a piece of what is said of trends, its facts filled in."""
    return _filled(words()["trend"][id], facts)


def card_words(id: str) -> str:
    """Return a piece of the job card's wording."""
    return str(words()["card"][id])


def material_words(id: str) -> str:
    """Return why a material is not suited to a gas."""
    return str(words()["material"][id])


def source_words(id: str) -> str:
    """Return a budget's source as people say it, with the channel it is of."""
    return _of_channel("source", id)


def model_words(id: str) -> str:
    """Return a model's parameter as people say it, with its number or channel."""
    return _of_channel("model", id)


def _of_channel(table: str, id: str) -> str:
    known = words()[table]
    if id in known:
        return str(known[id])
    base, _, last = id.rpartition("_")
    if base in known and last in ("inlet", "outlet", "interstage"):
        return f"{known[base]}, {last}"
    counted = re.fullmatch(r"([a-z_]+?)_(\d+)(|_[a-z]+)", id)
    if counted is not None and counted[1] + counted[3] in known:
        return str(known[counted[1] + counted[3]]).format(n=counted[2])
    return id.replace("_", " ")


def page_list(id: str) -> tuple[str, ...]:
    """Return a list of the certificate's wording."""
    return tuple(words()["page"][id])


def page_words() -> dict[str, str]:
    """Return all of the certificate's wording that is one text each."""
    return {id: said for id, said in words()["page"].items() if isinstance(said, str)}
