"""What a leak of a service gas needs: how thick, how heavy, and when it condenses."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..measure import STANDARD_TEMPERATURE_K
from .facts import GASES
from .vapour_table import LOWEST_K, OTHERS, VAPOURS


@dataclass(frozen=True, slots=True)
class ServiceGas:
    """A gas that a regulator may serve.

    Attributes:
        molar_mass: kg/mol. viscosity: at 293.15 K and low pressure, Pa s; it grows as
            temperature to the power ``viscosity_power``. gamma: ratio of heats of the
            ideal gas.
    """

    name: str
    molar_mass: float
    viscosity: float
    viscosity_power: float
    gamma: float

    def viscosity_at(self, temperature_k: float) -> float:
        """Return Pa s at low pressure."""
        share = temperature_k / STANDARD_TEMPERATURE_K
        return self.viscosity * math.pow(share, self.viscosity_power)


def service_gases() -> tuple[str, ...]:
    """Return the names of the gases that are known."""
    return tuple(sorted({*GASES, *OTHERS}))


def service_gas(name: str) -> ServiceGas | None:
    """Return a gas by its name on a job card, or None."""
    key = " ".join(name.lower().split())
    known = GASES.get(key)
    if known is not None:
        return ServiceGas(
            key,
            known.molar_mass,
            known.viscosity,
            known.viscosity_power,
            known.gamma,
        )
    row = OTHERS.get(key)
    return None if row is None else ServiceGas(key, *row)


def vapour_pressure(name: str, temperature_k: float) -> float | None:
    """Return the absolute pressure at which a gas condenses, Pa; None: it does not.

    Above its critical temperature, or where it is none that a bench could condense.
    Below the table's lowest temperature the pressure at that one is returned.
    """
    row = VAPOURS.get(name)
    if row is None:
        return None
    critical_k, critical_pa, *found = row
    if temperature_k >= critical_k:
        return None
    kelvin = max(temperature_k, LOWEST_K)
    x = 1.0 - kelvin / critical_k
    total = sum(
        n * x**power for n, power in zip(found, (1.0, 1.5, 2.5, 5.0), strict=True)
    )
    return critical_pa * math.exp(total * critical_k / kelvin)
