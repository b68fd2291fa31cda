"""Who may work on which gas: the shop's list.

A list of names for the job card. Keys, roles and signatures are no part of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from .materials import gas_named

FORMAT = "proofstand.people/1"
ANY_GAS = "any"


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """A person and the gases that the shop lets them work on; ``any`` for all."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    name: str
    gases: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class People:
    """The shop's list of people."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    people: tuple[Person, ...] = ()

    def may(self, name: str, gas: str) -> bool:
        """Tell whether the list lets a person work on a gas."""
        wanted = _plain(name)
        for person in self.people:
            if _plain(person.name) == wanted:
                gases = {gas_named(each) for each in person.gases}
                if ANY_GAS in gases or gas_named(gas) in gases:
                    return True
        return False


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()
