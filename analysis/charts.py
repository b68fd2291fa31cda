"""Charts of one value after another, shares, and what fails most often.

A chart's limits are where chance seldom takes a steady process. They are no limits of
a plan, and decide no verdict.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals and moving
range), 6.3.2.4 (exponentially weighted moving average), 7.2.4.1 (share of a few).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from records.trace import FloatArray

# Of two values after one another: mean range over standard deviation, and what the
# range's upper limit is of its mean (e-Handbook, 6.3.2.1 and 6.3.2.2).
D2 = 1.128
D4 = 3.267
SIGMAS = 3.0
WEIGHT = 0.2
# Fewer say nothing about how a process moves by itself: common practice, no source.
FEWEST = 8
_Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """Values against where chance seldom takes them.

    Attributes:
        value: shape (n,), what is drawn, in the unit of what was given.
        centre: where they should lie. low, high: shape (n,), the limits; NaN where
            fewer than two values are to tell them.
        outside: indices of the values beyond them, in order.
        firm: there were enough values for the limits to mean something.
    """

    value: FloatArray
    centre: float
    low: FloatArray
    high: FloatArray
    outside: tuple[int, ...]
    firm: bool


def _finite(value: ArrayLike) -> FloatArray:
    found = np.asarray(value, dtype=np.float64)
    if found.ndim != 1 or not np.all(np.isfinite(found)):
        raise ValueError("a chart is of numbers, one after another")
    return found


def _chart(
    value: FloatArray, centre: float, low: FloatArray, high: FloatArray, n: int
) -> Chart:
    # a value that lies on its limit but for the last digit is not beyond it
    slack = 1e-12 * max(abs(centre), float(np.max(np.abs(value), initial=0.0)))
    beyond = np.flatnonzero((value < low - slack) | (value > high + slack))
    return Chart(value, centre, low, high, tuple(beyond.tolist()), n >= FEWEST)


def moving_ranges(value: ArrayLike) -> FloatArray:
    """Return how far each value lies from the one before it, shape (n - 1,)."""
    return np.abs(np.diff(_finite(value)))


def spread(value: ArrayLike) -> float:
    """Return the standard deviation by the mean moving range; 0 for fewer than two."""
    ranges = moving_ranges(value)
    return float(np.mean(ranges)) / D2 if ranges.size else 0.0


def individuals(value: ArrayLike, known: int | None = None) -> Chart:
    """Return the chart of single values.

    Args:
        value: shape (n,), in time order, any one unit.
        known: the first so many say where the limits are; None: all of them.

    Raises:
        ValueError: a value is no finite number.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
    """
    found = _finite(value)
    base = found if known is None else found[:known]
    centre = float(np.mean(base)) if base.size else 0.0
    sigma = spread(base) if base.size > 1 else math.nan
    reach = np.full(found.size, SIGMAS * sigma)
    return _chart(found, centre, centre - reach, centre + reach, base.size)


def ranges(value: ArrayLike, known: int | None = None) -> Chart:
    """Return the chart of moving ranges; its point i lies between values i and i + 1.

    Args, raises and source: see :func:`individuals`.
    """
    found = moving_ranges(value)
    base = found if known is None else found[: max(known - 1, 0)]
    centre = float(np.mean(base)) if base.size else 0.0
    known_some = base.size > 0  # two values: one step between them
    low = np.full(found.size, 0.0 if known_some else math.nan)
    high = np.full(found.size, D4 * centre if known_some else math.nan)
    return _chart(found, centre, low, high, base.size + 1)


def averages(
    value: ArrayLike,
    *,
    weight: float = WEIGHT,
    centre: float | None = None,
    sigma: float | None = None,
    known: int | None = None,
) -> Chart:
    """Return the chart of the exponentially weighted moving average.

    It sees a small lasting shift sooner than single values do.

    Args:
        value: shape (n,), in time order, any one unit.
        weight: of the newest value, above 0 and at most 1.
        centre: where values should lie; None takes their mean.
        sigma: standard deviation of a value; None takes it from the moving ranges.
        known: the first so many say centre and deviation; None: all of them.

    Raises:
        ValueError: a value is no finite number, or the weight is out of its range.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4, with the variance
    of the first points as it is, not as it becomes.
    """
    if not 0.0 < weight <= 1.0:
        raise ValueError("the weight lies above 0 and at most at 1")
    found = _finite(value)
    base = found if known is None else found[:known]
    if centre is None:
        centre = float(np.mean(base)) if base.size else 0.0
    if sigma is None:
        sigma = spread(base) if base.size > 1 else math.nan
    mean, averaged = centre, np.empty(found.size)
    for i, one in enumerate(found):
        mean = weight * float(one) + (1.0 - weight) * mean
        averaged[i] = mean
    passed = np.arange(1, found.size + 1)
    share = weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * passed))
    reach = SIGMAS * sigma * np.sqrt(share)
    return _chart(averaged, centre, centre - reach, centre + reach, base.size)


@dataclass(frozen=True, slots=True)
class Share:
    """How many of so many, with a 95 % interval.

    Attributes:
        of: how many there were. value: the share, or None of none.
    """

    count: int
    of: int
    value: float | None
    low: float
    high: float


def share(count: int, of: int) -> Share:
    """Return a share with the interval that few tries leave open (Wilson's).

    Raises:
        ValueError: more than there were.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1.
    """
    if not 0 <= count <= of:
        raise ValueError(f"{count} of {of}")
    if of == 0:
        return Share(0, 0, None, 0.0, 1.0)
    p, z2 = count / of, _Z95 * _Z95
    middle = (p + z2 / (2.0 * of)) / (1.0 + z2 / of)
    half = _Z95 * math.sqrt(p * (1.0 - p) / of + z2 / (4.0 * of * of)) / (1.0 + z2 / of)
    low = 0.0 if count == 0 else middle - half
    high = 1.0 if count == of else middle + half
    return Share(count, of, p, low, high)


@dataclass(frozen=True, slots=True)
class Often:
    """One cause among many.

    Attributes:
        count: how often. part: of all, from the commonest down to this one.
    """

    what: str
    count: int
    part: float


def commonest(counts: Mapping[str, int] | Iterable[str]) -> Sequence[Often]:
    """Return causes from the commonest down, each with the part that they make up.

    What is as common stands in the order of its name.
    """
    if not isinstance(counts, Mapping):
        tallied: dict[str, int] = {}
        for one in counts:
            tallied[one] = tallied.get(one, 0) + 1
        counts = tallied
    whole = sum(counts.values())
    found, summed = [], 0
    for what, count in sorted(counts.items(), key=lambda each: (-each[1], each[0])):
        summed += count
        found.append(Often(what, count, summed / whole if whole else 0.0))
    return found
