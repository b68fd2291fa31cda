"""Many plants at once: each bit for bit what it is alone."""

from dataclasses import replace

import numpy as np
import pytest

from rig.simulator.families import FAMILIES, drawn_regulator, drawn_rigbody
from rig.simulator.plant import Plant, PlantBatch
from rig.simulator.rigbody import drawn_surroundings
from tests.rig.simulator.gasbench import fitted, ramp, turn

STEPS_S = (0.005, 0.0025, 0.01)
COUNT = 16


def mixed() -> list[Plant]:
    """Return different plants of all families and steps, their gas just coming up."""
    rng = np.random.default_rng(16)
    plants = []
    for i in range(COUNT):
        family = list(FAMILIES.values())[i % len(FAMILIES)]
        plant = fitted(
            family,
            replace(drawn_regulator(rng, family), seat_film=family.fault_leak),
            drawn_rigbody(rng, family),
            STEPS_S[i % len(STEPS_S)],
        )
        plant = Plant(plant.regulator, plant.rig, drawn_surroundings(rng), plant.step_s)
        screw = family.regulator.screw_for(family.outlet_gauge, family.inlet_gauge)
        turn(plant, fixture=2, screw_m=screw, inlet=1.0, bleed=0.1)
        ramp(plant, "supply_pa_gauge", family.inlet_gauge, 0.5)
        plants.append(plant)
    return plants


def go_on(plants: list[Plant], batch: PlantBatch | None) -> None:
    """Turn valves of some, and let all go on by the same numbers of steps."""
    for steps, bleed in ((300, 0.1), (1, 0.0), (700, 0.0), (400, 1.0)):
        for plant in plants[::2]:
            turn(plant, bleed=bleed)
        if batch is not None:
            batch.advance(steps)
        else:
            for plant in plants:
                plant.advance(steps)


@pytest.mark.parametrize("threads", [1, 3, COUNT])
def test_each_is_as_when_alone(threads: int) -> None:
    alone, together = mixed(), mixed()
    go_on(alone, None)
    batch = PlantBatch(together, threads)
    go_on(together, batch)
    for one, other in zip(alone, batch.plants, strict=True):
        for name in solver_names(one):
            wanted, found = one._state[name], other._state[name]
            assert np.array_equal(wanted, found), name
    pressures = {plant.outlet_pa for plant in together}
    assert len(pressures) == COUNT  # they are different ones


def solver_names(plant: Plant) -> tuple[str, ...]:
    names = plant._states.dtype.names
    assert names is not None
    return names


def test_steps_one_by_one_are_those_taken_at_once() -> None:
    one, other = mixed()[3], mixed()[3]
    one.advance(500)
    for _ in range(500):
        other.step()
    assert one._states.tobytes() == other._states.tobytes()
