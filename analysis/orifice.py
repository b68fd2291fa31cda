"""Flow through a calibrated orifice, from the pressure before and behind it.

The conductance is that for air (as ISO 6358-1 defines it); another gas passes as the
critical flow factor and molar mass say. Formula after ISO 6358-1, read in secondary
texts; the reference state (100 kPa, 20 °C) from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from records.gas.facts import GASES, Gas
from records.judgement import BudgetLine
from records.measure import STANDARD_TEMPERATURE_K
from records.rig import Orifice

REFERENCE_PA = 1e5
U_OTHER_GAS = 0.005  # relative, of the flow of a gas that is not air


@dataclass(frozen=True, slots=True)
class OrificeFlow:
    """A flow, Pa·m3/s at 293.15 K, with its budget.

    Attributes:
        choked: the flow does not depend on the pressure behind.
    """

    flow: float
    u: float
    choked: bool
    lines: tuple[BudgetLine, ...]


def subsonic_share(ratio: float, critical_ratio: float) -> float:
    """Return the flow over the choked flow at a ratio of absolute pressures, 1."""
    if ratio <= critical_ratio:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    x = (ratio - critical_ratio) / (1.0 - critical_ratio)
    return math.sqrt(1.0 - x * x)


def sonic_flow(conductance: float, upstream_pa: float, upstream_k: float) -> float:
    """Return the choked flow of air, Pa·m3/s at 293.15 K.

    Args:
        conductance: m3/(s Pa), of the reference state.
        upstream_pa: absolute.
        upstream_k: temperature before the orifice.
    """
    volume = conductance * upstream_pa * math.sqrt(STANDARD_TEMPERATURE_K / upstream_k)
    return volume * REFERENCE_PA


def critical_flow_factor(gamma: float) -> float:
    """Return C* of an ideal gas, 1: choked flux times sqrt(R T / M) over pressure.

    Source: the definition in ISO 9300; gas dynamics of a perfect gas.
    """
    exponent = (gamma + 1.0) / (gamma - 1.0)
    return math.sqrt(gamma * (2.0 / (gamma + 1.0)) ** exponent)


def nozzle_flux(gas: Gas, upstream_pa: float, behind_pa: float, kelvin: float) -> float:
    """Return the isentropic mass flux through a throat, kg/(m2 s); absolute pressures.

    Choked where the pressure behind lies below the gas's critical ratio; there the
    real gas's own factor counts.
    """
    gamma = gas.gamma
    scale = upstream_pa / math.sqrt(gas.gas_constant * kelvin)
    ratio = behind_pa / upstream_pa
    critical = (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))
    if ratio <= critical:
        return scale * critical_flow_factor(gamma) * gas.throat_factor(upstream_pa)
    if ratio >= 1.0:
        return 0.0
    head = 2.0 * gamma / (gamma - 1.0)
    low, high = ratio ** (2.0 / gamma), ratio ** ((gamma + 1.0) / gamma)
    return scale * math.sqrt(head * (low - high))


def against_air(gas: Gas, upstream_pa: float) -> float:
    """Return a gas's standard volume through a choked throat over that of air, 1."""
    air = GASES["air"]
    if gas.name == air.name:
        return 1.0
    factors = [
        critical_flow_factor(g.gamma) * g.throat_factor(upstream_pa) for g in (gas, air)
    ]
    return factors[0] / factors[1] * math.sqrt(air.molar_mass / gas.molar_mass)


def orifice_flow(
    orifice: Orifice,
    gas: Gas,
    upstream: tuple[float, float],
    behind: tuple[float, float],
    temperature: tuple[float, float],
) -> OrificeFlow:
    """Return the flow of a gas through an orifice, with its uncertainty.

    Args:
        orifice: with its conductance, relative uncertainty and critical ratio.
        gas: what flows.
        upstream: absolute pressure before it and standard uncertainty, Pa.
        behind: the same behind it.
        temperature: of the gas before it and standard uncertainty, K.
    """
    pressure, u_pressure = upstream
    kelvin, u_kelvin = temperature
    b, ratio = orifice.critical_ratio, behind[0] / pressure
    share = subsonic_share(ratio, b)
    full = sonic_flow(orifice.conductance.value_si, pressure, kelvin)
    full *= against_air(gas, pressure)
    flow = full * share
    lines = [
        BudgetLine(source="conductance", u=orifice.u.value_si, sensitivity=flow),
        BudgetLine(source="temperature", u=u_kelvin, sensitivity=-0.5 * flow / kelvin),
    ]
    # d(share)/d(ratio), zero while choked
    bend = 0.0
    if share not in (0.0, 1.0):
        bend = -(ratio - b) / ((1.0 - b) ** 2 * share)
    lines += [
        BudgetLine(
            source="pressure_before",
            u=u_pressure,
            sensitivity=(flow - full * bend * ratio) / pressure,
            value=pressure,
        ),
        BudgetLine(
            source="pressure_behind",
            u=behind[1],
            sensitivity=full * bend / pressure,
            value=behind[0],
        ),
    ]
    if gas.name != "air":
        lines.append(BudgetLine(source="other_gas", u=U_OTHER_GAS, sensitivity=flow))
    u = math.hypot(*(line.u * line.sensitivity for line in lines))
    return OrificeFlow(flow, u, share == 1.0, tuple(lines))
