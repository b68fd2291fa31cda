"""What a signed page says of itself, checked: its facts, second signature and notes."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from records.errors import IntegrityError
from records.people import name_key

from .certificate import COPIED_NAME, DATA_NAME, SCHEMA, Title
from .notes import Note, read_note
from .pades import Signed, check

COUNTERSIGNATURE = "proofstand.countersignature/1"


def facts_of(signed: Signed, where: str) -> dict[str, Any]:
    """Return the facts attached to a page, once they fit who signed it.

    Raises:
        IntegrityError: ``certificate_changed``.
    """
    try:
        facts: dict[str, Any] = json.loads(signed.attached[DATA_NAME])
        fits = (
            facts["schema"] == SCHEMA
            and facts["key"] == signed.key_id
            and bool(facts["simulated"]) == signed.demo
            and {"number", "title", "verdict", "issued", "by"} <= set(facts)
            and {"id", "sha256"} <= set(facts["run"])
        )
        if fits and "copy_of" not in facts:
            second_of(signed, facts)
    except (KeyError, ValueError, TypeError):
        fits = False
    if not fits:
        why = "what it says of itself does not fit its signature"
        raise IntegrityError("certificate_changed", where=where, why=why)
    return facts


def original_of(signed: Signed, facts: Mapping[str, Any], where: str) -> Signed:
    """Return the page itself: of a copy the certificate inside, once both agree.

    Raises:
        IntegrityError: ``certificate_changed``.
    """
    if "copy_of" not in facts:
        return signed
    data = signed.attached.get(COPIED_NAME, b"")
    original = None
    if hashlib.sha256(data).hexdigest() == facts["copy_of"]["sha256"]:
        original = check(data, where)
    if original is not None:
        its = facts_of(original, where)
        own = {k: v for k, v in facts.items() if k != "copy_of"}
        if own == {**its, "key": facts["key"]}:
            return original
    why = "the certificate inside is missing or another one"
    raise IntegrityError("certificate_changed", where=where, why=why)


def second_of(signed: Signed, facts: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return what the second signature says once it fits the page, or None.

    Raises:
        KeyError, TypeError, ValueError: it does not fit.
    """
    awaits = facts["title"] == Title.TO_COUNTERSIGN.value
    if awaits is not signed.takes_second:
        raise ValueError("title and signature fields differ")
    said = signed.second
    if said is None:
        return None
    by = dict(said["by"])
    name = name_key(str(by["name"]))
    fits = (
        said["schema"] == COUNTERSIGNATURE
        and said["number"] == facts["number"]
        and {"name", "role", "proof", "roll"} == set(by)
        and name
        and name != name_key(str(facts["by"]))
        and by["role"] in ("", facts["countersign"])
    )
    if not fits:
        raise ValueError("the second signature is not for this page")
    return {**said, "by": by}


def notes_of(signed: Signed, facts: Mapping[str, Any], where: str) -> tuple[Note, ...]:
    """Return the notes that a page rests on, each whole and of the same run.

    Raises:
        IntegrityError: ``note_changed``, ``note_of_another_run``,
            ``certificate_changed``.
    """
    named = [*facts.get("concessions", ())]
    before = facts.get("before")
    if before is not None and before["confirmation"] is not None:
        named.append(before["confirmation"])
    notes = []
    for each in named:
        data = signed.attached.get(each["file"], b"")
        if hashlib.sha256(data).hexdigest() != each["sha256"]:
            why = f"{each['file']} inside is missing or another one"
            raise IntegrityError("certificate_changed", where=where, why=why)
        note = read_note(data, f"{where}: {each['file']}")
        if note.run_sha256 != facts["run"]["sha256"]:
            raise IntegrityError("note_of_another_run", where=where, what=note.what)
        notes.append(note)
    return tuple(notes)
