"""The desks beside the Bench, by name, each loaded when it is first wanted."""

from __future__ import annotations

from collections.abc import Callable

from .desk import DeskMaker


def _records() -> DeskMaker:
    from .records_desk.model import RecordsModel
    from .records_desk.view import RecordsDesk

    return DeskMaker(RecordsModel, RecordsDesk)


def _practice() -> DeskMaker:
    from .practice_desk.view import maker

    return maker()


# A desk's loader imports what is slow and returns how it is made.
LOADERS: dict[str, Callable[[], DeskMaker]] = {
    "records": _records,
    "practice": _practice,
}
