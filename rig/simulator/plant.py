"""The gas: two volumes, a regulator between them, and what goes in and out.

One step of time solves both pressures together with all flows taken at its end
(backward Euler), because a regulating loop answers within a millisecond; the masses
then move by the very flows of the solution, so that no gas is made or lost.
Temperatures follow from the energy that those flows carry, one step behind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from records.measure import STANDARD_PRESSURE_PA

from .gasflow import (
    GAS_CONSTANT,
    HEAT_P,
    HEAT_V,
    Leak,
    LeakForm,
    critical_ratio,
    opening_conductance,
    orifice,
)
from .regulator import INLET_REFERENCE_PA, OUTLET_REFERENCE_PA, Regulator
from .rigbody import BLANK, OPEN, REGULATOR, RigBody, Surroundings, Valves

STEP_S = 0.005
_B = critical_ratio()
_CLOSE_PA = 1e-4  # a correction this small ends the search
_MOST_TURNS = 30
_SHORTENINGS = 12
# Throttled nitrogen cools by about this, K/Pa (0.22 K per bar near room temperature).
THROTTLE_COOLING = 2.2e-6
_DENSE_PA = 110e3  # pressure at which the gas has its time constant


@dataclass(slots=True)
class _Flows:
    """Flows of one trial, kg/s, and what the search needs of it."""

    seat: float = 0.0
    supply: float = 0.0
    inlet_lost: float = 0.0
    fill: float = 0.0
    outlet_lost: float = 0.0
    opening_m: float = 0.0
    outlet_m3: float = 0.0
    inlet_m3: float = 0.0
    outlet_off: float = 0.0
    inlet_off: float = 0.0
    slopes: tuple[float, float, float, float] = (1.0, 0.0, 0.0, 1.0)


class Plant:
    """The simulated gas; state is absolute pressure, mass and temperature.

    Args:
        regulator, rig, surroundings: what it is made of. step_s: length of a step.
    """

    def __init__(
        self,
        regulator: Regulator,
        rig: RigBody,
        surroundings: Surroundings,
        step_s: float = STEP_S,
    ) -> None:
        self.regulator = regulator
        self.rig = rig
        self.surroundings = surroundings
        self.step_s = step_s
        self.steps = 0
        air, room = surroundings.at(0.0)
        self.air_pa = air
        self.room_k = room
        self.inlet_pa = self.outlet_pa = air
        self.inlet_k = self.outlet_k = room
        self.wall_k = room
        self.opening_m = 0.0
        self.inlet_m3 = rig.inlet_m3
        self.outlet_m3 = rig.outlet_m3
        self.inlet_kg = air * self.inlet_m3 / (GAS_CONSTANT * room)
        self.outlet_kg = air * self.outlet_m3 / (GAS_CONSTANT * room)
        self.taken_kg = 0.0  # from supply, fill source and air, since the start
        self.given_kg = 0.0  # to the air
        self.slow_steps = 0  # that the quick search did not solve
        self._flows = _Flows()
        self._valves = Valves()
        # Heat to the walls, W/K, so that gas at working pressure has its time constant.
        per_m3 = _DENSE_PA / (GAS_CONSTANT * room) * HEAT_V / rig.gas_tau_s
        self._inlet_heat = per_m3 * rig.inlet_m3
        self._outlet_heat = per_m3 * rig.outlet_m3
        self._set_leaks()
        self.valves = self._valves

    @property
    def t_s(self) -> float:
        """Time since the start."""
        return self.steps * self.step_s

    @property
    def inlet_gauge(self) -> float:
        """Inlet pressure above the air's, Pa."""
        return self.inlet_pa - self.air_pa

    @property
    def outlet_gauge(self) -> float:
        """Outlet pressure above the air's, Pa."""
        return self.outlet_pa - self.air_pa

    @property
    def seat_flow(self) -> float:
        """Flow through the regulator in the last step, kg/s."""
        return self._flows.seat

    @property
    def bleed_flow(self) -> float:
        """Flow out of the outlet side in the last step, leaks included, kg/s."""
        return self._flows.outlet_lost

    @property
    def valves(self) -> Valves:
        """Where the valves stand; set it to move them."""
        return self._valves

    @valves.setter
    def valves(self, valves: Valves) -> None:
        if round(valves.fixture) != round(self._valves.fixture):
            self.opening_m = 0.0
        self._valves = valves
        fixture = round(valves.fixture)
        r = self.regulator
        self._fitted = fixture == REGULATOR
        self._area = r.diaphragm_m2 if self._fitted else 0.0
        self._k_supply = self.rig.supply * valves.inlet
        self._k_vent = self.rig.vent * valves.vent_inlet
        self._k_bleed = self.rig.bleed * valves.bleed
        self._k_fill = self.rig.fill * valves.fill
        self._to_air = self.rig.to_air if fixture == OPEN else 0.0
        self._g_outlet = self._rig_outlet + (self._out if self._fitted else 0.0)
        self._g_inlet = self._rig_inlet + (self._body if self._fitted else 0.0)
        assert fixture in (OPEN, BLANK, REGULATOR)

    def step(self) -> None:
        """Go one step on."""
        self.steps += 1
        dt = self.step_s
        self.air_pa, self.room_k = self.surroundings.at(self.steps * dt)
        self.wall_k += dt / self.rig.wall_tau_s * (self.room_k - self.wall_k)
        po, pi = self.outlet_pa, self.inlet_pa
        f = self._try(po, pi)
        for _ in range(_MOST_TURNS):
            oo, oi, io, ii = f.slopes
            det = oo * ii - oi * io
            move_o = (oi * f.inlet_off - ii * f.outlet_off) / det
            move_i = (io * f.outlet_off - oo * f.inlet_off) / det
            if abs(move_o) < _CLOSE_PA and abs(move_i) < _CLOSE_PA:
                break
            po, pi, f = self._nearer(po, pi, f, move_o, move_i)
        else:
            self.slow_steps += 1
            po, pi, f = self._search()
        self._take(po, pi, f)

    # --- inside ----------------------------------------------------------------------

    def _set_leaks(self) -> None:
        r, rig = self.regulator, self.rig
        air = STANDARD_PRESSURE_PA
        inlet, outlet = INLET_REFERENCE_PA, OUTLET_REFERENCE_PA
        nick = Leak.of(r.seat_nick, inlet, outlet, LeakForm.ORIFICE)
        self._seat_nick = nick.conductance
        self._seat_film = Leak.of(r.seat_film, inlet, outlet).conductance
        self._out = Leak.of(r.outlet_leaks, outlet, air).conductance
        self._body = Leak.of(r.body_joint, inlet, air).conductance
        own = rig.outlet_leak + rig.bleed_leak
        self._rig_outlet = Leak.of(own, outlet, air).conductance
        self._rig_inlet = Leak.of(rig.inlet_leak, inlet, air).conductance
        self._k_area = opening_conductance(1.0, r.discharge)

    def _try(self, po: float, pi: float) -> _Flows:
        """Return the flows at trial pressures and how far both masses are off."""
        f = _Flows()
        dt, air, rig = self.step_s, self.air_pa, self.rig
        x_o = x_i = seat_o = seat_i = 0.0
        if self._fitted:
            x, x_o, x_i = self._stem(po, pi)
            f.opening_m = x
            f.seat, seat_o, seat_i = self._through_seat(po, pi, x, x_o, x_i)
        lost, lost_o = self._outlet_to_air(po)
        f.outlet_lost = lost
        gone, gone_i = self._inlet_to_air(pi)
        f.inlet_lost = gone
        fill_o = supply_i = 0.0
        source = air + rig.fill_pa
        if self._k_fill > 0.0 and po < source:
            flow, _, slope = orifice(source, po, _B)
            f.fill, fill_o = self._k_fill * flow, self._k_fill * slope
        source = air + self._valves.supply_pa_gauge
        if self._k_supply > 0.0 and pi < source:
            flow, _, slope = orifice(source, pi, _B)
            f.supply, supply_i = self._k_supply * flow, self._k_supply * slope

        f.outlet_m3 = (
            rig.outlet_m3 + rig.outlet_give * (po - air) - self._area * f.opening_m
        )
        f.inlet_m3 = rig.inlet_m3 + rig.inlet_give * (pi - air)
        warm_o = 1.0 / (GAS_CONSTANT * self.outlet_k)
        warm_i = 1.0 / (GAS_CONSTANT * self.inlet_k)
        into = f.seat + f.fill - lost
        f.outlet_off = po * f.outlet_m3 * warm_o - self.outlet_kg - dt * into
        into = f.supply - f.seat - gone
        f.inlet_off = pi * f.inlet_m3 * warm_i - self.inlet_kg - dt * into
        give = rig.outlet_give - self._area * x_o
        f.slopes = (
            (f.outlet_m3 + po * give) * warm_o - dt * (seat_o + fill_o - lost_o),
            -po * self._area * x_i * warm_o - dt * seat_i,
            dt * seat_o,
            (f.inlet_m3 + pi * rig.inlet_give) * warm_i
            - dt * (supply_i - seat_i - gone_i),
        )
        return f

    def _through_seat(
        self, po: float, pi: float, x: float, x_o: float, x_i: float
    ) -> tuple[float, float, float]:
        """Return the flow through the regulator and its slopes in both pressures."""
        r, film = self.regulator, self._seat_film
        grows = math.pi * r.bore_m if 0.0 < x < 0.25 * r.bore_m else 0.0
        k = self._k_area * r.flow_area_m2(x) + self._seat_nick
        flow, slope_i, slope_o = orifice(pi, po, _B)
        bend = self._k_area * grows * flow
        return (
            k * flow + film * (pi * pi - po * po),
            bend * x_o + k * slope_o - 2.0 * film * po,
            bend * x_i + k * slope_i + 2.0 * film * pi,
        )

    def _outlet_to_air(self, po: float) -> tuple[float, float]:
        """Return what the outlet side loses, and its slope."""
        air, rig = self.air_pa, self.rig
        lost = self._g_outlet * (po * po - air * air) + self._to_air * (po - air)
        slope = 2.0 * self._g_outlet * po + self._to_air
        k = self._k_bleed
        over = po - air - rig.relief_pa
        widening = 0.0
        if over > 0.0:
            wide = 0.1 * rig.relief_pa
            k += rig.relief * min(over / wide, 1.0)
            widening = rig.relief / wide if over < wide else 0.0
        if k > 0.0:
            flow, slope_o, _ = orifice(po, air, _B)
            lost += k * flow
            slope += k * slope_o + widening * flow
        return lost, slope

    def _inlet_to_air(self, pi: float) -> tuple[float, float]:
        """Return what the inlet side loses, and its slope."""
        air = self.air_pa
        gone = self._g_inlet * (pi * pi - air * air) + self._to_air * (pi - air)
        slope = 2.0 * self._g_inlet * pi + self._to_air
        if self._k_vent > 0.0:
            flow, slope_i, _ = orifice(pi, air, _B)
            gone += self._k_vent * flow
            slope += self._k_vent * slope_i
        return gone, slope

    def _stem(self, po: float, pi: float) -> tuple[float, float, float]:
        """Return the opening and its slopes in outlet and inlet pressure."""
        r = self.regulator
        load = r.load_n(self._valves.screw_m, pi, po, self.air_pa)
        x = self.opening_m
        at_least = r.balance_m(load - r.friction_n)
        at_most = r.balance_m(load + r.friction_n)
        if at_least <= x <= at_most:
            return x, 0.0, 0.0
        x = at_least if x < at_least else at_most
        if x >= r.travel_m:
            return r.travel_m, 0.0, 0.0
        stiff = r.spring_n_per_m + (r.seat_n_per_m if x < r.contact_m else 0.0)
        return x, -(r.diaphragm_m2 + r.push_m2) / stiff, r.push_m2 / stiff

    def _nearer(
        self, po: float, pi: float, f: _Flows, move_o: float, move_i: float
    ) -> tuple[float, float, _Flows]:
        """Return the trial after a move, shortened until it comes nearer."""
        # A flow that stops at equal pressures makes the full move jump to and fro.
        off = abs(f.outlet_off) + abs(f.inlet_off)
        share = 1.0
        for _ in range(_SHORTENINGS):
            to_o = max(po + share * move_o, 0.7 * po)
            to_i = max(pi + share * move_i, 0.7 * pi)
            found = self._try(to_o, to_i)
            if abs(found.outlet_off) + abs(found.inlet_off) < off:
                break
            share *= 0.5
        return to_o, to_i, found

    def _search(self) -> tuple[float, float, _Flows]:
        """Return the solution by bisection in both pressures; slow, and always there.

        Both mass balances rise with their own pressure and, the other one eliminated,
        so does the outlet's.
        """
        lowest, highest = 1.0, 2e6
        pi = self.inlet_pa
        f = self._flows
        low, high = lowest, highest
        po = self.outlet_pa
        for _ in range(60):
            in_low, in_high = lowest, highest
            for _ in range(60):
                pi = 0.5 * (in_low + in_high)
                f = self._try(po, pi)
                if f.inlet_off > 0.0:
                    in_high = pi
                else:
                    in_low = pi
            if f.outlet_off > 0.0:
                high = po
            else:
                low = po
            po = 0.5 * (low + high)
        return po, pi, self._try(po, pi)

    def _take(self, po: float, pi: float, f: _Flows) -> None:
        """Move masses by the flows of the solution, then temperatures."""
        dt = self.step_s
        self._flows = f
        old_out, old_in = self.outlet_kg, self.inlet_kg
        self.outlet_kg += dt * (f.seat + f.fill - f.outlet_lost)
        self.inlet_kg += dt * (f.supply - f.seat - f.inlet_lost)
        self.taken_kg += dt * (f.supply + f.fill)
        self.given_kg += dt * (f.inlet_lost + f.outlet_lost)

        # Gas that enters from outside has room temperature.
        warm_out = f.fill * self.room_k
        warm_in = f.supply * self.room_k
        leave_out = leave_in = 0.0
        if f.seat >= 0.0:
            warm_out += f.seat * (self.inlet_k - THROTTLE_COOLING * (pi - po))
            leave_in += f.seat
        else:
            warm_in -= f.seat * self.outlet_k
            leave_out -= f.seat
        if f.outlet_lost >= 0.0:
            leave_out += f.outlet_lost
        else:
            warm_out -= f.outlet_lost * self.room_k
        if f.inlet_lost >= 0.0:
            leave_in += f.inlet_lost
        else:
            warm_in -= f.inlet_lost * self.room_k
        work = po * (f.outlet_m3 - self.outlet_m3)
        self.outlet_k = (
            old_out * HEAT_V * self.outlet_k
            + dt * (HEAT_P * warm_out + self._outlet_heat * self.wall_k)
            - work
        ) / (self.outlet_kg * HEAT_V + dt * (HEAT_P * leave_out + self._outlet_heat))
        work = pi * (f.inlet_m3 - self.inlet_m3)
        self.inlet_k = (
            old_in * HEAT_V * self.inlet_k
            + dt * (HEAT_P * warm_in + self._inlet_heat * self.wall_k)
            - work
        ) / (self.inlet_kg * HEAT_V + dt * (HEAT_P * leave_in + self._inlet_heat))
        self.outlet_m3, self.inlet_m3 = f.outlet_m3, f.inlet_m3
        self.outlet_pa, self.inlet_pa = po, pi
        self.opening_m = f.opening_m
