"""Keys that sign the head of an archive, and such as may have signed it before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric import rsa

from records.runfile import Signature

from ..places import keys_dir
from .keys import Key, bytes_fit, key_id
from .shopkeys import own_key_places, publics_at

TRUSTED_FOLDER = "trusted"


@dataclass(frozen=True, slots=True)
class PublicKey:
    """A public key: it knows its own signatures.

    Attributes:
        until: when it was replaced, UTC, "" while it signs.
    """

    key_id: str
    public: rsa.RSAPublicKey
    until: str = ""

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
    """Return public keys from their files, folders that they lie in, exported lists.

    Raises:
        InputError: one is missing or no key.
    """
    found = [each for path in paths for each in publics_at(path)]
    return tuple(PublicKey(key_id(public), public, until) for public, until in found)


def known_places() -> tuple[Path, ...]:
    """Return where the shop's key, those before it and other benches' keys lie.

    Those of other benches a person put into the folder for them.
    """
    folder = keys_dir() / TRUSTED_FOLDER
    others = sorted(folder.glob("*.pem")) if folder.is_dir() else []
    return (*own_key_places(), *others)


def trusted_keys() -> tuple[PublicKey, ...]:
    """Return the keys that may have signed a head here, besides the one that signs.

    Raises:
        InputError: one of them is no public key.
    """
    return public_keys(known_places())
