"""The simulated regulator: a lever-free, spring-loaded second stage, and how it is cut.

Its stem moves by static balance of forces; friction holds it wherever the balance lies
within the friction. The seat is soft: the disc touches ``contact_m`` before it seals.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from records.measure import STANDARD_PRESSURE_PA

_PSI = 6894.757293168
_INCH_WATER_60F = 248.84

# Where the flow of every leak is stated: 10 psi gauge inlet, 11.6 in. w.c. gauge
# outlet (a second stage locked up), standard air pressure outside.
INLET_REFERENCE_PA = STANDARD_PRESSURE_PA + 10.0 * _PSI
OUTLET_REFERENCE_PA = STANDARD_PRESSURE_PA + 11.6 * _INCH_WATER_60F


@dataclass(frozen=True, slots=True, kw_only=True)
class Regulator:
    """What a regulator is made of, SI; its leaks in std cm3/min at the references.

    Attributes:
        spring_n_per_m: main spring. stem_spring_n: light spring that closes the stem.
        diaphragm_m2: effective area. push_m2: area on which the inlet pushes it open.
        seat_n_per_m: stiffness of the soft seat. contact_m: opening at which disc and
            seat first touch; sealed at zero.
        bore_m: diameter of the seat's bore. discharge: its discharge coefficient.
        travel_m: opening at the stem's stop. friction_n: largest friction of the stem.
        seat_nick, seat_film: leaks past the shut seat, as an orifice and as a film.
        fitting, diaphragm, bonnet_joint, back_cap: leaks of the outlet side to air.
        body_joint: leak of the inlet side to air.
    """

    spring_n_per_m: float = 3000.0
    stem_spring_n: float = 2.0
    diaphragm_m2: float = 5.0e-3
    push_m2: float = 1.0e-5
    seat_n_per_m: float = 1.0e5
    contact_m: float = 7.5e-6
    bore_m: float = 5.0e-3
    discharge: float = 0.8
    travel_m: float = 1.5e-3
    friction_n: float = 0.005
    seat_nick: float = 0.0
    seat_film: float = 0.0
    fitting: float = 0.0
    diaphragm: float = 0.0
    bonnet_joint: float = 0.0
    back_cap: float = 0.0
    body_joint: float = 0.0

    @property
    def outlet_leaks(self) -> float:
        """Leaks of the outlet side to air together, std cm3/min at the reference."""
        return self.fitting + self.diaphragm + self.bonnet_joint + self.back_cap

    @property
    def seat_leak(self) -> float:
        """Leak past the shut seat, std cm3/min at the references."""
        return self.seat_nick + self.seat_film

    def load_n(
        self, screw_m: float, inlet_pa: float, outlet_pa: float, air_pa: float
    ) -> float:
        """Return the force that opens the stem, N, seat and friction left out."""
        return (
            self.spring_n_per_m * screw_m
            + self.push_m2 * (inlet_pa - outlet_pa)
            - self.diaphragm_m2 * (outlet_pa - air_pa)
            - self.stem_spring_n
        )

    def balance_m(self, load_n: float) -> float:
        """Return the opening at which a load is in balance; below zero it is sealed."""
        free = load_n / self.spring_n_per_m
        if free >= self.contact_m:
            return min(free, self.travel_m)
        return (load_n + self.seat_n_per_m * self.contact_m) / (
            self.spring_n_per_m + self.seat_n_per_m
        )

    def flow_area_m2(self, opening_m: float) -> float:
        """Return the free area at an opening: a curtain, at most the bore."""
        lift = min(max(opening_m, 0.0), 0.25 * self.bore_m)
        return math.pi * self.bore_m * lift

    @property
    def give_m3_per_pa(self) -> float:
        """How the outlet volume grows with its pressure while the seat is shut."""
        return self.diaphragm_m2**2 / (self.spring_n_per_m + self.seat_n_per_m)


def drawn_regulator(rng: np.random.Generator) -> Regulator:
    """Return a healthy regulator as one of many: small spreads, tiny leaks."""

    def about(value: float, spread: float) -> float:
        return value * (1.0 + spread * float(np.clip(rng.standard_normal(), -2.0, 2.0)))

    def at_most(value: float) -> float:
        return value * float(rng.uniform(0.1, 1.0))

    plain = Regulator()
    return Regulator(
        spring_n_per_m=about(plain.spring_n_per_m, 0.03),
        stem_spring_n=about(plain.stem_spring_n, 0.03),
        diaphragm_m2=about(plain.diaphragm_m2, 0.01),
        push_m2=about(plain.push_m2, 0.03),
        seat_n_per_m=about(plain.seat_n_per_m, 0.04),
        contact_m=about(plain.contact_m, 0.05),
        friction_n=about(plain.friction_n, 0.2),
        seat_nick=at_most(0.006),
        seat_film=at_most(0.003),
        fitting=at_most(0.002),
        diaphragm=at_most(0.003),
        bonnet_joint=at_most(0.001),
        back_cap=at_most(0.001),
        body_joint=at_most(0.002),
    )
