"""Which fault is explained, and its page once its traces are there. Knows no Qt."""

from __future__ import annotations

from dataclasses import dataclass

from proofstand.drawing.beside import BesidePicture
from proofstand.fault_pages import (
    HEALTHY,
    FaultPage,
    apart_words,
    entry_of,
    fault_page,
    trace_of,
)
from proofstand.fault_pages import said as page_said
from proofstand.session import Marked, SessionEvent
from proofstand.simulated import PLANS
from records.faults import CATALOGUE
from records.run import MarkKind

from ..background import Handle
from ..bench_desk.wording import step_words
from .wording import said

FAMILIES = tuple(PLANS)
_MOST_SIGNS = 48  # of a fault in the list


def fault_lines() -> tuple[tuple[str, str], ...]:
    """Return the faults of the catalogue, as id and a few words, in its order."""
    return tuple((e.id, _few(e.sentence)) for e in CATALOGUE.values())


def _few(sentence: str) -> str:
    words = sentence.rstrip(".").partition(":")[0]
    while len(words) > _MOST_SIGNS and "," in words:
        words = words.rpartition(",")[0]
    return words


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """A fault as its page shows it; without traces the words alone.

    Attributes:
        blocks: titles with what stands under them.
        picture: None while it is being made, and where no step shows the fault.
    """

    id: str
    family: str
    head: str
    looks: str
    blocks: tuple[tuple[str, str], ...]
    picture: BesidePicture | None = None
    page: FaultPage | None = None


def explained(id: str, family: str, page: FaultPage | None = None) -> Explained:
    """Return what is shown of a fault, with its page or before it is there."""
    from proofstand.fault_pages import apart_of

    entry = entry_of(id)
    blocks: list[tuple[str, str]] = []
    if page is not None and page.tells:
        blocks.append((page_said("head_tells"), "\n".join(page.tells)))
    if page is not None:
        blocks.append((page_said("head_shown"), page.shown))
    blocks.append((page_said("head_look_at"), entry.look_at))
    if page is not None and page.check:
        blocks.append((page_said("head_check"), page.check))
    apart = "\n".join(map(apart_words, apart_of(id)))
    blocks.append((page_said("head_apart"), apart))
    blocks.append((page_said("head_how"), page_said("how", family=family)))
    return Explained(
        id=id,
        family=family,
        head=entry.sentence,
        looks=page_said(id, "looks"),
        blocks=tuple(blocks),
        picture=None if page is None else page.picture,
        page=page,
    )


def made_page(id: str, family: str, handle: Handle) -> FaultPage:
    """Return the page of a fault, its traces made where they are not yet.

    Raises:
        InputError: a fault that this regulator can't have.
    """

    def tell(event: SessionEvent) -> None:
        if isinstance(event, Marked):
            handle.look()
            if event.mark.kind is MarkKind.STEP_BEGIN:
                step, at = step_words(event.mark.step), f"{event.mark.t_s:.0f}"
                handle.tell(said("faults", "making", step=step, at=at))

    own = trace_of(id, family, tell)
    handle.look()
    other = trace_of(HEALTHY, family, tell)
    handle.look()
    return fault_page(id, family, own, other)
