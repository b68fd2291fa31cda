"""Text given by people, made fit for a page: data, never markup, never unbounded."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection

MOST = 100
MOST_NUMBERS = 5  # of signs that can't be shown, in one text
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
        covered: code points that the fonts have; another stands as ``[U+0000]``, and
            after the first few of them only their number, ``[+12]``.
        most: characters; a longer one ends with an ellipsis.
    """
    line = " ".join(_plain(text).split())
    if len(line) > most:
        line = line[: most - 1].rstrip() + "…"
    return _LONG.sub(_broken, _shown(line, covered))


def _shown(line: str, covered: Collection[int]) -> str:
    """Return a line with numbers for the first few signs that can't be shown."""
    shown, missing = [], 0
    for sign in line:
        if sign in _JOINERS or ord(sign) in covered:
            shown.append(sign)
            continue
        missing += 1
        if missing <= MOST_NUMBERS:
            shown.append(f"[U+{ord(sign):04X}]")
    if missing > MOST_NUMBERS:
        shown.append(f"[+{missing - MOST_NUMBERS}]")
    return "".join(shown)


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


def _broken(found: re.Match[str]) -> str:
    """Let a word that is too long for a line break somewhere."""
    word = found[0]
    pieces = [word[i : i + _EVERY] for i in range(0, len(word), _EVERY)]
    return _SOFT_BREAK.join(pieces)
