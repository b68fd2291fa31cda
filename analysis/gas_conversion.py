"""Amounts of trapped gas, as pressure times volume referred to 293.15 K.

Ideal gas; good to a thousandth below 20 bar for air and nitrogen near room
temperature. Pressures are absolute.

Source: ASTM E2930 and EN 13184 describe the balance (pressure, temperature, volume and
time give the loss); the formula is the ideal-gas law.
"""

from __future__ import annotations

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
