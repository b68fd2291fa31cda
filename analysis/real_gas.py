"""Amounts of trapped gas at any pressure, and how pressure and temperature move them.

An amount of substance n is told as ``n R T0`` with T0 = 293.15 K: the pressure times
volume that it would have as an ideal gas at 293.15 K, in Pa·m3. A loss of gas in
Pa·m3/s is therefore the molar flow times R T0, whatever pressure it was lost from; of
an ideal gas it is ``V dP/dt T0/T``. Divided by 101 325 Pa it is std m3/s (20 °C).

The gas law is that of ``records.gas`` (equation and coefficients stand there); it is
evaluated here again, on whole arrays, so that an error of the simulator's arithmetic
can't hide in the analysis. It has no jump at any pressure; beyond the pressures that
the coefficients are for it goes on straight. Where the gas is not known it is the ideal
gas. In both cases :meth:`GasLaw.doubt` says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from records.errors import Reason
from records.gas.facts import GASES, Gas
from records.gas.state import SCALE_K
from records.measure import STANDARD_TEMPERATURE_K
from records.trace import FloatArray

# Below this the ideal gas is good enough for gases of the bench that we don't know.
IDEAL_ENOUGH_PA = 2e6


@dataclass(frozen=True, slots=True, eq=False)
class GasLaw:
    """How much of a gas a volume holds.

    Attributes:
        name: of the gas, as the plan has it.
        gas: what is known of it; None takes it as ideal.
    """

    name: str
    gas: Gas | None

    def amount(self, pressure_pa: ArrayLike, temperature_k: float) -> FloatArray:
        """Return the amount in a cubic metre, Pa (``n R T0`` per volume).

        Args:
            pressure_pa: absolute, any shape; below zero (noise about vacuum) is ideal.
            temperature_k: of the gas.
        """
        p = np.asarray(pressure_pa, dtype=np.float64)
        ideal = p * (STANDARD_TEMPERATURE_K / temperature_k)
        if self.gas is None:
            return np.asarray(ideal)
        known = np.minimum(p, self.gas.highest_pa)
        c, scale = self._powers(temperature_k)
        rt = self.gas.gas_constant * temperature_k
        # Newton from the ideal gas: the pressure is a polynomial in density
        x = known / (rt * scale)
        for _ in range(12):
            z, slope = _pressure(c, x)
            step = (known / (rt * scale) - z) / slope
            x = x + step
            if x.size == 0 or float(np.max(np.abs(step))) <= 1e-14 * float(
                np.max(np.abs(x), initial=0.0)
            ):
                break
        found = x * (scale * self.gas.gas_constant * STANDARD_TEMPERATURE_K)
        if np.any(known < p):
            _, slope = _pressure(c, x)
            found = found + (p - known) * STANDARD_TEMPERATURE_K / temperature_k / slope
        return np.asarray(found)

    def slope(self, pressure_pa: float, temperature_k: float) -> float:
        """Return how the amount in a cubic metre grows with pressure, 1 (ideal: T0/T).

        Args:
            pressure_pa: absolute.
            temperature_k: of the gas.
        """
        ideal = STANDARD_TEMPERATURE_K / temperature_k
        if self.gas is None:
            return ideal
        c, _ = self._powers(temperature_k)
        _, slope = _pressure(c, self._reduced(pressure_pa, temperature_k))
        return ideal / float(slope)

    def warming(self, pressure_pa: float, temperature_k: float) -> float:
        """Return how pressure grows with temperature at constant density, Pa/K."""
        if self.gas is None:
            return pressure_pa / temperature_k
        beyond = max(0.0, pressure_pa - self.gas.highest_pa)
        x = self._reduced(pressure_pa, temperature_k)
        powers = np.arange(1, self.gas.residual.shape[0] + 1)
        tau = SCALE_K / temperature_k
        j = np.arange(self.gas.residual.shape[1])
        # d(T tau**j)/dT = (1 - j) tau**j
        rise = powers * (self.gas.residual @ ((1.0 - j) * tau**j))
        total = 1.0 + float(np.sum(rise * x**powers))
        inside = float(x * self.gas.density_scale * self.gas.gas_constant * total)
        return inside + beyond / temperature_k

    def doubt(self, pressure_pa: float, temperature_k: float) -> Reason | None:
        """Return why amounts at a pressure (absolute) can't be trusted, or None."""
        known = self.gas is not None and (
            pressure_pa <= self.gas.highest_pa
            and self.gas.lowest_k <= temperature_k <= self.gas.highest_k
        )
        if known or (self.gas is None and pressure_pa <= IDEAL_ENOUGH_PA):
            return None
        return Reason.of(
            "gas_law_unknown", gas=self.name, pressure=f"{pressure_pa / 1e5:.1f} bar"
        )

    def _powers(self, temperature_k: float) -> tuple[FloatArray, float]:
        assert self.gas is not None
        tau = SCALE_K / temperature_k
        j = np.arange(self.gas.residual.shape[1])
        return np.asarray(self.gas.residual @ tau**j), self.gas.density_scale

    def _reduced(self, pressure_pa: float, temperature_k: float) -> float:
        assert self.gas is not None
        per = self.gas.gas_constant * STANDARD_TEMPERATURE_K * self.gas.density_scale
        known = min(pressure_pa, self.gas.highest_pa)
        return float(self.amount(known, temperature_k)) / per


def _pressure(
    c: FloatArray, x: FloatArray | float
) -> tuple[FloatArray | float, FloatArray | float]:
    """Return pressure over (scale R T) and its slope in x = density over scale."""
    z: FloatArray | float = 0.0 * np.asarray(x)
    slope: FloatArray | float = z
    for i in range(c.size, 0, -1):
        z = z * x + i * c[i - 1]
        slope = slope * x + i * (i + 1) * c[i - 1]
    return x * (1.0 + z * x), 1.0 + slope * x


@cache
def gas_law(name: str) -> GasLaw:
    """Return the law of a gas by its name; the ideal gas where it is not known."""
    return GasLaw(name, GASES.get(name))
