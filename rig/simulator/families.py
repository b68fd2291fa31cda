"""Families of regulators, and the rig that each is tested on.

Invented, each like many of its trade: sizes, springs and pressures are common practice,
no source. The inlet's push follows the family (a lever-type low-pressure regulator is
pushed open, a cylinder regulator pushed shut).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from records.gas.facts import GASES
from records.measure import STANDARD_PRESSURE_PA as AIR
from records.measure import STANDARD_TEMPERATURE_K, STD_CM3_MIN

from .gasflow import critical_ratio, orifice
from .regulator import INCH_WATER_60F, PSI, Regulator, Stage, stage_of
from .rigbody import VOLUME_SPREAD, RigBody

BAR = 1e5
_L_MIN = 1000.0 * STD_CM3_MIN
_STUCK = 0.15  # friction of a stuck stem, of the force on the diaphragm at set


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One family.

    Attributes:
        id: as a job card has it. regulator: a healthy one without leaks, as drawn.
        rig: the rig for it, tight. inlet_gauge, outlet_gauge: what it is tested and
            set at, Pa. leak: a healthy one's largest leak at any one place, std
            cm3/min of nitrogen at the references.
        fault_leak: what a leaking place passes at severity 1.
        fault_friction_n: friction of a stuck stem at severity 1.
        first: of two stages, what is known of the first alone: what it is set at, its
            leaks and faults; None where there is one stage.
    """

    id: str
    regulator: Regulator
    rig: RigBody
    inlet_gauge: float
    outlet_gauge: float
    inlet_span: float
    outlet_span: float
    leak: float
    fault_leak: float
    fault_friction_n: float
    interstage_span: float = 40.0 * BAR
    tau_max_s: float = 5.0
    tail_k: float = 0.3
    first: Family | None = None

    @property
    def flow_span(self) -> float:
        """Span of its flow meter: a quarter above what the wide open bleed passes."""
        gas, at = GASES[self.rig.gas], self.regulator.outlet_reference_pa
        most = self.rig.bleed * orifice(at, AIR, critical_ratio(gas.gamma))[0]
        litres = 1.25 * most * gas.gas_constant * STANDARD_TEMPERATURE_K / _L_MIN
        digits = 1 - math.floor(math.log10(litres))
        return round(litres, digits) * _L_MIN

    @property
    def standard_gauge(self) -> float:
        """Pressure that its rig's reference leak is stated at, Pa."""
        return round(1.09 * self.outlet_gauge, -1)

    @property
    def gives_m3_per_pa(self) -> float:
        """How the outlet side grows with its pressure, the seat shut."""
        return self.rig.outlet_give + self.regulator.give_m3_per_pa


def _family(
    id: str,
    *,
    regulator: Regulator,
    rig: RigBody,
    gauge: tuple[float, float],
    span: tuple[float, float],
    lockup: float = 1.055,
    leak: tuple[float, float] = (0.003, 0.6),
    warmth: tuple[float, float] = (5.0, 0.3),
) -> Family:
    """Return a family, its references where it locks up.

    Args:
        id: see :class:`Family`, as for what follows.
        regulator: without references.
        rig: the same.
        gauge: inlet and outlet pressure.
        span: of both transducers.
        lockup: over the set pressure.
        leak: a healthy one, and at a fault's worst.
        warmth: time constant and distance.
    """
    inlet, outlet = gauge
    regulator = replace(
        regulator,
        inlet_reference_pa=AIR + inlet,
        outlet_reference_pa=AIR + lockup * outlet,
    )
    if regulator.first is None:
        regulator = replace(regulator, interstage_reference_pa=AIR + inlet)
    return Family(
        id=id,
        regulator=regulator,
        rig=replace(rig, dense_pa=AIR + 0.5 * outlet, inlet_dense_pa=AIR + 0.5 * inlet),
        inlet_gauge=inlet,
        outlet_gauge=outlet,
        inlet_span=span[0],
        outlet_span=span[1],
        tau_max_s=warmth[0],
        tail_k=warmth[1],
        leak=leak[0],
        fault_leak=leak[1],
        fault_friction_n=_STUCK * regulator.diaphragm_m2 * outlet,
    )


SECOND_STAGE = Family(
    id="second-stage",
    regulator=Regulator(relief_over_pa=13.0 * INCH_WATER_60F),
    rig=RigBody(),
    inlet_gauge=10.0 * PSI,
    outlet_gauge=11.0 * INCH_WATER_60F,
    inlet_span=200e3,
    outlet_span=10e3,
    leak=0.003,
    fault_leak=0.6,
    fault_friction_n=2.0,
)
FIRST_STAGE = _family(
    "first-stage",
    regulator=Regulator(
        spring_n_per_m=15e3,
        stem_spring_n=6.0,
        diaphragm_m2=1.5e-3,
        push_m2=5e-6,
        seat_n_per_m=4e5,
        contact_m=1.5e-5,
        bore_m=3e-3,
        travel_m=1.2e-3,
        friction_n=0.3,
        bonnet_m3=25e-6,
        body_share=0.2,
        exchange=0.2,
    ),
    rig=RigBody(
        inlet_give=2e-12,
        outlet_give=1e-11,
        supply=3e-8,
        vent=1e-9,
        bleed=8e-9,
        fill=2e-10,
        fill_pa=13.0 * PSI,
        relief_pa=20.0 * PSI,
        relief=1e-7,
    ),
    gauge=(100.0 * PSI, 10.0 * PSI),
    span=(10.0 * BAR, 250e3),
    lockup=1.06,
    leak=(0.02, 5.0),
    warmth=(10.0, 2.0),
)
LINE = _family(
    "line",
    regulator=Regulator(
        spring_n_per_m=2500.0,
        diaphragm_m2=8e-3,
        push_m2=2e-5,
        seat_n_per_m=8e4,
        contact_m=7e-6,
        bore_m=8e-3,
        travel_m=2e-3,
        friction_n=0.006,
        bonnet_m3=80e-6,
    ),
    rig=RigBody(outlet_m3=300e-6, relief_pa=6000.0, fill_pa=9.5 * INCH_WATER_60F),
    gauge=(2.0 * PSI, 8.0 * INCH_WATER_60F),
    span=(40e3, 8e3),
    lockup=1.04,
)
CYLINDER_1 = _family(
    "cylinder-1",
    regulator=Regulator(
        spring_n_per_m=60e3,
        stem_spring_n=15.0,
        diaphragm_m2=8e-4,
        push_m2=-1.5e-6,
        seat_n_per_m=1e6,
        contact_m=1.5e-5,
        bore_m=2e-3,
        discharge=0.75,
        travel_m=0.6e-3,
        friction_n=0.5,
        bonnet_m3=15e-6,
        body_heat=350.0,
        body_share=0.5,
        exchange=0.3,
    ),
    rig=RigBody(
        inlet_m3=15e-6,
        outlet_m3=120e-6,
        inlet_give=0.0,
        outlet_give=1e-12,
        supply=2e-9,
        vent=5e-11,
        bleed=4e-9,
        fill=2e-10,
        fill_pa=6.5 * BAR,
        relief_pa=9.0 * BAR,
        relief=1e-7,
    ),
    gauge=(150.0 * BAR, 5.0 * BAR),
    span=(250.0 * BAR, 10.0 * BAR),
    lockup=1.05,
    leak=(0.05, 20.0),
    warmth=(900.0, 10.0),
)
CYLINDER_2 = _family(
    "cylinder-2",
    regulator=Regulator(
        first=Stage(
            spring_n_per_m=120e3,
            stem_spring_n=20.0,
            diaphragm_m2=5e-4,
            push_m2=-1.5e-6,
            seat_n_per_m=1.5e6,
            contact_m=1.5e-5,
            bore_m=1.8e-3,
            discharge=0.75,
            travel_m=0.6e-3,
            friction_n=1.0,
        ),
        interstage_m3=8e-6,
        interstage_reference_pa=AIR + 20.0 * BAR,
        spring_n_per_m=40e3,
        stem_spring_n=8.0,
        diaphragm_m2=8e-4,
        push_m2=-4e-6,
        seat_n_per_m=8e5,
        contact_m=1.5e-5,
        bore_m=3e-3,
        discharge=0.75,
        travel_m=0.8e-3,
        friction_n=0.4,
        bonnet_m3=15e-6,
        body_heat=500.0,
        body_share=0.5,
        exchange=0.3,
    ),
    rig=CYLINDER_1.rig,
    gauge=(150.0 * BAR, 4.0 * BAR),
    span=(250.0 * BAR, 10.0 * BAR),
    lockup=1.05,
    leak=(0.05, 20.0),
    warmth=(900.0, 10.0),
)
CYLINDER_2 = replace(
    CYLINDER_2,
    first=replace(CYLINDER_1, outlet_gauge=20.0 * BAR),
    regulator=replace(
        CYLINDER_2.regulator,
        first_screw_m=CYLINDER_2.regulator.first.screw_for(20.0 * BAR, 150.0 * BAR)
        if CYLINDER_2.regulator.first is not None
        else 0.0,
    ),
)
OXYGEN = _family(
    "oxygen",
    regulator=replace(
        CYLINDER_1.regulator, bore_m=1.8e-3, push_m2=-1.2e-6, friction_n=0.4
    ),
    rig=replace(CYLINDER_1.rig, supply=8e-10),
    gauge=(150.0 * BAR, 4.0 * BAR),
    span=(250.0 * BAR, 10.0 * BAR),
    lockup=1.06,
    leak=(0.05, 20.0),
    warmth=(900.0, 10.0),
)
SERVICE = _family(
    "service",
    regulator=Regulator(
        spring_n_per_m=2500.0,
        stem_spring_n=3.0,
        diaphragm_m2=2e-2,
        push_m2=5e-6,
        seat_n_per_m=1.5e5,
        contact_m=1e-5,
        bore_m=6e-3,
        travel_m=3e-3,
        friction_n=0.01,
        bonnet_m3=300e-6,
        vent_m2=5e-5,
        relief_over_pa=7.0 * INCH_WATER_60F,
        relief_m2=2e-5,
        relief_blowdown_pa=0.5 * INCH_WATER_60F,
    ),
    rig=RigBody(
        outlet_m3=500e-6,
        inlet_give=3e-12,
        supply=3e-8,
        vent=1e-9,
        relief_pa=5500.0,
        fill_pa=17.0 * INCH_WATER_60F,
    ),
    gauge=(60.0 * PSI, 7.0 * INCH_WATER_60F),
    span=(700e3, 8e3),
    lockup=1.05,
)
# A first stage and a second stage, each a regulator of its own, and the hose between
# them with the tee that its pressure is read at.
PAIR = replace(
    SECOND_STAGE,
    id="pair",
    # set to 10 psi at a larger flow than a second stage's small bleed
    first=replace(FIRST_STAGE, outlet_gauge=9.7 * PSI),
    regulator=replace(
        SECOND_STAGE.regulator,
        first=stage_of(FIRST_STAGE.regulator),
        first_screw_m=FIRST_STAGE.regulator.screw_for(9.7 * PSI, 100.0 * PSI),
        interstage_m3=120e-6,
        interstage_give=2e-11,
        inlet_reference_pa=AIR + 100.0 * PSI,
        interstage_reference_pa=AIR + 1.06 * 10.0 * PSI,
        body_heat=400.0,
    ),
    rig=RigBody(
        inlet_m3=15e-6,
        inlet_give=5e-13,
        supply=3e-8,
        vent=1e-9,
        inlet_dense_pa=AIR + 50.0 * PSI,
        wall_heat=300.0,  # a block, so that gas pressed in hardly warms it
    ),
    inlet_gauge=100.0 * PSI,
    inlet_span=10.0 * BAR,
    interstage_span=200e3,
    tau_max_s=10.0,
    tail_k=2.0,
)
FAMILIES: Mapping[str, Family] = MappingProxyType(
    {
        family.id: family
        for family in (
            SECOND_STAGE,
            FIRST_STAGE,
            LINE,
            CYLINDER_1,
            CYLINDER_2,
            OXYGEN,
            SERVICE,
            PAIR,
        )
    }
)


def drawn_regulator(
    rng: np.random.Generator, family: Family = SECOND_STAGE
) -> Regulator:
    """Return a healthy regulator as one of many: small spreads, tiny leaks."""

    def about(value: float, spread: float) -> float:
        return value * (1.0 + spread * float(np.clip(rng.standard_normal(), -2.0, 2.0)))

    def at_most(share: float) -> float:
        return share * family.leak * float(rng.uniform(0.1, 1.0))

    plain = family.regulator
    drawn = replace(
        plain,
        spring_n_per_m=about(plain.spring_n_per_m, 0.03),
        stem_spring_n=about(plain.stem_spring_n, 0.03),
        diaphragm_m2=about(plain.diaphragm_m2, 0.01),
        push_m2=about(plain.push_m2, 0.03),
        seat_n_per_m=about(plain.seat_n_per_m, 0.04),
        contact_m=about(plain.contact_m, 0.05),
        friction_n=about(plain.friction_n, 0.2),
        seat_nick=at_most(2.0),
        seat_film=at_most(1.0),
        fitting=at_most(0.67),
        diaphragm=at_most(1.0),
        bonnet_joint=at_most(0.33),
        back_cap=at_most(0.33),
        body_joint=at_most(0.67),
    )
    if plain.relief_over_pa is not None:
        drawn = replace(drawn, relief_over_pa=about(plain.relief_over_pa, 0.03))
    return drawn if family.first is None else _with_first(drawn, rng, family.first)


def _with_first(
    regulator: Regulator, rng: np.random.Generator, family: Family
) -> Regulator:
    """Return a regulator with a first stage drawn too, as somebody has set it.

    Args:
        regulator: with a first stage as drawn on paper.
        rng: what is drawn from.
        family: of the first stage alone.
    """
    plain = regulator.first
    assert plain is not None

    def about(value: float, spread: float) -> float:
        return value * (1.0 + spread * float(np.clip(rng.standard_normal(), -2.0, 2.0)))

    first = replace(
        plain,
        spring_n_per_m=about(plain.spring_n_per_m, 0.03),
        diaphragm_m2=about(plain.diaphragm_m2, 0.01),
        push_m2=about(plain.push_m2, 0.03),
        seat_n_per_m=about(plain.seat_n_per_m, 0.04),
        contact_m=about(plain.contact_m, 0.05),
        friction_n=about(plain.friction_n, 0.2),
        seat_nick=2.0 * family.leak * float(rng.uniform(0.1, 1.0)),
        seat_film=family.leak * float(rng.uniform(0.1, 1.0)),
    )
    return replace(
        regulator,
        first=first,
        interstage_m3=about(regulator.interstage_m3, VOLUME_SPREAD),
        first_screw_m=first.screw_for(
            about(family.outlet_gauge, 0.005), family.inlet_gauge
        ),
        first_leak=0.67 * family.leak * float(rng.uniform(0.1, 1.0)),
    )


def drawn_rigbody(rng: np.random.Generator, family: Family = SECOND_STAGE) -> RigBody:
    """Return a tight rig, its volumes a little off their drawing."""

    def volume(nominal: float) -> float:
        off = float(np.clip(rng.standard_normal(), -2.0, 2.0))
        return nominal * (1.0 + VOLUME_SPREAD * off)

    plain, leak = family.rig, family.leak / 3.0
    return replace(
        plain,
        inlet_m3=volume(plain.inlet_m3),
        outlet_m3=volume(plain.outlet_m3),
        inlet_leak=leak * float(rng.uniform(0.1, 0.8)),
        outlet_leak=leak * float(rng.uniform(0.1, 0.8)),
        bleed_leak=leak * float(rng.uniform(0.0, 0.3)),
    )
