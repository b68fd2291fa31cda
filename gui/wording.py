"""A desk's words, from the word file."""

from __future__ import annotations

from typing import Any

from proofstand.words.sentences import words


class _Facts(dict[str, object]):
    def __missing__(self, key: str) -> str:
        return "?"


class Wording:
    """The words of one desk.

    Args:
        desk: the table of the word file that they stand in.
    """

    def __init__(self, desk: str) -> None:
        self._desk = desk

    def said(self, *path: str, **facts: object) -> str:
        """Return one piece of wording with its facts filled in."""
        return str(self._at(path)).format_map(_Facts(facts))

    def several(self, *path: str, **facts: object) -> tuple[str, ...]:
        """Return a list of wording, each with the facts filled in."""
        return tuple(str(text).format_map(_Facts(facts)) for text in self._at(path))

    def table(self, *path: str) -> dict[str, str]:
        """Return a table of wording, by id in its order."""
        return {id: str(text) for id, text in self._at(path).items()}

    def known(self, *path: str) -> bool:
        """Tell whether there are words for this."""
        try:
            self._at(path)
        except KeyError:
            return False
        return True

    def _at(self, path: tuple[str, ...]) -> Any:
        found: Any = words()[self._desk]
        for name in path:
            found = found[name]
        return found
