"""What may touch which gas: seals and lubricants, and parts that are never kept.

Common practice, no source: a short list that catches the usual mistakes. It clears
nothing: what it does not name is not thereby suited.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from .gas.names import FUELS, OXIDISERS
from .gas.names import gas_named as gas_named
from .gas.names import is_oxidiser as is_oxidiser

Grade = Literal["stop", "warn"]
Seal = Literal[
    "nitrile",
    "natural rubber",
    "neoprene",
    "EPDM",
    "fluoroelastomer",
    "silicone rubber",
    "polyurethane",
    "polyamide",
    "PTFE",
    "other",
]
Lubricated = Literal["hydrocarbon", "silicone", "perfluorinated", "other", "none"]
SEALS: tuple[str, ...] = get_args(Seal)
LUBRICANTS: tuple[str, ...] = get_args(Lubricated)

_SMALL = frozenset({"hydrogen", "helium"})
SOURCE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Doubt:
    """A material that is not suited to some gases.

    Attributes:
        grade: ``stop``, or ``warn`` where it depends on pressure and grade.
        why: id of its sentence in the words.
    """

    material: str
    gases: frozenset[str]
    grade: Grade
    why: str


_SEAL_DOUBTS = (
    Doubt("natural rubber", OXIDISERS, "warn", "burns"),
    Doubt("nitrile", OXIDISERS, "warn", "burns"),
    Doubt("neoprene", OXIDISERS, "warn", "burns"),
    Doubt("polyurethane", OXIDISERS, "warn", "burns"),
    Doubt("polyamide", OXIDISERS, "warn", "burns"),
    Doubt("natural rubber", FUELS, "warn", "swells"),
    Doubt("EPDM", FUELS, "warn", "swells"),
    Doubt("silicone rubber", FUELS | _SMALL, "warn", "lets_through"),
    Doubt("fluoroelastomer", frozenset({"ammonia"}), "stop", "attacked"),
)
_LUBRICANT_DOUBTS = (
    Doubt("hydrocarbon", OXIDISERS, "stop", "burns"),
    Doubt("silicone", OXIDISERS, "warn", "not_for_oxygen"),
    Doubt("other", OXIDISERS, "stop", "not_known"),
    Doubt("hydrocarbon", FUELS, "warn", "washed_out"),
)

# Parts that no rebuild keeps, by family; a kit's list on the card adds to them.
MUST_REPLACE: Mapping[str, tuple[str, ...]] = {
    "second-stage": ("valve disc", "back cap gasket"),
    "first-stage": ("valve disc", "back cap gasket"),
    "line": ("valve disc",),
    "service": ("valve disc",),
    "cylinder-1": ("valve seat",),
    "cylinder-2": ("valve seat",),
    "oxygen": ("valve seat", "inlet filter"),
}


def seal_doubt(material: str, gas: str) -> Doubt | None:
    """Return what speaks against a seal of this material in a gas, or None."""
    return _found(_SEAL_DOUBTS, material, gas)


def lubricant_doubt(kind: str, gas: str) -> Doubt | None:
    """Return what speaks against a lubricant of this kind in a gas, or None."""
    return _found(_LUBRICANT_DOUBTS, kind, gas)


def _found(doubts: tuple[Doubt, ...], material: str, gas: str) -> Doubt | None:
    name = gas_named(gas)
    return next((d for d in doubts if d.material == material and name in d.gases), None)
