"""What a family of findings hands to the judge: a value, its doubts, its origin."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from records.errors import Reason
from records.judgement import BudgetLine, Evidence

from .budget import Combined, combine
from .rate import LastingRate


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One quantity as found, before it meets a limit.

    Attributes:
        id: of the finding. channel: role.
        value, interval: SI, or None when not measured. u, dof: standard uncertainty.
        lines: the budget.
        missing: why it was not measured, or None.
        trouble: why it decides nothing. doubt: why it may fail but not pass.
        rig: True where it says something of the rig and nothing of the regulator.
        hidden: what may hide part of it, one-sided, added to the upper end before it
            may pass; None where nothing is.
        rate: what it was made from, for looks at a hold that goes on.
        bound: ``lower``: the quantity lies above the interval, no one knows how far;
            ``upper``: below it; "" where the interval holds it.
    """

    id: str
    channel: str
    value: float | None = None
    interval: tuple[float, float] | None = None
    u: float = 0.0
    dof: float | None = None
    lines: tuple[BudgetLine, ...] = ()
    evidence: Evidence = field(default_factory=Evidence)
    missing: Reason | None = None
    trouble: tuple[Reason, ...] = ()
    doubt: tuple[Reason, ...] = ()
    rig: bool = False
    hidden: float | None = None
    rate: LastingRate | None = None
    bound: Literal["", "lower", "upper"] = ""

    def but(
        self, *, trouble: Sequence[Reason] = (), doubt: Sequence[Reason] = ()
    ) -> Estimate:
        """Return the same with further trouble or doubt."""
        return dataclasses.replace(
            self, trouble=(*self.trouble, *trouble), doubt=(*self.doubt, *doubt)
        )


def not_measured(
    id: str, channel: str, why: Reason, evidence: Evidence | None = None
) -> Estimate:
    """Return that a finding was not measured, and why."""
    return Estimate(
        id=id, channel=channel, missing=why, evidence=evidence or Evidence()
    )


def estimated(
    id: str,
    channel: str,
    value: float,
    lines: Sequence[BudgetLine],
    evidence: Evidence,
    *,
    trouble: Sequence[Reason] = (),
    doubt: Sequence[Reason] = (),
    rig: bool = False,
) -> Estimate:
    """Return a finding whose interval is symmetric, from its budget."""
    combined = combine(lines)
    half = combined.expanded()
    return finite(
        Estimate(
            id=id,
            channel=channel,
            value=value,
            interval=(value - half, value + half),
            u=combined.u,
            dof=combined.dof,
            lines=tuple(lines),
            evidence=evidence,
            trouble=tuple(trouble),
            doubt=tuple(doubt),
            rig=rig,
        )
    )


def finite(found: Estimate) -> Estimate:
    """Return the estimate, or that it was not measured where it is no number."""
    numbers = [found.u, *(found.interval or ())]
    if found.value is not None:
        numbers.append(found.value)
    if all(math.isfinite(x) for x in numbers):
        return found
    why = next(
        iter((*found.trouble, *found.doubt)),
        Reason.of("samples_bad", channel=found.channel, share="all"),
    )
    return not_measured(found.id, found.channel, why, evidence=found.evidence)


def widened(
    interval: tuple[float, float], value: float, lines: Sequence[BudgetLine]
) -> tuple[tuple[float, float], Combined]:
    """Return a skew interval with the uncertainty of further lines added in squares."""
    combined = combine(lines)
    extra = combined.expanded()
    low = value - math.hypot(max(0.0, value - interval[0]), extra)
    high = value + math.hypot(max(0.0, interval[1] - value), extra)
    return (low, high), combined
