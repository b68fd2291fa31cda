"""The Practice desk's words, from the word file."""

from __future__ import annotations

from ..wording import Wording

_PRACTICE = Wording("practice")
said, several, known = _PRACTICE.said, _PRACTICE.several, _PRACTICE.known
