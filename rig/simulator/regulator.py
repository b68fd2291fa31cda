"""The simulated regulator: springs, diaphragms, stems and seats, and what leaks.

Its stems move by static balance of forces; friction holds them wherever the balance
lies within the friction. The seat is soft: the disc touches ``contact_m`` before it
seals.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from records.measure import STANDARD_PRESSURE_PA

PSI = 6894.757293168
INCH_WATER_60F = 248.84

# Where the flow of a second stage's leaks is stated: 10 psi gauge inlet, 11.6 in. w.c.
# gauge outlet (locked up), standard air pressure outside.
INLET_REFERENCE_PA = STANDARD_PRESSURE_PA + 10.0 * PSI
OUTLET_REFERENCE_PA = STANDARD_PRESSURE_PA + 11.6 * INCH_WATER_60F


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stage of pressure reduction, SI; seat leaks in std cm3/min of nitrogen.

    Attributes:
        spring_n_per_m: main spring. stem_spring_n: light spring that closes the stem.
        diaphragm_m2: effective area. push_m2: area on which the inlet pushes it open;
            negative where it pushes shut, zero where it is balanced.
        seat_n_per_m: stiffness of the soft seat. contact_m: opening at which disc and
            seat first touch; sealed at zero.
        bore_m: diameter of the seat's bore. discharge: its discharge coefficient.
        strainer: what the strainer before the seat passes of nitrogen, kg/(s Pa); 0:
            as much as comes.
        travel_m: opening at the stem's stop. friction_n: largest friction of the stem.
        sense_lag_s: how late the diaphragm feels the outlet. stem_lag_s: how late the
            stem follows; both zero in a well damped regulator, next to a hold.
        slackens_n_per_s: how fast the set spring gives way while it is loaded; at most
            by slackens_most_n.
        seat_nick, seat_film: leaks past the shut seat, as an orifice and as a film.
    """

    spring_n_per_m: float = 3000.0
    stem_spring_n: float = 2.0
    diaphragm_m2: float = 5.0e-3
    push_m2: float = 1.0e-5
    seat_n_per_m: float = 1.0e5
    contact_m: float = 7.5e-6
    bore_m: float = 5.0e-3
    discharge: float = 0.8
    strainer: float = 0.0
    travel_m: float = 1.5e-3
    friction_n: float = 0.005
    sense_lag_s: float = 0.0
    stem_lag_s: float = 0.0
    slackens_n_per_s: float = 0.0
    slackens_most_n: float = 0.0
    seat_nick: float = 0.0
    seat_film: float = 0.0

    @property
    def seat_leak(self) -> float:
        """Leak past the shut seat, std cm3/min of nitrogen at the references."""
        return self.seat_nick + self.seat_film

    @property
    def give_m3_per_pa(self) -> float:
        """How the volume behind it grows with pressure while the seat is shut."""
        return self.diaphragm_m2**2 / (self.spring_n_per_m + self.seat_n_per_m)

    def preload_n(self, screw_m: float) -> float:
        """Return the force of the springs that opens the stem, shut, N."""
        return self.spring_n_per_m * screw_m - self.stem_spring_n

    def load_n(
        self, screw_m: float, inlet_pa: float, outlet_pa: float, air_pa: float
    ) -> float:
        """Return the force that opens the stem, N, seat and friction left out."""
        return (
            self.preload_n(screw_m)
            + self.push_m2 * (inlet_pa - outlet_pa)
            - self.diaphragm_m2 * (outlet_pa - air_pa)
        )

    def screw_for(self, outlet_gauge: float, inlet_gauge: float) -> float:
        """Return the screw that balances an outlet pressure with the seat touching."""
        force = (
            self.diaphragm_m2 * outlet_gauge
            + self.stem_spring_n
            - self.push_m2 * (inlet_gauge - outlet_gauge)
        )
        return force / self.spring_n_per_m + self.contact_m

    def flow_area_m2(self, opening_m: float) -> float:
        """Return the free area at an opening: a curtain, at most the bore."""
        lift = min(max(opening_m, 0.0), 0.25 * self.bore_m)
        return math.pi * self.bore_m * lift


@dataclass(frozen=True, slots=True, kw_only=True)
class Regulator(Stage):
    """A regulator: the stage that is set, what else is in the body, and its leaks.

    Leaks in std cm3/min of nitrogen between the reference pressures.

    Attributes:
        first: the stage before it, in the same body or at a hose's other end, or None.
        first_screw_m: of that stage's spring, which nobody turns.
        interstage_m3: volume between them.
        interstage_give: how the hose there grows with pressure, m3/Pa.
        fitting, bonnet_joint, back_cap: leaks of the outlet side to air.
        diaphragm, relief_seat: leaks of the outlet side into the bonnet.
        tear: the same through a tear, which follows the law of an orifice.
        body_joint: leak of the inlet side to air. first_leak: of the interstage.
        bonnet_m3: volume behind the diaphragm. vent_m2: free area of its vent.
        relief_over_pa: how far above the spring's own balance the internal relief
            opens, or None where none is fitted. relief_m2: its area a tenth above.
        relief_blowdown_pa: how far below its opening it shuts again.
        body_heat: heat capacity of the body, J/K. body_tau_s: how fast it follows the
            room. body_share: of the gas's heat exchange that goes to the body.
        exchange: share of the way to the body's temperature that gas comes on its way
            past a seat.
        inlet_reference_pa, interstage_reference_pa, outlet_reference_pa: where the
            leaks are stated, absolute, with standard air outside.
    """

    first: Stage | None = None
    first_screw_m: float = 0.0
    interstage_m3: float = 10e-6
    interstage_give: float = 0.0
    fitting: float = 0.0
    diaphragm: float = 0.0
    relief_seat: float = 0.0
    tear: float = 0.0
    bonnet_joint: float = 0.0
    back_cap: float = 0.0
    body_joint: float = 0.0
    first_leak: float = 0.0
    bonnet_m3: float = 40e-6
    vent_m2: float = 2e-5
    relief_over_pa: float | None = None
    relief_m2: float = 2e-6
    relief_blowdown_pa: float = 0.0
    body_heat: float = 250.0
    body_tau_s: float = 900.0
    body_share: float = 0.1
    exchange: float = 0.1
    inlet_reference_pa: float = INLET_REFERENCE_PA
    interstage_reference_pa: float = INLET_REFERENCE_PA
    outlet_reference_pa: float = OUTLET_REFERENCE_PA

    @property
    def outlet_leaks(self) -> float:
        """Leaks of the outlet side, out at last, std cm3/min at the references."""
        return (
            self.fitting
            + self.diaphragm
            + self.relief_seat
            + self.tear
            + self.bonnet_joint
            + self.back_cap
        )


def stage_of(regulator: Regulator) -> Stage:
    """Return the stage that a regulator is, without what else is in its body."""
    return Stage(**{f.name: getattr(regulator, f.name) for f in fields(Stage)})
