"""Flow of gas through openings and leaks: mass flow, kg/s.

Pressures are absolute. A flow from the first pressure to the second is positive.

Sources: ISO 6358 (sonic conductance C, critical pressure ratio b, density 1.185 kg/m3
and temperature 293.15 K of the reference); the nozzle form is isentropic flow of an
ideal gas, in every text on gas dynamics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from records.gas.facts import GASES, Gas
from records.measure import STANDARD_TEMPERATURE_K, STD_CM3_MIN

NITROGEN = GASES["nitrogen"]

REFERENCE_DENSITY = 1.185  # kg/m3, ISO 6358
REFERENCE_TEMPERATURE_K = 293.15

# Pressure ratio above which flow is taken as proportional to the pressure drop, as
# laminar flow is; also keeps the slope finite at zero drop (ISO 6358-3 does alike).
LAMINAR_RATIO = 0.9995


def critical_ratio(gamma: float = NITROGEN.gamma) -> float:
    """Return the pressure ratio at and below which a nozzle is choked, 1."""
    return math.pow(2.0 / (gamma + 1.0), gamma / (gamma - 1.0))


def critical_flow_factor(gamma: float = NITROGEN.gamma) -> float:
    """Return C* of a nozzle: flow = area C* p / sqrt(R T) when choked."""
    power = (gamma + 1.0) / (2.0 * (gamma - 1.0))
    return math.sqrt(gamma) * math.pow(2.0 / (gamma + 1.0), power)


def nozzle_flow(
    area_m2: float,
    discharge: float,
    upstream_pa: float,
    downstream_pa: float,
    temperature_k: float,
    gas: Gas = NITROGEN,
) -> float:
    """Return an ideal gas's flow through a nozzle, kg/s, choked or not; never back."""
    gamma = gas.gamma
    if downstream_pa >= upstream_pa:
        return 0.0
    ratio = max(downstream_pa / upstream_pa, critical_ratio(gamma))
    swell = math.pow(ratio, 2.0 / gamma) - math.pow(ratio, (gamma + 1.0) / gamma)
    speed = math.sqrt(2.0 * gamma / (gamma - 1.0) * swell)
    return (
        area_m2
        * discharge
        * upstream_pa
        * speed
        / math.sqrt(gas.gas_constant * temperature_k)
    )


def conductance(sonic_m3_per_s_pa: float, temperature_k: float) -> float:
    """Return kg/(s Pa) of upstream pressure when choked, from ISO 6358's C.

    Args:
        sonic_m3_per_s_pa: C; 1 dm3/(s bar) is 1e-8 m3/(s Pa).
        temperature_k: of the gas upstream.
    """
    cooling = math.sqrt(REFERENCE_TEMPERATURE_K / temperature_k)
    return sonic_m3_per_s_pa * REFERENCE_DENSITY * cooling


def opening_conductance(
    area_m2: float,
    discharge: float,
    temperature_k: float = STANDARD_TEMPERATURE_K,
    gas: Gas = NITROGEN,
) -> float:
    """Return kg/(s Pa) of upstream pressure when choked, from an area."""
    return (
        area_m2
        * discharge
        * critical_flow_factor(gas.gamma)
        / math.sqrt(gas.gas_constant * temperature_k)
    )


def orifice(p1_pa: float, p2_pa: float, b: float) -> tuple[float, float, float]:
    """Return flow over conductance from 1 to 2, and its slopes in both pressures.

    Args:
        p1_pa: absolute pressure before it.
        p2_pa: absolute pressure behind it.
        b: critical pressure ratio.

    Returns:
        Flow for a conductance of 1 (unit Pa), its derivative in p1 and in p2.
    """
    back = p1_pa < p2_pa
    high, low = (p2_pa, p1_pa) if back else (p1_pa, p2_pa)
    ratio = low / high
    if ratio <= b:
        flow, in_high, in_low = high, 1.0, 0.0
    elif ratio < LAMINAR_RATIO:
        q = (ratio - b) / (1.0 - b)
        factor = math.sqrt(1.0 - q * q)
        slope = q / ((1.0 - b) * factor)
        flow, in_high, in_low = high * factor, factor + ratio * slope, -slope
    else:
        q = (LAMINAR_RATIO - b) / (1.0 - b)
        slope = math.sqrt(1.0 - q * q) / (1.0 - LAMINAR_RATIO)
        flow, in_high, in_low = slope * (high - low), slope, -slope
    if back:
        return -flow, -in_low, -in_high
    return flow, in_high, in_low


def iso6358_flow(
    sonic_m3_per_s_pa: float,
    b: float,
    upstream_pa: float,
    downstream_pa: float,
    temperature_k: float,
) -> float:
    """Return the flow of a component with C and b, kg/s (ISO 6358)."""
    k = conductance(sonic_m3_per_s_pa, temperature_k)
    return k * orifice(upstream_pa, downstream_pa, b)[0]


def mass_flow(leak_si: float, gas: Gas = NITROGEN) -> float:
    """Return kg/s of a leak in Pa·m3/s of gas at 293.15 K."""
    return leak_si / (gas.gas_constant * STANDARD_TEMPERATURE_K)


class LeakForm(StrEnum):
    """How the flow of a leak follows the pressures."""

    LAMINAR = "laminar"
    ORIFICE = "orifice"


@dataclass(frozen=True, slots=True)
class Leak:
    """A leak as a conductance.

    Attributes:
        conductance: kg/(s Pa2) for a laminar leak, kg/(s Pa) for an orifice.
        form: see :class:`LeakForm`.
    """

    conductance: float
    form: LeakForm = LeakForm.LAMINAR

    @classmethod
    def of(
        cls,
        std_cm3_min: float,
        upstream_pa: float,
        downstream_pa: float,
        form: LeakForm = LeakForm.LAMINAR,
        gas: Gas = NITROGEN,
    ) -> Leak:
        """Build from a flow of nitrogen at stated absolute pressures.

        Args:
            std_cm3_min: flow of nitrogen, std cm3/min (20 °C, 101.325 kPa).
            upstream_pa: where that flow holds.
            downstream_pa: the same.
            form: its law.
            gas: what goes through the same leak.
        """
        flow = mass_flow(std_cm3_min * STD_CM3_MIN)
        flow *= share_of_nitrogen(form, gas)
        return cls(flow / _drive(form, upstream_pa, downstream_pa), form)

    def flow(self, upstream_pa: float, downstream_pa: float) -> float:
        """Return the flow, kg/s, negative when it runs backwards."""
        return self.conductance * _drive(self.form, upstream_pa, downstream_pa)


def share_of_nitrogen(form: LeakForm, gas: Gas) -> float:
    """Return what a leak passes of a gas over what it passes of nitrogen, as mass.

    A laminar leak passes mass as molar mass over viscosity (Poiseuille), an orifice as
    the critical flow factor times the root of the molar mass (ISO 9300, ideal gas).
    """
    heavier = gas.molar_mass / NITROGEN.molar_mass
    if form is LeakForm.LAMINAR:
        return heavier * NITROGEN.viscosity / gas.viscosity
    swifter = critical_flow_factor(gas.gamma) / critical_flow_factor(NITROGEN.gamma)
    return swifter * math.sqrt(heavier)


def _drive(form: LeakForm, upstream_pa: float, downstream_pa: float) -> float:
    if form is LeakForm.LAMINAR:
        return upstream_pa * upstream_pa - downstream_pa * downstream_pa
    return orifice(upstream_pa, downstream_pa, critical_ratio())[0]
