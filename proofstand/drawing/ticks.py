"""Round numbers along an axis, and how they are written."""

from __future__ import annotations

import math

_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_CLOSE = 1e-9  # of a step: what rounding leaves


def round_ticks(low: float, high: float, most: int) -> tuple[list[float], int]:
    """Return round numbers between two ends, and how many decimals they need.

    Args:
        low: lower end of the axis, finite.
        high: upper end.
        most: stretches between them at most.
    """
    width = (high - low) / most
    if not width > 0.0:
        return [low], 0
    power = math.floor(math.log10(width))
    step, decimals = 10.0 ** (power + 1), power + 1
    for factor in _STEPS:
        if factor * 10.0**power >= width * (1.0 - _CLOSE):
            step = factor * 10.0**power
            decimals = power - 1 if factor == 2.5 else power
            break
    first = math.ceil(low / step - _CLOSE)
    last = math.floor(high / step + _CLOSE)
    return [n * step for n in range(first, last + 1)], max(0, -decimals)


def tick_text(value: float, decimals: int) -> str:
    """Return a tick's number with a true minus sign, never a negative nought."""
    text = f"{value:.{decimals}f}"
    if not text.strip("-0."):
        text = text.removeprefix("-")
    return text.replace("-", "\N{MINUS SIGN}")
