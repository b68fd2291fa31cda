"""Job labels and tags on label stock of any size: text, own shapes, a code to scan.

A job label is printed at intake from the card, before any run; its code is the text
that the start sheet compares with the card. A tag says how the regulator stands, by a
word and by a shape of its own, so that no colour is needed. The largest letters are
taken that the stock has room for; what does not fit at a size that can be read is
refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

import segno

from records.errors import InputError, RefusedError
from records.jobcard import JobCard
from records.judgement import Judgement
from records.materials import is_oxidiser
from records.plan import Plan
from records.run import Run

from ..display import show
from ..drawing.faces import covered_for
from ..report import role_of
from ..words.sentences import page
from .page import code_svg
from .told import told
from .typeset import measured, typeset
from .work import last_seal

TEMPLATE = "label.typ"
SIZES_MM = (20.0, 300.0)  # of either side
# Body letters have 8 points times the scale; never below 6 points.
SCALES = (2.0, 1.75, 1.5, 1.35, 1.2, 1.1, 1.0, 0.92, 0.84, 0.75)
LEAST_MODULE_MM = 0.3  # of the code: what a hand scanner and a 203 dpi printer can do
QUIET = 4  # modules around the code
_BAND_MM, _BAND_SHARE = 4.5, 0.12  # of a simulated rig: height, at most of the stock
_CODE_SHARE = 0.34  # of the width at most
_SHORT, _WHOLE = 48, 400  # characters: of what may be clipped; of serial and job


class State(StrEnum):
    """How a regulator stands."""

    SERVICEABLE = "serviceable"
    HOLD = "hold"
    REWORK = "rework"
    SCRAP = "scrap"


@dataclass(frozen=True, slots=True)
class Size:
    """Label stock, millimetres."""

    width: float
    height: float

    @classmethod
    def parse(cls, text: str) -> Size:
        """Read ``"100x50"``.

        Raises:
            InputError: ``value_wrong``.
        """
        least, most = SIZES_MM
        parts = text.lower().replace("mm", "").split("x")
        try:
            wide, high = (float(part) for part in parts)
        except ValueError:
            wide = high = math.nan
        if not (least <= wide <= most and least <= high <= most):
            raise InputError(
                "value_wrong",
                key="--size",
                given=ascii(text[:40]),
                right=f"width x height in mm, as 100x50; each {least:g} to {most:g}",
            )
        return cls(wide, high)


def job_label(card: JobCard, serial: str) -> dict[str, Any]:
    """Return what a regulator's job label says.

    Args:
        card: its job card.
        serial: the one of the card's that the label is for.
    """
    regulator, intake = card.regulator, card.intake
    cautions = []
    if not card.purged:
        cautions.append(page("label_not_purged"))
    if is_oxidiser(regulator.gas):
        cautions.append(page("label_oxygen", gas=regulator.gas))
    rows = [
        ("model", regulator.model),
        ("gas", regulator.gas),
        ("sender", intake.sender if intake else ""),
        (
            "received",
            intake.received.isoformat() if intake and intake.received else "",
        ),
    ]
    return {
        "band": "",
        "shape": "",
        "word": "",
        "main": _whole(serial),
        "rows": [
            {"label": page("job_number"), "value": _whole(card.id)},
            *_rows(rows),
        ],
        "cautions": cautions,
        "code": card.label(serial),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a tag may rest on.

    Attributes:
        passes: the run passes against accepted limits.
        number: of its certificate, whole, of this run and of the key that sealed it.
        against: what was said of that certificate since, or of the job, in words.
        ending: how the job ended, as the card tells, or "".
    """

    passes: bool
    fails: bool = False
    number: str = ""
    against: str = ""
    ending: str = ""


_BY_ENDING = {
    "scrapped": State.SCRAP,
    "on hold": State.HOLD,
    "rework": State.REWORK,
    "returned unrepaired": State.HOLD,
}


def state_for(standing: Standing, asked: State | None) -> State:
    """Return how a tag may say that a regulator stands.

    Args:
        standing: what it may rest on.
        asked: what the person asked for, or None.

    Raises:
        RefusedError: ``tag_not_serviceable``.
    """
    why = _why_not(standing)
    if asked is State.SERVICEABLE and why:
        raise RefusedError("tag_not_serviceable", why=why)
    if asked is not None:
        return asked
    ended = _BY_ENDING.get(standing.ending)
    if ended is not None:
        return ended
    if not why:
        return State.SERVICEABLE
    return State.REWORK if standing.fails else State.HOLD


def _why_not(standing: Standing) -> str:
    """Return why nothing may be called serviceable, or ""."""
    if not standing.passes:
        return page("tag_no_pass")
    if not standing.number:
        return page("tag_no_certificate")
    if standing.against:
        return page("tag_against", what=standing.against)
    if standing.ending in _BY_ENDING:
        return page("tag_ended", ending=standing.ending)
    return ""


def tag(
    run: Run,
    plan: Plan,
    judgement: Judgement,
    state: State,
    *,
    number: str,
    card: JobCard,
    by: str,
) -> dict[str, Any]:
    """Return what a tag says.

    Args:
        run: of the test.
        plan: that it was judged by.
        judgement: of that run.
        state: as :func:`state_for` allows it.
        number: of the certificate, or "".
        card: the job card as it is now, of this regulator alone.
        by: who tags it, or "".
    """
    serial = card.regulator.serial
    tested = page("not_stated")
    if run.dated:
        started = datetime.fromtimestamp(run.header.started_utc_ns / 1e9, tz=UTC)
        tested = f"{started.astimezone():%Y-%m-%d}"
    rows = [
        ("set_pressure", _set_pressure(run, plan, judgement)),
        ("tested", tested),
        ("certificate_number", number) if number else ("run", run.id),
        ("seal", last_seal(card) or page("tag_not_recorded")),
        ("tagged_by", by),
    ]
    cautions = [] if state is State.SERVICEABLE else [page("tag_not_for_service")]
    return {
        "band": page("label_simulated") if run.header.rig.simulated else "",
        "shape": shape_svg(state),
        "word": page(f"tag_{state.value}"),
        "main": _whole(serial),
        "rows": _rows(rows),
        "cautions": cautions,
        "code": card.label(serial),
    }


def _set_pressure(run: Run, plan: Plan, judgement: Judgement) -> str:
    found = [
        f
        for f in judgement.findings
        if f.id == "set_pressure" and f.measured is not None
    ]
    if not found:
        return page("not_measured")
    shown = show(found[-1], plan, role_of(found[-1], run.header.rig))
    return shown.line.replace("-", "−")


def shape_svg(state: State) -> str:
    """Return a state's shape: each has an outline and a sign of its own.

    A disc with a tick, an octagon with a bar, a triangle with a turned arrow, a square
    with a cross.
    """
    outline, sign = _SHAPES[state]
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100" '
        f'fill="none" stroke="#000000" stroke-width="7">{outline}{sign}</svg>'
    )


def _octagon() -> str:
    points = [
        (50 + 46 * math.sin(math.pi * (2 * n + 1) / 8),
         50 - 46 * math.cos(math.pi * (2 * n + 1) / 8))
        for n in range(8)
    ]  # fmt: skip
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


_THICK = 'stroke-width="11"'
_SHAPES = {
    State.SERVICEABLE: (
        '<circle cx="50" cy="50" r="45"/>',
        f'<path d="M27 52 L44 69 L74 33" {_THICK}/>',
    ),
    State.HOLD: (
        f'<polygon points="{_octagon()}"/>',
        f'<path d="M24 50 L76 50" {_THICK}/>',
    ),
    State.REWORK: (
        '<polygon points="50,7 96,92 4,92"/>',
        '<path d="M38 79 L63 79 L63 61 L42 61 M52 51 L42 61 L52 71"/>',
    ),
    State.SCRAP: (
        '<rect x="6" y="6" width="88" height="88"/>',
        f'<path d="M26 26 L74 74 M74 26 L26 74" {_THICK}/>',
    ),
}


def set_labels(labels: Sequence[dict[str, Any]], size: Size, when: datetime) -> bytes:
    """Return labels as a PDF, one a page.

    Args:
        labels: as :func:`job_label` and :func:`tag` make them.
        size: of the stock.
        when: date of the document, with a time zone.

    Raises:
        InputError: ``page_unprintable``.
        RefusedError: ``label_too_small``.
    """
    set_ones = [_fitted(label, size) for label in labels]
    data = {"size": [size.width, size.height], "labels": set_ones}
    return typeset(TEMPLATE, data, when)


def _fitted(label: dict[str, Any], size: Size) -> dict[str, Any]:
    """Return a label with the largest scale at which all of it has room.

    Raises:
        RefusedError: ``label_too_small``, with stock of the same form that would do.
    """
    fitted = _on(label, size, SCALES)
    if fitted is not None:
        return fitted
    raise RefusedError(
        "label_too_small",
        width=f"{size.width:g}",
        height=f"{size.height:g}",
        needed=_needed(label, size),
    )


def _on(
    label: dict[str, Any], size: Size, scales: Sequence[float]
) -> dict[str, Any] | None:
    """Return a label as it is set on stock, or None where it has no room there."""
    modules = segno.make(label["code"], error="m", micro=False).symbol_size(1, QUIET)[0]
    band = min(_BAND_MM, _BAND_SHARE * size.height) if label["band"] else 0.0
    side = min(size.height - 4.0 - band, _CODE_SHARE * size.width)
    if label["shape"]:
        side = min(side, 0.5 * size.height)
    if side < LEAST_MODULE_MM * modules:
        return None
    drawn = {
        **label,
        "bandhigh": band,
        "code_text": _whole(label["code"]),
        "code": code_svg(label["code"], border=QUIET),
        "side": side,
    }
    for scale in scales:
        trial = {**drawn, "scale": scale}
        data = {"size": [size.width, size.height], "labels": [trial]}
        if measured(TEMPLATE, data, "<end>")["fits"]:
            return trial
    return None


def _needed(label: dict[str, Any], size: Size) -> str:
    """Return stock of the same form that would do, in words."""
    most = SIZES_MM[1]
    times = 1.1
    while max(size.width, size.height) * times <= most:
        larger = Size(math.ceil(size.width * times), math.ceil(size.height * times))
        if _on(label, larger, SCALES[-1:]) is not None:
            return f"{larger.width:g} x {larger.height:g}"
        times *= 1.1
    return f"{most:g} x {most:g}"


def _whole(text: str) -> str:
    """Return a text that may not be cut: a serial or a job's number."""
    return told(text, covered_for(text), _WHOLE)


def _rows(pairs: Sequence[tuple[str, str]]) -> list[dict[str, str]]:
    return [
        {"label": page(id), "value": told(value, covered_for(value), _SHORT)}
        for id, value in pairs
        if value
    ]
