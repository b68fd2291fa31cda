"""What is looked at when a regulator comes in, and what was seen.

The points are those of common practice, no source.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

Point = Literal[
    "diaphragm",
    "back cap gasket",
    "body",
    "body seat",
    "bonnet",
    "vent",
    "relief valve",
    "shipping plugs",
    "corrosion",
    "foreign matter",
    "leak at bonnet",
    "leak at connections",
]
Result = Literal[
    "good",
    "worn",
    "damaged",
    "missing",
    "not fitted",
    "none",
    "light",
    "heavy",
    "removed",
    "in place",
    "not looked at",
]
_OF_A_PART: tuple[Result, ...] = (
    "good",
    "worn",
    "damaged",
    "missing",
    "not fitted",
    "not looked at",
)
_OF_A_SIGN: tuple[Result, ...] = ("none", "light", "heavy", "not looked at")
_OF_PLUGS: tuple[Result, ...] = ("none", "removed", "in place", "not looked at")
# What can be said of each point, in the order in which they are looked at.
RESULTS_OF: Mapping[Point, tuple[Result, ...]] = {
    "diaphragm": _OF_A_PART,
    "back cap gasket": _OF_A_PART,
    "body": _OF_A_PART,
    "body seat": _OF_A_PART,
    "bonnet": _OF_A_PART,
    "vent": _OF_A_PART,
    "relief valve": _OF_A_PART,
    "shipping plugs": _OF_PLUGS,
    "corrosion": _OF_A_SIGN,
    "foreign matter": _OF_A_SIGN,
    "leak at bonnet": _OF_A_SIGN,
    "leak at connections": _OF_A_SIGN,
}
BROKEN: tuple[Result, ...] = ("damaged", "missing")
# Damaged or missing, these let no pressure be put on a regulator as it came.
_HOLD_PRESSURE: tuple[Point, ...] = (
    *("diaphragm", "back cap gasket", "body", "body seat", "bonnet", "vent"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspected:
    """What was seen at one point.

    Attributes:
        serial: of a batch, the regulator that it is of; "" for all of them.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    point: Point
    result: Result
    note: str = ""
    serial: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """The visual inspection, before any pressure."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    by: str = ""
    date: datetime.date | None = None
    points: tuple[Inspected, ...] = ()

    @property
    def forbids_pressure(self) -> tuple[Point, ...]:
        """The points at which it stands so that no pressure may be put on it."""
        found = [p for p in _HOLD_PRESSURE if self.result(p) in BROKEN]
        if self.result("shipping plugs") == "in place":
            found.append("shipping plugs")
        return tuple(found)

    def result(self, point: Point) -> Result | None:
        """Return what was seen at a point, or None; what was written last counts."""
        seen = [each.result for each in self.points if each.point == point]
        return seen[-1] if seen else None
