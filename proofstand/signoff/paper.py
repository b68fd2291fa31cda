"""The shop's own paper: letterhead, a few paragraphs of its own, and one house rule.

Read from ``paper.toml`` in the folder of settings, see ``docs/certificate.md``. It adds
to the page: no key of it takes anything away, and its paragraphs stand under their own
name, behind what the page does not claim.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from records.errors import InputError, RefusedError
from records.tomlfile import load_toml, read_text

from ..places import paper_file

FORMAT = "proofstand.paper/1"
MOST_LOGO_BYTES = 200_000
MOST_LINES, MOST_PARAGRAPHS = 6, 3  # of the address, of the wording
MOST_LINE, MOST_PARAGRAPH = 80, 400  # characters
_PNG = b"\x89PNG\r\n\x1a\n"
# In an SVG: what would reach out of it, run, or need a font that the page has not.
_SVG_NOT = re.compile(
    r"<\s*(script|image|foreignobject|text|style)\b|href\s*=\s*[\"'](?!#)"
)
# Nobody says these of itself: they take the shop's own evidence beside them.
_CLAIMS = re.compile(
    r"\b(accredit\w*|certified|approv\w*|guarant\w*|warrant\w*|traceab\w*|listed|"
    r"compl(?:y|ies|iance|iant)\w*|conforms?|conformity|iso(?:/iec)?\s*17025)\b",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wording:
    """A paragraph of the shop's own, and what it rests on where it claims something."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    text: str
    evidence: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """The shop's paper.

    Attributes:
        name, address: the letterhead. place: where tests are made.
        logo: file beside this one, SVG or PNG; "" for none.
        wording: paragraphs of the shop's own.
        scan_before_certificate: the job label is scanned before a certificate is made.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    name: str
    address: tuple[str, ...] = ()
    place: str = ""
    logo: str = ""
    wording: tuple[Wording, ...] = ()
    scan_before_certificate: bool = False


@dataclass(frozen=True, slots=True)
class Letterhead:
    """The paper with its logo's bytes, ``format`` ``svg``, ``png`` or "" for none."""

    paper: Paper
    logo: bytes = b""
    format: str = ""


def load_letterhead(path: Path) -> Letterhead:
    """Return the shop's paper from a file.

    Raises:
        InputError: the file or its logo can't be used.
        RefusedError: ``wording_claims``.
    """
    name = str(path)
    paper = load_toml(read_text(path, "paper of the shop"), Paper, name, FORMAT)
    _check(paper, name)
    if not paper.logo:
        return Letterhead(paper)
    return Letterhead(paper, *_logo(path.parent / paper.logo))


def shop_letterhead(*, simulated: bool) -> Letterhead | None:
    """Return the shop's own paper, or None where it has none.

    What a simulated rig made never goes out on it.
    """
    path = paper_file()
    return load_letterhead(path) if path.exists() and not simulated else None


def _check(paper: Paper, where: str) -> None:
    rules = (
        ("name", paper.name, 0 < len(paper.name.strip()) <= MOST_LINE),
        ("place", paper.place, len(paper.place) <= MOST_LINE),
        *(("address", line, len(line) <= MOST_LINE) for line in paper.address),
    )
    for key, given, good in rules:
        if not good:
            right = f"one line of at most {MOST_LINE} characters"
            raise _wrong(where, key, given[:MOST_LINE], right)
    if len(paper.address) > MOST_LINES:
        raise _wrong(
            where, "address", len(paper.address), f"{MOST_LINES} lines at most"
        )
    if len(paper.wording) > MOST_PARAGRAPHS:
        right = f"{MOST_PARAGRAPHS} paragraphs at most"
        raise _wrong(where, "wording", len(paper.wording), right)
    for each in paper.wording:
        if not 0 < len(each.text.strip()) <= MOST_PARAGRAPH:
            right = f"1 to {MOST_PARAGRAPH} characters"
            raise _wrong(where, "wording.text", f"{len(each.text)} characters", right)
        claim = _CLAIMS.search(each.text)
        if claim is not None and not each.evidence.strip():
            raise RefusedError("wording_claims", where=where, word=claim[0])


def _wrong(where: str, key: str, given: object, right: str) -> InputError:
    return InputError("value_wrong", where=where, key=key, given=given, right=right)


def _logo(path: Path) -> tuple[bytes, str]:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError("file_missing", where=str(path), what="logo") from None
    except OSError as error:
        raise InputError(
            "file_unreadable", where=str(path), what="logo", why=error.strerror or error
        ) from None
    if not data:
        raise InputError("file_empty", where=str(path), what="logo")
    if len(data) > MOST_LOGO_BYTES:
        size = f"of {len(data)} bytes"
        raise _wrong(str(path), "logo", size, f"{MOST_LOGO_BYTES} bytes at most")
    if data.startswith(_PNG):
        return data, "png"
    text = data.decode("utf-8", "replace").lower()
    if "<svg" not in text:
        raise InputError("file_not_ours", where=str(path), what="logo (SVG or PNG)")
    found = _SVG_NOT.search(text)
    if found is not None:
        right = "paths only: no text, picture, style, script or link"
        raise _wrong(str(path), "logo", f"with {found[0].strip('<= ')}", right)
    return data, "svg"
