"""The simulated gas against SciPy's stiff solver on the same physics, written anew.

The right-hand side below shares the gases of :mod:`records.gas` with the simulator and
nothing else: mass and energy of three volumes, heat of walls and body, and a stem where
the forces balance, all as rates of densities and temperatures. SciPy's Radau method
(Hairer and Wanner, Solving Ordinary Differential Equations II) takes it to nine digits
with steps of its own.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt
import pytest
from scipy.integrate import solve_ivp

from rig.simulator.families import CYLINDER_1, SECOND_STAGE, Family
from rig.simulator.gasflow import NITROGEN
from rig.simulator.plant import Plant
from rig.simulator.regulator import Regulator
from rig.simulator.rigbody import REGULATOR, Surroundings, Valves
from rig.simulator.solver import _at_temperature, _energy, _pressure

AIR_PA, ROOM_K = 101_325.0, 293.15
INLET, OUTLET, BONNET = range(3)
Values = npt.NDArray[np.float64]
Ramp = tuple[float, float, float, float]  # from a time to a time, from and to a value
LOOK_S = 0.5
STEPS_S = (0.005, 0.0025, 0.00125)


@dataclass(frozen=True, slots=True)
class Scene:
    """What hands do, and when it is looked at.

    Attributes:
        family: healthy, without friction, with small leaks.
        supply, bleed: ramps of the supply's gauge pressure and of the bleed valve; the
            screw goes in before both, within the first second.
        holds: ends of holds, s.
        outlet_resolution_pa, inlet_resolution_pa: of the transducers.
    """

    family: Family
    supply: Ramp
    bleed: Ramp
    holds: tuple[float, ...]
    outlet_resolution_pa: float
    inlet_resolution_pa: float

    @property
    def regulator(self) -> Regulator:
        leak = self.family.leak
        return replace(
            self.family.regulator, friction_n=0.0, seat_nick=leak, fitting=leak
        )

    @property
    def screw(self) -> Ramp:
        r, family = self.family.regulator, self.family
        return 0.0, 1.0, 0.0, r.screw_for(family.outlet_gauge, family.inlet_gauge)


SCENES = {
    "second-stage": Scene(
        SECOND_STAGE,
        (1.0, 3.0, 0.0, SECOND_STAGE.inlet_gauge),
        (16.0, 18.0, 0.1, 0.0),
        (16.0, 26.0),
        0.2,
        4.0,
    ),
    "cylinder-1": Scene(
        CYLINDER_1,
        (1.0, 5.0, 0.0, CYLINDER_1.inlet_gauge),
        (16.0, 18.0, 0.1, 0.0),
        (16.0, 30.0),
        20.0,
        1000.0,
    ),
}


def along(ramp: Ramp, t: float) -> float:
    start, end, low, high = ramp
    return low + (high - low) * min(max((t - start) / (end - start), 0.0), 1.0)


def factor(high: float, low: float, b: float) -> float:
    """ISO 6358's factor, made linear above a ratio of 0.9995."""
    ratio = low / high
    if ratio <= b:
        return 1.0
    if ratio < 0.9995:
        return math.sqrt(1.0 - ((ratio - b) / (1.0 - b)) ** 2)
    edge = math.sqrt(1.0 - ((0.9995 - b) / (1.0 - b)) ** 2)
    return edge * (1.0 - ratio) / 0.0005


class Bench:
    """Densities and temperatures of three volumes, temperatures of walls and body."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.r, self.rig, self.gas = scene.regulator, scene.family.rig, NITROGEN
        r, rig, gas = self.r, self.rig, self.gas
        self.rigid = (rig.inlet_m3, rig.outlet_m3, r.bonnet_m3)
        self.give = (rig.inlet_give, rig.outlet_give, 0.0)
        self.sweeps = (0.0, -r.diaphragm_m2, r.diaphragm_m2)
        places = zip(
            self.rigid,
            (rig.inlet_dense_pa, rig.dense_pa, AIR_PA),
            (rig.gas_tau_s, rig.gas_tau_s, 1.0),
            strict=True,
        )
        self.conducts = []  # W/K, and the density at which it is so
        for volume, dense_pa, tau in places:
            dense = gas.density(dense_pa, ROOM_K)
            cv, _ = gas.heats(dense, ROOM_K)
            self.conducts.append((volume * dense * cv / tau, dense))
        gamma = gas.gamma
        self.b = (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))
        star = math.sqrt(gamma * (2.0 / (gamma + 1.0)) ** ((gamma + 1) / (gamma - 1)))
        self.of_area = star / math.sqrt(gas.gas_constant * ROOM_K)  # of 1 m2
        sccm = 101_325.0 * 1e-6 / 60.0 / (gas.gas_constant * ROOM_K)
        before, behind = r.inlet_reference_pa, r.outlet_reference_pa
        self.nick = r.seat_nick * sccm / (before * factor(before, behind, self.b))
        self.film = r.fitting * sccm / (behind**2 - AIR_PA**2)
        self.air_enthalpy = gas.enthalpy(AIR_PA, ROOM_K)
        # of the regulator's stem: force on it per pressure of each place
        self.force = (
            r.push_m2,
            -(r.push_m2 + r.diaphragm_m2),
            r.diaphragm_m2,
        )

    def start(self) -> Values:
        density = self.gas.density(AIR_PA, ROOM_K)
        return np.array([density] * 3 + [ROOM_K] * 7)

    def opening(self, time: float, p: Sequence[float]) -> tuple[float, float]:
        """Return where springs, seat and pressures balance, and the stiffness, N/m."""
        r = self.r
        free = r.spring_n_per_m * along(self.scene.screw, time) - r.stem_spring_n
        free += sum(f * pa for f, pa in zip(self.force, p, strict=True))
        x = free / r.spring_n_per_m
        if x > r.travel_m:
            return r.travel_m, math.inf
        if x > r.contact_m:
            return x, r.spring_n_per_m
        stiff = r.spring_n_per_m + r.seat_n_per_m
        return (free + r.seat_n_per_m * r.contact_m) / stiff, stiff

    def gas_of(self, density: float, kelvin: float) -> tuple[float, ...]:
        """Return pressure, its slopes in density and temperature, energy, heats."""
        gas = self.gas
        u, cv, cp, _ = _energy(
            gas.residual, gas.heat, gas.density_scale, gas.gas_constant, density, kelvin
        )
        row = np.empty(len(gas.residual))
        _at_temperature(gas.residual, kelvin, row)
        p, slope = _pressure(row, gas.density_scale, gas.gas_constant, density, kelvin)
        # cp - cv = T (dp/dT)^2 / (rho^2 dp/drho)
        warming = density * math.sqrt((cp - cv) * slope / kelvin)
        return p, slope, warming, u, cv, cp

    def __call__(self, time: float, y: Values) -> Values:
        gas, r, rig = self.gas, self.r, self.rig
        density, kelvin = y[:3].tolist(), y[3:6].tolist()
        wall_k, body_k = y[6:9], float(y[9])
        of = [self.gas_of(d, t) for d, t in zip(density, kelvin, strict=True)]
        p = [one[0] for one in of]
        enthalpy = [one[3] + one[0] / d for one, d in zip(of, density, strict=True)]
        x, stiff = self.opening(time, p)
        m3 = [
            self.rigid[i] + self.give[i] * (p[i] - AIR_PA) + self.sweeps[i] * x
            for i in range(3)
        ]
        kg, joule = np.zeros(3), np.zeros(3)  # into each place, per s

        def passes(k: float, high: float, low: float, high_k: float) -> float:
            swift = math.sqrt(ROOM_K / high_k) * gas.throat_factor(high)
            return k * swift * high * factor(high, low, self.b)

        def move(flow: float, brings: float, i: int | None, j: int | None) -> None:
            for place, sign in ((i, -1.0), (j, 1.0)):
                if place is not None:
                    kg[place] += sign * flow
                    joule[place] += sign * flow * brings

        supply_pa = AIR_PA + along(self.scene.supply, time)
        if supply_pa > p[INLET]:
            fed = passes(rig.supply, supply_pa, p[INLET], ROOM_K)
            move(fed, gas.enthalpy(supply_pa, ROOM_K), None, INLET)
        bleed = rig.bleed * along(self.scene.bleed, time)
        vent = r.vent_m2 * 0.7 * self.of_area
        for k, i in ((bleed, OUTLET), (vent, BONNET)):
            if p[i] >= AIR_PA:
                move(passes(k, p[i], AIR_PA, kelvin[i]), enthalpy[i], i, None)
            else:
                move(passes(k, AIR_PA, p[i], ROOM_K), self.air_enthalpy, None, i)
        cold = (ROOM_K / kelvin[OUTLET]) ** (1.0 + gas.viscosity_power)
        lost = self.film * cold * (p[OUTLET] ** 2 - AIR_PA**2)
        move(lost, enthalpy[OUTLET], OUTLET, None)
        lift = min(max(x, 0.0), 0.25 * r.bore_m)
        seat = r.discharge * math.pi * r.bore_m * lift * self.of_area + self.nick
        past = 0.0
        if p[INLET] >= p[OUTLET]:
            past = passes(seat, p[INLET], p[OUTLET], kelvin[INLET])
            move(past, enthalpy[INLET], INLET, OUTLET)
        else:
            back = passes(seat, p[OUTLET], p[INLET], kelvin[OUTLET])
            move(back, enthalpy[OUTLET], OUTLET, INLET)

        warmed, from_body = np.zeros(3), 0.0
        for i, (conduct, dense) in enumerate(self.conducts):
            conduct *= math.sqrt(density[i] / dense)
            warmed[i] = (1.0 - r.body_share) * conduct * (wall_k[i] - kelvin[i])
            body = r.body_share * conduct * (body_k - kelvin[i])
            if i == OUTLET:
                body += past * r.exchange * of[i][5] * (body_k - kelvin[i])
            joule[i] += warmed[i] + body
            from_body += body

        turning = along(self.scene.screw, time + 1e-6) - along(self.scene.screw, time)
        turning *= 1e6 * r.spring_n_per_m / stiff  # m/s of the stem, by the screw alone

        # With V = rigid + give (p - air) + sweep x, and x = sum of force p over
        # stiffness: V drho + rho dV = dm; m cv dT = dH + Q - h dm + T dp/dT (dm / rho
        # - dV), which is the first law with du/drho = (p - T dp/dT) / rho^2.
        a, right = np.zeros((6, 6)), np.zeros(6)
        for i in range(3):
            d, t = density[i], kelvin[i]
            _, _, warming, _, cv, _ = of[i]
            a[i, i] += m3[i]
            a[3 + i, 3 + i] += d * m3[i] * cv
            swept = self.sweeps[i] * turning
            right[i] = kg[i] - d * swept
            right[3 + i] = joule[i] - enthalpy[i] * kg[i]
            right[3 + i] += t * warming * (kg[i] / d - swept)
            for j in range(3):
                grows = self.sweeps[i] * self.force[j] / stiff
                if i == j:
                    grows += self.give[i]
                in_density, in_kelvin = grows * of[j][1], grows * of[j][2]
                a[i, j] += d * in_density
                a[i, 3 + j] += d * in_kelvin
                a[3 + i, j] += t * warming * in_density
                a[3 + i, 3 + j] += t * warming * in_kelvin
        rates = np.linalg.solve(a, right)
        walls = (ROOM_K - wall_k) / rig.wall_tau_s - warmed / rig.wall_heat
        body_rate = (ROOM_K - body_k) / r.body_tau_s - from_body / r.body_heat
        return np.array([*rates, *walls, body_rate], dtype=np.float64)


def looks(scene: Scene) -> Values:
    """Return the times that are compared, s."""
    return LOOK_S * np.arange(1.0, round(scene.holds[-1] / LOOK_S) + 1.0)


@cache
def by_scipy(name: str) -> Values:
    """Return inlet, outlet (absolute, Pa) and outlet's K, shape (looks, 3)."""
    scene = SCENES[name]
    bench = Bench(scene)
    edges = sorted(
        {*scene.screw[:2], *scene.supply[:2], *scene.bleed[:2], scene.holds[-1]}
    )
    y, rows = bench.start(), []
    for begin, end in itertools.pairwise(edges):
        at = [t for t in looks(scene) if begin < t <= end + 1e-9]
        found = solve_ivp(
            bench, (begin, end), y, "Radau", at, rtol=1e-9, atol=[1e-9] * 3 + [1e-7] * 7
        )
        assert found.success, found.message
        y = found.y[:, -1]
        for column in found.y.T:
            inlet, outlet = (bench.gas_of(column[i], column[3 + i])[0] for i in (0, 1))
            rows.append((inlet, outlet, column[4]))
    return np.array(rows)


@cache
def by_plant(name: str, step_s: float) -> Values:
    """Return the same of the simulator, its valves moved on at every step."""
    scene = SCENES[name]
    plant = Plant(scene.regulator, scene.family.rig, Surroundings(), step_s)
    positions = Valves(fixture=REGULATOR, inlet=1.0)
    rows = []
    for look in looks(scene):
        for i in range(round(LOOK_S / step_s)):
            t = look - LOOK_S + (i + 1) * step_s
            moved = replace(
                positions,
                screw_m=along(scene.screw, t),
                supply_pa_gauge=along(scene.supply, t),
                bleed=along(scene.bleed, t),
            )
            if moved != plant.valves:
                plant.valves = moved
            plant.step()
        rows.append((plant.inlet_pa, plant.outlet_pa, plant.outlet_k))
    assert plant.hard_steps == plant.failed_parts == 0
    return np.array(rows)


@pytest.mark.parametrize("name", SCENES)
def test_holds_agree_within_the_transducers_resolution(name: str) -> None:
    scene = SCENES[name]
    wanted, found = by_scipy(name), by_plant(name, STEPS_S[0])
    for end in scene.holds:
        held = (looks(scene) > end - 3.0) & (looks(scene) <= end)
        off = np.abs(found - wanted)[held].max(axis=0)
        assert off[0] < scene.inlet_resolution_pa, (end, off)
        assert off[1] < scene.outlet_resolution_pa, (end, off)
        assert off[2] < 0.05, (end, off)
    # not for want of anything that happens
    assert wanted[:, 1].max() - wanted[:, 1].min() > 0.2 * (wanted[-1, 1] - AIR_PA)


@pytest.mark.parametrize("name", SCENES)
def test_the_error_halves_with_the_step(name: str) -> None:
    # The order that the solver states, over the whole run, ramps included.
    wanted = by_scipy(name)
    errors = [np.abs(by_plant(name, h) - wanted).mean(axis=0) for h in STEPS_S]
    for coarse, fine in itertools.pairwise(errors):
        assert coarse / fine == pytest.approx([2.0, 2.0, 2.0], rel=0.02), errors
