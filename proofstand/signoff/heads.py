"""Keys that sign the head of an archive, and such as may have signed it before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric import rsa

from records.runfile import Signature

from ..places import keys_dir
from .keys import Key, bytes_fit, key_id, load_public

TRUSTED_FOLDER = "trusted"


@dataclass(frozen=True, slots=True)
class PublicKey:
    """A public key: it knows its own signatures."""

    key_id: str
    public: rsa.RSAPublicKey

    def fits(self, data: bytes, signature: Signature) -> bool:
        """Tell whether it made a signature over these bytes."""
        return bytes_fit(data, signature, self.public)


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A key that signs heads."""

    key: Key

    @property
    def key_id(self) -> str:
        """Its id."""
        return self.key.id

    def sign(self, data: bytes) -> Signature:
        """Return its signature over bytes."""
        return self.key.signer.sign(data)

    def fits(self, data: bytes, signature: Signature) -> bool:
        """Tell whether it made a signature over these bytes."""
        return bytes_fit(data, signature, self.key.public)


def public_keys(paths: Sequence[Path]) -> tuple[PublicKey, ...]:
    """Return public keys from their files, or the folders that they lie in.

    Raises:
        InputError: one is missing or no key.
    """
    found = [load_public(path) for path in paths]
    return tuple(PublicKey(key_id(public), public) for public in found)


def trusted_keys() -> tuple[PublicKey, ...]:
    """Return the keys of other benches that a person put into the folder for them.

    Raises:
        InputError: one of them is no public key.
    """
    folder = keys_dir() / TRUSTED_FOLDER
    return public_keys(sorted(folder.glob("*.pem")) if folder.is_dir() else [])
