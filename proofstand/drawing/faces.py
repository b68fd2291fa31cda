"""Which letters the page's fonts have.

The shipped fonts cover western languages. A name in another script is set in the sans
that the drawing library brings along; what neither has is the caller's to replace.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from . import library  # noqa: F401  # isort: skip  # before matplotlib

import matplotlib as mpl
from matplotlib.ft2font import FT2Font

from .inks import FONT_FILES, fonts_folder

FALLBACK_FAMILY = "DejaVu Sans"
_FALLBACK_FILE = "DejaVuSans.ttf"


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
    """Return the code points that the page can show."""
    files = [str(fonts_folder() / name) for name in FONT_FILES]
    shipped = [set(FT2Font(file).get_charmap()) for file in files]
    fallback = FT2Font(str(fallback_file())).get_charmap()
    return frozenset(set.intersection(*shipped) | set(fallback))
