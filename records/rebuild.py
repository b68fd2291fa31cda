"""The record of a rebuild: parts, lubricants, torques, cleaning."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from .materials import Lubricated, Seal
from .measure import Quantity

Done = Literal["replaced", "reused"]


def same_part(one: str, other: str) -> bool:
    """Tell whether two names mean one part: case, hyphens and blanks don't count."""
    return _bare(one) == _bare(other)


def _bare(name: str) -> str:
    return "".join(sign for sign in name.casefold() if sign.isalnum())


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part: replaced from a kit and lot, or reused after inspection.

    Attributes:
        material: of a seal, diaphragm or disc; None where it is none or not known.
        inspected: of a reused one, looked at and clean.
        serial: of a batch, the regulator that it is of; "" for all of them.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    name: str
    done: Done
    kit: str = ""
    lot: str = ""
    material: Seal | None = None
    inspected: bool = False
    note: str = ""
    serial: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lubricant:
    """A grease or oil that was used, and where."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    name: str
    kind: Lubricated
    lot: str = ""
    where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Torque:
    """What was tightened, how far, in which order, with which wrench.

    Attributes:
        torque: N·m inside; what was typed stays.
        wrench: the shop's number for it. wrench_due: last day of its calibration.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    what: str
    torque: Quantity
    sequence: str = ""
    wrench: str = ""
    wrench_due: datetime.date | None = None
    note: str = ""
    serial: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleaning:
    """Cleaning for oxygen: how, by whom, when."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    how: str = ""
    by: str = ""
    date: datetime.date | None = None

    @property
    def told(self) -> bool:
        """Whether it says how, by whom and when."""
        return bool(self.how and self.by and self.date)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebuild:
    """What was done to it.

    Attributes:
        kit, lot: the repair kit, where one was used for all.
        kit_replaces: parts that the kit's list says must be replaced.
        keep_until: last day on which the kit's rubber may be fitted.
        cured: cure date of its oldest rubber, the first day that it may stand for.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    by: str = ""
    date: datetime.date | None = None
    kit: str = ""
    lot: str = ""
    kit_replaces: tuple[str, ...] = ()
    keep_until: datetime.date | None = None
    cured: datetime.date | None = None
    parts: tuple[Part, ...] = ()
    lubricants: tuple[Lubricant, ...] = ()
    torques: tuple[Torque, ...] = ()
    cleaning: Cleaning | None = None

    def part(self, name: str) -> Part | None:
        """Return what became of a part, or None; what was written last counts."""
        found = [each for each in self.parts if same_part(each.name, name)]
        return found[-1] if found else None
