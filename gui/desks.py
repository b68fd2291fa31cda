"""The desks beside the Bench, by name, each loaded when it is first wanted."""

from __future__ import annotations

from collections.abc import Callable

from .desk import DeskMaker


def _practice() -> DeskMaker:
    from .practice_desk.view import maker

    return maker()


# A desk's loader imports what is slow and returns how it is made.
LOADERS: dict[str, Callable[[], DeskMaker]] = {"practice": _practice}
