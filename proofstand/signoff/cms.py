"""The form of a certificate's signature value: one way to write it, to the byte.

A detached CMS signature (RFC 5652) by one RSA key with SHA-256: one certificate, one
signer named by issuer and serial number, signed attributes and nothing unsigned. What
no signature covers is fixed by this form, so that a changed byte of it is found.
"""

from __future__ import annotations

_SEQUENCE, _SET, _OCTETS, _INTEGER = 0x30, 0x31, 0x04, 0x02
_FIRST = 0xA0  # [0], constructed
# Object identifiers in DER: RFC 5652, 4 and 5.1; RFC 5754, 2.2 and 3.2.
_SIGNED_DATA = bytes.fromhex("06092a864886f70d010702")
_DATA = bytes.fromhex("06092a864886f70d010701")
_SHA256 = bytes.fromhex("0609608648016503040201") + b"\x05\x00"
_RSA_SHA256 = bytes.fromhex("06092a864886f70d01010b") + b"\x05\x00"


def signature_value(
    *,
    certificate: bytes,
    issuer: bytes,
    serial: int,
    signed_attributes: bytes,
    signature: bytes,
) -> bytes:
    """Return the signature value that these parts make.

    Args:
        certificate: X.509 in DER.
        issuer: name of the certificate's issuer, DER.
        serial: the certificate's number.
        signed_attributes: their DER, with the tag [0] that they have in place.
        signature: the RSA value.
    """
    sha256 = _der(_SEQUENCE, _SHA256)
    version = _integer(1)
    signer = _der(
        _SEQUENCE,
        version
        + _der(_SEQUENCE, issuer + _integer(serial))
        + sha256
        + signed_attributes
        + _der(_SEQUENCE, _RSA_SHA256)
        + _der(_OCTETS, signature),
    )
    signed = _der(
        _SEQUENCE,
        version
        + _der(_SET, sha256)
        + _der(_SEQUENCE, _DATA)
        + _der(_FIRST, certificate)
        + _der(_SET, signer),
    )
    return _der(_SEQUENCE, _SIGNED_DATA + _der(_FIRST, signed))


def _der(tag: int, content: bytes) -> bytes:
    size = len(content)
    if size < 0x80:
        return bytes([tag, size]) + content
    length = size.to_bytes((size.bit_length() + 7) // 8)
    return bytes([tag, 0x80 | len(length)]) + length + content


def _integer(value: int) -> bytes:
    return _der(_INTEGER, value.to_bytes(value.bit_length() // 8 + 1))
