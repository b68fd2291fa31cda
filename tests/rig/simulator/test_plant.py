"""The simulated gas of a second stage against the balance of forces."""

import math
from collections.abc import Callable

import pytest

from rig.simulator.gasflow import (
    NITROGEN,
    Leak,
    critical_ratio,
    opening_conductance,
    orifice,
)
from rig.simulator.plant import Plant
from rig.simulator.regulator import Regulator
from rig.simulator.rigbody import (
    BLANK,
    OPEN,
    REGULATOR,
    RigBody,
    Surroundings,
    Valves,
)
from tests.rig.simulator.gasbench import ramp, run, turn

GAS_CONSTANT = NITROGEN.gas_constant
INCH = 248.84  # NIST SP 811
PSI = 6894.757
STIFF = RigBody(inlet_give=0.0, outlet_give=0.0)


def supplied(regulator: Regulator, rig: RigBody = STIFF, screw_m: float = 0.0) -> Plant:
    plant = Plant(regulator, rig, Surroundings())
    turn(plant, fixture=REGULATOR, inlet=1.0, screw_m=screw_m, bleed=0.1)
    ramp(plant, "supply_pa_gauge", 10.0 * PSI, 2.0)
    run(plant, 25.0)
    return plant


def screw_for(regulator: Regulator, outlet_gauge: float) -> float:
    """Return the screw that holds a pressure at 3 std L/min, by hand calculation."""
    force = (
        regulator.diaphragm_m2 * outlet_gauge
        + regulator.stem_spring_n
        - regulator.push_m2 * (10.0 * PSI - outlet_gauge)
    )
    return force / regulator.spring_n_per_m + 12e-6


def wild_program(plant: Plant) -> None:
    """Every valve, all the way, in an order that meets each law of flow."""
    turn(plant, fixture=BLANK, inlet=0.3, supply_pa_gauge=69e3, fill=1.0)
    run(plant, 3.0)
    turn(plant, inlet=0.0, vent_inlet=1.0, bleed=1.0, fill=0.0)
    run(plant, 3.0)
    turn(plant, fixture=REGULATOR, vent_inlet=0.0, bleed=0.1, inlet=1.0, screw_m=5e-3)
    run(plant, 4.0)
    turn(plant, bleed=0.0)
    run(plant, 4.0)
    turn(plant, bleed=1.0)
    run(plant, 2.0)
    turn(plant, screw_m=9e-3, supply_pa_gauge=150e3, bleed=0.0)
    run(plant, 3.0)
    turn(plant, supply_pa_gauge=0.0, bleed=0.5)
    run(plant, 4.0)
    turn(plant, fixture=OPEN)
    run(plant, 2.0)


def test_no_gas_is_made_or_lost() -> None:
    regulator = Regulator(seat_nick=0.5, seat_film=0.3, diaphragm=5.0, body_joint=0.4)
    plant = Plant(regulator, RigBody(outlet_leak=0.2, inlet_leak=0.1), Surroundings())
    start = plant.kg
    wild_program(plant)
    totals = plant.totals
    assert totals.taken_kg > 5.0 * start  # a lot went through
    assert plant.kg - start == pytest.approx(
        totals.taken_kg - totals.given_kg, abs=1e-11 * totals.taken_kg
    )


def test_mass_pressure_and_temperature_obey_the_gas_law() -> None:
    plant = Plant(Regulator(), RigBody(), Surroundings())
    wild_program(plant)
    run(plant, 60.0)
    for kg, pa, m3, k in (
        (plant.outlet_kg, plant.outlet_pa, plant.outlet_m3, plant.outlet_k),
        (plant.inlet_kg, plant.inlet_pa, plant.inlet_m3, plant.inlet_k),
    ):
        assert pa == pytest.approx(NITROGEN.pressure(kg / m3, k), rel=1e-12)


def test_the_quick_search_always_gets_there() -> None:
    plant = Plant(Regulator(), RigBody(), Surroundings())
    wild_program(plant)
    assert plant.hard_steps == plant.failed_parts == 0


def test_same_gas_twice_bit_for_bit() -> None:
    one = Plant(Regulator(), RigBody(), Surroundings())
    two = Plant(Regulator(), RigBody(), Surroundings())
    wild_program(one)
    wild_program(two)
    assert (one.outlet_pa, one.inlet_pa) == (two.outlet_pa, two.inlet_pa)
    assert (one.outlet_kg, one.outlet_k) == (two.outlet_kg, two.outlet_k)


def balance_gauge(r: Regulator, screw: float, x: float, push_pa: float) -> float:
    """Return the outlet that holds a stem at an opening, all forces by hand."""
    contact = r.seat_n_per_m * max(r.contact_m - x, 0.0)
    spring = r.spring_n_per_m * (screw - x) - r.stem_spring_n
    return (spring + contact + r.push_m2 * push_pa) / r.diaphragm_m2


@pytest.mark.parametrize("contact_um", [5.0, 7.5, 15.0])
def test_set_and_lockup_are_those_of_the_force_balance(contact_um: float) -> None:
    r = Regulator(contact_m=contact_um * 1e-6, friction_n=0.0)
    screw = screw_for(r, 11.0 * INCH)
    plant = supplied(r, screw_m=screw)
    set_pa = plant.outlet_gauge
    flow = orifice(plant.inlet_pa, plant.outlet_pa, critical_ratio())[0]
    flow *= plant.gas.throat_factor(plant.inlet_pa)
    conductance = opening_conductance(1.0, r.discharge, plant.inlet_k)
    area = plant.seat_flow / (conductance * flow)
    x = area / (math.pi * r.bore_m)
    push = plant.inlet_pa - plant.outlet_pa
    assert set_pa == pytest.approx(balance_gauge(r, screw, x, push), abs=0.1)

    ramp(plant, "bleed", 0.0, 3.0)
    run(plant, 30.0)
    locked = balance_gauge(r, screw, 0.0, plant.inlet_pa - plant.outlet_pa)
    # Sealed: at the balance or above it, where the last gas that passed has left it.
    assert plant.opening_m <= 1e-9
    assert plant.outlet_gauge == pytest.approx(locked, abs=2.0)
    assert plant.outlet_gauge > set_pa


def test_droop_is_what_spring_and_opening_say() -> None:
    r = Regulator(friction_n=0.0)
    screw = screw_for(r, 11.0 * INCH)
    plant = supplied(r, screw_m=screw)
    small, x1 = plant.outlet_gauge, plant.opening_m
    turn(plant, bleed=0.5)
    run(plant, 30.0)
    fall = balance_gauge(r, screw, x1, 0.0) - balance_gauge(
        r, screw, plant.opening_m, 0.0
    )
    supply_effect = r.push_m2 * (10.0 * PSI - plant.inlet_gauge) / r.diaphragm_m2
    assert small - plant.outlet_gauge == pytest.approx(fall + supply_effect, abs=1.0)
    assert small - plant.outlet_gauge > 20.0


def test_healthy_lockup_rise_is_that_of_a_second_stage() -> None:
    # Common practice, no source: a healthy rise is some per cent of set, 10 to 30 % at
    # most allowed. The model's own figure is meant to be 4 to 8 %.
    plant = supplied(Regulator(), RigBody(), screw_for(Regulator(), 11.0 * INCH))
    set_pa = plant.outlet_gauge
    ramp(plant, "bleed", 0.0, 3.0)
    run(plant, 5.0)
    assert 0.04 < plant.outlet_gauge / set_pa - 1.0 < 0.08


def test_lower_inlet_lowers_set_and_lockup_a_little() -> None:
    levels = []
    for psi in (10.0, 5.0):
        plant = supplied(Regulator(), screw_m=screw_for(Regulator(), 11.0 * INCH))
        if psi < 10.0:
            turn(plant, supply_pa_gauge=psi * PSI)
            run(plant, 20.0)
        set_pa = plant.outlet_gauge
        ramp(plant, "bleed", 0.0, 3.0)
        run(plant, 10.0)
        levels.append((set_pa, plant.outlet_gauge))
    (high_set, high_lockup), (low_set, low_lockup) = levels
    assert 0.01 * high_set < high_set - low_set < 0.05 * high_set
    assert 0.01 * high_set < high_lockup - low_lockup < 0.05 * high_set


def locked_up(regulator: Regulator, rig: RigBody = STIFF) -> Plant:
    plant = supplied(regulator, rig, screw_for(regulator, 11.0 * INCH))
    ramp(plant, "bleed", 0.0, 3.0)
    run(plant, 20.0)
    return plant


def test_a_locked_up_regulator_reopens_when_the_outlet_falls() -> None:
    plant = locked_up(Regulator(friction_n=0.0))
    level = plant.outlet_gauge
    assert plant.seat_flow < 1e-10
    turn(plant, bleed=0.001)
    run(plant, 60.0)
    # It makes up what is lost, a little below where it locked up.
    assert plant.seat_flow == pytest.approx(plant.bleed_flow, rel=1e-3)
    assert 0.0 < level - plant.outlet_gauge < 0.02 * level


def test_an_outlet_leak_is_hidden_by_a_supplied_regulator() -> None:
    plant = locked_up(Regulator(fitting=5.0))
    level = plant.outlet_gauge
    run(plant, 60.0)
    assert abs(plant.outlet_gauge - level) < 0.5
    assert plant.seat_flow > 0.0


def test_equal_leaks_pass_equal_flows_where_they_are_stated() -> None:
    plant = locked_up(Regulator(seat_nick=0.6, fitting=0.6))
    into = Leak.of(0.6, 170_272.6, 104_211.5).flow(170_272.6, 104_211.5)
    assert plant.outlet_gauge == pytest.approx(11.6 * INCH, rel=0.02)
    assert plant.seat_flow == pytest.approx(into, rel=0.01)
    assert plant.bleed_flow == pytest.approx(into, rel=0.02)


def test_seat_leak_acts_on_the_volume_that_gives() -> None:
    # dP/dt = q / (V + P dV/dP) at constant temperature, V + P dV/dP as truth has it.
    regulator = Regulator(seat_nick=0.6, friction_n=0.0)
    plant = locked_up(regulator, RigBody())
    run(plant, 60.0)
    before = plant.outlet_pa
    run(plant, 20.0)
    rate = (plant.outlet_pa - before) / 20.0
    flow = plant.seat_flow * GAS_CONSTANT * 293.15
    volume = flow / rate
    rig = plant.rig
    give = rig.outlet_give + regulator.give_m3_per_pa
    wanted = rig.outlet_m3 + rig.outlet_give * plant.outlet_gauge + before * give
    assert volume == pytest.approx(wanted, rel=5e-3)
    assert 20e-6 < volume - rig.outlet_m3 < 40e-6


def test_regulating_acts_like_a_much_larger_volume() -> None:
    r = Regulator()
    assert r.diaphragm_m2**2 / r.spring_n_per_m * 104e3 > 5 * 100e-6


def test_the_supply_takes_nothing_back() -> None:
    plant = Plant(Regulator(), STIFF, Surroundings())
    turn(plant, fixture=BLANK, inlet=1.0, supply_pa_gauge=10.0 * PSI)
    run(plant, 20.0)
    kept = plant.inlet_kg
    turn(plant, supply_pa_gauge=0.0)
    run(plant, 5.0)
    assert plant.inlet_kg == pytest.approx(kept, rel=1e-9)


def test_the_relief_valve_keeps_the_outlet_below_its_limit() -> None:
    plant = Plant(Regulator(), RigBody(), Surroundings())
    turn(plant, fixture=REGULATOR, inlet=1.0, supply_pa_gauge=10.0 * PSI, screw_m=0.015)
    run(plant, 20.0)
    assert 7500.0 < plant.outlet_gauge < 1.1 * 7500.0


def test_open_connections_read_zero() -> None:
    plant = Plant(Regulator(), RigBody(), Surroundings())
    turn(plant, bleed=1.0, vent_inlet=1.0)
    run(plant, 5.0)
    assert abs(plant.outlet_gauge) < 0.01
    assert abs(plant.inlet_gauge) < 0.01


def test_vent_down_empties_both_sides_through_the_open_regulator() -> None:
    plant = locked_up(Regulator())
    turn(plant, supply_pa_gauge=0.0)
    ramp(plant, "bleed", 1.0, 3.0)
    run(plant, 15.0)
    assert abs(plant.outlet_gauge) < 10.0
    assert abs(plant.inlet_gauge) < 10.0


def holds(step_s: float, regulator: Regulator) -> list[float]:
    """Return the pressures of three holds after ramps that do not depend on steps."""
    plant = Plant(regulator, RigBody(), Surroundings(), step_s)
    turn(plant, fixture=REGULATOR, inlet=1.0, bleed=0.1)
    turn(plant, screw_m=screw_for(regulator, 11.0 * INCH))
    ramp(plant, "supply_pa_gauge", 10.0 * PSI, 2.0)
    run(plant, 8.0)
    found = [plant.outlet_gauge]
    ramp(plant, "bleed", 0.0, 2.0)
    run(plant, 10.0)
    found.append(plant.outlet_gauge)
    turn(plant, inlet=0.0)
    run(plant, 15.0)
    return [*found, plant.outlet_gauge, plant.inlet_gauge]


def test_finer_steps_change_holds_by_less_than_the_resolution() -> None:
    healthy = Regulator(seat_nick=0.005, fitting=0.004)
    coarse, fine = holds(0.005, healthy), holds(0.001, healthy)
    for i, (one, other) in enumerate(zip(coarse, fine, strict=True)):
        resolution = 4.0 if i == 3 else 0.2
        assert one == pytest.approx(other, abs=resolution)


def test_finer_steps_change_creep_hardly() -> None:
    leaky = Regulator(seat_nick=0.6, fitting=0.1)
    coarse, fine = holds(0.005, leaky), holds(0.002, leaky)
    rise = fine[2] - fine[1]
    assert rise > 50.0
    assert coarse[2] - coarse[1] == pytest.approx(rise, rel=2e-3)


@pytest.mark.parametrize(
    "change",
    [
        lambda p: turn(p, bleed=1.0),
        lambda p: turn(p, vent_inlet=1.0, inlet=0.0),
        lambda p: turn(p, screw_m=0.0),
        lambda p: turn(p, supply_pa_gauge=30.0 * PSI, screw_m=0.012),
    ],
)
def test_sudden_changes_stay_within_reason(change: Callable[[Plant], None]) -> None:
    plant = locked_up(Regulator(), RigBody())
    change(plant)
    for _ in range(400):
        plant.step()
        assert -200.0 < plant.outlet_gauge < 9e3
        assert -200.0 < plant.inlet_gauge < 31.0 * PSI
        assert 200.0 < plant.outlet_k < 400.0
        assert 200.0 < plant.inlet_k < 400.0
    assert plant.hard_steps == plant.failed_parts == 0


def test_valves_arrive_and_shut_valves_are_shut() -> None:
    here = Valves(bleed=0.1, supply_pa_gauge=69e3)
    aim = Valves(fixture=BLANK)
    for _ in range(200):
        here = here.toward(aim, 0.2)
    assert here == aim
