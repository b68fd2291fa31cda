"""Copies: a page that shows a certificate, says that it is a copy, and holds it inside.

The certificate's own pages are drawn a little smaller under a band that says COPY. The
signed file itself is attached as it is, so that the copy can be checked by it. The same
number stands on both; the copy says of itself that it is one.
"""

from __future__ import annotations

import hashlib
import io
import json
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.reader import PdfFileReader

from records.errors import InputError, RefusedError
from records.people import Act, Proof, Signatory
from records.runfile import check_place, write_once

from ..drawing.faces import covered_for
from ..words.sentences import page, role_name
from .against import Against, against_page
from .certificate import COPIED_NAME, DATA_NAME
from .keys import Key, key_for
from .notices import Notice, Says
from .pades import check, sign
from .persons import AskPin, did, no_pin
from .signed_run import who_signs
from .told import told
from .typeset import typeset
from .verify import verify

_MM = 72.0 / 25.4
_A4_MM = (210.0, 297.0)
MOST_SAID = 300  # characters
MOST_STANDING = 78  # one line
_STRIP_MM = 14.0  # that the copy's own band takes of the page's head


@dataclass(frozen=True, slots=True)
class Copied:
    """A copy that was made: its file, and the number that both carry."""

    path: Path
    number: str


def make_copy(
    original: Path,
    out: Path,
    *,
    by: str = "",
    ask: AskPin = no_pin,
    key_folder: Path | None = None,
    utc_ns: Callable[[], int] = time.time_ns,
    against: Callable[[Path], Against] = against_page,
) -> Copied:
    """Write a marked, signed copy of a certificate.

    The band says what is known against the certificate when the copy is made.

    Args:
        original: the certificate, whole and signed.
        out: the copy to make; must not exist.
        by: who makes it.
        ask: asks for their PIN, where the shop has a roll.
        key_folder: of the key that signs the copy; None takes the shop's.
        utc_ns: the clock.
        against: tells what speaks against the certificate.

    Raises:
        InputError: a file can't be read or written, or is no certificate.
        IntegrityError: the certificate or a notice was changed.
        RefusedError: ``copy_of_a_copy``; ``run_rejected``; the key may not sign, or
            not by this person.
    """
    check_place(out, "copy")
    verified = verify(
        original
    )  # to the last byte, and that its facts fit its signature
    if verified.paper is None:
        raise InputError("file_not_ours", where=str(original), what="certificate")
    data = original.read_bytes()
    signed = check(data, str(original))
    assert signed is not None
    facts: dict[str, Any] = json.loads(signed.attached[DATA_NAME])
    number = str(facts["number"])
    if "copy_of" in facts:
        raise RefusedError("copy_of_a_copy", where=str(original), number=number)
    key = key_for(simulated=verified.simulated, folder=key_folder)
    if key is None:
        raise RefusedError("simulated_needs_demo_key", where=str(original))
    known = against(original)
    known.refuse_rejected(str(original))
    who = who_signs(key, by, Act.COPY, ask, utc_ns)
    made = datetime.fromtimestamp(utc_ns() // 10**9, tz=UTC)
    sha256 = hashlib.sha256(data).hexdigest()
    own = {
        **facts,
        "key": key.id,
        "copy_of": {
            "sha256": sha256,
            "made": made.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "by": who.name,
            "proof": who.proof.value,
        },
    }
    copy = _signed(
        _over(_strips(data, own, made, who, known.notices), data), key, number
    )
    did(who, Act.COPY, utc_ns=utc_ns, number=number, certificate=sha256)
    write_once(out, copy, "copy")
    return Copied(out, number)


def _signed(pdf: bytes, key: Key, number: str) -> bytes:
    return sign(pdf, key, page("copy_of", number=number))


def _strips(
    data: bytes,
    facts: dict[str, Any],
    made: datetime,
    who: Signatory,
    notices: tuple[Notice, ...],
) -> bytes:
    """Return empty pages, as many as the certificate has, each with the band."""
    local = made.astimezone()
    offset = local.strftime("%z")
    said = page(
        "copy_made",
        number=facts["number"],
        made=f"{local:%Y-%m-%d %H:%M} {offset[:3]}:{offset[3:5]}",
        by=_named(who),
    )
    inputs = {
        "word": page("copy"),
        "standing": _told(_standing(notices), MOST_STANDING),
        "said": _told(said, MOST_SAID),
        "title": page("copy_of", number=facts["number"]),
        "schema": facts["schema"],
        "number": facts["number"],
        "pages": _count(data),
        "facts": json.dumps(facts, ensure_ascii=False, indent=1),
        "certificate": list(data),
        "names": [COPIED_NAME, DATA_NAME],
        "strip": _STRIP_MM,
    }
    return typeset("copy.typ", inputs, made)


def _standing(notices: tuple[Notice, ...]) -> str:
    """Return how the certificate stood when the copy was made, "" for well."""
    return " ".join(
        page("copy_replaced", new=notice.replaced_by, day=notice.made[:10])
        if notice.says == Says.REPLACED
        else page("copy_under_review", day=notice.made[:10], why=notice.why)
        for notice in notices
    )


def _told(text: str, most: int) -> str:
    return told(text, covered_for(text), most)


def _named(who: Signatory) -> str:
    """Return who made the copy and how that was shown."""
    if who.proof is Proof.PIN:
        return page("by_pin", name=who.name, role=role_name(who.role))
    return page("by_typed", name=who.name) if who.name else page("not_stated")


def _count(data: bytes) -> int:
    return int(PdfFileReader(io.BytesIO(data)).root["/Pages"]["/Count"])


def _in_fields(reader: PdfFileReader, number: int) -> Iterator[tuple[Any, str]]:
    """Give what a page shows in its fields, as the second signature, and where.

    A field is no part of the page's content; its form fills the field's rectangle.
    """
    found = reader.find_page_for_modification(number)  # type: ignore[no-untyped-call]
    sheet = found[0].get_object()
    for annotation in sheet.get("/Annots", ()):
        field = annotation.get_object()
        if "/AP" not in field:
            continue
        form = field["/AP"]["/N"]
        (x, right), (y, top) = _spans(field["/Rect"])
        (low_x, high_x), (low_y, high_y) = _spans(form["/BBox"])
        if right <= x or top <= y or high_x <= low_x or high_y <= low_y:
            continue
        wide, high = (right - x) / (high_x - low_x), (top - y) / (high_y - low_y)
        yield (
            form,
            f"{wide:.5f} 0 0 {high:.5f} {x - wide * low_x:.3f} {y - high * low_y:.3f}",
        )


def _spans(corners: Iterable[Any]) -> tuple[list[float], list[float]]:
    """Return a rectangle's two sides; any two opposite corners may be named."""
    x, y, other_x, other_y = (float(each) for each in corners)
    return sorted((x, other_x)), sorted((y, other_y))


def _over(strips: bytes, data: bytes) -> bytes:
    """Return the strips with the certificate's pages drawn under them, smaller."""
    scale = 1.0 - _STRIP_MM / _A4_MM[1]
    left = 0.5 * _A4_MM[0] * _MM * (1.0 - scale)
    reader = PdfFileReader(io.BytesIO(data))
    writer = IncrementalPdfFileWriter(io.BytesIO(strips))
    for number in range(_count(data)):
        drawn = writer.import_page_as_xobject(reader, page_ix=number)
        forms = {generic.pdf_name("/Certificate"): drawn}
        place = f"q {scale:.5f} 0 0 {scale:.5f} {left:.3f} 0 cm /Certificate Do"
        for n, (form, matrix) in enumerate(_in_fields(reader, number)):
            forms[generic.pdf_name(f"/Field{n}")] = writer.add_object(
                writer.import_object(form)
            )
            place += f" q {matrix} cm /Field{n} Do Q"
        stream = generic.StreamObject(stream_data=f"{place} Q".encode("ascii"))
        resources = generic.DictionaryObject(  # type: ignore[no-untyped-call]
            {
                generic.pdf_name("/XObject"): generic.DictionaryObject(forms)  # type: ignore[no-untyped-call]
            }
        )
        writer.add_stream_to_page(  # type: ignore[no-untyped-call]
            number, writer.add_object(stream), resources=resources, prepend=True
        )
    out = io.BytesIO()
    writer.write(out)  # type: ignore[no-untyped-call]
    return out.getvalue()
