"""Mass and energy of the simulated gas, whatever the parts, the leaks and the hands."""

import math
from dataclasses import dataclass, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from records.gas.facts import GASES
from rig.simulator.families import FAMILIES, Family
from rig.simulator.plant import Plant
from rig.simulator.regulator import Regulator
from rig.simulator.rigbody import BLANK, OPEN, REGULATOR, RigBody, Surroundings, Valves
from tests.rig.simulator.gasbench import flowing, ramp, run, turn

# Of what went through; the worst of seven thousand such cases was 2e-13 for mass and,
# because a temperature is found from energy in one step of Newton's, 2e-10 for energy.
WITHIN = 1e-11
ENERGY_WITHIN = 1e-8


@dataclass(frozen=True, slots=True)
class Case:
    """A plant and what hands do with it: positions, and for how long, s."""

    plant: Plant
    moves: tuple[tuple[Valves, float], ...]


def times(least: float, most: float) -> st.SearchStrategy[float]:
    """Return factors, spread evenly in their logarithm."""
    return st.floats(math.log(least), math.log(most)).map(math.exp)


def leaks(family: Family) -> st.SearchStrategy[float]:
    return st.just(0.0) | times(0.01, 20.0).map(lambda share: share * family.fault_leak)


@st.composite
def regulators(draw: st.DrawFn, family: Family) -> Regulator:
    plain = family.regulator
    places = ("seat_nick", "seat_film", "fitting", "diaphragm", "tear", "body_joint")
    leaking: dict[str, Any] = {place: draw(leaks(family)) for place in places}
    if plain.first is not None:
        first = replace(
            plain.first,
            friction_n=plain.first.friction_n * draw(times(0.1, 10.0)),
            seat_film=draw(leaks(family)),
        )
        plain = replace(plain, first=first, first_leak=draw(leaks(family)))
    return replace(
        plain,
        **leaking,
        friction_n=plain.friction_n * draw(st.just(0.0) | times(0.1, 30.0)),
        spring_n_per_m=plain.spring_n_per_m * draw(times(0.7, 1.5)),
        seat_n_per_m=plain.seat_n_per_m * draw(times(0.2, 3.0)),
        bonnet_m3=plain.bonnet_m3 * draw(times(0.3, 3.0)),
        vent_m2=draw(st.just(0.0) | times(1e-8, 1e-4)),
        relief_over_pa=draw(st.none() | st.just(0.5 * family.outlet_gauge)),
        stem_lag_s=draw(st.sampled_from([0.0, 0.0, 0.02])),
        sense_lag_s=draw(st.sampled_from([0.0, 0.0, 0.02])),
        strainer=draw(st.sampled_from([0.0, 1e-9])),
    )


@st.composite
def rigs(draw: st.DrawFn, family: Family) -> RigBody:
    plain = family.rig
    stroke = family.regulator.diaphragm_m2 * family.regulator.travel_m
    highest = 1.2 * family.inlet_gauge + 1.5e5
    gases = [name for name, gas in GASES.items() if gas.highest_pa > highest]
    return replace(
        plain,
        gas=draw(st.sampled_from(gases)),
        inlet_m3=plain.inlet_m3 * draw(times(0.3, 10.0)),
        outlet_m3=max(plain.outlet_m3 * draw(times(0.3, 10.0)), 1.5 * stroke),
        outlet_give=plain.outlet_give * draw(st.sampled_from([0.0, 1.0, 5.0])),
        gas_tau_s=draw(times(0.1, 1e4)),
        inlet_leak=draw(leaks(family)),
        bleed_leak=draw(leaks(family)),
        supply_creep=draw(st.sampled_from([0.0, 50.0])),
        supply_creep_most=1e3,
    )


@st.composite
def cases(draw: st.DrawFn) -> Case:
    family = FAMILIES[draw(st.sampled_from(sorted(FAMILIES)))]
    surroundings = Surroundings(
        air_pa=draw(st.floats(70e3, 105e3)),
        air_drift=draw(st.sampled_from([0.0, 0.5])),
        room_k=draw(st.floats(280.0, 305.0)),
        room_swing=draw(st.sampled_from([0.0, 1.0])),
    )
    plant = Plant(
        draw(regulators(family)),
        draw(rigs(family)),
        surroundings,
        draw(st.sampled_from([0.001, 0.0025, 0.005, 0.01])),
    )
    before = family.inlet_gauge
    if family.regulator.first is not None:
        before = family.regulator.interstage_reference_pa - plant.air_pa
    screw = family.regulator.screw_for(family.outlet_gauge, before)
    valve = st.sampled_from([0.0, 0.0, 0.05, 0.3, 1.0])
    moves = tuple(
        (
            Valves(
                supply_pa_gauge=family.inlet_gauge
                * draw(st.sampled_from([0.0, 0.3, 1.0, 1.2])),
                inlet=draw(valve),
                vent_inlet=draw(valve),
                bleed=draw(valve),
                fill=draw(valve),
                screw_m=screw * draw(st.sampled_from([0.0, 0.7, 1.0, 1.1])),
                fixture=draw(st.sampled_from([OPEN, BLANK] + 6 * [REGULATOR])),
            ),
            draw(st.sampled_from([0.2, 1.0, 3.0])),
        )
        for _ in range(draw(st.integers(2, 6)))
    )
    return Case(plant, moves)


@settings(max_examples=120)
@given(case=cases())
def test_neither_mass_nor_energy_is_made_or_lost(case: Case) -> None:
    plant = case.plant
    kg, gas_j, solid_j = plant.kg, plant.inner_joules, plant.solid_joules
    for valves, seconds in case.moves:
        plant.valves = valves
        run(plant, seconds)
    went = plant.totals
    through = went.taken_kg + went.given_kg + kg
    assert plant.kg - kg == pytest.approx(
        went.taken_kg - went.given_kg, abs=WITHIN * through
    )
    # First law: gas, then walls and body, then all of it.
    gas_j = plant.inner_joules - gas_j
    solid_j = plant.solid_joules - solid_j
    cv, _ = plant.gas.heats(0.0, 293.15)
    size = through * cv * 293.15
    flows = went.taken_j - went.given_j
    assert gas_j == pytest.approx(
        flows + went.warmed_j - went.work_j, abs=ENERGY_WITHIN * size
    )
    held = plant.solid_joules
    assert solid_j == pytest.approx(went.room_j - went.warmed_j, abs=1e-12 * held)
    assert gas_j + solid_j == pytest.approx(
        flows + went.room_j - went.work_j, abs=ENERGY_WITHIN * size + 1e-12 * held
    )
    for pressure, kg, m3, kelvin in (
        (plant.inlet_pa, plant.inlet_kg, plant.inlet_m3, plant.inlet_k),
        (plant.outlet_pa, plant.outlet_kg, plant.outlet_m3, plant.outlet_k),
    ):
        assert pressure == pytest.approx(plant.gas.pressure(kg / m3, kelvin), rel=1e-11)
    assert plant.failed_parts == 0


@pytest.mark.parametrize("id", FAMILIES)
def test_work_is_pressure_times_the_room_that_is_made(id: str) -> None:
    # By hand from what is seen after each step: hoses and the diaphragm's two sides.
    family = FAMILIES[id]
    plant = flowing(family, step_s=5e-4, seconds=2.0)
    turn(plant, bleed=1.0)
    start, work = plant.totals.work_j, 0.0
    state = plant._state
    for _ in range(2000):
        before = state["m3"].copy()
        plant.step()
        work += float(((state["m3"] - before) * state["pa"]).sum())
    assert abs(work) > 1e-6
    assert plant.totals.work_j - start == pytest.approx(work, rel=5e-3)


@pytest.mark.parametrize("id", FAMILIES)
def test_a_whole_test_of_each_family_keeps_its_ledger(id: str) -> None:
    family = FAMILIES[id]
    plant = flowing(family)
    ramp(plant, "bleed", 0.0, 3.0)
    run(plant, 60.0)
    turn(plant, inlet=0.0)
    run(plant, 60.0)
    turn(plant, bleed=1.0, supply_pa_gauge=0.0, vent_inlet=1.0)
    run(plant, 30.0)
    went = plant.totals
    fresh = Plant(plant.regulator, plant.rig, plant.surroundings)
    assert went.taken_kg > fresh.kg
    assert plant.kg - fresh.kg == pytest.approx(
        went.taken_kg - went.given_kg, abs=1e-12 * went.taken_kg
    )
    gained = plant.inner_joules + plant.solid_joules
    gained -= fresh.inner_joules + fresh.solid_joules
    brought = went.taken_j - went.given_j + went.room_j - went.work_j
    cv, _ = plant.gas.heats(0.0, 293.15)
    size = went.taken_kg * cv * 293.15
    assert gained == pytest.approx(brought, abs=ENERGY_WITHIN * size)
    assert plant.hard_steps == plant.failed_parts == 0
