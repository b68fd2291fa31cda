"""Which letters the page's fonts have.

The shipped fonts cover western languages. A name in another script is set in the sans
that the drawing library brings along; a letter that this lacks too in whatever font of
this computer has it, so that a name can be read on paper as it was given. Fonts for all
scripts are larger than the rest of the program, so none is shipped. What no font here
has is the caller's to replace.
"""

from __future__ import annotations

import os
import sys
import unicodedata
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

from . import library  # noqa: F401  # isort: skip  # before matplotlib

import matplotlib as mpl
from matplotlib.ft2font import FT2Font

from .inks import FONT_FILES, fonts_folder

FALLBACK_FAMILY = "DejaVu Sans"
_FALLBACK_FILE = "DejaVuSans.ttf"
_ENDINGS = (".ttf", ".otf", ".ttc", ".otc")
# Letters, marks and digits: what a name is made of. Pictures in colour are not.
_OF_NAMES = ("L", "M", "N", "P")


@dataclass(frozen=True, slots=True)
class Face:
    """A font of this computer: its file, and the code points asked for that it has."""

    file: Path
    signs: frozenset[int]


def font_folders() -> tuple[str, ...]:
    """Return the folders of the shipped fonts and of the fallback."""
    return str(fonts_folder()), str(_fallback_folder())


def _fallback_folder() -> Path:
    return Path(mpl.get_data_path()) / "fonts" / "ttf"


def fallback_file() -> Path:
    """Return the file of the sans that steps in."""
    return _fallback_folder() / _FALLBACK_FILE


@cache
def covered() -> frozenset[int]:
    """Return the code points that the shipped fonts and the fallback have."""
    files = [str(fonts_folder() / name) for name in FONT_FILES]
    shipped = [set(FT2Font(file).get_charmap()) for file in files]
    fallback = FT2Font(str(fallback_file())).get_charmap()
    return frozenset(set.intersection(*shipped) | set(fallback))


def covered_for(text: str) -> frozenset[int]:
    """Return the code points that the page can show, of a text's own all that it can.

    Args:
        text: what is to be shown.
    """
    faces = stepping_in(missing(unicodedata.normalize("NFC", text)))
    return covered().union(*(face.signs for face in faces)) if faces else covered()


def missing(text: str) -> frozenset[int]:
    """Return the code points of names that the shipped fonts and the fallback lack."""
    if text.isascii():
        return frozenset()
    lacks = set(map(ord, set(text))) - covered()
    return frozenset(
        sign for sign in lacks if unicodedata.category(chr(sign))[0] in _OF_NAMES
    )


@lru_cache(maxsize=200)
def stepping_in(signs: frozenset[int]) -> tuple[Face, ...]:
    """Return fonts of this computer that have code points, as few as will do."""
    if not signs:
        return ()
    left, faces = set(signs), []
    known = [(file, left & _signs_of(file)) for file in _files()]
    while left:
        best = max(known, key=lambda each: len(each[1] & left), default=None)
        if best is None or not best[1] & left:
            break
        faces.append(Face(best[0], frozenset(best[1] & left)))
        left -= best[1]
    return tuple(faces)


@cache
def _signs_of(file: Path) -> frozenset[int]:
    with suppress(RuntimeError, OSError, ValueError):  # no font, or a damaged one
        face = FT2Font(str(file))
        if face.scalable:
            return frozenset(face.get_charmap())
    return frozenset()


@cache
def _files() -> tuple[Path, ...]:
    found = (
        Path(at) / name
        for folder in system_folders()
        for at, _, names in os.walk(folder)
        for name in names
    )
    return tuple(sorted(p for p in found if p.suffix.lower() in _ENDINGS))


def system_folders() -> Iterable[Path]:
    """Return the folders in which systems keep fonts; they may not be there."""
    own = Path.home()
    if sys.platform == "win32":
        root = Path(os.environ.get("WINDIR", r"C:\Windows"))
        return root / "Fonts", own / r"AppData\Local\Microsoft\Windows\Fonts"
    if sys.platform == "darwin":
        top = Path("/")
        return [at / "Library" / "Fonts" for at in (top / "System", top, own)]
    return (
        *(Path(at) for at in ("/usr/share/fonts", "/usr/local/share/fonts")),
        *(own / at for at in (".local/share/fonts", ".fonts")),
    )
