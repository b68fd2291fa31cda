"""Uncertainty budgets: lines put together, degrees of freedom, coverage.

Source: JCGM 100:2008 (GUM), 5.1.2, 5.2.2, G.4.1 (Welch-Satterthwaite) and G.3.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from scipy.special import stdtrit

from records.judgement import BudgetLine

_MANY = 1e6


@dataclass(frozen=True, slots=True)
class Combined:
    """A combined standard uncertainty; ``dof`` is None when infinite."""

    u: float
    dof: float | None

    def expanded(self, coverage: float = 0.95) -> float:
        """Return half the width of the symmetric interval of that coverage."""
        return coverage_factor(self.dof, coverage) * self.u


def combine(lines: Iterable[BudgetLine]) -> Combined:
    """Return the combined uncertainty of a budget.

    Lines of one group (other than "") are fully correlated: their contributions add
    with their signs, and the group has the fewest degrees of freedom of its lines.
    """
    groups: dict[str, list[BudgetLine]] = {}
    for number, line in enumerate(lines):
        groups.setdefault(line.group or f" {number}", []).append(line)
    total = 0.0
    weighted = 0.0
    for members in groups.values():
        part = sum(line.u * line.sensitivity for line in members)
        finite = [line.dof for line in members if line.dof is not None]
        total += part**2
        if finite and part != 0.0:
            # squares of squares run out of floating point for leaks of 1e-80
            weighted += (part**2) ** 2 / min(finite)
    if total == 0.0:
        return Combined(0.0, None)
    dof = total**2 / weighted if weighted > 0.0 else None
    return Combined(math.sqrt(total), None if dof is None or dof > _MANY else dof)


def coverage_factor(dof: float | None, coverage: float = 0.95) -> float:
    """Return k of a two-sided interval, from Student's t with dof not rounded up."""
    whole = _MANY if dof is None else max(1.0, math.floor(dof + 1e-9))
    return float(stdtrit(whole, 0.5 + 0.5 * coverage))
