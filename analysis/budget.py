"""Uncertainty budgets: lines put together, degrees of freedom, coverage.

Source: JCGM 100:2008 (GUM), 5.1.2, 5.2.2 (correlated inputs), G.4.1
(Welch-Satterthwaite) and G.3. Correlated lines count as one component of variance in
the sum of Welch and Satterthwaite: R. Willink, "A generalization of the
Welch-Satterthwaite formula for use with correlated uncertainty components", Metrologia
44 (2007) 340.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from scipy.optimize import brentq
from scipy.special import ndtr, ndtri, stdtrit

from records.judgement import BudgetLine, Shape

_MANY = 1e6
_RULES = 0.5  # share of u below which a rectangle changes nothing that counts


@dataclass(frozen=True, slots=True)
class Combined:
    """A combined standard uncertainty.

    Attributes:
        u: combined standard uncertainty. dof: None when infinite.
        rectangular: the largest share of one rectangular line in u, 0 to 1.
    """

    u: float
    dof: float | None
    rectangular: float = 0.0

    def factor(self, coverage: float = 0.95) -> float:
        """Return the coverage factor k of a two-sided interval.

        Student's t; less where one rectangular line rules, and the other lines, each
        widened for its own few degrees of freedom, leave the interval narrower.
        """
        k = coverage_factor(self.dof, coverage)
        if self.rectangular < _RULES:
            return k
        rest = 1.0 - self.rectangular**2
        if rest > 0.0 and self.dof is not None:
            # the rectangle itself is known: all degrees of freedom are the others'
            normal = coverage_factor(None, coverage)
            rest *= (coverage_factor(self.dof * rest**2, coverage) / normal) ** 2
        wide = math.sqrt(self.rectangular**2 + rest)
        narrow = form_factor(self.rectangular / wide, coverage) * wide
        return min(k, coverage_factor(None, coverage) * narrow)

    def expanded(self, coverage: float = 0.95) -> float:
        """Return half the width of the symmetric interval of that coverage."""
        return self.factor(coverage) * self.u


def combine(lines: Iterable[BudgetLine]) -> Combined:
    """Return the combined uncertainty of a budget.

    Lines of one group (other than "") are fully correlated: their contributions add
    with their signs. Lines may name a coefficient with others. What is correlated
    counts as one component, with the fewest degrees of freedom of its lines.

    Raises:
        ValueError: coefficients of correlation that can't all be true.
    """
    all_lines = list(lines)
    total = 0.0
    weighted = 0.0
    widest = 0.0
    for members in correlated_sets(all_lines):
        part = _variance(members)
        finite = [line.dof for line in members if line.dof is not None]
        total += part
        if len(members) == 1 and members[0].shape is Shape.RECTANGULAR:
            widest = max(widest, part)
        if finite and part != 0.0:
            # squares of squares run out of floating point for leaks of 1e-80
            weighted += part**2 / min(finite)
    if total == 0.0:
        return Combined(0.0, None)
    dof = total**2 / weighted if weighted > 0.0 else None
    if dof is not None and dof > _MANY:
        dof = None
    return Combined(math.sqrt(total), dof, math.sqrt(widest / total))


def correlation(first: BudgetLine, second: BudgetLine) -> float:
    """Return the coefficient of correlation of two different lines' inputs."""
    if first.group and first.group == second.group:
        return 1.0
    named = dict(first.correlated).get(second.source)
    return named or dict(second.correlated).get(first.source, 0.0)


def correlated_sets(lines: Sequence[BudgetLine]) -> list[list[BudgetLine]]:
    """Return the lines in sets: those of one set are correlated, sets are not."""
    sets: list[list[BudgetLine]] = []
    for line in lines:
        bound = [s for s in sets if any(correlation(line, x) for x in s)]
        joined = [x for s in bound for x in s]
        sets = [s for s in sets if s not in bound]
        sets.append([*joined, line])
    return sets


def _variance(members: Sequence[BudgetLine]) -> float:
    """Return the variance of the sum of correlated lines (JCGM 100, 5.2.2)."""
    parts = [line.u * line.sensitivity for line in members]
    squares = sum(part**2 for part in parts)
    total = squares
    for i, first in enumerate(members):
        for j in range(i):
            r = correlation(first, members[j])
            if not -1.0 <= r <= 1.0:
                raise ValueError(f"a coefficient of correlation of {r}")
            total += 2.0 * r * parts[i] * parts[j]
    if total < -1e-9 * squares:
        raise ValueError("these coefficients of correlation can't all be true")
    # equal and opposite parts leave nothing but rounding
    return 0.0 if total < 1e-14 * squares else total


def coverage_factor(dof: float | None, coverage: float = 0.95) -> float:
    """Return k of a two-sided interval, from Student's t with dof not rounded up."""
    whole = _MANY if dof is None else max(1.0, math.floor(dof + 1e-9))
    return float(stdtrit(whole, 0.5 + 0.5 * coverage))


def form_factor(rectangular: float, coverage: float = 0.95) -> float:
    """Return the width of a rectangle and a normal put together, over the normal's.

    A budget that one rectangular line rules does not spread as far as a normal one of
    the same u. The two are convolved exactly (JCGM 101:2008, 5.2; the rectangle's k of
    1.65 for 95 %: EA-4/02 M:2013, S9.14).

    Args:
        rectangular: share of the rectangular line in the combined u, 0 to 1.
        coverage: of the interval.
    """
    normal = float(ndtri(0.5 + 0.5 * coverage))
    if rectangular < 0.3:
        return 1.0  # within 1 part in 1000
    a = math.sqrt(3.0) * min(rectangular, 1.0)
    s = math.sqrt(max(0.0, 1.0 - rectangular**2))
    if s < 1e-3:
        return coverage * a / normal

    def area(x: float) -> float:
        """Return the integral of the normal's distribution function up to x."""
        z = x / s
        bell = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
        return x * float(ndtr(z)) + s * bell

    def beyond(x: float) -> float:
        inside = (area(x + a) - area(x - a)) / (2.0 * a)
        return inside - (0.5 + 0.5 * coverage)

    return float(brentq(beyond, 0.0, a + 9.0 * s)) / normal


def shares(lines: Sequence[BudgetLine]) -> tuple[float, ...]:
    """Return each line's share of the combined variance, in their order; they add to 1.

    Of correlated lines a share may be below 0: it takes away what another one brings.
    """
    parts = [line.u * line.sensitivity for line in lines]
    brought = [
        part
        * sum(
            other * (1.0 if i == j else correlation(lines[i], lines[j]))
            for j, other in enumerate(parts)
        )
        for i, part in enumerate(parts)
    ]
    total = sum(brought)
    return tuple(b / total if total > 0.0 else 0.0 for b in brought)
