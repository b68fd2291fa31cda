"""The gas of one rig: what its parts are, put into the numbers of the solver."""

from __future__ import annotations

import itertools
import math
import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from records.gas.facts import GASES, Gas
from records.measure import STANDARD_PRESSURE_PA, STANDARD_TEMPERATURE_K

from . import solver
from .gasflow import (
    Leak,
    LeakForm,
    critical_ratio,
    opening_conductance,
    orifice,
    share_of_nitrogen,
)
from .ranges import check_plant, check_valves
from .regulator import Regulator, Stage
from .rigbody import OPEN, REGULATOR, SYRINGE_M3, RigBody, Surroundings, Valves
from .solver import BONNET, FIRST, INLET, INTERSTAGE, LAST, OUTLET

STEP_S = 0.005
_SMALL_TAU_S = 1.0  # of the gas in bonnet and interstage
_WORTH_THREADS = 2000  # plants times steps, some milliseconds


@dataclass(frozen=True, slots=True)
class Totals:
    """What went in and out since the start.

    Attributes:
        taken_kg, given_kg: gas from sources and air, and to air.
        taken_j, given_j: enthalpy with it. warmed_j: heat from walls and body.
        work_j: of the gas on hoses, springs and air. room_j: heat from the room into
            walls and body.
    """

    taken_kg: float
    given_kg: float
    taken_j: float
    given_j: float
    warmed_j: float
    work_j: float
    room_j: float


class Plant:
    """The simulated gas of one rig; time moves by ``step`` and ``advance``.

    Args:
        regulator, rig, surroundings: what it is made of. step_s: length of a step.

    Raises:
        InputError: ``value_wrong``: what no gas could flow through, with the range that
            is allowed; see ``ranges``.
    """

    def __init__(
        self,
        regulator: Regulator,
        rig: RigBody,
        surroundings: Surroundings,
        step_s: float = STEP_S,
    ) -> None:
        check_plant(regulator, rig, surroundings, step_s)
        self.regulator = regulator
        self.rig = rig
        self.surroundings = surroundings
        self.step_s = step_s
        self.gas: Gas = GASES[rig.gas]
        self._units = np.zeros(1, solver.UNIT)
        self._states = np.zeros(1, solver.STATE)
        self._valves = Valves()
        solver.ready()  # here and not in the first step, which somebody may wait for
        self._fill_unit()
        self._start()
        self.valves = self._valves

    # --- what is seen of it -----------------------------------------------------------

    @property
    def steps(self) -> int:
        """Steps since the start."""
        return int(self._state["steps"])

    @property
    def t_s(self) -> float:
        """Time since the start."""
        return self.steps * self.step_s

    @property
    def air_pa(self) -> float:
        """Air pressure, absolute."""
        return float(self._state["air_pa"])

    @property
    def room_k(self) -> float:
        """Temperature of the room."""
        return float(self._state["room_k"])

    @property
    def body_k(self) -> float:
        """Temperature of the regulator's body."""
        return float(self._state["body_k"])

    @property
    def wall_k(self) -> float:
        """Temperature of the walls around the outlet side."""
        return float(self._state["wall_k"][OUTLET])

    @property
    def inlet_pa(self) -> float:
        """Inlet pressure, absolute."""
        return float(self._state["pa"][INLET])

    @property
    def outlet_pa(self) -> float:
        """Outlet pressure, absolute."""
        return float(self._state["pa"][OUTLET])

    @property
    def inlet_gauge(self) -> float:
        """Inlet pressure above the air's, Pa."""
        return self.inlet_pa - self.air_pa

    @property
    def outlet_gauge(self) -> float:
        """Outlet pressure above the air's, Pa."""
        return self.outlet_pa - self.air_pa

    @property
    def interstage_gauge(self) -> float:
        """Pressure between two stages above the air's, Pa."""
        return float(self._state["pa"][INTERSTAGE]) - self.air_pa

    @property
    def interstage_pa(self) -> float:
        """Pressure between two stages, absolute."""
        return float(self._state["pa"][INTERSTAGE])

    @property
    def interstage_k(self) -> float:
        """Temperature of the gas between two stages."""
        return float(self._state["kelvin"][INTERSTAGE])

    @property
    def bonnet_gauge(self) -> float:
        """Pressure in the bonnet above the air's, Pa."""
        return float(self._state["pa"][BONNET]) - self.air_pa

    @property
    def inlet_k(self) -> float:
        """Temperature of the gas on the inlet side."""
        return float(self._state["kelvin"][INLET])

    @property
    def outlet_k(self) -> float:
        """Temperature of the gas on the outlet side."""
        return float(self._state["kelvin"][OUTLET])

    @property
    def inlet_kg(self) -> float:
        """Gas on the inlet side."""
        return float(self._state["kg"][INLET])

    @property
    def outlet_kg(self) -> float:
        """Gas on the outlet side."""
        return float(self._state["kg"][OUTLET])

    @property
    def kg(self) -> float:
        """Gas in all volumes."""
        return float(np.sum(self._state["kg"]))

    @property
    def inner_joules(self) -> float:
        """Internal energy of the gas in all volumes, from mass and temperature."""
        state = self._state
        return math.fsum(
            float(kg) * self.gas.internal_energy(float(kg / m3), float(k))
            for kg, m3, k in zip(state["kg"], state["m3"], state["kelvin"], strict=True)
        )

    @property
    def solid_joules(self) -> float:
        """Heat in walls and body, of 0 K zero."""
        unit, state = self._unit, self._state
        walls = float(np.sum(unit["wall_heat"] * state["wall_k"]))
        return walls + float(unit["body_heat"] * state["body_k"])

    @property
    def inlet_m3(self) -> float:
        """Volume of the inlet side as it is."""
        return float(self._state["m3"][INLET])

    @property
    def outlet_m3(self) -> float:
        """Volume of the outlet side as it is."""
        return float(self._state["m3"][OUTLET])

    @property
    def opening_m(self) -> float:
        """Opening of the stage that is set."""
        return float(self._state["stem"][LAST])

    @property
    def seat_flow(self) -> float:
        """Flow through the last seat in the last step, kg/s."""
        return float(self._state["flow"][solver.BY_LAST_SEAT])

    @property
    def past_seat_flow(self) -> float:
        """What leaks past the last seat, the stem's own opening left out, kg/s."""
        up = INLET if self.regulator.first is None else INTERSTAGE
        return self._past_seat(LAST, up, OUTLET)

    @property
    def past_first_seat_flow(self) -> float:
        """The same of the first seat of two, kg/s."""
        return self._past_seat(FIRST, INLET, INTERSTAGE)

    def _past_seat(self, which: int, up: int, down: int) -> float:
        stage, state = self._unit["stage"][which], self._state
        before, behind = float(state["pa"][up]), float(state["pa"][down])
        where = up if before >= behind else down
        cold = STANDARD_TEMPERATURE_K / float(state["kelvin"][where])
        thin = math.pow(cold, 1.0 + self.gas.viscosity_power)
        swift = math.sqrt(cold) * self.gas.throat_factor(max(before, behind))
        b = critical_ratio(self.gas.gamma)
        nick = float(stage["nick"]) * swift * orifice(before, behind, b)[0]
        squares = before * before - behind * behind
        return nick + float(stage["film"]) * thin * squares

    @property
    def interstage_lost(self) -> float:
        """Flow from between two stages to air in the last step, kg/s."""
        return float(self._state["flow"][solver.BY_INTERSTAGE_LEAK])

    @property
    def inlet_lost(self) -> float:
        """Flow out of the inlet side to air in the last step, kg/s."""
        ways = (solver.BY_VENT, solver.BY_OPEN_INLET, solver.BY_INLET_LEAK)
        return float(np.sum(self._state["flow"][list(ways)]))

    @property
    def bleed_flow(self) -> float:
        """Flow out of the outlet side in the last step, leaks included, kg/s."""
        ways = (
            solver.BY_BLEED,
            solver.BY_RIG_RELIEF,
            solver.BY_OPEN_OUTLET,
            solver.BY_OUTLET_LEAK,
            solver.BY_PINHOLE,
            solver.BY_TEAR,
            solver.BY_RELIEF,
        )
        return float(np.sum(self._state["flow"][list(ways)]))

    @property
    def metered_flow(self) -> float:
        """Flow through the downstream valve in the last step, kg/s."""
        return float(self._state["flow"][solver.BY_BLEED])

    @property
    def vent_flow(self) -> float:
        """Flow out of the bonnet's vent in the last step, kg/s."""
        return float(self._state["flow"][solver.BY_BONNET_VENT])

    @property
    def into_bonnet(self) -> float:
        """Flow from the outlet side into the bonnet in the last step, kg/s."""
        ways = (solver.BY_PINHOLE, solver.BY_TEAR, solver.BY_RELIEF)
        return float(np.sum(self._state["flow"][list(ways)]))

    @property
    def relief_flow(self) -> float:
        """Flow through the regulator's own relief in the last step, kg/s."""
        return float(self._state["flow"][solver.BY_RELIEF])

    @property
    def relief_opens(self) -> float:
        """Outlet at which the regulator's own relief opens now, Pa; NaN: none is."""
        fitted = self.regulator.relief_over_pa is not None
        return float(self._unit["opens"][solver.BY_RELIEF]) if fitted else math.nan

    @property
    def relief_shuts(self) -> float:
        """Outlet at which that relief, once open, shuts again, Pa; NaN: none is."""
        fitted = self.regulator.relief_over_pa is not None
        return float(self._unit["shuts"]) if fitted else math.nan

    @property
    def totals(self) -> Totals:
        """What went in and out since the start."""
        state = self._state
        return Totals(*(float(state[name]) for name in Totals.__dataclass_fields__))

    @property
    def hard_steps(self) -> int:
        """Steps that had to be solved in parts."""
        return int(self._state["hard"])

    @property
    def failed_parts(self) -> int:
        """Parts of steps that were not solved; none in anything that makes sense."""
        return int(self._state["failed"])

    # --- what moves it ----------------------------------------------------------------

    @property
    def valves(self) -> Valves:
        """Where the valves stand; set it to move them."""
        return self._valves

    @valves.setter
    def valves(self, valves: Valves) -> None:
        check_valves(valves)
        fixture = round(valves.fixture)
        if fixture != round(self._valves.fixture):
            self._refit()
        pushed = valves.syringe - self._valves.syringe
        if pushed > 0.0:
            self._push(pushed * SYRINGE_M3)
        self._valves = valves
        r, rig, unit = self.regulator, self.rig, self._unit
        fitted = fixture == REGULATOR
        unit["fitted"] = fitted
        k, share = unit["conductance"], self._share
        k[solver.BY_SUPPLY] = share * rig.supply * valves.inlet
        k[solver.BY_VENT] = share * rig.vent * valves.vent_inlet
        k[solver.BY_BLEED] = share * rig.bleed * valves.bleed
        k[solver.BY_FILL] = share * rig.fill * valves.fill
        to_air = share * rig.to_air if fixture == OPEN else 0.0
        k[solver.BY_OPEN_INLET] = k[solver.BY_OPEN_OUTLET] = to_air
        inside, outside = self._own_leaks if fitted else (0.0, 0.0)
        k[solver.BY_INLET_LEAK] = self._rig_leaks[0] + inside
        opened = self._standard * valves.standard
        k[solver.BY_OUTLET_LEAK] = self._rig_leaks[1] + outside + opened
        unit["supply_pa"] = valves.supply_pa_gauge
        preload = r.preload_n(valves.screw_m)
        unit["stage"][LAST]["preload_n"] = preload
        k[solver.BY_RELIEF] = 0.0
        if r.relief_over_pa is not None:
            # the diaphragm lifts off the stem a little above the spring's own balance
            balance = max(preload / r.diaphragm_m2, 0.0)
            opens = balance + r.relief_over_pa
            unit["opens"][solver.BY_RELIEF] = opens
            unit["shuts"] = max(opens - r.relief_blowdown_pa, 0.0)
            k[solver.BY_RELIEF] = self._relief

    def step(self) -> None:
        """Go one step on."""
        solver.advance(self._units, self._states, 1)

    def advance(self, steps: int) -> None:
        """Go some steps on, valves left as they stand; time never goes back."""
        assert steps >= 0
        solver.advance(self._units, self._states, steps)

    # --- inside -----------------------------------------------------------------------

    @property
    def _unit(self) -> Any:
        return self._units[0]

    @property
    def _state(self) -> Any:
        return self._states[0]

    @property
    def _share(self) -> float:
        """Of what a valve passes of nitrogen, for which its conductance is stated."""
        return share_of_nitrogen(LeakForm.ORIFICE, self.gas)

    def _film(self, std_cm3_min: float, from_pa: float, to_pa: float) -> float:
        return Leak.of(std_cm3_min, from_pa, to_pa, gas=self.gas).conductance

    def _slit(self, std_cm3_min: float, from_pa: float, to_pa: float) -> float:
        form = LeakForm.ORIFICE
        return Leak.of(std_cm3_min, from_pa, to_pa, form, self.gas).conductance

    def _hole(self, area_m2: float, discharge: float = 0.7) -> float:
        return opening_conductance(area_m2, discharge, gas=self.gas)

    def _fill_unit(self) -> None:
        r, rig, gas, unit = self.regulator, self.rig, self.gas, self._unit
        unit["step_s"] = self.step_s
        unit["stages"] = 1 if r.first is None else 2
        unit["gas_constant"] = gas.gas_constant
        unit["density_scale"] = gas.density_scale
        unit["residual"] = gas.residual
        unit["heat"] = gas.heat
        unit["throat"] = gas.throat
        unit["viscosity_power"] = gas.viscosity_power
        unit["ratio"] = critical_ratio(gas.gamma)
        self._fill_volumes()
        air, outlet = STANDARD_PRESSURE_PA, r.outlet_reference_pa
        inlet = r.inlet_reference_pa
        self._rig_leaks = (
            self._film(rig.inlet_leak, inlet, air),
            self._film(rig.outlet_leak + rig.bleed_leak, outlet, air),
        )
        self._standard = self._film(rig.standard_leak, air + rig.standard_pa, air)
        self._own_leaks = (
            self._film(r.body_joint, inlet, air),
            self._film(r.fitting + r.bonnet_joint + r.back_cap, outlet, air),
        )
        self._relief = self._hole(r.relief_m2)
        k = unit["conductance"]
        k[solver.BY_RIG_RELIEF] = self._share * rig.relief
        unit["opens"][solver.BY_RIG_RELIEF] = rig.relief_pa
        unit["fill_pa"] = rig.fill_pa
        unit["supply_creep"] = rig.supply_creep
        unit["supply_most"] = rig.supply_creep_most
        k[solver.BY_PINHOLE] = self._film(r.diaphragm + r.relief_seat, outlet, air)
        k[solver.BY_TEAR] = self._slit(r.tear, outlet, air)
        k[solver.BY_BONNET_VENT] = self._hole(r.vent_m2)
        interstage = r.interstage_reference_pa
        k[solver.BY_INTERSTAGE_LEAK] = self._film(r.first_leak, interstage, air)
        before = r.inlet_reference_pa
        if r.first is not None:
            self._fill_stage(FIRST, r.first, before, interstage)
            first = unit["stage"][FIRST]
            first["preload_n"] = r.first.preload_n(r.first_screw_m)
            before = interstage
        self._fill_stage(LAST, r, before, outlet)
        s = self.surroundings
        for name in ("air_pa", "air_drift", "air_swing", "air_phase"):
            unit[name] = getattr(s, name)
        for name in ("room_k", "room_drift", "room_swing", "room_phase"):
            unit[name] = getattr(s, name)

    def _fill_volumes(self) -> None:
        r, rig, gas, unit = self.regulator, self.rig, self.gas, self._unit
        room = self.surroundings.room_k
        parts = (
            (INLET, rig.inlet_m3, rig.inlet_give, rig.gas_tau_s, rig.inlet_dense_pa),
            (
                INTERSTAGE,
                r.interstage_m3,
                r.interstage_give,
                _SMALL_TAU_S,
                r.interstage_reference_pa,
            ),
            (OUTLET, rig.outlet_m3, rig.outlet_give, rig.gas_tau_s, rig.dense_pa),
            (BONNET, r.bonnet_m3, 0.0, _SMALL_TAU_S, STANDARD_PRESSURE_PA),
        )
        for i, volume, give, tau, dense_pa in parts:
            dense = gas.density(dense_pa, room)
            cv, _ = gas.heats(dense, room)
            conduct = volume * dense * cv / tau
            unit["volume"][i] = volume
            unit["give"][i] = give
            unit["dense"][i] = dense
            unit["to_wall"][i] = (1.0 - r.body_share) * conduct
            unit["to_body"][i] = r.body_share * conduct
            unit["wall_heat"][i] = rig.wall_heat
            unit["wall_room"][i] = rig.wall_heat / rig.wall_tau_s
        unit["body_heat"] = r.body_heat
        unit["body_room"] = r.body_heat / r.body_tau_s
        unit["exchange"] = r.exchange

    def _fill_stage(
        self, which: int, stage: Stage, before_pa: float, behind_pa: float
    ) -> None:
        into = self._unit["stage"][which]
        into["spring"] = stage.spring_n_per_m
        into["seat"] = stage.seat_n_per_m
        into["contact"] = stage.contact_m
        into["travel"] = stage.travel_m
        into["friction"] = stage.friction_n
        into["area"] = stage.diaphragm_m2
        into["push"] = stage.push_m2
        into["bore"] = stage.bore_m
        into["curtain"] = self._hole(1.0, stage.discharge)
        into["most"] = self._share * stage.strainer
        into["nick"] = self._slit(stage.seat_nick, before_pa, behind_pa)
        into["film"] = self._film(stage.seat_film, before_pa, behind_pa)
        into["sense_s"] = stage.sense_lag_s
        into["stem_s"] = stage.stem_lag_s
        into["slackens"] = stage.slackens_n_per_s
        into["slackens_most"] = stage.slackens_most_n

    def _start(self) -> None:
        """Air pressure and room temperature everywhere."""
        state = self._state
        air, room = self.surroundings.at(0.0)
        state["air_pa"], state["room_k"] = air, room
        state["wall_k"] = room
        state["body_k"] = room
        for i in range(solver.VOLUMES):
            self._put(i, air, room)
        state["felt"] = air

    def _put(self, i: int, pa: float, kelvin: float) -> None:
        state = self._state
        density = self.gas.density(pa, kelvin)
        state["m3"][i] = self._unit["volume"][i]
        state["pa"][i], state["kelvin"][i] = pa, kelvin
        state["kg"][i] = density * state["m3"][i]
        energy = self.gas.internal_energy(density, kelvin)
        state["joule"][i] = state["kg"][i] * energy

    def charge(self, pa: float, kelvin: float) -> None:
        """Put gas of an absolute pressure and a temperature into the outlet side."""
        before = float(self._state["kg"][OUTLET])
        self._put(OUTLET, pa, kelvin)
        self._state["taken_kg"] += float(self._state["kg"][OUTLET]) - before

    def _push(self, m3: float) -> None:
        """Put so much gas of the air's pressure and the room's warmth in the outlet."""
        state, air, room = self._state, self.air_pa, self.room_k
        density = self.gas.density(air, room)
        kg = m3 * density
        joule = kg * (self.gas.internal_energy(density, room) + air / density)
        state["kg"][OUTLET] += kg
        state["joule"][OUTLET] += joule
        state["taken_kg"] += kg
        state["taken_j"] += joule

    def _refit(self) -> None:
        """Bring a regulator's own volumes to air: it was off the rig."""
        state = self._state
        air, room = self.air_pa, self.room_k
        kg, joule = float(np.sum(state["kg"])), float(np.sum(state["joule"]))
        for i in (INTERSTAGE, BONNET):
            self._put(i, air, room)
        state["stem"] = 0.0
        state["felt"] = air
        state["taken_kg"] += float(np.sum(state["kg"])) - kg
        state["taken_j"] += float(np.sum(state["joule"])) - joule


def cores() -> int:
    """Return how many cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not said by every system
        return os.cpu_count() or 1


class PlantBatch:
    """Many plants that go on together; each is the same as when alone.

    Args:
        plants: none of them may be stepped on its own from now on.
        threads: how many go on at once; as many as there are cores where not said.
    """

    def __init__(self, plants: Sequence[Plant], threads: int | None = None) -> None:
        self.plants = tuple(plants)
        self._units = np.concatenate([p._units for p in plants])  # noqa: SLF001
        self._states = np.concatenate([p._states for p in plants])  # noqa: SLF001
        for i, plant in enumerate(self.plants):
            plant._units = self._units[i : i + 1]  # noqa: SLF001
            plant._states = self._states[i : i + 1]  # noqa: SLF001
        self._threads = threads or cores()
        self._pool: ThreadPoolExecutor | None = None

    def advance(self, steps: int) -> None:
        """Let every plant go on by as many of its steps."""
        count = len(self.plants)
        if self._threads == 1 or count * steps < _WORTH_THREADS:
            solver.advance(self._units, self._states, steps)
            return
        if self._pool is None:
            self._pool = ThreadPoolExecutor(self._threads, "plants")
        # several parts for each thread: some plants take longer than others
        parts = min(count, 4 * self._threads)
        edges = [count * i // parts for i in range(parts + 1)]
        going = [
            self._pool.submit(
                solver.advance, self._units[i:j], self._states[i:j], steps
            )
            for i, j in itertools.pairwise(edges)
        ]
        for part in going:
            part.result()
