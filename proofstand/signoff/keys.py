"""Keys: who signs what, and how a seal is checked against its key.

A key lies in a folder of its own: the private RSA key, its public part, and an X.509
certificate that names its owner and is signed by the key itself. A demonstration key
says so in its certificate; it signs what a simulated rig made, and nothing else does.
"""

from __future__ import annotations

import datetime
import hashlib
import os
import secrets
import shutil
from dataclasses import dataclass, field
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import padding, rsa
from cryptography.x509.oid import NameOID

from records.errors import InputError, RefusedError
from records.runfile import Seal, Signature, Signer

from ..places import keys_dir, made

KEY_BITS = 3072
PRIVATE_NAME = "key.pem"
PUBLIC_NAME = "key-public.pem"
CERTIFICATE_NAME = "certificate.pem"
ENDED_NAME = "ended.json"  # in the folder of a key that was replaced
SHOP_FOLDER = "shop"
YEARS = 20
DEMO_MARK = "demonstration: simulated rigs only"
_EARLIER = datetime.timedelta(hours=1)  # computers of one shop differ by minutes
_LASTS = datetime.timedelta(days=365.25 * YEARS)
OWNER_MOST = 64  # characters of a common name, X.520


@dataclass(frozen=True, slots=True)
class Key:
    """A key that can sign.

    Attributes:
        id: SHA-256 of its public part, hexadecimal.
        owner: whose it is, as its certificate says.
        demo: it signs what a simulated rig made, and only that.
        private_der: PKCS #8. certificate_der: X.509.
    """

    id: str
    owner: str
    demo: bool
    private_der: bytes = field(repr=False)
    certificate_der: bytes = field(repr=False)

    @property
    def signer(self) -> Signer:
        """The function that seals run files."""
        return _signer(self._private())

    @property
    def public(self) -> rsa.RSAPublicKey:
        """Its public part."""
        return self._private().public_key()

    def _private(self) -> rsa.RSAPrivateKey:
        # checked when it was read from its file, which takes a tenth of a second
        private = serialization.load_der_private_key(
            self.private_der, None, unsafe_skip_rsa_key_validation=True
        )
        assert isinstance(private, rsa.RSAPrivateKey)
        return private


def key_id(public: rsa.RSAPublicKey) -> str:
    """Return a key's id: SHA-256 of its public part (SubjectPublicKeyInfo)."""
    spki = public.public_bytes(
        serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    return hashlib.sha256(spki).hexdigest()


def make_key(folder: Path, owner: str = "", *, demo: bool = False) -> Signer:
    """Make a key in a folder that is new or empty, readable by its owner only.

    The folder appears whole or not at all, so that two programs that make it at the
    same time can't mix two keys.

    Args:
        folder: of the key alone.
        owner: whose it is; "" names it by its id.
        demo: mark it as one for simulated rigs only.

    Raises:
        InputError: ``file_exists`` or ``file_unwritable``.
    """
    private = rsa.generate_private_key(public_exponent=65537, key_size=KEY_BITS)
    put_key(folder, private, _certificate(private, owner, demo))
    return _signer(private)


def put_key(
    folder: Path, private: rsa.RSAPrivateKey, certificate: x509.Certificate
) -> None:
    """Write a key into a folder that is new or empty, readable by its owner only.

    Raises:
        InputError: ``file_exists`` or ``file_unwritable``.
    """
    beside = folder.with_name(f".{folder.name}.{os.getpid()}-{secrets.token_hex(4)}")
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise FileExistsError
        folder.parent.mkdir(parents=True, exist_ok=True)
        beside.mkdir(mode=0o700)
        pem = private.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
        public = private.public_key().public_bytes(
            serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
        )
        _write(beside / PRIVATE_NAME, pem, 0o600)
        _write(beside / PUBLIC_NAME, public, 0o644)
        _write(
            beside / CERTIFICATE_NAME,
            certificate.public_bytes(serialization.Encoding.PEM),
            0o644,
        )
        _into_place(beside, folder)
    except FileExistsError:
        raise InputError("file_exists", where=str(folder), what="key") from None
    except OSError as error:
        raise InputError(
            "file_unwritable", where=str(folder), why=error.strerror or error
        ) from None
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _into_place(beside: Path, folder: Path) -> None:
    try:
        if folder.is_dir():
            folder.rmdir()  # fails when another program has just filled it
        beside.rename(folder)
    except OSError:
        if (folder / PRIVATE_NAME).exists():
            raise FileExistsError from None
        raise


def _write(path: Path, data: bytes, mode: int) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _certificate(
    private: rsa.RSAPrivateKey, owner: str, demo: bool
) -> x509.Certificate:
    public = private.public_key()
    named = " ".join(owner.split()) or f"key {key_id(public)[:8]}"
    parts = [x509.NameAttribute(NameOID.COMMON_NAME, named[:OWNER_MOST])]
    if demo:
        unit = NameOID.ORGANIZATIONAL_UNIT_NAME
        parts.append(x509.NameAttribute(unit, DEMO_MARK))
    name = x509.Name(parts)
    now = datetime.datetime.now(datetime.UTC)
    usage = x509.KeyUsage(
        digital_signature=True,
        content_commitment=True,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=False,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )
    identifier = x509.SubjectKeyIdentifier.from_public_key(public)
    return (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(public)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _EARLIER)
        .not_valid_after(now + _LASTS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(identifier, critical=False)
        .sign(private, hashes.SHA256())
    )


def made_at(certificate: x509.Certificate) -> datetime.datetime:
    """Return when a key was made, or from when on its certificate counts."""
    first, last = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    return first + _EARLIER if last - first == _EARLIER + _LASTS else first


def load_key(folder: Path) -> Key:
    """Return the key in a folder.

    Raises:
        InputError: a file is missing, unreadable or no key, or the certificate is
            another key's.
    """
    path = folder / PRIVATE_NAME
    data = read_file(path, "key")
    try:
        private = serialization.load_pem_private_key(data, None)
    except (ValueError, TypeError):  # TypeError: it is locked by a password
        raise InputError("file_not_ours", where=str(path), what="key") from None
    if not isinstance(private, rsa.RSAPrivateKey):
        raise InputError("file_not_ours", where=str(path), what="key")
    path = folder / CERTIFICATE_NAME
    data = read_file(path, "certificate of the key")
    try:
        certificate = x509.load_pem_x509_certificate(data)
        public = certificate.public_key()
    except ValueError:
        raise InputError(
            "file_not_ours", where=str(path), what="certificate of a key"
        ) from None
    id = key_id(private.public_key())
    if not isinstance(public, rsa.RSAPublicKey) or key_id(public) != id:
        raise InputError("key_certificate_wrong", where=str(path))
    return Key(
        id,
        owner_of(certificate.subject),
        is_demo(certificate.subject),
        private.private_bytes(
            serialization.Encoding.DER,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        ),
        certificate.public_bytes(serialization.Encoding.DER),
    )


def owner_of(name: x509.Name) -> str:
    """Return whose key it is, as the name in its certificate says."""
    found = name.get_attributes_for_oid(NameOID.COMMON_NAME)
    return str(found[0].value) if found else "nobody named"


def is_demo(name: x509.Name) -> bool:
    """Tell whether a certificate is that of a demonstration key."""
    units = name.get_attributes_for_oid(NameOID.ORGANIZATIONAL_UNIT_NAME)
    return any(str(unit.value) == DEMO_MARK for unit in units)


def load_signer(folder: Path) -> Signer:
    """Return the function with which the key in a folder seals run files.

    Raises:
        InputError: see :func:`load_key`.
    """
    return load_key(folder).signer


def shop_folder() -> Path:
    """Return the folder of the shop's key; it may not be there yet."""
    return keys_dir() / SHOP_FOLDER


def shop_key() -> Key:
    """Return the shop's key, made now if there is none yet.

    Raises:
        InputError: it can't be made or read.
    """
    folder = shop_folder()
    if not (folder / PRIVATE_NAME).exists():
        try:
            made(keys_dir(), private=True)
        except OSError as error:
            raise InputError(
                "file_unwritable", where=str(keys_dir()), why=error.strerror or error
            ) from None
        try:
            make_key(folder, "Shop key of this bench")
        except InputError as error:
            if error.id != "file_exists":
                raise
            # another recorder was quicker: its key is the shop's
    return load_key(folder)


def key_for(*, simulated: bool, folder: Path | None) -> Key | None:
    """Return the key that signs a run or its certificate, by the one rule for all.

    What a simulated rig made is signed by a demonstration key or by none; what a real
    rig recorded is signed by the key given, else by the shop's, never by a
    demonstration key.

    Args:
        simulated: the rig says that it is.
        folder: of the key given, or None.

    Raises:
        InputError: the key can't be used.
        RefusedError: ``key_for_real_rigs``, ``key_for_demonstration``, ``key_ended``.
    """
    if folder is None:
        return None if simulated else shop_key()
    if (folder / ENDED_NAME).exists():
        raise RefusedError("key_ended", where=str(folder))
    key = load_key(folder)
    if simulated and not key.demo:
        raise RefusedError("key_for_real_rigs", where=str(folder), owner=key.owner)
    if key.demo and not simulated:
        raise RefusedError("key_for_demonstration", where=str(folder), owner=key.owner)
    return key


def signer_for(*, simulated: bool, folder: Path | None) -> Signer | None:
    """Return what seals a run, by the rule of :func:`key_for`; None leaves it unsigned.

    Raises:
        InputError, RefusedError: see :func:`key_for`.
    """
    key = key_for(simulated=simulated, folder=folder)
    return None if key is None else key.signer


def read_file(path: Path, what: str) -> bytes:
    """Return a file's bytes.

    Raises:
        InputError: ``file_missing`` or ``file_unreadable``.
    """
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError("file_missing", where=str(path), what=what) from None
    except OSError as error:
        raise InputError(
            "file_unreadable", where=str(path), what=what, why=error.strerror or error
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
    data = read_file(file, "public key")
    try:
        public = serialization.load_pem_public_key(data)
    except ValueError:
        raise InputError("file_not_ours", where=str(file), what="public key") from None
    if not isinstance(public, rsa.RSAPublicKey):
        raise InputError("file_not_ours", where=str(file), what="public key")
    return public


def signature_fits(seal: Seal, public: rsa.RSAPublicKey) -> bool:
    """Tell whether a seal's signature was made by this key over this seal."""
    return seal.signature is not None and bytes_fit(
        seal.signed_bytes, seal.signature, public
    )


def bytes_fit(data: bytes, signature: Signature, public: rsa.RSAPublicKey) -> bool:
    """Tell whether a signature was made by this key over these bytes."""
    if signature.key_id != key_id(public):
        return False
    try:
        public.verify(
            bytes.fromhex(signature.value),
            data,
            padding.PKCS1v15(),
            hashes.SHA256(),
        )
    except (InvalidSignature, ValueError):
        return False
    return True
