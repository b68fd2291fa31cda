"""How old a regulator, how often rebuilt, how old its new rubber: the shop's limits.

Where the shop has stated none, ours stand in and only warn. Ours are shop defaults:
common practice, no source; makers and local rules state their own.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any, ClassVar

FORMAT = "proofstand.work-limits/1"
ANY_FAMILY = "any"


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkLimit:
    """The limits of one family, or of ``any`` that is not named; None: no limit.

    Attributes:
        most_years: from the day it was made. most_rebuilds: counting this one.
        rubber_years: from the cure date of what is fitted.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    family: str
    most_years: int | None = None
    most_rebuilds: int | None = None
    rubber_years: int | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkLimits:
    """The shop's list."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    families: tuple[WorkLimit, ...] = ()

    def of(self, family: str) -> WorkLimit | None:
        """Return the limits of a family, or None where the list states none."""
        named = {each.family: each for each in self.families}
        return named.get(family, named.get(ANY_FAMILY))


DEFAULT = WorkLimit(
    family=ANY_FAMILY,
    most_years=20,
    most_rebuilds=3,
    rubber_years=10,
    source="shop default",
)


def years_after(day: datetime.date, years: int) -> datetime.date:
    """Return the same day so many years later; of 29 February the day before March."""
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return day.replace(year=day.year + years, day=28)
