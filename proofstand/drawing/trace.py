"""The trace of a run as a vector picture for page and export.

The outlet has the large panel, every other pressure a lane of its own and its own
scale; each line is named at its right-hand end. The run sheet stands under them as the
time axis, limits where they apply.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .hatching import hatched
from .inks import Inks
from .lettering import CAP, LINE, lettered, wide
from .panel import PT, Panel, stroke
from .picture import LimitMark, Line, Span, TracePicture, straightened, thinned
from .ticks import round_ticks, tick_text

_BUCKETS = 900
_FINE_PT = 0.04  # 0.014 mm: what no print shows
_SMALL, _TEXT = 7.5, 8.0  # points
_DIGIT_MM = 1.5  # of a small letter
_WORDS_MM = 3.2  # height of a line of them
_RIGHT_MM, _LEFT_MM, _TOP_MM, _BOTTOM_MM = 23.0, 9.0, 1.5, 4.2
_LANE_MM, _GAP_MM, _SHEET_MM = 6.0, 1.7, 4.2
_MOST_TICKS, _MOST_LANE_TICKS, _MOST_TIMES = 5, 2, 9
_HATCH_PT = 2.4
_BESIDE_PT = 1.5  # between an axis and its numbers


def trace_svg(
    picture: TracePicture, inks: Inks, width_mm: float = 176.0, height_mm: float = 62.0
) -> str:
    """Return the picture as an SVG document of that size.

    Words are drawn as outlines, so that they look the same everywhere; the same picture
    gives the same bytes.
    """
    width, height = width_mm * PT, height_mm * PT
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.2f}pt"'
        f' height="{height:.2f}pt" viewBox="0 0 {width:.2f} {height:.2f}">'
        f"{''.join(_drawn(picture, inks, width_mm, height_mm))}</svg>"
    )


def _drawn(picture: TracePicture, inks: Inks, width: float, height: float) -> list[str]:
    main = next((n for n in picture.lines if n.role == "outlet"), None)
    main = main or next(iter(picture.lines), None)
    if main is None:
        return []
    lanes = [line for line in picture.lines if line is not main]
    start = min(float(line.t_s[0]) for line in picture.lines)
    stop = max(float(line.t_s[-1]) for line in picture.lines)
    stop = max(stop, start + 1.0)

    def panel(top: float, tall: float) -> Panel:
        inner = width - _LEFT_MM - _RIGHT_MM
        left, top, inner, tall = (n * PT for n in (_LEFT_MM, top, inner, tall))
        return Panel(left, top, inner, tall, start, stop)

    below = _BOTTOM_MM + (_SHEET_MM + _GAP_MM if picture.spans else 0.0)
    lanes_height = len(lanes) * (_LANE_MM + _GAP_MM)
    tall = height - below - lanes_height - _TOP_MM
    large = panel(_TOP_MM, tall)
    large = _scaled(large, main, picture, large=True)
    shapes = _plot(large, main, inks, large=True)
    shapes += _limits(large, picture, inks)
    top = _TOP_MM + tall + _GAP_MM
    for line in lanes:
        lane = _scaled(panel(top, _LANE_MM), line, picture, large=False)
        shapes += _plot(lane, line, inks, large=False)
        top += _LANE_MM + _GAP_MM
    if picture.spans:
        sheet = panel(height - _BOTTOM_MM - _SHEET_MM, _SHEET_MM)
        shapes += _sheet(sheet, picture.spans, inks)
    axis = panel(height - _BOTTOM_MM, _BOTTOM_MM)
    return shapes + _times(axis, inks)


def _scaled(panel: Panel, line: Line, picture: TracePicture, *, large: bool) -> Panel:
    """Return the panel with room for all that was read, and for the limits' words."""
    good = line.value[np.isfinite(line.value)]
    if not good.size:
        return panel
    low, high = float(np.min(good)), float(np.max(good))
    pad = 0.06 * (high - low) or 0.1 * (abs(high) or 1.0)
    bottom, top = low - pad, high + (3.0 * pad if large else pad)
    if large:
        covered = {span.step for span in picture.spans if span.stop_s is not None}
        share = min(_WORDS_MM * PT / panel.height, 0.5)
        for limit in picture.limits:
            if limit.low is not None or limit.high is None:
                continue
            if limit.step not in covered:
                continue
            # room for its words above it, however low the panel is
            at = limit.high / picture.unit.factor + 1.3 * _band(bottom, top)
            top = max(top, (at - share * bottom) / (1.0 - share))
    return Panel(
        panel.left,
        panel.top,
        panel.width,
        panel.height,
        panel.start,
        panel.stop,
        bottom,
        top,
    )


def _band(bottom: float, top: float) -> float:
    """Return how much of an axis the hatching of a wall takes."""
    return 0.035 * (top - bottom)


def _plot(panel: Panel, line: Line, inks: Inks, *, large: bool) -> list[str]:
    ink = inks.of_role(line.role)
    good = line.value[np.isfinite(line.value)]
    shapes = []
    most = _MOST_TICKS if large else _MOST_LANE_TICKS
    ticks, decimals = round_ticks(panel.low, panel.high, most)
    grid = "".join(
        f"M{panel.left:.2f} {panel.y(tick):.2f}H{panel.right:.2f}" for tick in ticks
    )
    shapes.append(stroke(grid, inks.rule, 0.4))
    for tick in ticks if good.size else ():
        y = panel.y(tick) + 0.5 * CAP * _SMALL
        x = panel.left - _BESIDE_PT
        words = tick_text(tick, decimals)
        shapes.append(lettered(words, x, y, inks.soft, _SMALL, across=1.0))
    if not good.size:
        return shapes
    shapes.append(stroke(_path(panel, line), ink, 0.9 if large else 0.7))
    share = (float(good[-1]) - panel.low) / (panel.high - panel.low)
    if not large:
        share = 0.5  # two lines of words are as high as a lane
    middle = panel.top + panel.height * (1.0 - min(max(share, 0.12), 0.85))
    size = _TEXT if large else _SMALL
    for n, words in enumerate((line.role or line.channel, line.unit)):
        y = middle + (n - 0.5) * LINE * size + 0.5 * CAP * size
        x = panel.right + 0.01 * panel.width
        shapes.append(lettered(words, x, y, ink, size, bold=large))
    return shapes


def _path(panel: Panel, line: Line) -> str:
    """Return a line's path, broken where nothing good was read."""
    drawn = thinned(line, _BUCKETS)
    across = panel.width / (panel.stop - panel.start)
    up = panel.height / (panel.high - panel.low)
    x = panel.left + (drawn.t_s - panel.start) * across
    y = panel.top + panel.height - (drawn.value - panel.low) * up
    known = np.isfinite(y)
    edges = np.flatnonzero(np.diff(known.astype(int))) + 1
    path = []
    for stretch in np.split(np.arange(x.size), edges):
        if stretch.size and known[stretch[0]]:
            points = straightened(x[stretch].tolist(), y[stretch].tolist(), _FINE_PT)
            if len(points) == 1:  # a dot, as a round cap shows it
                points *= 2
            path.append("M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points))
    return "".join(path)


def _limits(panel: Panel, picture: TracePicture, inks: Inks) -> list[str]:
    # of several attempts, the last one that came to an end
    spans = {span.step: span for span in picture.spans if span.stop_s is not None}
    said: set[str] = set()
    shapes: list[str] = []
    for limit in picture.limits:
        span = spans.get(limit.step)
        if span is None:
            continue
        quiet = limit.words in said
        shapes += _limit(panel, limit, span, picture.unit.factor, inks, quiet=quiet)
        said.add(limit.words)
    return shapes


def _limit(
    panel: Panel,
    limit: LimitMark,
    span: Span,
    factor: float,
    inks: Inks,
    *,
    quiet: bool,
) -> list[str]:
    assert span.stop_s is not None
    left, right = panel.x(span.start_s), panel.x(span.stop_s)
    if limit.high is None:
        return []
    high = panel.y(limit.high / factor)
    if limit.low is not None:
        low = panel.y(limit.low / factor)
        ink = inks.conforms
        shapes = [
            f'<rect x="{left:.2f}" y="{high:.2f}" width="{right - left:.2f}"'
            f' height="{low - high:.2f}" fill="{ink}" fill-opacity="0.18"/>',
            stroke(_level(left, right, low) + _level(left, right, high), ink, 0.6),
        ]
        words_at = low + 2.0 + _SMALL
    else:
        ink = inks.fails
        tall = panel.height * _band(0.0, 1.0)
        box = (left, high - tall, right - left, tall)
        shapes = [
            stroke(_level(left, right, high), ink, 0.9),
            stroke(hatched(box, _HATCH_PT, rising=True), ink, 0.5),
        ]
        words_at = high - 1.3 * tall - 2.0
    if not quiet:
        shapes.append(lettered(limit.words, left + 1.0, words_at, ink, _SMALL))
    return shapes


def _sheet(panel: Panel, spans: Sequence[Span], inks: Inks) -> list[str]:
    """Draw the steps under their stretch, each named where its name has room.

    Without room the number stands above its stretch; the last step's name has the room
    beside the sheet.
    """
    shapes = []
    digit = _DIGIT_MM * PT
    low, tall = panel.y(0.02), 0.96 * panel.height
    middle = panel.top + 0.5 * panel.height + 0.5 * CAP * _SMALL
    for count, span in enumerate(spans, 1):
        stop = span.stop_s if span.stop_s is not None else panel.stop
        left, right = panel.x(span.start_s), panel.x(stop)
        ink = inks.ink if span.done else inks.fails
        shapes.append(
            f'<rect x="{left:.2f}" y="{low - tall:.2f}" width="{right - left:.2f}"'
            f' height="{tall:.2f}" fill="none" stroke="{ink}" stroke-width="0.5"/>'
        )
        number = str(span.number or count)
        words = f"{number} {span.step}"
        at, y, across = (left + right) / 2.0, middle, 0.5
        if right - left <= digit * len(words) + PT:
            words = number
        if right - left <= digit * len(number) + 0.4 * PT:
            if span is spans[-1]:
                words = f"{number} {span.step}"
                at, across = right + 0.8 * PT, 0.0
            else:
                y = panel.top - 0.04 * panel.height
        shapes.append(lettered(words, at, y, inks.ink, _SMALL, across=across))
    return shapes


def _times(panel: Panel, inks: Inks) -> list[str]:
    """Write the times under everything, panel being what is left there."""
    ticks, decimals = round_ticks(panel.start, panel.stop, _MOST_TIMES)
    y = panel.top + _BESIDE_PT + CAP * _SMALL + 1.0
    unit = "s from the start"
    end = panel.right + _BESIDE_PT * PT
    shapes = [lettered(unit, end, y, inks.soft, _SMALL)]
    for tick in ticks:
        words = tick_text(tick, decimals)
        x = panel.x(tick)
        if x + 0.5 * wide(words, _SMALL) > end - PT:
            continue  # the unit stands there
        shapes.append(lettered(words, x, y, inks.soft, _SMALL, across=0.5))
    return shapes


def _level(left: float, right: float, y: float) -> str:
    return f"M{left:.2f} {y:.2f}H{right:.2f}"
