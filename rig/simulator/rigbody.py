"""The simulated rig around the regulator: volumes, valves, hoses, relief, air, room."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np

from records.measure import STANDARD_PRESSURE_PA, STANDARD_TEMPERATURE_K

NOMINAL_INLET_M3 = 60e-6
NOMINAL_OUTLET_M3 = 100e-6
SYRINGE_M3 = 50e-6  # what the syringe on the outlet side holds of air's pressure
VOLUME_SPREAD = 0.005  # standard deviation of a rig's volume about its drawing

OPEN, BLANK, REGULATOR = 0, 1, 2  # what is fitted between the two connections


@dataclass(frozen=True, slots=True, kw_only=True)
class RigBody:
    """What the rig is made of, SI; its leaks in std cm3/min at the references.

    Conductances and leaks are those of nitrogen; another gas passes by its own law.

    Attributes:
        inlet_m3: between inlet valve and regulator. outlet_m3: between regulator and
            bleed valve, both rigid and at room pressure.
        inlet_give, outlet_give: how the hoses grow with pressure, m3/Pa.
        supply, vent, bleed, fill: conductance of each valve wide open, kg/(s Pa).
        fill_pa: gauge pressure of the limited source behind the fill valve.
        relief_pa: gauge pressure at which the outlet's relief valve opens.
        relief: its conductance when 10 % above that.
        to_air: conductance of an open connection, kg/(s Pa).
        gas: what the rig is fed with.
        supply_creep: how the supply rises while it is on, Pa/s; at most by
            supply_creep_most.
        gas_tau_s: how fast trapped gas takes the wall's temperature, at the pressure
            ``dense_pa`` (outlet) or ``inlet_dense_pa``, absolute.
        wall_heat: heat capacity of the walls of each volume, J/K.
        wall_tau_s: how fast the walls follow the room.
        inlet_leak, outlet_leak: leaks of the rig's own fittings to air.
        bleed_leak: leak of the bleed valve when shut.
        standard_leak: of the reference leak on the outlet side when it is open, at
            ``standard_pa`` gauge to the air.
    """

    inlet_m3: float = NOMINAL_INLET_M3
    outlet_m3: float = NOMINAL_OUTLET_M3
    inlet_give: float = 5e-12
    outlet_give: float = 5e-11
    supply: float = 3e-8
    vent: float = 2e-9
    bleed: float = 1.7e-8
    fill: float = 2.5e-11
    fill_pa: float = 13.0 * 248.84
    relief_pa: float = 7500.0
    relief: float = 2e-7
    to_air: float = 1e-6
    gas: str = "nitrogen"
    supply_creep: float = 0.0
    supply_creep_most: float = 0.0
    gas_tau_s: float = 3.0
    dense_pa: float = 110e3
    inlet_dense_pa: float = 110e3
    wall_heat: float = 60.0
    wall_tau_s: float = 300.0
    inlet_leak: float = 0.0
    outlet_leak: float = 0.0
    bleed_leak: float = 0.0
    standard_leak: float = 0.0
    standard_pa: float = 12.0 * 248.84


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """Air pressure and room temperature, both moving slowly.

    Attributes:
        air_pa: absolute, at the start. air_drift: Pa/s. air_swing: amplitude, Pa.
        room_k: at the start. room_drift: K/s. room_swing: amplitude, K.
        air_phase, room_phase: of the swings, rad.
    """

    air_pa: float = STANDARD_PRESSURE_PA
    air_drift: float = 0.0
    air_swing: float = 0.0
    air_phase: float = 0.0
    room_k: float = STANDARD_TEMPERATURE_K
    room_drift: float = 0.0
    room_swing: float = 0.0
    room_phase: float = 0.0

    def at(self, t_s: float) -> tuple[float, float]:
        """Return air pressure (absolute, Pa) and room temperature (K) at a time."""
        air = self.air_pa + self.air_drift * t_s
        room = self.room_k + self.room_drift * t_s
        if self.air_swing:
            air += self.air_swing * math.sin(
                t_s * (2.0 * math.pi / 600.0) + self.air_phase
            )
        if self.room_swing:
            room += self.room_swing * math.sin(
                t_s * (2.0 * math.pi / 1200.0) + self.room_phase
            )
        return air, room


def drawn_surroundings(rng: np.random.Generator) -> Surroundings:
    """Return a day in a workshop."""

    def about(spread: float) -> float:
        return spread * float(np.clip(rng.standard_normal(), -2.0, 2.0))

    return Surroundings(
        air_pa=STANDARD_PRESSURE_PA + about(500.0),
        air_drift=about(30.0) / 3600.0,
        air_swing=2.0,
        air_phase=float(rng.uniform(0.0, 2.0 * math.pi)),
        room_k=STANDARD_TEMPERATURE_K + about(1.0),
        room_drift=about(0.2) / 3600.0,
        room_swing=0.03,
        room_phase=float(rng.uniform(0.0, 2.0 * math.pi)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Valves:
    """Where everything stands that a hand can move.

    Attributes:
        supply_pa_gauge: what the supply is set to; 0 is shut. It never takes gas back.
        inlet, vent_inlet, bleed, fill: 0 shut to 1 wide open.
        screw_m: how far the adjusting screw compresses the main spring.
        fixture: 0 both connections open to air, 1 blanked, 2 regulator fitted.
        syringe: how far it was pushed, 0 to 1; drawn back it fills itself with gas at
            the air's pressure.
        standard: the reference leak on the outlet side, 0 shut to 1 open.
    """

    supply_pa_gauge: float = 0.0
    inlet: float = 0.0
    vent_inlet: float = 0.0
    bleed: float = 0.0
    fill: float = 0.0
    screw_m: float = 0.0
    fixture: float = 0.0
    syringe: float = 0.0
    standard: float = 0.0

    def toward(self, aim: Valves, share: float) -> Valves:
        """Return positions moved a share of the way to an aim.

        What is almost there arrives, so that a shut valve is shut; the fixture changes
        at once.
        """
        moved = {}
        for name, near in NEAR.items():
            here: float = getattr(self, name)
            there: float = getattr(aim, name)
            left = there - here
            moved[name] = there if abs(left) <= near else here + share * left
        return Valves(**moved)


VALVE_NAMES = tuple(field.name for field in fields(Valves))
HIGHEST = {
    "supply_pa_gauge": 200e3,
    "inlet": 1.0,
    "vent_inlet": 1.0,
    "bleed": 1.0,
    "fill": 1.0,
    "screw_m": 0.015,
    "fixture": 2.0,
    "syringe": 1.0,
    "standard": 1.0,
}
# How close counts as arrived.
NEAR = {
    "supply_pa_gauge": 0.5,
    "inlet": 1e-4,
    "vent_inlet": 1e-4,
    "bleed": 1e-5,
    "fill": 1e-4,
    "screw_m": 1e-9,
    "fixture": 2.0,
    "syringe": 1e-5,
    "standard": 1e-4,
}
