"""Setting the page: typst, the shipped fonts, the trace and the code as vectors.

One A4 page as long as the content allows it at a size that can be read; the trace takes
what room is left. Only when nothing else helps a second page follows.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import segno

from ..drawing.inks import PAGE
from ..drawing.picture import TracePicture
from ..drawing.trace import trace_svg
from .certificate import Box
from .typeset import measured, typeset

TEMPLATE = "certificate.typ"
COUNTERSIGNATURE_TEMPLATE = "countersignature.typ"
# Sizes to try, largest first; the smallest letters never go below the template's least.
# At 0.94 running text has 7.5 points.
SCALES = (1.0, 0.97, 0.94, 0.92, 0.9, 0.88, 0.85, 0.82)
# Least height of a trace at each of them: room for the trace goes before large letters,
# until these are as small as they had better be.
TRACE_LEAST_MM = (50.0, 42.0, 32.0, 32.0, 32.0, 32.0, 32.0, 32.0)
TRACE_WIDTH_MM = 188.0
TRACE_MOST_MM = 115.0
# Beyond this the table of findings is wider than the page.
SCALE_ON_TWO_PAGES = 0.92
TRACE_ON_TWO_PAGES_MM = 56.0
_GAP_MM = 2.2  # above a trace
_SLACK_MM = 0.5
_MOSTLY = 3  # of the sizes: where a whole test ends
_WRITTEN_MM = 230.0  # of the page's height: without margins and foot
_GROWS = 0.9  # of it, with the size of letters; pictures and rules stay as they are
_BOX = ("x", "y", "width", "height")


@dataclass(frozen=True, slots=True)
class Attached:
    """A file inside the page."""

    name: str
    text: str
    about: str


@dataclass(frozen=True, slots=True)
class _Room:
    """What is left under the content: pages it takes, and millimetres of the last."""

    pages: int
    left_mm: float


def set_page(
    data: dict[str, Any],
    pictures: Sequence[TracePicture],
    code: str,
    attached: Sequence[Attached],
    when: datetime,
) -> bytes:
    """Return the page as PDF/A-3b, unsigned; the same input gives the same bytes.

    Args:
        data: what it says, see ``content.page_data``.
        pictures: traces, one a part.
        code: text of the code to scan.
        attached: files to put inside.
        when: date of the document, with a time zone.

    Raises:
        InputError: ``page_unprintable``.
    """
    return set_page_and_box(data, pictures, code, attached, when)[0]


def set_page_and_box(
    data: dict[str, Any],
    pictures: Sequence[TracePicture],
    code: str,
    attached: Sequence[Attached],
    when: datetime,
) -> tuple[bytes, Box | None]:
    """Return the page as :func:`set_page`, and where a second signature is to show.

    Raises:
        InputError: ``page_unprintable``.
    """
    whole = laid_out(data, pictures, code, attached)
    pdf = typeset(TEMPLATE, whole, when)
    if not data.get("countersign"):
        return pdf, None
    found = measured(TEMPLATE, whole, "<countersign>")
    return pdf, Box(int(found["page"]), **{k: float(found[k]) for k in _BOX})


def laid_out(
    data: dict[str, Any],
    pictures: Sequence[TracePicture],
    code: str,
    attached: Sequence[Attached],
) -> dict[str, Any]:
    """Return all that the template is given: sizes that fit, code, traces, files.

    Raises:
        InputError: ``page_unprintable``.
    """
    base = {**data, "code": code_svg(code), "traces": []}
    drawn = [picture for picture in pictures if picture.lines]
    scale, height = _fitted(base, len(drawn))
    traces = [trace_svg(p, PAGE, TRACE_WIDTH_MM, height) for p in drawn]
    return {
        **base,
        "traces": traces,
        "scale": scale,
        "attached": [asdict(each) for each in attached],
    }


def set_countersignature(data: dict[str, Any], when: datetime) -> bytes:
    """Return the small page that is shown in the field of a second signature.

    Raises:
        InputError: ``page_unprintable``.
    """
    return typeset(COUNTERSIGNATURE_TEMPLATE, data, when)


def code_svg(text: str, border: int = 2) -> str:
    """Return a code to scan that holds a text, with a quiet margin, in modules."""
    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        out, kind="svg", border=border, dark=PAGE.ink, xmldecl=False, svgns=True
    )
    return out.getvalue().decode("utf-8")


def _fitted(data: dict[str, Any], traces: int) -> tuple[float, float]:
    """Return the scale and the height of each trace.

    What fits at one size fits at all smaller ones, so that the largest that does is
    found by halving; the search begins where it mostly ends, and goes on where what is
    left says that it ends. What can't fit by its growth alone is not tried.
    """
    found: tuple[float, float] | None = None
    first, last, at = 0, len(SCALES), _MOSTLY
    while first < last:
        room = _room({**data, "scale": SCALES[at]})
        each = _each(room.left_mm, traces, at)
        if room.pages == 1 and room.left_mm >= 0.0 and each >= TRACE_LEAST_MM[at]:
            found, last = (SCALES[at], min(each, TRACE_MOST_MM)), at
            while first < last and not _could_fit(room.left_mm, traces, at, first):
                first += 1
        else:
            first = at + 1
        likely = [
            size
            for size in range(first, last)
            if room.pages == 1 and _could_fit(room.left_mm, traces, at, size)
        ]
        at = likely[0] if likely else (first + last) // 2
    return found or (SCALE_ON_TWO_PAGES, TRACE_ON_TWO_PAGES_MM)


def _each(left_mm: float, traces: int, at: int) -> float:
    """Return the height that each trace would have."""
    if not traces:
        return TRACE_LEAST_MM[at]
    return (left_mm - _SLACK_MM) / traces - _GAP_MM


def _could_fit(left_mm: float, traces: int, at: int, other: int) -> bool:
    """Tell whether a size could fit, from what is left at another.

    Lines grow with their letters, and there are rather more of them.
    """
    grown = SCALES[other] / SCALES[at] - 1.0
    left = left_mm - _GROWS * grown * (_WRITTEN_MM - left_mm)
    return left >= 0.0 and _each(left, traces, other) >= TRACE_LEAST_MM[other]


def _room(data: dict[str, Any]) -> _Room:
    end = measured(TEMPLATE, {**data, "attached": []}, "<end>")
    return _Room(int(end["page"]), float(end["left"]))
