"""The trace of a run as a vector picture for page and export.

The outlet has the large panel, every other pressure a lane of its own and its own
scale; each line is named at its right-hand end. The run sheet stands under them as the
time axis, limits where they apply. The only user of matplotlib.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import cache
from typing import Any

from . import library  # noqa: F401  # isort: skip  # before matplotlib

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties

from .inks import FONT_FILES, Inks, fonts_folder
from .picture import LimitMark, Line, Span, TracePicture, thinned

_MM = 1.0 / 25.4
_BUCKETS = 900
_SMALL, _TEXT = 7.5, 8.0  # points
_DIGIT_MM = 1.5  # of a small letter
_WORDS_MM = 3.2  # height of a line of them
_RIGHT_MM, _LEFT_MM, _TOP_MM, _BOTTOM_MM = 23.0, 9.0, 1.5, 4.2
_LANE_MM, _GAP_MM, _SHEET_MM = 6.0, 1.7, 4.2


def trace_svg(
    picture: TracePicture, inks: Inks, width_mm: float = 176.0, height_mm: float = 62.0
) -> str:
    """Return the picture as an SVG document of that size.

    Text is drawn as outlines, so that it looks the same everywhere; the same picture
    gives the same bytes.
    """
    settings: dict[Any, Any] = {
        "svg.fonttype": "path",
        "svg.hashsalt": "proofstand",
        "axes.unicode_minus": True,
    }
    with mpl.rc_context(settings):
        figure = Figure(figsize=(width_mm * _MM, height_mm * _MM))
        FigureCanvasSVG(figure)
        figure.patch.set_alpha(0.0)
        _draw(figure, picture, inks, width_mm, height_mm)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


@cache
def _face(*, bold: bool = False) -> FontProperties:
    """Return a shipped font by its file; one of that name elsewhere never stands in."""
    return FontProperties(fname=str(fonts_folder() / FONT_FILES[1 if bold else 0]))


def _words(size: float, *, bold: bool = False) -> FontProperties:
    face = _face(bold=bold).copy()
    face.set_size(size)
    return face


def _draw(
    figure: Figure, picture: TracePicture, inks: Inks, width: float, height: float
) -> None:
    main = [line for line in picture.lines if line.role == "outlet"][:1]
    main = main or list(picture.lines[:1])
    lanes = [line for line in picture.lines if not any(line is m for m in main)]
    if not main:
        return
    times = [line.t_s for line in picture.lines]
    start = min(float(t[0]) for t in times)
    stop = max(float(t[-1]) for t in times)
    below = _BOTTOM_MM + (_SHEET_MM + _GAP_MM if picture.spans else 0.0)
    lanes_height = len(lanes) * (_LANE_MM + _GAP_MM)
    inner = width - _LEFT_MM - _RIGHT_MM

    def panel(bottom: float, tall: float) -> Any:
        box = (_LEFT_MM / width, bottom / height, inner / width, tall / height)
        axes = figure.add_axes(box)
        axes.set_xlim(start, max(stop, start + 1.0))
        _plain(axes, inks)
        return axes

    top = panel(below + lanes_height, height - below - lanes_height - _TOP_MM)
    _plot(top, main[0], inks, large=True)
    _limits(top, picture, inks)
    for n, line in enumerate(lanes):
        axes = panel(below + (len(lanes) - 1 - n) * (_LANE_MM + _GAP_MM), _LANE_MM)
        _plot(axes, line, inks, large=False)
    if picture.spans:
        sheet = panel(_BOTTOM_MM, _SHEET_MM)
        _sheet(sheet, picture.spans, inks, stop, inner / (stop - start))
        last = sheet
    else:
        last = top
    last.tick_params(axis="x", labelbottom=True, labelcolor=inks.soft)
    figure.text(
        1.0 - (_RIGHT_MM - 1.5) / width,
        0.5 * _BOTTOM_MM / height,
        "s from the start",
        fontproperties=_words(_SMALL),
        color=inks.soft,
        verticalalignment="center",
    )
    small = _words(_SMALL)
    for axes in figure.axes:
        if axes is not last:
            axes.set_xticks([])  # none is shown, and each takes its time
        for tick in (*axes.get_xticklabels(), *axes.get_yticklabels()):
            tick.set_fontproperties(small)


def _plain(axes: Any, inks: Inks) -> None:
    axes.patch.set_alpha(0.0)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.tick_params(length=0, labelcolor=inks.soft, pad=1.5)
    axes.tick_params(axis="x", labelbottom=False)


def _plot(axes: Any, line: Line, inks: Inks, *, large: bool) -> None:
    drawn = thinned(line, _BUCKETS)
    ink = inks.of_role(line.role)
    axes.plot(
        drawn.t_s,
        drawn.value,
        color=ink,
        linewidth=0.9 if large else 0.7,
        solid_joinstyle="round",
        clip_on=False,
    )
    axes.locator_params(axis="y", nbins=5 if large else 2)
    axes.grid(axis="y", color=inks.rule, linewidth=0.4)
    good = drawn.value[np.isfinite(drawn.value)]
    if not good.size:
        return
    low, high = float(np.min(good)), float(np.max(good))
    pad = 0.06 * (high - low) or 0.1 * (abs(high) or 1.0)
    axes.set_ylim(low - pad, high + (3.0 * pad if large else pad))
    end = float(good[-1])
    x = 1.0 + 1.5 / 144.0
    y = (end - low + pad) / (high - low + (4.0 * pad if large else 2.0 * pad))
    axes.text(
        x,
        min(max(y, 0.12), 0.85),
        f"{line.role or line.channel}\n{line.unit}",
        transform=axes.transAxes,
        color=ink,
        fontproperties=_words(_TEXT if large else _SMALL, bold=large),
        verticalalignment="center",
        linespacing=1.15,
    )


def _limits(axes: Any, picture: TracePicture, inks: Inks) -> None:
    spans = {span.step: span for span in picture.spans}
    said: set[str] = set()
    for limit in picture.limits:
        span = spans.get(limit.step)
        if span is None or span.stop_s is None:
            continue
        _limit(axes, limit, span, picture, inks, quiet=limit.words in said)
        said.add(limit.words)


def _limit(
    axes: Any,
    limit: LimitMark,
    span: Span,
    picture: TracePicture,
    inks: Inks,
    *,
    quiet: bool,
) -> None:
    factor = picture.unit.factor
    start, stop = span.start_s, span.stop_s
    if limit.low is not None and limit.high is not None:
        low, high = limit.low / factor, limit.high / factor
        axes.fill_between(
            [start, stop], low, high, color=inks.conforms, alpha=0.18, lw=0
        )
        axes.hlines([low, high], start, stop, color=inks.conforms, linewidth=0.6)
        at, ink, side = low, inks.conforms, "top"
    elif limit.high is not None:
        at, ink, side = limit.high / factor, inks.fails, "bottom"
        bottom, top = axes.get_ylim()
        band = 0.035 * (top - bottom)
        # room for its words above it, however low the panel is
        tall = axes.get_position().height * axes.figure.get_figheight() / _MM
        share = min(_WORDS_MM / tall, 0.5)
        needed = (at + 1.3 * band - share * bottom) / (1.0 - share)
        if needed > top:
            axes.set_ylim(bottom, needed)
        axes.hlines(at, start, stop, color=ink, linewidth=0.9)
        axes.fill_between(
            [start, stop],
            at,
            at + band,
            facecolor="none",
            edgecolor=ink,
            hatch="//////",
            linewidth=0.0,
        )
        at += 1.3 * band
    else:
        return
    if not quiet:
        axes.annotate(
            limit.words,
            (start, at),
            (1.0, -2.0 if side == "top" else 1.0),
            textcoords="offset points",
            fontproperties=_words(_SMALL),
            color=ink,
            verticalalignment=side,
        )


def _sheet(
    axes: Any, spans: Sequence[Span], inks: Inks, end: float, mm_per_s: float
) -> None:
    """Draw the steps under their stretch, each named where its name has room.

    Without room the number stands above its stretch; the last step's name has the room
    beside the sheet.
    """
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    for count, span in enumerate(spans, 1):
        stop = span.stop_s if span.stop_s is not None else end
        axes.broken_barh(
            [(span.start_s, stop - span.start_s)],
            (0.02, 0.96),
            facecolor="none",
            edgecolor=inks.ink if span.done else inks.fails,
            linewidth=0.5,
        )
        wide = (stop - span.start_s) * mm_per_s
        number = str(span.number or count)
        words = f"{number} {span.step}"
        at, side, up, across = (span.start_s + stop) / 2.0, "center", 0.48, "center"
        if wide <= _DIGIT_MM * len(words) + 1.0:
            words = number
        if wide <= _DIGIT_MM * len(number) + 0.4:
            if span is spans[-1]:
                words = f"{number} {span.step}"
                at, side = stop + 0.8 / mm_per_s, "left"
            else:
                up, across = 1.04, "bottom"
        axes.text(
            at,
            up,
            words,
            fontproperties=_words(_SMALL),
            color=inks.ink,
            horizontalalignment=side,
            verticalalignment=across,
        )
