"""Two runs over each other about one step, and a page of words about it, as SVG.

The one that is explained is a full line, the one that it is compared with a dashed one;
both are named in words, so that ink tells nothing alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .hatching import hatched
from .inks import Inks
from .lettering import CAP, LINE, lettered, wide
from .panel import PT, Panel, stroke
from .picture import Line, straightened, thinned
from .ticks import round_ticks, tick_text

_BUCKETS = 500
_FINE_PT = 0.05
_SMALL, _TEXT, _LEAD, _HEAD = 7.5, 9.0, 10.5, 16.0  # points
_LEFT_MM, _RIGHT_MM, _TOP_MM, _FOOT_MM, _GAP_MM = 11.0, 4.0, 5.5, 6.0, 3.0
_LARGE_SHARE = 0.72  # of the height, for the first of two lanes
_MOST_TICKS, _MOST_LOW_TICKS, _MOST_TIMES = 5, 2, 8
_DASHES = "3 2"
_HATCH_PT = 2.4
_BESIDE_PT = 1.5
_LEGEND_PT = 16.0  # length of a line that stands before its name
_PAD_MM, _PARA = 6.0, 0.45


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BesideLane:
    """One channel of both runs, on one time axis, in one unit.

    Attributes:
        own: of the run that is explained. other: of that which it is compared with.
        limit: a level not to be crossed, with its words, or None.
    """

    own: Line
    other: Line
    limit: tuple[float, str] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BesidePicture:
    """Two runs over each other.

    Attributes:
        lanes: the one that tells first. start, stop: of the time axis, seconds.
        own, other: names of the two lines. times: what the axis counts from.
    """

    lanes: tuple[BesideLane, ...]
    start: float
    stop: float
    own: str
    other: str
    times: str


def beside_svg(
    picture: BesidePicture,
    inks: Inks,
    width_mm: float = 176.0,
    height_mm: float = 70.0,
) -> str:
    """Return the picture as an SVG document of that size."""
    return _document(
        beside_shapes(picture, inks, width_mm, height_mm), width_mm, height_mm
    )


def _document(shapes: Sequence[str], width_mm: float, height_mm: float) -> str:
    width, height = width_mm * PT, height_mm * PT
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.2f}pt"'
        f' height="{height:.2f}pt" viewBox="0 0 {width:.2f} {height:.2f}">'
        f"{''.join(shapes)}</svg>"
    )


def beside_shapes(
    picture: BesidePicture, inks: Inks, width_mm: float, height_mm: float
) -> list[str]:
    """Return the shapes of the picture, points from its upper left corner."""
    room = height_mm - _TOP_MM - _FOOT_MM - _GAP_MM * (len(picture.lanes) - 1)
    shares = [_LARGE_SHARE, *([1.0 - _LARGE_SHARE] * (len(picture.lanes) - 1))]
    if len(picture.lanes) == 1:
        shares = [1.0]
    shapes = _names(picture, inks)
    top = _TOP_MM
    for at, (lane, share) in enumerate(zip(picture.lanes, shares, strict=True)):
        tall = room * share / sum(shares)
        panel = Panel(
            _LEFT_MM * PT,
            top * PT,
            (width_mm - _LEFT_MM - _RIGHT_MM) * PT,
            tall * PT,
            picture.start,
            picture.stop,
        )
        shapes += _lane(panel, lane, inks, large=at == 0)
        top += tall + _GAP_MM
    foot = (height_mm - _FOOT_MM) * PT
    return shapes + _times(picture, inks, foot, width_mm)


def _names(picture: BesidePicture, inks: Inks) -> list[str]:
    """Name both lines above the picture, each after a piece of it."""
    ink = inks.of_role(picture.lanes[0].own.role)
    x, y = _LEFT_MM * PT, 0.5 * _TOP_MM * PT
    base = y + 0.5 * CAP * _TEXT - 1.0
    shapes: list[str] = []
    for words, one, dashes in (
        (picture.own, ink, ""),
        (picture.other, inks.soft, _DASHES),
    ):
        path = f"M{x:.2f} {y - 1.0:.2f}H{x + _LEGEND_PT:.2f}"
        shapes.append(stroke(path, one, 1.2, dashes))
        x += _LEGEND_PT + 4.0
        shapes.append(lettered(words, x, base, inks.ink, _TEXT))
        x += wide(words, _TEXT) + 14.0
    return shapes


def _lane(panel: Panel, lane: BesideLane, inks: Inks, *, large: bool) -> list[str]:
    values = np.concatenate([_within(line, panel) for line in (lane.own, lane.other)])
    if not values.size:
        return []
    low, high = float(values.min()), float(values.max())
    near = lane.limit is not None and low <= lane.limit[0] <= high + (high - low)
    if near and lane.limit is not None:
        high = max(high, lane.limit[0])
    pad = 0.08 * (high - low) or 0.05 * (abs(high) or 1.0)
    panel = Panel(
        panel.left,
        panel.top,
        panel.width,
        panel.height,
        panel.start,
        panel.stop,
        low - pad,
        high + (2.0 * pad if near else pad),
    )
    most = _MOST_TICKS if large else _MOST_LOW_TICKS
    ticks, decimals = round_ticks(panel.low, panel.high, most)
    grid = "".join(
        f"M{panel.left:.2f} {panel.y(tick):.2f}H{panel.right:.2f}" for tick in ticks
    )
    shapes = [stroke(grid, inks.rule, 0.4)]
    for tick in ticks:
        y = panel.y(tick) + 0.5 * CAP * _SMALL
        words = tick_text(tick, decimals)
        x = panel.left - _BESIDE_PT
        shapes.append(lettered(words, x, y, inks.soft, _SMALL, across=1.0))
    if near and lane.limit is not None:
        shapes += _limit(panel, lane.limit, inks)
    shapes.append(stroke(_path(panel, lane.other), inks.soft, 1.0, _DASHES))
    ink = inks.of_role(lane.own.role)
    shapes.append(stroke(_path(panel, lane.own), ink, 1.2 if large else 0.9))
    named = f"{lane.own.role or lane.own.channel}, {lane.own.unit}"
    base = panel.top + CAP * _SMALL + 1.0
    left = panel.right - wide(named, _SMALL) - 2.0
    box = f'<rect x="{left - 2.0:.2f}" y="{panel.top:.2f}"'
    box += f' width="{panel.right - left + 2.0:.2f}" height="{LINE * _SMALL:.2f}"'
    shapes.append(f'{box} fill="{inks.paper}" fill-opacity="0.85"/>')
    return [*shapes, lettered(named, left, base, ink, _SMALL)]


def _within(line: Line, panel: Panel) -> np.ndarray:
    at = (line.t_s >= panel.start) & (line.t_s <= panel.stop)
    found = line.value[at]
    return np.asarray(found[np.isfinite(found)])


def _limit(panel: Panel, limit: tuple[float, str], inks: Inks) -> list[str]:
    level, words = limit
    y, tall = panel.y(level), 3.2
    path = f"M{panel.left:.2f} {y:.2f}H{panel.right:.2f}"
    box = (panel.left, y - tall, panel.width, tall)
    return [
        stroke(path, inks.fails, 0.9),
        stroke(hatched(box, _HATCH_PT, rising=True), inks.fails, 0.4),
        lettered(words, panel.left + 2.0, y + 1.0 + _SMALL, inks.fails, _SMALL),
    ]


def _path(panel: Panel, line: Line) -> str:
    """Return a line's path inside the panel, broken where nothing good was read."""
    at = (line.t_s >= panel.start) & (line.t_s <= panel.stop)
    part = Line(line.channel, line.role, line.t_s[at], line.value[at], line.unit)
    drawn = thinned(part, _BUCKETS)
    known = np.isfinite(drawn.value)
    edges = np.flatnonzero(np.diff(known.astype(int))) + 1
    path = []
    for stretch in np.split(np.arange(drawn.t_s.size), edges):
        if stretch.size and known[stretch[0]]:
            x = [panel.x(float(t)) for t in drawn.t_s[stretch]]
            y = [panel.y(float(v)) for v in drawn.value[stretch]]
            points = straightened(x, y, _FINE_PT)
            points = points * 2 if len(points) == 1 else points
            path.append("M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points))
    return "".join(path)


def _times(
    picture: BesidePicture, inks: Inks, foot: float, width_mm: float
) -> list[str]:
    panel = Panel(
        _LEFT_MM * PT,
        foot,
        (width_mm - _LEFT_MM - _RIGHT_MM) * PT,
        _FOOT_MM * PT,
        picture.start,
        picture.stop,
    )
    ticks, decimals = round_ticks(panel.start, panel.stop, _MOST_TIMES)
    y = panel.top + _BESIDE_PT + CAP * _SMALL + 1.5
    end = panel.right - wide(picture.times, _SMALL)
    shapes = [lettered(picture.times, end, y, inks.soft, _SMALL)]
    for tick in ticks:
        words = tick_text(tick, decimals)
        if panel.x(tick) + 0.5 * wide(words, _SMALL) < end - PT:
            x = panel.x(tick)
            shapes.append(lettered(words, x, y, inks.soft, _SMALL, across=0.5))
    return shapes


# --- a page ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class WordsPage:
    """What stands about a picture.

    Attributes:
        band: across the head. head: of the page.
        above: paragraphs before the picture. below: titles with their paragraphs.
    """

    band: str
    head: str
    above: tuple[str, ...]
    below: tuple[tuple[str, tuple[str, ...]], ...]


def page_svg(
    words: WordsPage,
    picture: BesidePicture | None,
    inks: Inks,
    width_mm: float = 188.0,
    picture_mm: float = 78.0,
) -> str:
    """Return a page of words about a picture as SVG, as high as it needs."""
    inner = width_mm - 2.0 * _PAD_MM
    left, y = _PAD_MM * PT, _PAD_MM * PT
    shapes: list[str] = []

    def put(text: str, size: float, ink: str, *, bold: bool = False) -> None:
        nonlocal y
        for line in wrapped(text, size, inner * PT, bold=bold):
            y += LINE * size
            shapes.append(lettered(line, left, y, ink, size, bold=bold))

    def leave(size: float) -> None:
        nonlocal y
        y += _PARA * size

    put(words.band, _TEXT, inks.fails, bold=True)
    leave(_HEAD)
    put(words.head, _HEAD, inks.ink, bold=True)
    leave(_HEAD)
    for text in words.above:
        put(text, _LEAD, inks.ink)
        leave(_LEAD)
    if picture is not None:
        inside = "".join(beside_shapes(picture, inks, inner, picture_mm))
        shapes.append(
            f'<g transform="translate({left:.2f} {y + 4.0:.2f})">{inside}</g>'
        )
        y += picture_mm * PT + 8.0
    for title, texts in words.below:
        put(title, _LEAD, inks.ink, bold=True)
        for text in texts:
            put(text, _TEXT, inks.ink)
            leave(0.5 * _TEXT)
        leave(_LEAD)
    high = y / PT + _PAD_MM
    ground = (
        f'<rect width="{width_mm * PT:.2f}" height="{high * PT:.2f}"'
        f' fill="{inks.paper}"/>'
    )
    return _document([ground, *shapes], width_mm, high)


def wrapped(text: str, size: float, room: float, *, bold: bool = False) -> list[str]:
    """Return words broken into lines that have room, points."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and wide(longer, size, bold=bold) > room:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
