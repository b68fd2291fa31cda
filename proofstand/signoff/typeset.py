"""Typst: templates of ours, the shipped fonts and no other, PDF/A-3b.

The same input gives the same bytes.
"""

from __future__ import annotations

import json
from datetime import datetime
from functools import cache
from importlib import resources
from typing import Any, Literal

import typst

from records.errors import InputError

from ..drawing.faces import FALLBACK_FAMILY, font_folders
from ..drawing.inks import FONT_FAMILY

PDF_STANDARD: Literal["a-3b"] = "a-3b"


def typeset(template: str, data: dict[str, Any], when: datetime) -> bytes:
    """Return a document as PDF/A-3b, unsigned.

    Args:
        template: file of ``templates``.
        data: what it says; it comes in as plain data.
        when: date of the document, with a time zone.

    Raises:
        InputError: ``page_unprintable``.
    """
    try:
        pdf, warnings = typst.compile_with_warnings(
            _template(template),
            format="pdf",
            sys_inputs=_inputs(data),
            font_paths=_fonts(),
            ignore_system_fonts=True,
            pdf_standards=[PDF_STANDARD],
            timestamp=when,
        )
    except (typst.TypstError, RuntimeError) as error:
        raise _unprintable(error) from None
    if warnings:
        raise InputError("page_unprintable", why=warnings[0].message)
    assert isinstance(pdf, bytes)
    return pdf


def measured(template: str, data: dict[str, Any], label: str) -> dict[str, Any]:
    """Return what a template tells of itself under a label, such as ``<end>``.

    Raises:
        InputError: ``page_unprintable``.
    """
    try:
        found = typst.query(
            _template(template),
            label,
            field="value",
            one=True,
            sys_inputs=_inputs(data),
            font_paths=_fonts(),
            ignore_system_fonts=True,
        )
    except (typst.TypstError, RuntimeError) as error:
        raise _unprintable(error) from None
    told: dict[str, Any] = json.loads(found)
    return told


def _unprintable(error: Exception) -> InputError:
    # a picture that can't be read comes as a plain error while it is measured
    return InputError("page_unprintable", why=getattr(error, "message", str(error)))


@cache
def _fonts() -> typst.Fonts:
    """Return the fonts that the page may use; one that is installed never stands in."""
    return typst.Fonts(
        include_system_fonts=False,
        include_embedded_fonts=False,
        font_paths=list(font_folders()),
    )


def _template(name: str) -> bytes:
    folder = resources.files("proofstand.signoff") / "templates"
    return (folder / name).read_bytes()


def _inputs(data: dict[str, Any]) -> dict[str, str]:
    fonts = [FONT_FAMILY, FALLBACK_FAMILY]
    return {"page": json.dumps({**data, "fonts": fonts})}
