"""Typst: templates of ours, the shipped fonts, PDF/A-3b.

The same input gives the same bytes. A letter of a name that the shipped fonts lack is
set in a font of this computer, and then another computer may give others.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from datetime import datetime
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

import typst

from records.errors import InputError

from ..drawing.faces import FALLBACK_FAMILY, font_folders, missing, stepping_in
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
    inputs, fonts = _inputs(data)
    try:
        pdf, warnings = typst.compile_with_warnings(
            _template(template),
            format="pdf",
            sys_inputs=inputs,
            font_paths=fonts,
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


def picture_png(svg: str, dots: float) -> bytes:
    """Return an SVG document as a PNG of the same size.

    Args:
        svg: without any text but outlines.
        dots: to the inch.

    Raises:
        InputError: ``page_unprintable``.
    """
    source = (
        "#set page(width: auto, height: auto, margin: 0pt)\n"
        '#image(bytes(sys.inputs.svg), format: "svg")'
    )
    try:
        png = typst.compile(
            source.encode("utf-8"),
            format="png",
            ppi=dots,
            sys_inputs={"svg": svg},
            ignore_system_fonts=True,
        )
    except (typst.TypstError, RuntimeError) as error:
        raise _unprintable(error) from None
    assert isinstance(png, bytes)
    return png


def measured(template: str, data: dict[str, Any], label: str) -> dict[str, Any]:
    """Return what a template tells of itself under a label, such as ``<end>``.

    Raises:
        InputError: ``page_unprintable``.
    """
    inputs, fonts = _inputs(data)
    try:
        found = typst.query(
            _template(template),
            label,
            field="value",
            one=True,
            sys_inputs=inputs,
            font_paths=fonts,
            ignore_system_fonts=True,
        )
    except (typst.TypstError, RuntimeError) as error:
        raise _unprintable(error) from None
    told: dict[str, Any] = json.loads(found)
    return told


def _unprintable(error: Exception) -> InputError:
    # a picture that can't be read comes as a plain error while it is measured
    return InputError("page_unprintable", why=getattr(error, "message", str(error)))


@lru_cache(maxsize=20)
def _fonts(others: tuple[Path, ...]) -> typst.Fonts:
    """Return the fonts that the page may use; one that is installed never stands in."""
    folders = [*font_folders(), *([_gathered(others).name] if others else [])]
    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=folders
    )


@lru_cache(maxsize=20)
def _gathered(others: tuple[Path, ...]) -> tempfile.TemporaryDirectory[str]:
    """Return a folder with some fonts and no other; it ends with the program."""
    folder = tempfile.TemporaryDirectory(prefix="proofstand-fonts-")
    for n, file in enumerate(others):
        place = Path(folder.name) / f"{n}{file.suffix.lower()}"
        try:
            place.symlink_to(file)
        except OSError:  # a system that lets not everybody make links
            shutil.copyfile(file, place)
    return folder


@lru_cache(maxsize=20)
def _families(others: tuple[Path, ...]) -> tuple[str, ...]:
    """Return the families of fonts of this computer, each the first of its file."""
    if not others:
        return ()
    folder = Path(_gathered(others).name)
    found = [(Path(f.path), f.family) for f in _fonts(others).fonts() if f.path]
    names = []
    for n, file in enumerate(others):
        # a link is told by what it leads to
        places = (folder / f"{n}{file.suffix.lower()}", file.resolve())
        names += [family for path, family in found if path in places][:1]
    return tuple(names)


def _template(name: str) -> bytes:
    folder = resources.files("proofstand.signoff") / "templates"
    return (folder / name).read_bytes()


def _inputs(data: dict[str, Any]) -> tuple[dict[str, str], typst.Fonts]:
    """Return what the template is given, and the fonts that this needs."""
    lacks = missing(json.dumps(data, ensure_ascii=False))
    others = tuple(face.file for face in stepping_in(lacks))
    fonts = [FONT_FAMILY, FALLBACK_FAMILY, *_families(others)]
    return {"page": json.dumps({**data, "fonts": fonts})}, _fonts(others)
