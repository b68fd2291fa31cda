"""A finding from run to run as a picture: single values, ranges, averages.

For export, as SVG or PNG. Values that chance seldom gives are ringed and named, so that
they are told without colour too.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from . import library  # noqa: F401  # isort: skip  # before matplotlib

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.ticker import ScalarFormatter

from records.trace import FloatArray

from .inks import FONT_FILES, Inks, fonts_folder

_WIDE_IN, _TALL_IN, _DOTS = 9.0, 6.2, 150
_MOST_NAMES = 30


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Panel:
    """One chart, in the unit that it is shown in.

    Attributes:
        title: of the panel. unit: of its values, with the reference.
        at, value: shape (n,), place along the axis and value.
        span: shape (n, 2), each value's 95 % interval, NaN where none; or None.
        centre, low, high: where values should lie and where chance seldom takes them;
            the limits of shape (n,). outside: indices of values beyond them.
        least, most: a plan's limits, None where there is none.
    """

    title: str
    unit: str
    at: FloatArray
    value: FloatArray
    span: FloatArray | None = None
    centre: float
    low: FloatArray
    high: FloatArray
    outside: tuple[int, ...]
    least: float | None = None
    most: float | None = None


def chart_picture(
    panels: Sequence[Panel],
    names: Sequence[str],
    title: str,
    inks: Inks,
    kind: str,
    *,
    size_in: tuple[float, float] | None = None,
    dots: float | None = None,
) -> bytes:
    """Return charts one above another as a picture.

    Args:
        panels: from the top down.
        names: of what stands along the axis, one for each place from 0 on.
        title: above all.
        inks: to draw with.
        kind: ``svg`` or ``png``.
        size_in: wide and high, inches; None takes that of a page.
        dots: of a PNG to the inch; None takes that of a page.
    """
    settings: dict[Any, Any] = {
        "svg.fonttype": "path",
        "svg.hashsalt": "proofstand",
        "axes.unicode_minus": True,
    }
    with mpl.rc_context(settings):
        figure = Figure(figsize=size_in or (_WIDE_IN, _TALL_IN), layout="constrained")
        (FigureCanvasSVG if kind == "svg" else FigureCanvasAgg)(figure)
        figure.patch.set_facecolor(inks.paper)
        figure.suptitle(
            title,
            fontproperties=_words(10.0, bold=True),
            color=inks.ink,
            x=0.02,
            ha="left",
        )
        heights = [2.0, *([1.0] * (len(panels) - 1))]
        grid = figure.subplots(
            len(panels), 1, sharex=True, squeeze=False, height_ratios=heights
        )
        for axes, panel in zip(grid[:, 0], panels, strict=True):
            _draw(axes, panel, inks)
        _name(grid[-1, 0], names, inks)
        out = io.BytesIO()
        said = {"Date": None, "Creator": None} if kind == "svg" else {"Software": None}
        figure.savefig(out, format=kind, dpi=dots or _DOTS, metadata=said)
    return out.getvalue()


def _words(size: float, *, bold: bool = False) -> FontProperties:
    name = FONT_FILES[1 if bold else 0]
    return FontProperties(fname=str(fonts_folder() / name), size=size)


def _draw(axes: Any, panel: Panel, inks: Inks) -> None:
    axes.set_facecolor(inks.panel)
    for side, spine in axes.spines.items():
        spine.set_visible(side == "left")
        spine.set_color(inks.rule)
    axes.tick_params(length=0, labelcolor=inks.soft)
    axes.grid(axis="y", color=inks.rule, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.margins(y=0.12)
    axes.axhline(panel.centre, color=inks.soft, linewidth=0.9)
    for edge in (panel.low, panel.high):
        axes.plot(panel.at, edge, color=inks.soft, linewidth=0.9, dashes=(5, 3))
    for limit in (panel.least, panel.most):
        if limit is not None:
            axes.axhline(limit, color=inks.fails, linewidth=1.4)
    if panel.span is not None:
        axes.vlines(
            panel.at,
            panel.span[:, 0],
            panel.span[:, 1],
            color=inks.rule,
            linewidth=2.6,
        )
    axes.plot(
        panel.at,
        panel.value,
        color=inks.outlet,
        linewidth=0.8,
        marker="s",
        markersize=3.2,
    )
    beyond = list(panel.outside)
    axes.plot(
        panel.at[beyond],
        panel.value[beyond],
        linestyle="",
        marker="D",
        markersize=10,
        markerfacecolor="none",
        markeredgecolor=inks.fails,
    )
    axes.set_title(
        panel.title, fontproperties=_words(8.5), color=inks.ink, loc="left", pad=3
    )
    axes.set_ylabel(panel.unit, fontproperties=_words(8.0), color=inks.soft)
    # a factor above the axis would be read as a value
    axes.yaxis.set_major_formatter(ScalarFormatter(useOffset=False))
    axes.yaxis.get_major_formatter().set_scientific(False)
    if not panel.value.size:  # as the steps of a single value
        axes.set_yticks([])
    for tick in axes.get_yticklabels():
        tick.set_fontproperties(_words(8.0))


def _name(axes: Any, names: Sequence[str], inks: Inks) -> None:
    step = max(1, -(-len(names) // _MOST_NAMES))
    places = list(range(0, len(names), step))
    axes.set_xticks(places, [names[i] for i in places], rotation=60, ha="right")
    axes.tick_params(axis="x", labelcolor=inks.soft, length=0)
    for tick in axes.get_xticklabels():
        tick.set_fontproperties(_words(7.0))
