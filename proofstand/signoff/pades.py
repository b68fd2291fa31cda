"""Signing a PDF and checking it, to the last byte.

The signature is a PAdES baseline one (ETSI EN 319 142-1, sub-filter
``ETSI.CAdES.detached``) that certifies the document: nothing may be changed or added,
but for one second signature, in a field that the first one covers, where the page asks
for it. That one covers the first and allows nothing more. Each covers every byte of
what it signs but its own value. That value is checked byte for byte too: it must be
exactly what its parts make, in DER, followed by zeros; so no byte of the file is free.
"""

from __future__ import annotations

import io
import json
import logging
from dataclasses import dataclass
from typing import Any

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import rsa
from pyhanko.keys import (
    load_certs_from_pemder_data,
)
from pyhanko.pdf_utils import layout
from pyhanko.pdf_utils.content import PdfContent
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign import fields, signers
from pyhanko.sign.validation import SignatureCoverageLevel, validate_pdf_signature
from pyhanko.stamp import StaticStampStyle
from pyhanko_certvalidator import ValidationContext
from pyhanko_certvalidator.registry import SimpleCertificateStore

from records.errors import IntegrityError, OurFault
from records.runfile import BLOCK_BYTES

from .certificate import SCHEMA, Box
from .cms import signature_value
from .keys import Key, is_demo, key_id, owner_of

FIELD_NAME = "Proofstand"
SECOND_NAME = "Countersignature"
# pyHanko counts hexadecimal digits; a 3072-bit key takes about 4,200 of them.
RESERVED = 8_192
_TAIL = 1024
_MARKS = (SCHEMA.encode(), f"/T ({FIELD_NAME})".encode())


@dataclass(frozen=True, slots=True)
class Signed:
    """What was found of a signed page that is whole.

    Attributes:
        key_id: of the key that signed it. owner: whose that is, as its certificate
            says. demo: it is a demonstration key.
        attached: the files inside, by name.
        takes_second: it has a field for a second signature.
        second: what the second signature says, None where there is none.
    """

    key_id: str
    owner: str
    demo: bool
    attached: dict[str, bytes]
    takes_second: bool = False
    second: dict[str, Any] | None = None


def sign(pdf: bytes, key: Key, reason: str, second: Box | None = None) -> bytes:
    """Return the page with a certifying signature.

    Args:
        pdf: unsigned page.
        key: signs it.
        reason: why, as readers show it.
        second: where a second signature may be put, and nothing else; None: nowhere.
    """
    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    _leave_out_suspects(writer)
    if second is not None:
        field = fields.SigFieldSpec(
            SECOND_NAME,
            on_page=second.page - 1,
            box=second.points,
            field_mdp_spec=fields.FieldMDPSpec(fields.FieldMDPAction.ALL),
            doc_mdp_update_value=fields.MDPPerm.NO_CHANGES,
            empty_field_appearance=True,
        )
        fields.append_signature_field(writer, field)
    meta = signers.PdfSignatureMetadata(
        field_name=FIELD_NAME,
        reason=reason,
        name=key.owner,
        md_algorithm="sha256",
        certify=True,
        subfilter=fields.SigSeedSubFilter.PADES,
        docmdp_permissions=fields.MDPPerm.NO_CHANGES
        if second is None
        else fields.MDPPerm.FILL_FORMS,
    )
    signing = signers.PdfSigner(
        meta, _KeySigner(key), new_field_spec=fields.SigFieldSpec(FIELD_NAME)
    )
    return _signed(writer, signing)


def _leave_out_suspects(writer: IncrementalPdfFileWriter) -> None:
    """Leave out what says the default: some readers take it for an error."""
    marked = writer.root.get("/MarkInfo")
    if marked is not None and marked.get("/Suspects") is not None:
        del marked["/Suspects"]
        writer.update_root()  # type: ignore[no-untyped-call]


def countersign(
    pdf: bytes, key: Key, reason: str, facts: dict[str, Any], shown: bytes
) -> bytes:
    """Return a signed page with the second signature over the first.

    Args:
        pdf: signed page with a field for it.
        key: signs it, the one that made the first.
        reason: why, as readers show it.
        facts: what it says, for programs.
        shown: PDF of one small page to be shown in the field.
    """
    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    meta = signers.PdfSignatureMetadata(
        field_name=SECOND_NAME,
        reason=reason,
        name=key.owner,
        contact_info=json.dumps(facts, ensure_ascii=True),
        md_algorithm="sha256",
        subfilter=fields.SigSeedSubFilter.PADES,
        docmdp_permissions=fields.MDPPerm.NO_CHANGES,
    )
    style = StaticStampStyle(
        background=_Shown(shown),
        background_layout=layout.SimpleBoxLayoutRule(
            x_align=layout.AxisAlignment.ALIGN_MID,
            y_align=layout.AxisAlignment.ALIGN_MID,
        ),
        border_width=0,
        background_opacity=1.0,
    )
    return _signed(writer, signers.PdfSigner(meta, _KeySigner(key), stamp_style=style))


class _Shown(PdfContent):
    """The one page of a PDF, drawn in a signature's field."""

    def __init__(self, pdf: bytes) -> None:
        super().__init__()
        self._pdf = pdf

    def render(self) -> bytes:
        """Return how it is drawn, its box set."""
        assert self.writer is not None
        page = PdfFileReader(io.BytesIO(self._pdf))
        form = self.writer.import_page_as_xobject(page)
        self.resources.xobject["/Shown"] = form
        left, bottom, right, top = form.get_object()["/BBox"]
        self.box = layout.BoxConstraints(
            width=abs(right - left), height=abs(top - bottom)
        )
        return b"/Shown Do"


class _KeySigner(signers.Signer):
    """Signs with our key as it is loaded; the library would check it anew each time."""

    def __init__(self, key: Key) -> None:
        super().__init__(
            signing_cert=next(load_certs_from_pemder_data(key.certificate_der)),
            cert_registry=SimpleCertificateStore(),  # type: ignore[no-untyped-call]
        )
        self._sign = key.signer.sign

    async def async_sign_raw(
        self, data: bytes, digest_algorithm: str, dry_run: bool = False
    ) -> bytes:
        """Return the signature (RSA, PKCS #1 v1.5, SHA-256) over bytes."""
        assert digest_algorithm == "sha256"
        return bytes.fromhex(self._sign(data).value)


def _signed(writer: IncrementalPdfFileWriter, signing: signers.PdfSigner) -> bytes:
    out = io.BytesIO()
    signing.sign_pdf(writer, bytes_reserved=RESERVED, output=out)
    signed = out.getvalue()
    try:
        check(signed, "")
    except IntegrityError as error:
        raise OurFault("our_fault", why=f"signing: {error}", log="") from None
    return signed


def is_page(data: bytes) -> bool:
    """Tell whether a file's bytes are a PDF, or were one of ours."""
    is_run = data[BLOCK_BYTES:].startswith(b"\x89HDF")
    return data.startswith(b"%PDF-") or (_is_ours(data) and not is_run)


def _is_ours(data: bytes) -> bool:
    return any(mark in data for mark in _MARKS)


def check(data: bytes, where: str) -> Signed | None:
    """Check a PDF of ours to its last byte.

    Args:
        data: the whole file.
        where: its name, for an error.

    Returns:
        What was found, or None for a PDF that is not ours.

    Raises:
        IntegrityError: ``certificate_changed`` or ``certificate_cut_short``.
    """
    try:
        found = _checked(data)
    except _ChangedError as error:
        why = str(error)
    except Exception as error:
        # The parsers meet damage with errors of many kinds.
        logging.getLogger(__name__).info("not readable: %r", error)
        why = "it can't be read"
    else:
        if found is not None:
            return found
        why = "it is not signed"
    # What is cut off may be what would tell whose it is.
    if b"%%EOF" not in data[-_TAIL:]:
        raise IntegrityError("certificate_cut_short", where=where)
    if not _is_ours(data):
        return None
    raise IntegrityError("certificate_changed", where=where, why=why)


class _ChangedError(Exception):
    """Something is not as it was signed; the text says what."""


def _checked(data: bytes) -> Signed | None:
    reader = PdfFileReader(io.BytesIO(data))
    embedded = sorted(reader.embedded_signatures, key=_end_of)
    if not embedded:
        return None
    names = [signature.field_name for signature in embedded]
    fields_there = [name for name, _, _ in fields.enumerate_sig_fields(reader)]
    takes_second = SECOND_NAME in fields_there
    wanted = [FIELD_NAME, SECOND_NAME] if takes_second else [FIELD_NAME]
    if names != wanted[: len(names)]:
        raise _ChangedError("another signature was added")
    end = 0
    for signature in embedded:
        end = _no_byte_is_free(data, signature)
    if end != len(data):
        raise _ChangedError("something was added after it was signed")
    certificate = embedded[0].signer_cert
    if any(each.signer_cert.dump() != certificate.dump() for each in embedded):
        raise _ChangedError("the second signature is by another key")
    found = x509.load_der_x509_certificate(certificate.dump())
    public = found.public_key()
    if not isinstance(public, rsa.RSAPublicKey):
        raise _ChangedError("its key is of another kind")
    for signature in embedded:
        _fits(signature, is_last=signature is embedded[-1])
    return Signed(
        key_id(public),
        owner_of(found.subject),
        is_demo(found.subject),
        _attached(reader),
        takes_second,
        _said(embedded[1]) if len(embedded) > 1 else None,
    )


def _end_of(signature: Any) -> int:
    _, _, second, rest = (int(x) for x in signature.byte_range)
    return second + rest


def _fits(signature: Any, *, is_last: bool) -> None:
    """Check one signature, and that only what it allows was added after it."""
    status = validate_pdf_signature(
        signature,
        ValidationContext(trust_roots=[signature.signer_cert], allow_fetching=False),
    )
    if not (status.intact and status.valid):
        raise _ChangedError("the signature does not fit")
    level = SignatureCoverageLevel
    wanted = level.ENTIRE_FILE if is_last else level.ENTIRE_REVISION
    if status.coverage is not wanted or status.docmdp_ok is not True:
        raise _ChangedError("something was added after it was signed")


def _said(signature: Any) -> dict[str, Any]:
    """Return what the second signature says for programs."""
    said = json.loads(str(signature.sig_object["/ContactInfo"]))
    if not isinstance(said, dict):
        raise _ChangedError("the second signature is none of ours")
    return said


def _no_byte_is_free(data: bytes, signature: Any) -> int:
    """Check what a signature does not cover: its own value, to the byte.

    Returns:
        Where what it covers ends.
    """
    first, length, second, rest = (int(x) for x in signature.byte_range)
    if first != 0 or second + rest > len(data):
        raise _ChangedError("something was added after it was signed")
    gap = data[length:second]
    wanted = b"<" + _value(signature).hex().upper().encode()
    wanted += b"0" * (len(gap) - len(wanted) - 1) + b">"
    if gap != wanted:
        raise _ChangedError("the signature's own bytes were changed")
    return second + rest


def _value(signature: Any) -> bytes:
    """Return the signature's value as its parts make it.

    Of the value itself only the signed attributes, the certificate and the RSA value
    are taken; the first and the last are checked by the key, and the certificate by its
    digest among the attributes.
    """
    info, certificate = signature.signer_info, signature.signer_cert
    _names_its_certificate(info["signed_attrs"], certificate)
    return signature_value(
        certificate=certificate.dump(),
        issuer=certificate.issuer.dump(),
        serial=certificate.serial_number,
        signed_attributes=info["signed_attrs"].dump(),
        signature=info["signature"].native,
    )


def _names_its_certificate(attributes: Any, certificate: Any) -> None:
    digests = [
        cert_id["cert_hash"].native
        for attribute in attributes
        if attribute["type"].native == "signing_certificate_v2"
        for value in attribute["values"]
        for cert_id in value["certs"]
    ]
    if digests != [certificate.sha256]:
        raise _ChangedError("the certificate of its key was changed")
    own = x509.load_der_x509_certificate(certificate.dump())
    if own.issuer != own.subject:
        return  # brought by the shop; who vouches for it is not for us to say
    try:
        own.verify_directly_issued_by(own)
    except (InvalidSignature, ValueError, TypeError):
        raise _ChangedError("the certificate of its key was changed") from None


def _attached(reader: PdfFileReader) -> dict[str, bytes]:
    files: dict[str, bytes] = {}
    for entry in reader.root.get("/AF", ()):
        spec = entry.get_object()
        files[str(spec["/UF"])] = bytes(spec["/EF"]["/F"].data)
    return files
