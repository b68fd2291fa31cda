"""The shop's keys over the years: the one that signs, and those that did before.

A key that was replaced is kept with its end; it signs nothing any more, and what it
signed is still known. What others need to check with is exported, never the private
part.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import secrets
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import pkcs12

from records.errors import InputError, RefusedError
from records.runfile import check_place, write_once

from ..places import keys_dir, made
from .keys import (
    CERTIFICATE_NAME,
    ENDED_NAME,
    PRIVATE_NAME,
    PUBLIC_NAME,
    Key,
    is_demo,
    key_id,
    load_key,
    load_public,
    made_at,
    make_key,
    owner_of,
    put_key,
    read_file,
    shop_folder,
)
from .lock import locked, unwritable

FORMAT = "proofstand.keys/1"
OLD_FOLDER = "old"
LEAST_BITS = 2048
_SHOWN = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownKey:
    """A key by which something of the shop's may be signed.

    Attributes:
        id: SHA-256 of its public part. owner: as its certificate says.
        since, until: UTC, ISO 8601; until is "" for the one that signs now.
        why, by: why it was replaced and by whom.
        certificate: X.509 in PEM.
    """

    id: str
    owner: str
    since: str
    until: str
    why: str
    by: str
    certificate: str

    @property
    def public(self) -> rsa.RSAPublicKey:
        """Its public part."""
        public = x509.load_pem_x509_certificate(self.certificate.encode()).public_key()
        assert isinstance(public, rsa.RSAPublicKey)
        return public


def known_keys() -> tuple[KnownKey, ...]:
    """Return the shop's key and those before it, the latest first; makes none.

    Raises:
        InputError: a folder of keys can't be read, or holds something else.
    """
    old = keys_dir() / OLD_FOLDER
    folders = [shop_folder()] if (shop_folder() / PRIVATE_NAME).exists() else []
    try:
        ended = [f for f in old.iterdir() if f.is_dir()] if old.is_dir() else []
    except OSError as error:
        raise InputError(
            "file_unreadable", where=str(old), what="key", why=error.strerror or error
        ) from None
    found = [known_at(folder) for folder in folders]
    before = sorted(map(known_at, ended), key=lambda k: k.until, reverse=True)
    return (*found, *before)


def known_at(folder: Path) -> KnownKey:
    """Return the key in a folder as others know it.

    Raises:
        InputError: missing, or no key.
    """
    pem = read_file(folder / CERTIFICATE_NAME, "certificate of the key")
    try:
        certificate = x509.load_pem_x509_certificate(pem)
        public = certificate.public_key()
        told = _ended(folder)
    except (ValueError, UnsupportedAlgorithm):
        public, told = None, {}
    if not isinstance(public, rsa.RSAPublicKey):
        raise InputError("file_not_ours", where=str(folder), what="key") from None
    return KnownKey(
        id=key_id(public),
        owner=owner_of(certificate.subject),
        since=_iso(made_at(certificate)),
        until=str(told.get("until", "")),
        why=str(told.get("why", "")),
        by=str(told.get("by", "")),
        certificate=pem.decode("ascii", "replace"),
    )


def _ended(folder: Path) -> dict[str, Any]:
    path = folder / ENDED_NAME
    if not path.exists():
        return {}
    told = json.loads(read_file(path, "key"))
    if not isinstance(told, dict):
        raise ValueError("no end of a key")
    return told


def _iso(when: datetime.datetime) -> str:
    return f"{when.astimezone(datetime.UTC):%Y-%m-%dT%H:%M:%SZ}"


def make_shop_key(owner: str, *, replace: bool, why: str, by: str) -> Key:
    """Make the shop's key, or another one in place of the one that signs now.

    Args:
        owner: whose it is, as its certificate will say.
        replace: there may be one already; it is kept for checking.
        why: why it is replaced.
        by: by whom.

    Raises:
        InputError: it can't be made. RefusedError: ``key_there_already``.
    """
    incoming = _incoming()
    make_key(incoming, owner)
    return _put_in_place(incoming, replace=replace, why=why, by=by)


def import_shop_key(
    path: Path, password: str, *, replace: bool, why: str, by: str
) -> Key:
    """Take a key that somebody else made, from a PKCS #12 file, as the shop's.

    Args:
        path: file with one RSA key and its certificate; other certificates in it are
            not kept.
        password: of the file, "" for none.
        replace: as in :func:`make_shop_key`.
        why: the same.
        by: the same.

    Raises:
        InputError: missing, no such file, ``key_password_wrong``, ``key_unfit``.
        RefusedError: ``key_there_already``, ``key_for_demonstration``.
    """
    data = read_file(path, "PKCS #12 file")
    try:
        private, certificate, _ = pkcs12.load_key_and_certificates(
            data, password.encode("utf-8") if password else None
        )
    except ValueError as error:
        # The library tells the two cases apart in its words only.
        if "password" in str(error).lower():
            raise InputError("key_password_wrong", where=str(path)) from None
        raise InputError(
            "file_not_ours", where=str(path), what="PKCS #12 file"
        ) from None
    now = datetime.datetime.now(datetime.UTC)
    why_not = ""
    if private is None or certificate is None:
        why_not = "it lacks the private key or its certificate"
    elif not isinstance(private, rsa.RSAPrivateKey):
        why_not = "the key is not an RSA key"
    elif private.key_size < LEAST_BITS:
        why_not = f"the key has {private.key_size} bits, fewer than {LEAST_BITS}"
    elif not (
        certificate.not_valid_before_utc <= now <= certificate.not_valid_after_utc
    ):
        why_not = (
            f"its certificate counts from {_iso(certificate.not_valid_before_utc)} "
            f"to {_iso(certificate.not_valid_after_utc)}"
        )
    elif not _may_sign(certificate):
        why_not = "its certificate does not let it sign documents"
    if why_not:
        raise InputError("key_unfit", where=str(path), why=why_not)
    assert isinstance(private, rsa.RSAPrivateKey)
    assert certificate is not None
    if is_demo(certificate.subject):
        owner = owner_of(certificate.subject)
        raise RefusedError("key_for_demonstration", where=str(path), owner=owner)
    incoming = _incoming()
    put_key(incoming, private, certificate)
    return _put_in_place(incoming, replace=replace, why=why, by=by)


def _may_sign(certificate: x509.Certificate) -> bool:
    try:
        usage = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    except x509.ExtensionNotFound:
        return True
    return usage.digital_signature or usage.content_commitment


def _incoming() -> Path:
    try:
        made(keys_dir(), private=True)
    except OSError as error:
        raise unwritable(keys_dir(), error) from None
    return keys_dir() / f".incoming-{secrets.token_hex(4)}"


def _put_in_place(incoming: Path, *, replace: bool, why: str, by: str) -> Key:
    """Give a whole new key the place of the one that signs, which is kept."""
    place = shop_folder()
    try:
        with locked(keys_dir()):
            load_key(incoming)
            if (place / PRIVATE_NAME).exists():
                now = load_key(place)
                if not replace:
                    raise RefusedError(
                        "key_there_already", where=str(place), owner=now.owner
                    )
                if now.id == load_key(incoming).id:
                    raise InputError(
                        "key_unfit", where=str(place), why="it is the shop's already"
                    )
                _end(place, now.id, why, by)
            incoming.rename(place)
    except OSError as error:
        raise unwritable(place, error) from None
    finally:
        shutil.rmtree(incoming, ignore_errors=True)
    return load_key(place)


def _end(place: Path, id: str, why: str, by: str) -> None:
    """Write a key's end into its folder and move that to the old ones."""
    told = {"until": _iso(datetime.datetime.now(datetime.UTC)), "why": why, "by": by}
    ended = place / ENDED_NAME
    if not ended.exists():
        write_once(ended, json.dumps(told, ensure_ascii=False).encode(), "key")
    old = made(keys_dir() / OLD_FOLDER, private=True) / id[:_SHOWN]
    if old.exists():  # the same key was the shop's before
        old = old.with_name(f"{old.name}-{secrets.token_hex(2)}")
    os.rename(place, old)


def keys_json(keys: Sequence[KnownKey]) -> dict[str, Any]:
    """Return keys as the schema has them."""
    told = [
        {
            "id": key.id,
            "owner": key.owner,
            "since": key.since,
            "until": key.until or None,
            "why": key.why,
            "by": key.by,
            "public": key.public.public_bytes(
                serialization.Encoding.PEM,
                serialization.PublicFormat.SubjectPublicKeyInfo,
            ).decode("ascii"),
            "certificate": key.certificate,
        }
        for key in keys
    ]
    return {"schema": FORMAT, "keys": told}


def export_keys(out: Path, keys: Sequence[KnownKey], *, whole: bool) -> None:
    """Write what others need to check with; no private part is ever in it.

    Args:
        out: must not exist.
        keys: as :func:`known_keys` gives them.
        whole: all of them with their times, as JSON; else the present one as PEM.

    Raises:
        InputError: ``file_missing`` where there is no key, or it can't be written.
    """
    check_place(out, "public key")
    if not keys:
        raise InputError("file_missing", where=str(shop_folder()), what="key")
    document = keys_json(keys)
    text = document["keys"][0]["public"]
    if whole:
        text = json.dumps(document, ensure_ascii=False, indent=1) + "\n"
    write_once(out, text.encode(), "public key")


def own_key_places() -> tuple[Path, ...]:
    """Return the folder of the shop's key and of each before it, as far as they are."""
    old = keys_dir() / OLD_FOLDER
    ended = sorted(f for f in old.iterdir() if f.is_dir()) if old.is_dir() else []
    return tuple(f for f in (shop_folder(), *ended) if (f / PUBLIC_NAME).exists())


def publics_at(path: Path) -> tuple[tuple[rsa.RSAPublicKey, str], ...]:
    """Return the public keys at a place, each with its end, "" for none.

    Args:
        path: public key file, the folder that it lies in, or an exported list.

    Raises:
        InputError: missing, or none of these.
    """
    listed = keys_by(path)
    if listed is not None:
        return tuple((key.public, key.until) for key in listed)
    public = load_public(path)
    try:
        told = _ended(path) if path.is_dir() else {}
    except ValueError:
        raise InputError("file_not_ours", where=str(path), what="key") from None
    return ((public, str(told.get("until", ""))),)


def keys_by(path: Path) -> tuple[KnownKey, ...] | None:
    """Return the keys of an exported list, or None for a file of another kind.

    Raises:
        InputError: it begins as such a list and is none.
    """
    if not path.is_file():
        return None
    data = read_file(path, "public key")
    if not data.lstrip().startswith(b"{"):
        return None
    with contextlib.suppress(
        ValueError, KeyError, TypeError, AttributeError, UnsupportedAlgorithm
    ):
        told = json.loads(data)
        if told["schema"] == FORMAT:
            keys = tuple(
                KnownKey(
                    id=str(k["id"]),
                    owner=str(k["owner"]),
                    since=str(k["since"]),
                    until=str(k["until"] or ""),
                    why=str(k["why"]),
                    by=str(k["by"]),
                    certificate=str(k["certificate"]),
                )
                for k in told["keys"]
            )
            if keys and all(key_id(k.public) == k.id for k in keys):
                return keys
    raise InputError("file_not_ours", where=str(path), what="list of public keys")
