"""A distribution as a sum of shifted and scaled t distributions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import stdtr, stdtrit

from records.trace import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """A distribution as a sum of shifted and scaled t distributions."""

    weight: FloatArray
    centre: FloatArray
    scale: FloatArray
    dof: float

    def cdf(self, x: float) -> float:
        """Return the probability that the value lies at or below x."""
        return float(self.weight @ stdtr(self.dof, (x - self.centre) / self.scale))

    def quantile(self, p: float) -> float:
        """Return the value below which the probability is p."""
        step = float(stdtrit(self.dof, min(max(p, 1e-12), 1 - 1e-12)))
        ends = self.centre + step * self.scale
        lo, hi = float(ends.min()), float(ends.max())
        if not hi > lo:
            return lo
        # near the same quantile of the terms' own, out to their ends at the farthest
        order = np.argsort(ends, kind="stable")
        share = np.cumsum(self.weight[order])
        near = min(int(np.searchsorted(share, p * share[-1])), order.size - 1)
        guess, wide = float(ends[order[near]]), float(self.scale[order[near]])
        margin = 1e-9 * (hi - lo + float(self.scale.max()))
        below, above = lo - margin, hi + margin
        low, high = max(below, guess - 0.1 * wide), min(above, guess + 0.1 * wide)
        while low > below and self.cdf(low) > p:
            low, high, wide = max(below, low - wide), low, 2.0 * wide
        while high < above and self.cdf(high) < p:
            low, high, wide = high, min(above, high + wide), 2.0 * wide
        return float(
            brentq(
                lambda x: self.cdf(x) - p,
                low,
                high,
                xtol=min(1e-7 * (hi - lo), 1e-5 * wide),
                rtol=1e-12,
            )
        )

    def sd(self) -> float:
        """Return the standard deviation."""
        mean = float(self.weight @ self.centre)
        inside = self.scale**2 * self.dof / (self.dof - 2.0)
        return math.sqrt(float(self.weight @ (inside + (self.centre - mean) ** 2)))

    def condensed(self) -> Mixture:
        """Return the same distribution with like terms put together.

        Terms whose centres lie within a seventh of their scale, and whose scales differ
        by less than a tenth, become one of the same mean and variance.
        """
        rank = np.round(np.log(self.scale) / 0.1)
        place = np.round(self.centre / (0.15 * np.exp(0.1 * rank)))
        order = np.lexsort((place, rank))
        new = np.ones(order.size, dtype=bool)
        new[1:] = (np.diff(rank[order]) != 0) | (np.diff(place[order]) != 0)
        first = np.flatnonzero(new)
        w, c, s = self.weight[order], self.centre[order], self.scale[order]
        weight = np.add.reduceat(w, first)
        centre = np.add.reduceat(w * c, first) / weight
        apart = c - np.repeat(centre, np.diff(np.append(first, order.size)))
        inside = self.dof / (self.dof - 2.0)
        square = np.add.reduceat(w * (s**2 + apart**2 / inside), first) / weight
        return Mixture(weight, centre, np.sqrt(square), self.dof)
