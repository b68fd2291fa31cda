"""Where each family sets, locks up, relieves and cools, against forces done by hand.

The force balance of a spring-loaded regulator is in any text on it: springs and inlet
on one side, diaphragm and seat on the other.
"""

import math
from dataclasses import replace

import pytest

from records.gas.facts import GASES
from rig.simulator import solver
from rig.simulator.families import CYLINDER_1, CYLINDER_2, FAMILIES, SERVICE, Family
from rig.simulator.families import SECOND_STAGE as SECOND
from rig.simulator.gasflow import NITROGEN, critical_flow_factor, critical_ratio
from rig.simulator.plant import Plant
from rig.simulator.regulator import Regulator, Stage
from rig.simulator.rigbody import BLANK, REGULATOR, RigBody, Surroundings
from tests.rig.simulator.gasbench import fitted, flowing, locked_up, ramp, run, turn

ROOM_K = 293.15


def frictionless(family: Family) -> Regulator:
    """Return a family's regulator without friction, its body at the room's warmth."""
    r = family.regulator
    if r.first is not None:
        r = replace(r, first=replace(r.first, friction_n=0.0))
    return replace(r, friction_n=0.0, exchange=1.0, body_heat=1e9)


def even(family: Family) -> RigBody:
    """Return its rig with gas at the walls' temperature, and walls at the room's."""
    return replace(family.rig, gas_tau_s=0.01, wall_heat=1e9)


def held(stage: Stage, screw_m: float, opening_m: float, before_gauge: float) -> float:
    """Return the pressure behind a stage that is in balance with its forces, gauge."""
    force = stage.spring_n_per_m * (screw_m - opening_m) - stage.stem_spring_n
    force += stage.seat_n_per_m * max(stage.contact_m - opening_m, 0.0)
    force += stage.push_m2 * before_gauge
    return force / (stage.diaphragm_m2 + stage.push_m2)


def opening_for(
    stage: Stage, flow: float, before_pa: float, behind_pa: float, kelvin: float
) -> float:
    """Return the opening whose curtain passes a flow (ISO 6358, ideal nozzle's b)."""
    b, ratio = critical_ratio(1.4), behind_pa / before_pa
    passed = math.sqrt(1.0 - (max(ratio - b, 0.0) / (1.0 - b)) ** 2)
    star = critical_flow_factor(1.4) * NITROGEN.throat_factor(before_pa)
    per_m2 = star * before_pa * passed / math.sqrt(NITROGEN.gas_constant * kelvin)
    return flow / (stage.discharge * per_m2 * math.pi * stage.bore_m)


def before_last(plant: Plant) -> float:
    """Return the pressure before the stage that is set, gauge."""
    two = plant.regulator.first is not None
    return plant.interstage_gauge if two else plant.inlet_gauge


def by_hand(plant: Plant) -> float:
    """Return where the outlet has to stand, from flow and inlet alone, gauge."""
    before, air = before_last(plant), plant.air_pa
    two = plant.regulator.first is not None
    kelvin = float(plant._states["kelvin"][0][solver.INTERSTAGE if two else 0])
    x = opening_for(
        plant.regulator, plant.seat_flow, before + air, plant.outlet_pa, kelvin
    )
    return held(plant.regulator, plant.valves.screw_m, x, before)


@pytest.mark.parametrize("id", FAMILIES)
def test_flowing_outlet_and_droop(id: str) -> None:
    family = FAMILIES[id]
    plant = flowing(family, frictionless(family), even(family), seconds=30.0)
    small = plant.outlet_gauge
    assert small == pytest.approx(by_hand(plant), rel=2e-5)
    assert small == pytest.approx(family.outlet_gauge, rel=0.05)
    turn(plant, bleed=1.0)
    run(plant, 30.0)
    large = plant.outlet_gauge
    assert large == pytest.approx(by_hand(plant), rel=2e-5)
    assert 0.0 < small - large < 0.2 * small


@pytest.mark.parametrize("id", FAMILIES)
def test_lockup(id: str) -> None:
    family = FAMILIES[id]
    plant = flowing(family, frictionless(family), even(family), seconds=30.0)
    small = plant.outlet_gauge
    ramp(plant, "bleed", 0.0, 3.0)
    run(plant, 30.0)
    shut = held(plant.regulator, plant.valves.screw_m, 0.0, before_last(plant))
    # sealed at the balance, a little above where the last gas that passed has left it
    assert plant.opening_m <= 1e-8
    assert -1e-5 * shut < plant.outlet_gauge - shut < 2e-3 * shut
    assert plant.outlet_gauge > 1.003 * small


@pytest.mark.parametrize("id", FAMILIES)
def test_healthy_lockup_rise_with_what_the_cold_adds(id: str) -> None:
    # Common practice, no source: some per cent of set. Seat and, in a cylinder unit,
    # gas that warms after the flow.
    plant = flowing(FAMILIES[id])
    small = plant.outlet_gauge
    ramp(plant, "bleed", 0.0, 3.0)
    run(plant, 20.0)
    assert 0.02 < plant.outlet_gauge / small - 1.0 < 0.08


@pytest.mark.parametrize("id", [id for id in FAMILIES if id != "cylinder-2"])
def test_the_inlet_acts_with_the_sign_of_the_family(id: str) -> None:
    # Opening: a lever-type low-pressure unit's outlet falls with its inlet. Closing: a
    # cylinder unit's rises as the cylinder empties (common practice, no source).
    family = FAMILIES[id]
    plant = flowing(family, frictionless(family), even(family), seconds=30.0)
    high, before_high = plant.outlet_gauge, before_last(plant)
    ramp(plant, "supply_pa_gauge", 0.6 * family.inlet_gauge, 20.0)
    run(plant, 60.0)
    low, before_low = plant.outlet_gauge, before_last(plant)
    assert plant.inlet_gauge == pytest.approx(0.6 * family.inlet_gauge, rel=0.02)
    assert low == pytest.approx(by_hand(plant), rel=2e-5)
    closing = id in ("cylinder-1", "oxygen")
    assert (low > high) if closing else (low < high)
    # and by the push at least: a lower inlet needs a wider opening, too
    area = plant.regulator.diaphragm_m2 + plant.regulator.push_m2
    assert low - high < plant.regulator.push_m2 * (before_low - before_high) / area


def test_two_stages_leave_little_of_the_inlet() -> None:
    # As the cylinder empties the first stage, pushed shut by it, lets the pressure
    # between them rise, and that pushes the second one shut: less than a tenth of a
    # single stage's effect is left, and with the other sign.
    effects = []
    for family in (CYLINDER_1, CYLINDER_2):
        plant = flowing(family, frictionless(family), even(family), seconds=30.0)
        high = plant.outlet_gauge
        ramp(plant, "supply_pa_gauge", 0.4 * family.inlet_gauge, 20.0)
        run(plant, 60.0)
        effects.append((plant.outlet_gauge - high) / high)
    assert effects[0] > 0.02
    assert -0.1 * effects[0] < effects[1] < 0.0


def test_two_stages_hold_the_pressure_between_them() -> None:
    family = CYLINDER_2
    plant = flowing(family, frictionless(family), even(family), seconds=30.0)
    first = plant.regulator.first
    assert first is not None
    for bleed in (0.1, 0.5):
        turn(plant, bleed=bleed)
        run(plant, 20.0)
        passed = float(plant._states["flow"][0][solver.BY_FIRST_SEAT])
        between = plant.interstage_gauge
        x = opening_for(
            first, passed, plant.inlet_pa, between + plant.air_pa, plant.inlet_k
        )
        wanted = held(first, plant.regulator.first_screw_m, x, plant.inlet_gauge)
        assert between == pytest.approx(wanted, rel=2e-5)
        assert between == pytest.approx(20e5, rel=0.06)
        assert passed == pytest.approx(plant.seat_flow, rel=1e-3)


# --- one way only ---------------------------------------------------------------------


@pytest.mark.parametrize("id", FAMILIES)
def test_locked_up_nothing_goes_back(id: str) -> None:
    family = FAMILIES[id]
    rig = replace(family.rig, fill_pa=1.15 * family.outlet_gauge)
    plant = locked_up(family, frictionless(family), rig)
    level = plant.outlet_gauge
    turn(plant, fill=1.0)
    run(plant, 10.0)
    turn(plant, fill=0.0)
    run(plant, 60.0)
    assert plant.outlet_gauge > 1.02 * level
    kept, between = plant.outlet_kg, plant.interstage_gauge
    turn(plant, supply_pa_gauge=0.0, vent_inlet=1.0)  # and with no inlet at all
    run(plant, 60.0)
    if plant.regulator.relief_over_pa is None:
        assert plant.outlet_kg == pytest.approx(kept, rel=1e-9)
    assert plant.seat_flow == 0.0
    if plant.regulator.first is not None:
        assert plant.interstage_gauge <= between


def in_a_room(family: Family, change_k_per_s: float) -> Plant:
    """Return a locked up plant whose room starts to warm or to cool."""
    plant = locked_up(family, frictionless(family), seconds=60.0)
    plant._units["room_drift"] = change_k_per_s
    plant._units["room_k"] -= change_k_per_s * plant.t_s
    return plant


def test_warmed_it_is_a_closed_volume_and_cooled_it_reopens() -> None:
    # p / T stays while nothing passes: rising with the room, but never below lockup.
    warm = in_a_room(SECOND, 0.01)
    start_pa, start_k = warm.outlet_pa, warm.outlet_k
    level, kept = warm.outlet_gauge, warm.outlet_kg
    run(warm, 300.0)
    assert warm.outlet_k - start_k > 0.5
    assert warm.outlet_kg == pytest.approx(kept, rel=1e-6)
    rigid = start_pa * warm.outlet_k / start_k - warm.air_pa
    assert level + 0.5 * (rigid - level) < warm.outlet_gauge < rigid  # hoses give

    cold = in_a_room(SECOND, -0.01)
    level, kept = cold.outlet_gauge, cold.outlet_kg
    run(cold, 300.0)
    assert start_k - cold.outlet_k > 0.5
    assert cold.outlet_kg > (1.0 + 1e-3) * kept  # gas came after
    assert level - cold.outlet_gauge < 0.01 * level


# --- cold -----------------------------------------------------------------------------


@pytest.mark.parametrize("gas", ["nitrogen", "oxygen", "argon", "helium"])
def test_a_throttle_without_heat_keeps_enthalpy(gas: str) -> None:
    # A steady flow through a cylinder regulator: the outlet is at the temperature of
    # one enthalpy; tests/records/test_gas.py compares that with a library.
    family = CYLINDER_1
    rig = replace(family.rig, gas=gas, gas_tau_s=1e12)
    regulator = replace(frictionless(family), exchange=0.0)
    plant = fitted(family, regulator, rig)
    turn(plant, inlet=1.0, bleed=0.5)
    ramp(plant, "supply_pa_gauge", family.inlet_gauge, 5.0)
    run(plant, 60.0)
    behind = GASES[gas].throttled_k(plant.inlet_pa, plant.outlet_pa, plant.inlet_k)
    assert plant.outlet_k == pytest.approx(behind, abs=0.02)
    if gas == "nitrogen":
        # 20 °C at 151 bar to 6 bar: 25.7 K by CoolProp 8.0.0
        assert plant.inlet_k - plant.outlet_k == pytest.approx(25.7, abs=0.6)


def test_after_a_flow_the_body_warms_for_many_minutes() -> None:
    plant = flowing(CYLINDER_1)
    turn(plant, bleed=0.5)
    run(plant, 120.0)
    assert plant.outlet_k < ROOM_K - 10.0
    ramp(plant, "bleed", 0.0, 3.0)
    run(plant, 30.0)
    cold, outlet = ROOM_K - plant.body_k, plant.outlet_gauge
    assert cold > 2.0
    run(plant, 300.0)
    # alone it would come back with its 900 s; gas and walls help a little
    still = (ROOM_K - plant.body_k) / cold
    assert 0.85 * math.exp(-300.0 / 900.0) < still < math.exp(-300.0 / 900.0)
    assert plant.outlet_gauge > outlet + 20.0
    assert plant.seat_flow == 0.0


# --- bonnet and relief ----------------------------------------------------------------


def test_a_blocked_vent_lets_a_torn_diaphragm_drive_the_unit_open() -> None:
    # A sealed bonnet that the outlet leaks into takes the diaphragm's balance away: the
    # spring opens the seat towards the inlet. With its vent open it only leaks.
    torn = replace(SECOND.regulator, tear=50.0)
    rig = replace(SECOND.rig, relief_pa=60e3)
    free = locked_up(SECOND, torn, rig, seconds=60.0)
    shut = locked_up(SECOND, replace(torn, vent_m2=0.0), rig, seconds=60.0)
    assert free.outlet_gauge == pytest.approx(1.05 * SECOND.outlet_gauge, rel=0.03)
    assert free.bonnet_gauge < 10.0
    assert free.vent_flow > 0.0
    assert shut.outlet_gauge > 5.0 * SECOND.outlet_gauge
    assert shut.bonnet_gauge > 0.8 * shut.outlet_gauge - SECOND.outlet_gauge
    assert shut.vent_flow == 0.0


@pytest.mark.parametrize("id", FAMILIES)
def test_a_sealed_bonnet_takes_a_screw_that_is_in(id: str) -> None:
    # Fitted with the spring compressed, the diaphragm presses on a closed bonnet: how
    # far it goes is up to the gas on both sides, m V = const, not to the spring.
    family = FAMILIES[id]
    plant = Plant(
        replace(frictionless(family), vent_m2=0.0), family.rig, Surroundings()
    )
    turn(plant, fixture=BLANK)
    run(plant, 0.1)
    turn(plant, fixture=REGULATOR, screw_m=0.01)
    run(plant, 5.0)
    r, air = plant.regulator, plant.air_pa
    assert plant.hard_steps == plant.failed_parts == 0
    assert 0.0 < plant.opening_m <= r.travel_m
    wanted = air * r.bonnet_m3 / (r.bonnet_m3 + r.diaphragm_m2 * plant.opening_m)
    assert plant.bonnet_gauge + air == pytest.approx(wanted, rel=1e-3)


def test_the_rigs_relief_opens_and_reseats_at_its_pressure() -> None:
    rig = replace(SECOND.rig, fill_pa=20e3, fill=2e-9)
    plant = Plant(SECOND.regulator, rig, Surroundings())
    turn(plant, fixture=BLANK, fill=1.0)
    relief = solver.BY_RIG_RELIEF
    flow = plant._states["flow"]
    while plant.outlet_gauge < 0.99 * rig.relief_pa:
        plant.step()
        assert flow[0][relief] == 0.0
    run(plant, 20.0)
    assert rig.relief_pa < plant.outlet_gauge < 1.1 * rig.relief_pa
    assert flow[0][relief] > 0.0
    turn(plant, fill=0.0)
    run(plant, 120.0)
    assert plant.outlet_gauge == pytest.approx(rig.relief_pa, rel=5e-3)
    assert flow[0][relief] < 1e-12


def test_the_internal_relief_opens_above_the_springs_balance_and_reseats() -> None:
    # The diaphragm lifts off its stem where the outlet's force exceeds spring and
    # overlap: (spring - stem spring) / area + overlap, into the bonnet and its vent.
    over = SERVICE.regulator.relief_over_pa
    assert over is not None
    still = replace(frictionless(SERVICE), relief_blowdown_pa=0.0)
    plant = locked_up(SERVICE, still)
    r, relief = plant.regulator, plant._states["flow"]
    force = r.spring_n_per_m * plant.valves.screw_m - r.stem_spring_n
    opens = force / r.diaphragm_m2 + over
    turn(plant, fill=1.0)
    while plant.outlet_gauge - plant.bonnet_gauge < 0.999 * opens:
        plant.step()
        assert relief[0][solver.BY_RELIEF] == 0.0
        assert plant.t_s < 600.0
    run(plant, 30.0)
    assert plant.vent_flow > 0.0
    assert plant.vent_flow == pytest.approx(relief[0][solver.BY_RELIEF], rel=0.01)
    assert opens < plant.outlet_gauge < 1.1 * opens
    turn(plant, fill=0.0)
    run(plant, 120.0)
    assert relief[0][solver.BY_RELIEF] < 1e-11
    assert plant.outlet_gauge == pytest.approx(opens, rel=5e-3)
