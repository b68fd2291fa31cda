"""A gas at any pressure that a bench sees: density, energy and heat.

The gas law is a residual Helmholtz energy that is a polynomial in density and inverse
temperature, so that pressure, energy and heat agree with one another exactly:

    a_r / (R T) = sum over i, j of n[i, j] x**(i + 1) tau**j,
    x = density / scale, tau = 300 K / T

(any text on equations of state; coefficients fitted, see ``docs/make_gases.py``).
The functions take plain numbers and arrays, so that the simulator can compile them.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

SCALE_K = 300.0

Table = npt.NDArray[np.float64]


def at_temperature(residual: Table, temperature_k: float, along: Table) -> None:
    """Put the coefficients of x, x**2, ... at a temperature into ``along``, shape (i,).

    Args:
        residual: n, shape (i, j).
        temperature_k: of the gas.
        along: is overwritten.
    """
    tau = SCALE_K / temperature_k
    for i in range(residual.shape[0]):
        total = 0.0
        for j in range(residual.shape[1] - 1, -1, -1):
            total = total * tau + residual[i, j]
        along[i] = total


def pressure_along(
    along: Table,
    scale: float,
    gas_constant: float,
    density: float,
    temperature_k: float,
) -> tuple[float, float]:
    """Return pressure (absolute, Pa) and its slope in density at one temperature.

    Args:
        along: see :func:`at_temperature`.
        scale: of density, kg/m3.
        gas_constant: J/(kg K).
        density: kg/m3.
        temperature_k: of the gas.
    """
    x = density / scale
    z = slope = 0.0
    for i in range(along.shape[0], 0, -1):
        z = z * x + i * along[i - 1]
        slope = slope * x + i * (i + 1) * along[i - 1]
    ideal = gas_constant * temperature_k
    return density * ideal * (1.0 + z * x), ideal * (1.0 + slope * x)


def energy_and_heat(
    residual: Table,
    heat: Table,
    scale: float,
    gas_constant: float,
    density: float,
    temperature_k: float,
) -> tuple[float, float, float, float]:
    """Return internal energy, heats and pressure of a gas.

    Args:
        residual: n, shape (i, j).
        heat: cp of the ideal gas over R in powers of T / 300 K.
        scale: of density, kg/m3.
        gas_constant: J/(kg K).
        density: kg/m3.
        temperature_k: of the gas.

    Returns:
        Internal energy (J/kg, of the ideal gas at 300 K zero), heat at constant volume,
        heat at constant pressure (J/(kg K)), and pressure (absolute, Pa).
    """
    x = density / scale
    tau = SCALE_K / temperature_k
    z = slope = warm = energy = curve = 0.0
    for i in range(residual.shape[0], 0, -1):
        n0 = n1 = n2 = 0.0  # the sum over j, and with j and j (j - 1) as weights
        for j in range(residual.shape[1] - 1, -1, -1):
            n = residual[i - 1, j]
            n0 = n0 * tau + n
            n1 = n1 * tau + j * n
            n2 = n2 * tau + j * (j - 1) * n
        z = z * x + i * n0
        slope = slope * x + i * (i + 1) * n0
        warm = warm * x + i * (n0 - n1)
        energy = energy * x + n1
        curve = curve * x + n2
    ideal = 0.0
    ideal_heat = 0.0
    share = temperature_k / SCALE_K
    for k in range(heat.shape[0], 0, -1):
        ideal = ideal * share + heat[k - 1] / k
        ideal_heat = ideal_heat * share + heat[k - 1]
    at_scale = 0.0
    for k in range(heat.shape[0]):
        at_scale += heat[k] / (k + 1)
    ideal = SCALE_K * (ideal * share - at_scale) - (temperature_k - SCALE_K)
    u = gas_constant * (ideal + temperature_k * energy * x)
    cv = gas_constant * (ideal_heat - 1.0 - curve * x)
    rise = 1.0 + warm * x  # dP/dT over density and gas constant
    cp = cv + gas_constant * rise * rise / (1.0 + slope * x)
    return u, cv, cp, density * gas_constant * temperature_k * (1.0 + z * x)


def density_along(
    along: Table,
    scale: float,
    gas_constant: float,
    pressure_pa: float,
    temperature_k: float,
) -> float:
    """Return the density at a pressure (absolute, Pa), kg/m3, by Newton's method."""
    density = pressure_pa / (gas_constant * temperature_k)
    for _ in range(50):
        found, slope = pressure_along(
            along, scale, gas_constant, density, temperature_k
        )
        step = (pressure_pa - found) / slope
        density += step
        if abs(step) <= 1e-14 * density:
            break
    return density


def throat_factor(first: float, second: float, pressure_pa: float) -> float:
    """Return how much more a choked throat passes than it would of the ideal gas.

    Args:
        first: of the gas, per Pa.
        second: the same, per Pa squared.
        pressure_pa: upstream, absolute.
    """
    return 1.0 + pressure_pa * (first + second * pressure_pa)
