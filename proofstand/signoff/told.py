"""Text given by people, made fit for a page: data, never markup, never unbounded."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection

MOST = 100
_LONG = re.compile(r"[^ -]{25,}")  # a line breaks at spaces and after hyphens
_EVERY = 12
_SOFT_BREAK = "\u200b"
# These would turn the order of the letters around for the eye, not for the record.
_TURNING = frozenset("\u200e\u200f\u061c\u202a\u202b\u202c\u202d\u202e") | frozenset(
    "\u2066\u2067\u2068\u2069"
)
_JOINERS = frozenset("\u200c\u200d")


def told(text: str, covered: Collection[int], most: int = MOST) -> str:
    """Return a text in one line, clipped, with every sign one that can be shown.

    Args:
        text: as given.
        covered: code points that the fonts have; another stands as ``[U+0000]``.
        most: characters; a longer one ends with an ellipsis.
    """
    line = " ".join(_plain(text).split())
    if len(line) > most:
        line = line[: most - 1].rstrip() + "…"
    shown = "".join(_sign(sign, covered) for sign in line)
    return _LONG.sub(_broken, shown)


def _plain(text: str) -> str:
    composed = unicodedata.normalize("NFC", text)
    kept = []
    for sign in composed:
        if sign in _TURNING:
            continue
        kind = unicodedata.category(sign)
        if kind == "Cc":
            kept.append(" ")
        elif kind != "Cs":
            kept.append(sign)
    return "".join(kept)


def _sign(sign: str, covered: Collection[int]) -> str:
    if sign in _JOINERS or ord(sign) in covered:
        return sign
    return f"[U+{ord(sign):04X}]"


def _broken(found: re.Match[str]) -> str:
    """Let a word that is too long for a line break somewhere."""
    word = found[0]
    pieces = [word[i : i + _EVERY] for i in range(0, len(word), _EVERY)]
    return _SOFT_BREAK.join(pieces)
