"""Notices beside a certificate: under review, review ended, replaced.

A certificate is never written again. What has to be said of it later is a small signed
file of its own beside it, ``CERT.notice-001.json``, which ``verify`` shows with it. It
is written once too: the end of a review is another notice.
"""

from __future__ import annotations

import base64
import hashlib
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding, rsa

from records.errors import InputError, IntegrityError, RefusedError
from records.people import Act, Signatory
from records.runfile import check_place, write_once

from .keys import Key, is_demo, key_for, key_id, owner_of
from .persons import AskPin, did, no_pin
from .signed_run import who_signs
from .verify import Verified, refuse_other_keys, verify

SCHEMA = "proofstand.notice/1"
MOST_WHY = 400  # characters
_MOST_BYTES = 20_000
_MOST = 999


class Says(StrEnum):
    """What a notice says of its certificate."""

    UNDER_REVIEW = "under review"
    REVIEW_ENDED = "review ended"
    REPLACED = "replaced"


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One notice.

    Attributes:
        certificate, sha256: number of the certificate and hash of its file.
        says: one of ``Says``. why: in words.
        by: who put it there; role and proof: by which, and how that was shown.
        made: UTC. replaced_by: number of the new one, "" where it is not replaced.
        key, owner: id of the key that signed it, and whose that is.
    """

    certificate: str
    sha256: str
    says: str
    why: str
    by: str
    role: str
    proof: str
    made: str
    replaced_by: str
    key: str
    owner: str


def put_notice(
    certificate: Path,
    says: Says,
    why: str,
    *,
    by: str = "",
    ask: AskPin = no_pin,
    proven: Signatory | None = None,
    key_folder: Path | None = None,
    replaced_by: str = "",
    utc_ns: Callable[[], int] = time.time_ns,
) -> Path:
    """Write a signed notice beside a certificate and return its path.

    Args:
        certificate: whole, and signed by the key that signs the notice.
        says: what the notice says.
        why: in words.
        by: who says so.
        ask: asks for their PIN, where the shop has a roll.
        proven: the same, where it was shown already who it is.
        key_folder: of the key; None takes the shop's.
        replaced_by: number of the certificate that takes its place.
        utc_ns: the clock.

    Raises:
        InputError: a file can't be read or written, or nothing says why.
        IntegrityError: the certificate was changed, or another key signed it.
        RefusedError: the key may not sign, or not by this person.
    """
    found, key, told = _checked(certificate, why, key_folder)
    who = proven or who_signs(key, by, Act.NOTICE, ask, utc_ns)
    notice = _notice(found, key, says, told, who, replaced_by, utc_ns())
    data = _written(notice, key)
    did(
        who,
        Act.NOTICE,
        utc_ns=utc_ns,
        number=notice.certificate,
        certificate=notice.sha256,
        says=notice.says,
    )
    while True:
        out = _next_place(certificate)
        try:
            write_once(out, data, "notice")
        except InputError as error:
            if error.id != "file_exists":
                raise
            continue  # somebody else put one there at the same moment
        return out


def notice_bytes(
    certificate: Path,
    says: Says,
    why: str,
    *,
    who: Signatory,
    key_folder: Path | None = None,
    utc_ns: Callable[[], int] = time.time_ns,
) -> tuple[Notice, bytes]:
    """Return a signed notice as its file is; nothing is written or put on record.

    Args:
        certificate: whole, and signed by the key that signs the notice.
        says: what the notice says.
        why: in words.
        who: says so; that they may was shown already.
        key_folder: of the key; None takes the shop's.
        utc_ns: the clock.

    Raises:
        InputError, IntegrityError, RefusedError: see :func:`put_notice`.
    """
    found, key, told = _checked(certificate, why, key_folder)
    notice = _notice(found, key, says, told, who, "", utc_ns())
    return notice, _written(notice, key)


def _checked(
    certificate: Path, why: str, key_folder: Path | None
) -> tuple[Verified, Key, str]:
    """Return what is known of a certificate, the key that signs, and the reason."""
    found = verify(certificate)
    if found.paper is None:
        raise InputError("file_not_ours", where=str(certificate), what="certificate")
    key = key_for(simulated=found.simulated, folder=key_folder)
    if key is None:
        raise RefusedError("simulated_needs_demo_key", where=str(certificate))
    if key.id != found.key:
        raise IntegrityError("signature_wrong", where=str(certificate), key=key.id[:16])
    told = " ".join(why.split())
    if not 0 < len(told) <= MOST_WHY:
        right = f"why, in 1 to {MOST_WHY} characters"
        given = f"{len(told)} characters"
        raise InputError("value_wrong", key="--why", given=given, right=right)
    return found, key, told


def _notice(
    found: Verified,
    key: Key,
    says: Says,
    why: str,
    who: Signatory,
    replaced_by: str,
    now_ns: int,
) -> Notice:
    assert found.paper is not None
    made = datetime.fromtimestamp(now_ns // 10**9, tz=UTC)
    return Notice(
        certificate=found.paper.number,
        sha256=hashlib.sha256(found.path.read_bytes()).hexdigest(),
        says=says.value,
        why=why,
        by=who.name,
        role=who.role,
        proof=who.proof.value,
        made=made.strftime("%Y-%m-%dT%H:%M:%SZ"),
        replaced_by=replaced_by,
        key=key.id,
        owner=key.owner,
    )


def check_notice_place(certificate: Path) -> None:
    """Refuse a place where no notice could be written; touches nothing.

    Raises:
        InputError: ``file_unwritable``.
    """
    check_place(_next_place(certificate), "notice")


def notices_of(certificate: Path) -> tuple[Notice, ...]:
    """Return the notices that lie beside a certificate, in their order.

    Raises:
        IntegrityError: ``notice_changed``, for one that is not as it was signed, or
            that was not signed by the key of the certificate.
    """
    files = sorted(certificate.parent.glob(_pattern(certificate)))
    found = tuple(read_notice(file) for file in files)
    if not found:
        return ()
    signed = verify(certificate)
    sha256 = hashlib.sha256(certificate.read_bytes()).hexdigest()
    for file, notice in zip(files, found, strict=True):
        if notice.sha256 != sha256 or notice.key != signed.key:
            why = "it is of another certificate, or another key signed it"
            raise IntegrityError("notice_changed", where=str(file), why=why)
    return found


def read_notice(path: Path) -> Notice:
    """Return a notice, its signature checked.

    Raises:
        InputError: it can't be read. IntegrityError: ``notice_changed``.
    """
    try:
        data = path.read_bytes()[: _MOST_BYTES + 1]
    except OSError as error:
        raise InputError(
            "file_unreadable",
            where=str(path),
            what="notice",
            why=error.strerror or error,
        ) from None
    try:
        document: dict[str, Any] = json.loads(data)
        facts = document["notice"]
        notice = Notice(**facts)
        holder = x509.load_der_x509_certificate(base64.b64decode(document["signer"]))
        public = holder.public_key()
        if not isinstance(public, rsa.RSAPublicKey) or document["schema"] != SCHEMA:
            raise ValueError("of another kind")
        if (key_id(public), owner_of(holder.subject)) != (notice.key, notice.owner):
            raise ValueError("of another key")
        public.verify(
            bytes.fromhex(document["signature"]),
            _signed_bytes(notice, document["signer"]),
            padding.PKCS1v15(),
            hashes.SHA256(),
        )
        signature = bytes.fromhex(document["signature"]).hex()
        if data != _document(notice, document["signer"], signature):
            raise ValueError("written otherwise")
    except Exception:  # a changed file makes any parser stumble in its own way
        why = "what it says does not fit its signature"
        raise IntegrityError("notice_changed", where=str(path), why=why) from None
    return notice


@dataclass(frozen=True, slots=True)
class VerifiedNotice:
    """A notice that is whole.

    Attributes:
        signature: one of ``verify.SIGNATURE_WORDS``.
        simulated: a demonstration key signed it.
    """

    path: Path
    notice: Notice
    signature: str
    simulated: bool


def is_notice(path: Path) -> bool:
    """Tell whether a file says that it is a notice, be it damaged."""
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return f'"{SCHEMA}"'.encode() in file.read(200)
    except OSError:
        return False  # reading it says what is wrong


def verify_notice(path: Path, public_keys: Sequence[Path]) -> VerifiedNotice:
    """Check a notice by itself.

    Args:
        path: the notice.
        public_keys: that may have signed it; with none it is left open who did.

    Raises:
        InputError: it or a key can't be read.
        IntegrityError: ``notice_changed``, ``signature_wrong``,
            ``signature_after_end``.
    """
    notice = read_notice(path)
    refuse_other_keys(notice.key, notice.made, path, public_keys)
    signer = base64.b64decode(json.loads(path.read_bytes())["signer"])
    return VerifiedNotice(
        path,
        notice,
        "fits" if public_keys else "not checked",
        is_demo(x509.load_der_x509_certificate(signer).subject),
    )


def standing(notices: tuple[Notice, ...]) -> str:
    """Return how a certificate stands by its notices, "" where none is against it."""
    notice = last_against(notices)
    return "" if notice is None else notice.says


def last_against(notices: tuple[Notice, ...]) -> Notice | None:
    """Return the one of a file's notices, in their order, that stands against it."""
    last = None
    for notice in notices:
        if notice.says == Says.REPLACED:
            return notice
        last = notice if notice.says == Says.UNDER_REVIEW else None
    return last


def _pattern(certificate: Path) -> str:
    stem = "".join(f"[{c}]" if c in "[]*?" else c for c in certificate.stem)
    return f"{stem}.notice-[0-9][0-9][0-9].json"


def _next_place(certificate: Path) -> Path:
    for number in range(1, _MOST + 1):
        out = certificate.with_name(f"{certificate.stem}.notice-{number:03d}.json")
        if not out.exists():
            return out
    raise InputError("file_exists", where=str(certificate), what="notice")


def _signed_bytes(notice: Notice, signer: str) -> bytes:
    facts = {"schema": SCHEMA, "signer": signer, **asdict(notice)}
    return json.dumps(facts, sort_keys=True, ensure_ascii=False).encode("utf-8")


def _written(notice: Notice, key: Key) -> bytes:
    signer = base64.b64encode(key.certificate_der).decode("ascii")
    signature = key.signer.sign(_signed_bytes(notice, signer)).value
    return _document(notice, signer, signature)


def _document(notice: Notice, signer: str, signature: str) -> bytes:
    document = {
        "schema": SCHEMA,
        "notice": asdict(notice),
        "signer": signer,
        "signature": signature,
    }
    return json.dumps(document, ensure_ascii=False, indent=1).encode("utf-8")
