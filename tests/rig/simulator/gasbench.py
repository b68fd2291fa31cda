"""A simulated plant driven by hand: valves turned at once or slowly, time let pass."""

from dataclasses import replace

from rig.simulator.families import Family
from rig.simulator.plant import STEP_S, Plant
from rig.simulator.regulator import Regulator
from rig.simulator.rigbody import REGULATOR, RigBody, Surroundings

SMALL_BLEED = 0.1
TICK_S = 0.1  # how often a slow hand moves a valve on; a whole number of any step used


def turn(plant: Plant, **positions: float) -> None:
    """Move valves at once."""
    plant.valves = replace(plant.valves, **positions)


def run(plant: Plant, seconds: float) -> None:
    """Let time pass with the valves as they stand."""
    plant.advance(round(seconds / plant.step_s))


def ramp(plant: Plant, valve: str, to: float, seconds: float) -> None:
    """Move one valve evenly, in moves that do not depend on the plant's step."""
    start: float = getattr(plant.valves, valve)
    moves = round(seconds / TICK_S)
    for i in range(1, moves + 1):
        turn(plant, **{valve: start + (to - start) * i / moves})
        run(plant, TICK_S)


def fitted(
    family: Family,
    regulator: Regulator | None = None,
    rig: RigBody | None = None,
    step_s: float = STEP_S,
) -> Plant:
    """Return a plant of a family, its regulator fitted, its screw at set, no gas on."""
    regulator = family.regulator if regulator is None else regulator
    plant = Plant(regulator, rig or family.rig, Surroundings(), step_s)
    before = family.inlet_gauge
    if regulator.first is not None:
        before = regulator.interstage_reference_pa - plant.air_pa
    screw = regulator.screw_for(family.outlet_gauge, before)
    turn(plant, fixture=REGULATOR, screw_m=screw)
    return plant


def flowing(
    family: Family,
    regulator: Regulator | None = None,
    rig: RigBody | None = None,
    step_s: float = STEP_S,
    seconds: float = 20.0,
) -> Plant:
    """Return a fitted plant, its inlet brought up slowly, with a small bleed."""
    plant = fitted(family, regulator, rig, step_s)
    turn(plant, inlet=1.0, bleed=SMALL_BLEED)
    ramp(plant, "supply_pa_gauge", family.inlet_gauge, 5.0)
    run(plant, seconds)
    return plant


def locked_up(
    family: Family,
    regulator: Regulator | None = None,
    rig: RigBody | None = None,
    step_s: float = STEP_S,
    seconds: float = 20.0,
) -> Plant:
    """Return a flowing plant, its bleed shut slowly, left for a while."""
    plant = flowing(family, regulator, rig, step_s)
    ramp(plant, "bleed", 0.0, 3.0)
    run(plant, seconds)
    return plant
