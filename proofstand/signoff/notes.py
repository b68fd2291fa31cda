"""Notes: records in JSON, signed by the shop's key; most are tied to a run's hash.

A note holds the certificate of the key that signed it, so that every changed byte is
found with the file alone; whose key it is, the public key tells. There is one way to
write a note, to the byte.
"""

from __future__ import annotations

import base64
import json
import logging
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding, rsa

from records.errors import InputError, IntegrityError
from records.people import Signatory
from records.run import Run
from records.runfile import write_once

from .keys import Key, is_demo, key_id, owner_of, read_file

CONCESSION = "proofstand.concession/1"
REJECTION = "proofstand.rejection/1"
CONFIRMATION = "proofstand.confirmation/1"
RECALL = "proofstand.recall/1"
_OF_RUN = frozenset({"run", "regulator"})
# Each kind of note: how it is called, and what it has beside the common fields.
KINDS: Mapping[str, tuple[str, frozenset[str]]] = {
    CONCESSION: (
        "concession",
        _OF_RUN | {"plan", "finding", "agreed_by", "until"},
    ),
    REJECTION: ("rejection", _OF_RUN),
    CONFIRMATION: ("confirmation", _OF_RUN | {"plan", "before", "after"}),
    RECALL: (
        "recall",
        frozenset(
            {
                *("recall", "found", "since", "until", "simulated"),
                *("analysis_version", "every", "runs", "marked", "not_marked"),
            }
        ),
    ),
}
_COMMON = ("schema", "by", "made", "why")
_SIGNED_BY = ("key", "certificate", "signature")
_MARK = b'{\n "schema": "proofstand.'
_TAIL, _BEFORE_TAIL, _TAIL_BYTES = b'"signature": "', b'"certificate": "', 2_200
MOST_WHY = 400  # characters


@dataclass(frozen=True, slots=True)
class Note:
    """A signed note that is whole.

    Attributes:
        what: "concession", "rejection", "confirmation" or "recall".
        facts: all that it says. key_id, owner, demo: of the key that signed it.
        data: its bytes.
    """

    what: str
    facts: Mapping[str, Any]
    key_id: str
    owner: str
    demo: bool
    data: bytes

    @property
    def run_sha256(self) -> str:
        """Hash of the run that it is of, "" where it is of none."""
        return str(self.facts["run"]["sha256"]) if "run" in self.facts else ""

    @property
    def run_id(self) -> str:
        """Id of the run that it is of, "" where it is of none."""
        return str(self.facts["run"]["id"]) if "run" in self.facts else ""

    @property
    def by(self) -> str:
        """Who made it."""
        return str(self.facts["by"]["name"])


def signatory_json(who: Signatory) -> dict[str, str]:
    """Return who did something, as schemas have it."""
    return {
        "name": who.name,
        "role": who.role,
        "proof": who.proof.value,
        "roll": who.roll,
    }


def reason_of(why: str) -> str:
    """Return a reason as a note holds it.

    Raises:
        InputError: ``value_wrong``: there is none, or a very long one.
    """
    reason = " ".join(why.split())
    if not reason or len(reason) > MOST_WHY or not reason.isprintable():
        right = f"a reason of at most {MOST_WHY} characters"
        raise InputError("value_wrong", key="--why", given=ascii(why[:40]), right=right)
    return reason


def common(
    schema: str, run: Run, who: Signatory, why: str, made: str
) -> dict[str, Any]:
    """Return what every note says.

    Raises:
        InputError: see :func:`reason_of`.
    """
    regulator = run.header.job.regulator
    return {
        "schema": schema,
        "run": {"id": run.id, "sha256": run.sha256},
        "regulator": {"serial": regulator.serial, "model": regulator.model},
        "by": signatory_json(who),
        "made": made,
        "why": reason_of(why),
    }


def signed(facts: Mapping[str, Any], key: Key) -> Note:
    """Return a note, signed."""
    told = {
        **facts,
        "key": key.id,
        "certificate": base64.b64encode(key.certificate_der).decode("ascii"),
    }
    value = key.signer.sign(_text(told)).value
    return read_note(_text({**told, "signature": value}) + b"\n", "")


def write_note(out: Path, note: Note) -> None:
    """Write a note to a file that must not exist.

    Raises:
        InputError: ``file_exists`` or ``file_unwritable``.
    """
    write_once(out, note.data, note.what)


def _text(told: Mapping[str, Any]) -> bytes:
    text = json.dumps(told, ensure_ascii=False, indent=1, allow_nan=False)
    return text.encode("utf-8", "surrogatepass")


def is_note(data: bytes) -> bool:
    """Tell whether a file's bytes look like a note of ours, be it damaged."""
    marked = data.startswith(_MARK) or any(
        kind.encode() in data[:200] for kind in KINDS
    )
    return marked or (_TAIL in data[-_TAIL_BYTES:] and _BEFORE_TAIL in data)


def load_note(path: Path, schema: str) -> Note:
    """Return the note of one kind that is in a file.

    Raises:
        InputError: missing, unreadable, or no such note.
        IntegrityError: ``note_changed``.
    """
    what = KINDS[schema][0]
    data = read_file(path, what)
    if not is_note(data):
        raise InputError("file_not_ours", where=str(path), what=what)
    note = read_note(data, str(path))
    if note.what != what:
        raise InputError("file_not_ours", where=str(path), what=what)
    return note


def read_note(data: bytes, where: str) -> Note:
    """Return a note, checked to its last byte.

    Args:
        data: the whole file.
        where: its name, for an error.

    Raises:
        IntegrityError: ``note_changed``.
    """
    try:
        told = json.loads(data)
        what, more = KINDS[told["schema"]]
        wanted = {*_COMMON, *more, *_SIGNED_BY}
        if set(told) != wanted or _text(told) + b"\n" != data:
            raise ValueError("other fields or other bytes")
        of_run = "run" in more and not {"id", "sha256"} <= set(told["run"])
        if of_run or not str(told["by"]["name"] + " "):
            raise ValueError("it lacks run or name")
        der = base64.b64decode(told["certificate"], validate=True)
        certificate = x509.load_der_x509_certificate(der)
        public = certificate.public_key()
        if not isinstance(public, rsa.RSAPublicKey) or key_id(public) != told["key"]:
            raise ValueError("another key")
        value = bytes.fromhex(told["signature"])
        if value.hex() != told["signature"]:
            raise ValueError("written in another way")
        covered = {name: each for name, each in told.items() if name != "signature"}
        public.verify(
            value,
            _text(covered),
            padding.PKCS1v15(),
            hashes.SHA256(),
        )
    except Exception as error:
        # The parsers meet damage with errors of many kinds.
        logging.getLogger(__name__).info("not readable: %r", error)
        raise IntegrityError("note_changed", where=where) from None
    return Note(
        what,
        told,
        key_id(public),
        owner_of(certificate.subject),
        is_demo(certificate.subject),
        data,
    )
