"""Words as outlines of the shipped fonts, so that they look the same everywhere.

A letter that those lack comes from the fallback, or from a font of this computer; what
none has is the fallback's empty box. The page sets its running text itself; this is for
words inside a drawing.
"""

from __future__ import annotations

from functools import cache, lru_cache
from xml.sax.saxutils import quoteattr

from . import library  # noqa: F401  # isort: skip  # before matplotlib

from matplotlib.ft2font import FT2Font, LoadFlags

from .faces import fallback_file, stepping_in
from .inks import FONT_FILES, fonts_folder

# Of the height of a letter: capital above the line, and where a line of words ends.
CAP, LINE = 0.72, 1.1
_SIZE = 100.0  # points at which outlines are taken
_BITS = 65_536.0  # of an advance, which is a fixed-point number
_MOVE, _LINE, _CONIC, _CUBIC, _CLOSE = 1, 2, 3, 4, 79
_LETTERS = {_MOVE: "M", _LINE: "L", _CONIC: "Q", _CUBIC: "C"}
_POINTS = {_MOVE: 1, _LINE: 1, _CONIC: 2, _CUBIC: 3, _CLOSE: 1}


@cache
def _face(*, bold: bool) -> FT2Font:
    return _opened(str(fonts_folder() / FONT_FILES[1 if bold else 0]))


@cache
def _stepping_in(letter: str) -> FT2Font:
    """Return the fallback, or a font of this computer for what that lacks."""
    fallback = _opened(str(fallback_file()))
    if fallback.get_char_index(ord(letter)):
        return fallback
    for face in stepping_in(frozenset({ord(letter)})):
        return _opened(str(face.file))
    return fallback


def _opened(file: str) -> FT2Font:
    face = FT2Font(file)
    face.set_size(_SIZE, 72.0)
    return face


@cache
def _glyph(
    letter: str, *, bold: bool
) -> tuple[float, tuple[tuple[str, tuple[float, ...]], ...]]:
    """Return a letter's advance and its strokes, at the size that outlines have."""
    face = _face(bold=bold)
    if not face.get_char_index(ord(letter)):
        face = _stepping_in(letter)
    glyph = face.load_char(ord(letter), flags=LoadFlags.NO_HINTING)
    points, codes = face.get_path()
    strokes: list[tuple[str, tuple[float, ...]]] = []
    at = 0
    while at < len(codes):
        code = int(codes[at])
        taken = _POINTS[code]
        if code == _CLOSE:
            strokes.append(("Z", ()))
        else:
            flat = tuple(float(x) for point in points[at : at + taken] for x in point)
            strokes.append((_LETTERS[code], flat))
        at += taken
    return glyph.linearHoriAdvance / _BITS, tuple(strokes)


def wide(words: str, size: float, *, bold: bool = False) -> float:
    """Return the width of words, points."""
    return sum(_glyph(letter, bold=bold)[0] for letter in words) * size / _SIZE


@lru_cache(maxsize=2_000)
def _outline(words: str, size: float, bold: bool) -> str:
    """Return the outline of a line of words that begins at the origin."""
    scale, x = size / _SIZE, 0.0
    drawn: list[str] = []
    for letter in words:
        advance, strokes = _glyph(letter, bold=bold)
        for name, flat in strokes:
            places = [
                f"{(value + x) * scale:.2f}" if n % 2 == 0 else f"{-value * scale:.2f}"
                for n, value in enumerate(flat)
            ]
            drawn.append(name + " ".join(places))
        x += advance
    return "".join(drawn)


def lettered(
    words: str,
    x: float,
    y: float,
    ink: str,
    size: float,
    *,
    bold: bool = False,
    across: float = 0.0,
) -> str:
    """Return a line of words as an SVG path, named by what it says.

    Args:
        words: one line.
        x: where it begins, ends or has its middle, points.
        y: the line that it stands on, points, downwards.
        ink: ``#RRGGBB``.
        size: of the letters, points.
        bold: in the bold face.
        across: 0 begins at x, 0.5 has x in its middle, 1 ends there.
    """
    left = x - across * wide(words, size, bold=bold) if across else x
    return (
        f'<path aria-label={quoteattr(words)} transform="translate({left:.2f} {y:.2f})"'
        f' fill="{ink}" d="{_outline(words, size, bold)}"/>'
    )
