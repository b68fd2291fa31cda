"""The job card: which regulator, from whom, and what was said of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from .measure import Quantity

FORMAT = "proofstand.job/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Nameplate:
    """What is stamped on the regulator; pressures gauge."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    inlet_max: Quantity | None = None
    outlet_min: Quantity | None = None
    outlet_max: Quantity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Regulator:
    """The regulator under test, as stamped."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    serial: str
    model: str
    family: str
    gas: str
    nameplate: Nameplate = Nameplate()


@dataclass(frozen=True, slots=True, kw_only=True)
class JobCard:
    """One job: regulator, sender's statement, test gas, person, set pressure asked.

    Attributes:
        set_pressure: asked for by the customer; used where a plan says ``"job"``.
        purged: the sender states that it was purged and is neither toxic nor corrosive.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    id: str
    regulator: Regulator
    test_gas: str = "nitrogen"
    last_service: str = ""
    purged: bool = False
    set_pressure: Quantity | None = None
    mounting: str = ""
    technician: str = ""
    notes: str = ""
