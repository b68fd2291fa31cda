"""The job card: which regulator, from whom, and what was said of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from .measure import Quantity

FORMAT = "proofstand.job/1"
InletActs = Literal["opening", "closing", "balanced"]
# Which way the inlet's pressure pushes the seat, by family; a card may say otherwise.
# Common practice, no source. A second stage behind a first one hardly sees the inlet.
INLET_ACTS: dict[str, InletActs] = {
    "second-stage": "opening",
    "first-stage": "opening",
    "line": "opening",
    "service": "opening",
    "cylinder-1": "closing",
    "cylinder-2": "balanced",
    "oxygen": "closing",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Nameplate:
    """What is stamped on the regulator; pressures gauge."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    inlet_max: Quantity | None = None
    outlet_min: Quantity | None = None
    outlet_max: Quantity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Regulator:
    """The regulator under test, as stamped.

    Attributes:
        inlet_acts: which way the inlet's pressure pushes the seat; None: as most of
            its family, see ``INLET_ACTS``.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    serial: str
    model: str
    family: str
    gas: str
    nameplate: Nameplate = Nameplate()
    inlet_acts: InletActs | None = None

    @property
    def pushed(self) -> InletActs | None:
        """Which way the inlet's pressure pushes the seat, None where nothing says."""
        return self.inlet_acts or INLET_ACTS.get(self.family)


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
