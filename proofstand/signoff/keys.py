"""Keys: the shop's RSA key that seals runs, and how a seal is checked against it."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import padding, rsa

from records.errors import InputError
from records.runfile import Seal, Signature, Signer

KEY_BITS = 3072
PRIVATE_NAME = "key.pem"
PUBLIC_NAME = "key-public.pem"


def key_id(public: rsa.RSAPublicKey) -> str:
    """Return a key's id: SHA-256 of its public part (SubjectPublicKeyInfo)."""
    spki = public.public_bytes(
        serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    return hashlib.sha256(spki).hexdigest()


def make_key(folder: Path) -> Signer:
    """Make a key in a folder that has none, readable by its owner only.

    Raises:
        InputError: ``file_exists`` or ``file_unwritable``.
    """
    private = rsa.generate_private_key(public_exponent=65537, key_size=KEY_BITS)
    pem = private.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    public = private.public_key().public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    path = folder / PRIVATE_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(pem)
        (folder / PUBLIC_NAME).write_bytes(public)
    except FileExistsError:
        raise InputError("file_exists", where=str(path), what="key") from None
    except OSError as error:
        raise InputError(
            "file_unwritable", where=str(path), why=error.strerror or error
        ) from None
    return _signer(private)


def load_signer(folder: Path) -> Signer:
    """Return the signing function of the key in a folder.

    Raises:
        InputError: missing, or no RSA key.
    """
    path = folder / PRIVATE_NAME
    private = serialization.load_pem_private_key(_read(path), None)
    if not isinstance(private, rsa.RSAPrivateKey):
        raise InputError("file_not_ours", where=str(path), what="key")
    return _signer(private)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError("file_missing", where=str(path), what="key") from None
    except OSError as error:
        raise InputError(
            "file_unreadable", where=str(path), what="key", why=error.strerror or error
        ) from None


def _signer(private: rsa.RSAPrivateKey) -> Signer:
    id = key_id(private.public_key())

    def sign(data: bytes) -> Signature:
        value = private.sign(data, padding.PKCS1v15(), hashes.SHA256())
        return Signature(id, value.hex())

    return Signer(id, sign)


def load_public(path: Path) -> rsa.RSAPublicKey:
    """Return a public key from its file, or from the folder that holds it.

    Raises:
        InputError: missing, or no RSA public key.
    """
    file = path / PUBLIC_NAME if path.is_dir() else path
    data = _read(file)
    try:
        public = serialization.load_pem_public_key(data)
    except ValueError:
        raise InputError("file_not_ours", where=str(file), what="public key") from None
    if not isinstance(public, rsa.RSAPublicKey):
        raise InputError("file_not_ours", where=str(file), what="public key")
    return public


def signature_fits(seal: Seal, public: rsa.RSAPublicKey) -> bool:
    """Tell whether a seal's signature was made by this key over this seal."""
    if seal.signature is None or seal.signature.key_id != key_id(public):
        return False
    try:
        public.verify(
            bytes.fromhex(seal.signature.value),
            seal.signed_bytes,
            padding.PKCS1v15(),
            hashes.SHA256(),
        )
    except (InvalidSignature, ValueError):
        return False
    return True
