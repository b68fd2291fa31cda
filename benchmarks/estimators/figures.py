"""One figure of the trials, and how a table of them is printed."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from scipy.special import ndtri

_T = TypeVar("_T")
_R = TypeVar("_R")


@dataclass(frozen=True, slots=True)
class Figure:
    """A measured figure, what it should be, and how sure it is.

    Attributes:
        what: cell of the table. value: the figure. unit: shown behind it.
        low, high: its goal; None where open. spread: 95 % interval of the figure.
        how: trials and whatever else a reader has to know.
        beside: figures of another method on the same traces, as text.
    """

    what: str
    value: float
    low: float | None = None
    high: float | None = None
    spread: tuple[float, float] | None = None
    unit: str = ""
    how: str = ""
    beside: str = ""

    @property
    def standing(self) -> str:
        """Return met, missed, open (too few trials to say), or nothing without goal."""
        if self.low is None and self.high is None:
            return ""
        if _inside(self.value, self.value, self.low, self.high):
            return "met"
        if self.spread is not None and _touches(self.spread, self.low, self.high):
            return "open"
        return "missed"


def _inside(a: float, b: float, low: float | None, high: float | None) -> bool:
    return (low is None or a >= low) and (high is None or b <= high)


def _touches(
    spread: tuple[float, float], low: float | None, high: float | None
) -> bool:
    return (low is None or spread[1] >= low) and (high is None or spread[0] <= high)


def share(
    what: str,
    hits: int,
    trials: int,
    *,
    low: float | None = None,
    high: float | None = None,
    how: str = "",
    beside: str = "",
) -> Figure:
    """Return a share in per cent with its 95 % interval.

    Source: E. B. Wilson, JASA 22 (1927) 209.
    """
    if trials == 0:
        return Figure(what, math.nan, None, None, None, "%", "no trial", beside)
    z = float(ndtri(0.975))
    p = hits / trials
    mid = (p + z * z / (2 * trials)) / (1 + z * z / trials)
    half = z / (1 + z * z / trials)
    half *= math.sqrt(p * (1 - p) / trials + z * z / (4 * trials**2))
    spread = (100 * (mid - half), 100 * (mid + half))
    told = f"{hits} of {trials}" + (f", {how}" if how else "")
    return Figure(what, 100 * p, low, high, spread, "%", told, beside)


def table(title: str, figures: Sequence[Figure]) -> str:
    """Return the figures as lines of text, columns aligned."""
    head = ("what", "figure", "95 % interval", "goal", "standing", "how", "beside")
    body = [
        (
            f.what,
            f"{f.value:.3g} {f.unit}".strip(),
            "" if f.spread is None else f"{f.spread[0]:.3g} to {f.spread[1]:.3g}",
            _goal(f),
            f.standing,
            f.how,
            f.beside,
        )
        for f in figures
    ]
    lines = [head, *body]
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    text = "\n".join(
        "  ".join(cell.ljust(w) for cell, w in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )
    return f"{title}\n{text}"


def _goal(f: Figure) -> str:
    if f.low is not None and f.high is not None:
        return f"{f.low:g} to {f.high:g}"
    if f.low is not None:
        return f"at least {f.low:g}"
    return "" if f.high is None else f"at most {f.high:g}"


def ranges() -> dict[str, Any]:
    """Return what the trials draw from."""
    path = Path(__file__).with_name("ranges.toml")
    return tomllib.loads(path.read_text("utf-8"))


def spread_over(
    work: Callable[[_T], _R], tasks: Sequence[_T], jobs: int | None = None
) -> list[_R]:
    """Return the results of tasks in their order, worked on by several processes."""
    if jobs == 1:
        return [work(task) for task in tasks]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(work, tasks, chunksize=max(1, len(tasks) // 64)))
