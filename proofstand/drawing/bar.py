"""The finding bar: a coverage interval against its limit, as a small SVG.

The bar is the 95 % interval, a tick its limit. Inside the limit: filled. Outside:
outlined and cross-hatched. Across: hatched one way. On one side of the limit, and not
decided for another reason: a dashed outline. Provisional: outlined only. Nothing yet:
an empty line. An end beyond the drawing is an arrowhead. Without colour the shapes
still tell which is which.

Only lines, rectangles and paths are used, so that every renderer draws the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from records.judgement import ACROSS_IDS, Finding, Outcome

from .hatching import hatched
from .inks import Inks

# Where a limit stands across the width, and the least that a bar shows of itself.
_LIMIT_AT = 0.86
_LEAST_PX = 3.0
_HATCH_PX = 4.0
_DASH_PX = "3.5 2.5"
_HEAD_PX = 6.0  # of an arrowhead
_FAR_PX = 16.0  # of a bar that lies out of the drawing, its arrowhead with it
# An interval further out than so many ranges is drawn at the edge, its end open.
_FAR = 2.5


class BarState(StrEnum):
    """How a bar is drawn."""

    CONFORMS = "conforms"
    PROVISIONAL = "provisional"
    FAILS = "fails"
    UNDECIDED = "undecided"
    WITHHELD = "withheld"
    NO_LIMIT = "no limit"
    TO_COME = "to come"


_STATE_OF = {
    Outcome.PASS: BarState.CONFORMS,
    Outcome.CONDITIONAL_PASS: BarState.CONFORMS,
    Outcome.FAIL: BarState.FAILS,
    Outcome.CONDITIONAL_FAIL: BarState.FAILS,
    Outcome.INCONCLUSIVE: BarState.UNDECIDED,
    Outcome.NOT_MEASURED: BarState.TO_COME,
    Outcome.NO_LIMIT: BarState.NO_LIMIT,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """What a bar shows; all numbers in one unit.

    Attributes:
        interval: the coverage interval, or None when there is none yet.
        limit_min, limit_max: the ticks, None where the limit is open.
        state: how it stands.
    """

    interval: tuple[float, float] | None
    limit_min: float | None
    limit_max: float | None
    state: BarState


def bar_of(finding: Finding, *, provisional: bool = False) -> Bar:
    """Return a finding's bar.

    Args:
        finding: what was found, SI.
        provisional: it conforms so far, and what is still to come may change that.
    """
    state = _STATE_OF[finding.outcome]
    if state is BarState.UNDECIDED and _beside_the_limit(finding):
        state = BarState.WITHHELD
    if provisional and state is BarState.CONFORMS:
        state = BarState.PROVISIONAL
    limit = finding.limit
    return Bar(
        interval=finding.interval,
        limit_min=None if limit is None else limit.min,
        limit_max=None if limit is None else limit.max,
        state=state,
    )


def _beside_the_limit(finding: Finding) -> bool:
    """Tell whether something else than its limit leaves a finding undecided."""
    limit, interval = finding.limit, finding.interval
    if limit is None or interval is None:
        return False
    if any(why.id in ACROSS_IDS for why in finding.why):
        return False  # also where the limit's own uncertainty makes it so
    low, high = interval
    least = -math.inf if limit.min is None else limit.min
    most = math.inf if limit.max is None else limit.max
    return (low >= least and high <= most) or low > most or high < least


def state_ink(state: BarState, inks: Inks) -> str:
    """Return the ink of a state, for bar and word alike."""
    return {
        BarState.CONFORMS: inks.conforms,
        BarState.PROVISIONAL: inks.conforms,
        BarState.FAILS: inks.fails,
        BarState.UNDECIDED: inks.undecided,
        BarState.WITHHELD: inks.undecided,
    }.get(state, inks.soft)


def bar_svg(bar: Bar, inks: Inks, width: float = 190.0, height: float = 18.0) -> str:
    """Return the bar as an SVG document of that size, on a transparent ground."""
    middle = height / 2.0
    thick = 0.56 * height
    shapes = [_line(0.0, middle, width, middle, inks.rule, 1.6)]
    axis = _axis(bar)
    if axis is not None:
        start, reach = axis

        def place(value: float) -> float:
            return width * (value - start) / reach

        shapes += _interval(bar, inks, place, width, middle, thick)
        tick = inks.soft if bar.state is BarState.TO_COME else inks.ink
        for limit in (bar.limit_min, bar.limit_max):
            if limit is not None:
                x = min(max(place(limit), 1.2), width - 1.2)
                shapes.append(_line(x, 0.5, x, height - 0.5, tick, 2.2))
    inside = "".join(shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}"'
        f' viewBox="0 0 {width:g} {height:g}">{inside}</svg>'
    )


def _axis(bar: Bar) -> tuple[float, float] | None:
    """Return where the axis starts and how far it reaches, or None without anything."""
    low_limit, high_limit, interval = bar.limit_min, bar.limit_max, bar.interval
    if low_limit is not None and high_limit is not None and high_limit > low_limit:
        reach = (high_limit - low_limit) / (2.0 * _LIMIT_AT - 1.0)
        start = low_limit - (1.0 - _LIMIT_AT) * reach
        return _widened(start, reach, interval)
    one = high_limit if high_limit is not None else low_limit
    if one is None:
        if interval is None:
            return None
        width = interval[1] - interval[0] or abs(interval[0]) or 1.0
        return interval[0] - width, 3.0 * width
    scale = abs(one) or 1.0
    if interval is not None:
        far = max(abs(one - interval[0]), abs(one - interval[1]))
        scale = min(max(far * 1.25, interval[1] - interval[0]), 10.0 * scale)
    reach = scale / _LIMIT_AT if scale else 1.0
    if high_limit is not None:
        return _widened(one - _LIMIT_AT * reach, reach, interval)
    return _widened(one - (1.0 - _LIMIT_AT) * reach, reach, interval)


def _widened(
    start: float, reach: float, interval: tuple[float, float] | None
) -> tuple[float, float]:
    """Return the axis with the interval on it, unless that lies too far out."""
    if interval is None:
        return start, reach
    low, high = interval
    stop = start + reach
    least, most = start - _FAR * reach, stop + _FAR * reach
    if low < start and low >= least:
        start = low - 0.05 * reach
    if high > stop and high <= most:
        stop = high + 0.05 * reach
    return start, stop - start


def _interval(
    bar: Bar,
    inks: Inks,
    place: Callable[[float], float],
    width: float,
    middle: float,
    thick: float,
) -> list[str]:
    if bar.interval is None:
        return []
    ink = state_ink(bar.state, inks)
    top = middle - thick / 2.0
    left, right = place(bar.interval[0]), place(bar.interval[1])
    if right < 0.0:
        right = _FAR_PX
    elif left > width:
        left = width - _FAR_PX
    open_left, open_right = left < 0.0, right > width
    left = max(left, _HEAD_PX if open_left else 0.8)
    right = min(right, width - (_HEAD_PX if open_right else 0.8))
    if right - left < _LEAST_PX:
        centre = min(max((left + right) / 2.0, 2.3), width - 2.3)
        left, right = centre - _LEAST_PX / 2.0, centre + _LEAST_PX / 2.0
    box = (left, top, right - left, thick)
    if bar.state is BarState.CONFORMS:
        shapes = [_rect(box, fill=ink, stroke=ink)]
    else:
        dashed = bar.state is BarState.WITHHELD
        shapes = [_rect(box, fill=inks.panel, stroke=ink, dashed=dashed)]
    if bar.state in (BarState.UNDECIDED, BarState.FAILS):
        shapes.append(_hatch(box, ink, rising=True))
    if bar.state is BarState.FAILS:
        shapes.append(_hatch(box, ink, rising=False))
    if open_left:
        shapes.append(_head(left, 0.0, middle, thick, ink))
    if open_right:
        shapes.append(_head(right, width, middle, thick, ink))
    return shapes


def _hatch(box: tuple[float, float, float, float], ink: str, *, rising: bool) -> str:
    path = hatched(box, _HATCH_PX, rising=rising)
    return f'<path d="{path}" stroke="{ink}" stroke-width="1" fill="none"/>'


def _head(back: float, tip: float, middle: float, thick: float, ink: str) -> str:
    """Return an arrowhead: the interval goes on beyond the drawing."""
    half = thick / 2.0 + 1.5
    return (
        f'<path d="M{back:.2f} {middle - half:.2f}L{tip:.2f} {middle:.2f}'
        f'L{back:.2f} {middle + half:.2f}Z" fill="{ink}" stroke="none"/>'
    )


def _rect(
    box: tuple[float, float, float, float],
    *,
    fill: str,
    stroke: str,
    dashed: bool = False,
) -> str:
    left, top, width, height = box
    dashes = f' stroke-dasharray="{_DASH_PX}"' if dashed else ""
    return (
        f'<rect x="{left:.2f}" y="{top:.2f}" width="{width:.2f}"'
        f' height="{height:.2f}" fill="{fill}" stroke="{stroke}" stroke-width="1.4"'
        f"{dashes}/>"
    )


def _line(x0: float, y0: float, x1: float, y1: float, ink: str, width: float) -> str:
    return (
        f'<path d="M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}" stroke="{ink}"'
        f' stroke-width="{width:g}" fill="none"/>'
    )
