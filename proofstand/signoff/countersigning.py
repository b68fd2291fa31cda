"""The second signature: it makes a certificate of a page whose plan asks for one.

What the page says does not change: it was true before and stays so. The second
signature covers the first, shows in the frame left for it, and ends all change.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from records.errors import InputError, IntegrityError, RefusedError
from records.people import Act, Signatory, name_key
from records.runfile import check_place, write_once

from ..drawing.faces import covered_for
from ..drawing.inks import PAGE
from ..words.sentences import page, role_name
from .against import Against, against_page
from .keys import Key, key_for, read_file
from .notes import signatory_json
from .pades import Signed, check, countersign
from .page import set_countersignature
from .pagefacts import COUNTERSIGNATURE, facts_of, second_of
from .persons import AskPin, did, moment, no_pin
from .roll import Clock
from .signed_run import who_signs
from .told import told


@dataclass(frozen=True, slots=True)
class Countersigned:
    """A page that became a certificate: its file, number, run and second signatory."""

    path: Path
    number: str
    run_id: str
    by: Signatory
    key_id: str


def countersign_page(
    path: Path,
    out: Path,
    *,
    by: str,
    ask: AskPin = no_pin,
    key_folder: Path | None = None,
    utc_ns: Clock = time.time_ns,
    against: Callable[[Path], Against] = against_page,
) -> Countersigned:
    """Make a certificate of a page that waits for its second signature.

    Args:
        path: the page; it is left as it is.
        out: the certificate to make; must not exist.
        by: who countersigns.
        ask: asks for their PIN.
        key_folder: of the key that signed the page; None takes the shop's.
        utc_ns: the clock.
        against: tells what speaks against the page.

    Raises:
        InputError: a file can't be read or written, or is no page of ours.
        IntegrityError: the page was changed, or another key signed it.
        RefusedError: it asks for no second signature, or not by this person; it is
            under review, replaced, or of a rejected run.
    """
    check_place(out, "certificate")
    data = read_file(path, "certificate")
    signed = check(data, str(path))
    if signed is None:
        raise InputError("file_not_ours", where=str(path), what="certificate")
    facts = facts_of(signed, str(path))
    _refuse_not_asked(signed, facts, str(path))
    if key_folder is None and signed.demo:
        raise RefusedError("simulated_needs_demo_key", where=str(path))
    key = key_for(simulated=signed.demo, folder=key_folder)
    assert key is not None
    if key.id != signed.key_id:
        raise IntegrityError("signature_wrong", where=str(path), key=key.id[:16])
    _refuse_same(by, facts, str(path))
    against(path).refuse(str(path))
    who = who_signs(key, by, Act.COUNTERSIGN, ask, utc_ns)
    if not who.name:
        raise RefusedError("person_wanted", act=Act.COUNTERSIGN.value)
    now = utc_ns()
    said = {
        "schema": COUNTERSIGNATURE,
        "number": facts["number"],
        "by": signatory_json(who),
        "made": moment(now),
    }
    certificate = _signed(data, key, who, said, now)
    did(
        who,
        Act.COUNTERSIGN,
        utc_ns=utc_ns,
        number=str(facts["number"]),
        run=str(facts["run"]["sha256"]),
    )
    write_once(out, certificate, "certificate")
    return Countersigned(
        out, str(facts["number"]), str(facts["run"]["id"]), who, key.id
    )


def _signed(
    data: bytes, key: Key, who: Signatory, said: dict[str, Any], now: int
) -> bytes:
    when = datetime.fromtimestamp(now // 10**9, tz=UTC)
    shown = {
        "inks": asdict(PAGE),
        "title": page("title_certificate"),
        "said": told(_words(who), covered_for(_words(who))),
        "when": page("countersigned_when", when=moment(now)),
    }
    reason = f"{page('title_certificate')}. {_words(who)}"
    return countersign(data, key, reason, said, set_countersignature(shown, when))


def _words(who: Signatory) -> str:
    if who.role:
        return page("countersigned_pin", name=who.name, role=role_name(who.role))
    return page("countersigned_typed", name=who.name)


def _refuse_not_asked(signed: Signed, facts: Mapping[str, Any], where: str) -> None:
    if "copy_of" in facts:
        raise RefusedError("countersign_not_asked", where=where, title="copy")
    second = second_of(signed, facts)
    if second is not None:
        raise RefusedError(
            "countersigned_already", where=where, by=second["by"]["name"]
        )
    if not signed.takes_second:
        raise RefusedError("countersign_not_asked", where=where, title=facts["title"])


def _refuse_same(by: str, facts: Mapping[str, Any], where: str) -> None:
    if name_key(by) and name_key(by) == name_key(str(facts["by"])):
        raise RefusedError("countersign_same_person", where=where, name=by)
