"""The gases we know, by name."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from types import MappingProxyType

import numpy as np

from ..measure import GAS_CONSTANT, STANDARD_TEMPERATURE_K
from .state import (
    Table,
    at_temperature,
    density_along,
    energy_and_heat,
    pressure_along,
    throat_factor,
)
from .table import ROWS, Row


@dataclass(frozen=True, slots=True, eq=False)
class Gas:
    """A gas, and what can be said of it within its temperatures and pressures.

    Attributes:
        name: as a job card has it. molar_mass: kg/mol.
        lowest_k, highest_k, highest_pa: where the facts hold, absolute pressure.
        viscosity: at 293.15 K and low pressure, Pa s; it grows as temperature to the
            power ``viscosity_power``.
        residual, heat, density_scale: see :mod:`records.gas.state`.
        throat: see :func:`~records.gas.state.throat_factor`.
    """

    name: str
    molar_mass: float
    lowest_k: float
    highest_k: float
    highest_pa: float
    viscosity: float
    viscosity_power: float
    density_scale: float
    residual: Table = field(repr=False)
    heat: Table = field(repr=False)
    throat: tuple[float, float]

    @property
    def gas_constant(self) -> float:
        """R over molar mass, J/(kg K)."""
        return GAS_CONSTANT / self.molar_mass

    @property
    def gamma(self) -> float:
        """Ratio of heats of the ideal gas at 293.15 K, 1."""
        return 1.0 + self.gas_constant / _standard_cv(self)

    def pressure(self, density: float, temperature_k: float) -> float:
        """Return absolute pressure, Pa, from kg/m3 and K."""
        along = self._along(temperature_k)
        return pressure_along(
            along, self.density_scale, self.gas_constant, density, temperature_k
        )[0]

    def density(
        self, pressure_pa: float, temperature_k: float = STANDARD_TEMPERATURE_K
    ) -> float:
        """Return kg/m3 at an absolute pressure."""
        return density_along(
            self._along(temperature_k),
            self.density_scale,
            self.gas_constant,
            pressure_pa,
            temperature_k,
        )

    def compressibility(
        self, pressure_pa: float, temperature_k: float = STANDARD_TEMPERATURE_K
    ) -> float:
        """Return Z at an absolute pressure, 1."""
        density = self.density(pressure_pa, temperature_k)
        return pressure_pa / (density * self.gas_constant * temperature_k)

    def density_slope(
        self, pressure_pa: float, temperature_k: float = STANDARD_TEMPERATURE_K
    ) -> float:
        """Return how density grows with pressure at one temperature, kg/(m3 Pa)."""
        density = self.density(pressure_pa, temperature_k)
        along = self._along(temperature_k)
        return (
            1.0
            / pressure_along(
                along, self.density_scale, self.gas_constant, density, temperature_k
            )[1]
        )

    def warming_slope(
        self, pressure_pa: float, temperature_k: float = STANDARD_TEMPERATURE_K
    ) -> float:
        """Return how pressure grows with temperature at constant volume, Pa/K."""
        density = self.density(pressure_pa, temperature_k)
        h = 1e-3
        above = self.pressure(density, temperature_k + h)
        below = self.pressure(density, temperature_k - h)
        return (above - below) / (2.0 * h)

    def internal_energy(self, density: float, temperature_k: float) -> float:
        """Return J/kg; zero is the ideal gas at 300 K."""
        return self._all(density, temperature_k)[0]

    def enthalpy(
        self, pressure_pa: float, temperature_k: float = STANDARD_TEMPERATURE_K
    ) -> float:
        """Return J/kg at an absolute pressure; zero as of the internal energy."""
        density = self.density(pressure_pa, temperature_k)
        return self.internal_energy(density, temperature_k) + pressure_pa / density

    def heats(self, density: float, temperature_k: float) -> tuple[float, float]:
        """Return cv and cp, J/(kg K)."""
        _, cv, cp, _ = self._all(density, temperature_k)
        return cv, cp

    def throttled_k(self, from_pa: float, to_pa: float, temperature_k: float) -> float:
        """Return the temperature behind a throttle, K; pressures absolute."""
        wanted = self.enthalpy(from_pa, temperature_k)
        found = temperature_k
        for _ in range(50):
            density = self.density(to_pa, found)
            _, cp = self.heats(density, found)
            step = (wanted - self.enthalpy(to_pa, found)) / cp
            found += step
            if abs(step) < 1e-10:
                break
        return found

    def viscosity_at(self, temperature_k: float) -> float:
        """Return Pa s at low pressure."""
        share = temperature_k / STANDARD_TEMPERATURE_K
        return self.viscosity * math.pow(share, self.viscosity_power)

    def throat_factor(self, pressure_pa: float) -> float:
        """Return how much more a choked throat passes than of the ideal gas, 1."""
        return throat_factor(*self.throat, pressure_pa)

    def _along(self, temperature_k: float) -> Table:
        along = np.empty(len(self.residual))
        at_temperature(self.residual, temperature_k, along)
        return along

    def _all(
        self, density: float, temperature_k: float
    ) -> tuple[float, float, float, float]:
        return energy_and_heat(
            self.residual,
            self.heat,
            self.density_scale,
            self.gas_constant,
            density,
            temperature_k,
        )


@cache
def _standard_cv(gas: Gas) -> float:
    """Return the ideal gas's heat at 293.15 K, once: valves ask for it at each turn."""
    return gas.heats(0.0, STANDARD_TEMPERATURE_K)[0]


def _gas(name: str, row: Row) -> Gas:
    residual = np.array(row["residual"])
    heat = np.array(row["heat"])
    for table in (residual, heat):
        table.flags.writeable = False
    return Gas(
        name=name,
        molar_mass=row["molar_mass"],
        lowest_k=row["lowest_k"],
        highest_k=row["highest_k"],
        highest_pa=row["highest_pa"],
        viscosity=row["viscosity"],
        viscosity_power=row["viscosity_power"],
        density_scale=row["density_scale"],
        residual=residual,
        heat=heat,
        throat=row["throat"],
    )


GASES: Mapping[str, Gas] = MappingProxyType(
    {name: _gas(name, row) for name, row in ROWS.items()}
)
