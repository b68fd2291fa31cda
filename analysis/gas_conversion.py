"""Amounts of trapped gas, as pressure times volume referred to 293.15 K; other gases.

Ideal gas; good to a thousandth below 20 bar for air and nitrogen near room
temperature. Pressures are absolute.

Source: ASTM E2930 and EN 13184 describe the balance (pressure, temperature, volume and
time give the loss); the formula is the ideal-gas law.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from records.gas.vapour import ServiceGas, vapour_pressure
from records.measure import GAS_CONSTANT, STANDARD_PRESSURE_PA, STANDARD_TEMPERATURE_K


def amount(
    pressure_pa: float, volume_m3: float, temperature_k: float = STANDARD_TEMPERATURE_K
) -> float:
    """Return a trapped amount of gas, Pa·m3 at 293.15 K, from absolute pressure."""
    return pressure_pa * volume_m3 * STANDARD_TEMPERATURE_K / temperature_k


def loss_rate(
    first: tuple[float, float],
    second: tuple[float, float],
    volume_m3: float,
    seconds: float,
) -> float:
    """Return the leak between two readings of a rigid volume, Pa·m3/s at 293.15 K.

    Args:
        first: absolute pressure (Pa) and gas temperature (K).
        second: the same, later.
        volume_m3: rigid volume.
        seconds: time between the readings.

    Returns:
        Positive when gas was lost.
    """
    before = amount(first[0], volume_m3, first[1])
    after = amount(second[0], volume_m3, second[1])
    return (before - after) / seconds


def moles(amount_pa_m3: float, gas_constant: float = GAS_CONSTANT) -> float:
    """Return Pa·m3 at 293.15 K as mol."""
    return amount_pa_m3 / (gas_constant * STANDARD_TEMPERATURE_K)


def std_flow(
    leak_si: float,
    reference_k: float = STANDARD_TEMPERATURE_K,
    reference_pa: float = STANDARD_PRESSURE_PA,
) -> float:
    """Return a leak as a volume flow at a reference state, m3/s.

    Args:
        leak_si: Pa·m3/s at 293.15 K.
        reference_k: temperature of the reference state.
        reference_pa: absolute pressure of the reference state.
    """
    return leak_si / reference_pa * reference_k / STANDARD_TEMPERATURE_K


def rate_of_pressure(
    leak_si: float, volume_m3: float, temperature_k: float = STANDARD_TEMPERATURE_K
) -> float:
    """Return how fast a leak changes the pressure of a volume, Pa/s."""
    return leak_si / volume_m3 * temperature_k / STANDARD_TEMPERATURE_K


# --- the same leak with another gas --------------------------------------------------

REGIMES = ("laminar", "orifice", "molecular")
# Relative standard uncertainties of the ratio of two gases, common practice, no source:
# viscosities of the literature; discharge and the shape of the path; a path that is
# wholly molecular.
U_RATIO = {"laminar": 0.02, "orifice": 0.03, "molecular": 0.01}
NEAR_VAPOUR = 0.9  # of the vapour pressure: gas this near may condense as it is cooled


@dataclass(frozen=True, slots=True)
class Conversion:
    """How much more of a second gas a leak passes than of the first, std volume, 1.

    Attributes:
        factor: None where the regime is not known: then only the ends are.
        low, high: ends of the 95 % interval, or over all regimes.
        u: standard uncertainty of the factor.
    """

    factor: float | None
    low: float
    high: float
    u: float
    regime: str


@dataclass(frozen=True, slots=True)
class Condenses:
    """The second gas is no gas there; its vapour pressure, absolute, Pa."""

    vapour_pa: float


def throat_flux(gas: ServiceGas, upstream_pa: float, behind_pa: float) -> float:
    """Return the isentropic flow of std volume through a throat, up to a common factor.

    Perfect gas: absolute pressures; choked below the gas's own critical ratio.
    """
    g = gas.gamma
    ratio = behind_pa / upstream_pa
    critical = (2.0 / (g + 1.0)) ** (g / (g - 1.0))
    r = min(max(ratio, critical), 1.0)
    head = 2.0 * g / (g - 1.0) * (r ** (2.0 / g) - r ** ((g + 1.0) / g))
    return math.sqrt(max(head, 0.0) / gas.molar_mass)


def regime_ratio(
    regime: str,
    test: ServiceGas,
    service: ServiceGas,
    upstream_pa: float,
    behind_pa: float,
    temperature_k: float = STANDARD_TEMPERATURE_K,
) -> float:
    """Return std volume of the service gas over that of the test gas, one regime.

    Same path, same absolute pressures before and behind, same temperature. Laminar:
    as one over viscosity (Hagen-Poiseuille, ideal gas). Orifice: isentropic, choked or
    not. Molecular: as one over the root of molar mass (Knudsen).
    """
    if regime == "laminar":
        return test.viscosity_at(temperature_k) / service.viscosity_at(temperature_k)
    if regime == "molecular" or not behind_pa < upstream_pa:
        return math.sqrt(test.molar_mass / service.molar_mass)
    return throat_flux(service, upstream_pa, behind_pa) / throat_flux(
        test, upstream_pa, behind_pa
    )


def converted(
    regime: str,
    test: ServiceGas,
    service: ServiceGas,
    upstream_pa: float,
    behind_pa: float,
    temperature_k: float = STANDARD_TEMPERATURE_K,
) -> Conversion | Condenses:
    """Return how a leak of test gas turns into one of service gas.

    Args:
        regime: one of ``REGIMES``, or ``unknown``: then no single number, but the ends
            over all of them with their uncertainties.
        test: the gas of the test.
        service: the gas it will hold.
        upstream_pa: absolute pressure before the leak.
        behind_pa: the same behind it.
        temperature_k: of both.

    Raises:
        ValueError: no such regime.
    """
    vapour = vapour_pressure(service.name, temperature_k)
    if vapour is not None and upstream_pa >= NEAR_VAPOUR * vapour:
        return Condenses(vapour)
    if regime not in (*REGIMES, "unknown"):
        raise ValueError(f"no flow regime is called {regime!r}")
    same = test.name == service.name
    ends: list[tuple[float, float]] = []
    for each in REGIMES if regime == "unknown" else (regime,):
        ratio = regime_ratio(each, test, service, upstream_pa, behind_pa, temperature_k)
        ends.append((ratio, 0.0 if same else U_RATIO[each] * ratio))
    low = min(ratio - 1.96 * u for ratio, u in ends)
    high = max(ratio + 1.96 * u for ratio, u in ends)
    if regime == "unknown":
        return Conversion(None, low, high, (high - low) / math.sqrt(12.0), regime)
    return Conversion(ends[0][0], low, high, ends[0][1], regime)
