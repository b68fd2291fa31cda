"""Scales: which stretch of time and pressure a picture shows, and its grid lines."""

from __future__ import annotations

import math
from collections.abc import Sequence

from .screen import Range

_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_OVER = 0.12  # how far a value may reach over the last grid line, in their distances
MANY_S = 600.0
LEAD_S = 10.0
SHORTEST_S = 45.0
LONGEST_S = 120.0


def nice_step(span: float, lines: int) -> float:
    """Return a round distance that gives about so many lines over a span."""
    rough = span / max(lines, 1)
    size = 10.0 ** math.floor(math.log10(rough))
    return next(s * size for s in _STEPS if s * size >= 0.999 * rough)


def pressure_range(low: float, high: float, least: float, lines: int) -> Range:
    """Return a scale over values, widened to round ends.

    Args:
        low: lowest value that has to be on it.
        high: highest value that has to be on it.
        least: the smallest span shown.
        lines: about how many grid lines.
    """
    middle, span = 0.5 * (low + high), high - low
    if span < least:
        low, high = middle - 0.5 * least, middle + 0.5 * least
    step = nice_step(high - low, lines)
    first = math.floor(low / step + _OVER)
    last = max(math.ceil(high / step - _OVER), first + 1)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    if abs(step * 10**decimals - round(step * 10**decimals)) > 1e-6:
        decimals += 1
    ticks = tuple(
        (n * step, f"{n * step + 0.0:.{decimals}f}".replace("-", "\u2212"))
        for n in range(first, last + 1)
    )
    return Range(low=first * step, high=last * step, ticks=ticks)


def staggered(
    boxes: Sequence[tuple[float, float]],
    wides: Sequence[float],
    ends: tuple[float, float],
) -> tuple[tuple[int, float], ...]:
    """Return where names stand so that each can be read, whatever their boxes' width.

    Args:
        boxes: both ends of each box, in order, pixels.
        wides: how much room each name takes.
        ends: no name begins before the first or ends after the second.

    Returns:
        For each name its row and left end. Row 0 is inside the box; a name that does
        not fit there goes beneath, into the first row where it meets no other name,
        and no line that leads down to one if that can be.
    """
    places: list[tuple[int, float]] = []
    rows: list[list[tuple[float, float]]] = []
    leads: list[tuple[float, int]] = []
    for (start, stop), wide in zip(boxes, wides, strict=True):
        if wide <= stop - start:
            places.append((0, start))
            continue
        middle = 0.5 * (start + stop)
        x = max(min(middle - 0.5 * wide, ends[1] - wide), ends[0])
        free = [
            i
            for i in range(len(rows) + 1)
            if i == len(rows) or not any(a < x + wide and x < b for a, b in rows[i])
        ]
        clear = [
            i
            for i in free
            if not any(x < at < x + wide for at, deep in leads if deep > i)
            and not any(a < middle < b for above in rows[:i] for a, b in above)
        ]
        row = (clear or free)[0]
        if row == len(rows):
            rows.append([])
        rows[row].append((x, x + wide))
        leads.append((middle, row))
        places.append((row + 1, x))
    return tuple(places)


def clock(seconds: float) -> str:
    """Return a time as minutes and seconds."""
    whole = max(round(seconds), 0)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    if hours:
        return f"{hours}:{minutes:02d}:{left:02d}"
    return f"{minutes}:{left:02d}"


def span_words(seconds: float) -> str:
    """Return a length of time in words: seconds, or minutes where they are many."""
    return f"{seconds:.0f} s" if seconds <= MANY_S else f"{clock(seconds)} min"


def time_ticks(from_s: float, to_s: float) -> tuple[tuple[float, str], ...]:
    """Return round times within a stretch, with their labels."""
    span = max(to_s - from_s, 1.0)
    wanted = (5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0)
    step = next(
        (s for s in wanted if span / s <= 8.0), 3600.0 * math.ceil(span / 28800)
    )
    first = math.ceil(from_s / step - 1e-9)
    return tuple(
        (n * step, clock(n * step)) for n in range(first, int(to_s / step) + 1)
    )


def time_window(
    now_s: float, step_s: float, hold: tuple[float, float] | None
) -> tuple[float, float]:
    """Return which stretch to show: the hold that is on to its end, or the last while.

    Args:
        now_s: latest reading.
        step_s: when the step that is on began.
        hold: start and length of the hold that is on, or None.
    """
    if hold is not None:
        start, seconds = hold
        lead = min(max(0.12 * seconds, 4.0), LEAD_S + 5.0)
        return max(start - lead, 0.0), max(start + seconds, now_s) + 0.02 * seconds
    start = max(step_s - LEAD_S, now_s - LONGEST_S, 0.0)
    stop = max(start + SHORTEST_S, now_s + 0.06 * (now_s - start))
    return start, stop
