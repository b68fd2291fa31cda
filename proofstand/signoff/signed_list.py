"""The list in a bundle, signed: there is one way to write it, to the byte."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import rsa

from records.runfile import Signature

from .keys import Key, bytes_fit, key_id

FIELDS = frozenset({"key", "certificate", "signature"})


def list_text(told: Mapping[str, Any], key: Key | None) -> bytes:
    """Return a list as its file is, signed where there is a key."""
    if key is None:
        return _text(told)
    certificate = base64.b64encode(key.certificate_der).decode("ascii")
    named = {**told, "key": key.id, "certificate": certificate}
    return _text({**named, "signature": key.signer.sign(_text(named)).value})


def list_signer(data: bytes) -> str:
    """Return the id of the key that signed a list, "" for one without a signature.

    Raises:
        ValueError: the signature does not fit, or not all of the list is signed.
    """
    told = json.loads(data)
    if not FIELDS & set(told):
        return ""
    try:
        der = base64.b64decode(told["certificate"], validate=True)
        public = x509.load_der_x509_certificate(der).public_key()
        value = Signature(str(told["key"]), str(told["signature"]))
        covered = {name: each for name, each in told.items() if name != "signature"}
        fits = (
            isinstance(public, rsa.RSAPublicKey)
            and key_id(public) == told["key"]
            and bytes_fit(_text(covered), value, public)
            and bytes.fromhex(value.value).hex() == value.value
            and _text(told) == data
        )
    except Exception as error:  # a changed list makes any parser stumble in its own way
        raise ValueError("it can't be read") from error
    if not fits:
        raise ValueError("it is not as it was signed")
    return str(told["key"])


def _text(told: Mapping[str, Any]) -> bytes:
    return json.dumps(told, ensure_ascii=False, indent=1).encode()
