"""That a finer step finds the same, for every family, its friction included.

The solver states first order in the step, and friction that is the same at any step;
what a transducer would tell apart at the step in use is the measure.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import numpy.typing as npt
import pytest

from rig.simulator.families import FAMILIES
from rig.simulator.plant import STEP_S, Plant
from tests.rig.simulator.gasbench import fitted, ramp, run, turn

FINE_S = 0.0005
# Resolution of the transducers at the outlet, Pa: common practice, no source.
RESOLUTION = {
    "second-stage": 0.2,
    "pair": 0.2,
    "line": 0.2,
    "service": 0.2,
    "first-stage": 5.0,
    "cylinder-1": 20.0,
    "cylinder-2": 20.0,
    "oxygen": 20.0,
}
# Friction of a sticking stem, as a share of a wholly stuck one's. A cylinder unit that
# sticks more moves in jumps while its supply comes up: where the last one ends is up to
# anything, the step included, as it is on a bench.
STUCK = {id: 0.05 if RESOLUTION[id] == 20.0 else 0.3 for id in RESOLUTION}


def mean_of_a_second(plant: Plant) -> tuple[float, float]:
    """Return outlet and inlet over the next second, from 50 readings, Pa gauge."""
    readings = []
    for _ in range(50):
        run(plant, 0.02)
        readings.append((plant.outlet_gauge, plant.inlet_gauge))
    outlet, inlet = np.mean(readings, axis=0)
    return float(outlet), float(inlet)


@cache
def holds(id: str, stuck: float, step_s: float) -> npt.NDArray[np.float64]:
    """Return outlet and inlet of four holds, Pa gauge, shape (4, 2).

    With a small bleed, come from below; locked up; the inlet shut; the same small bleed
    again, now come from above.
    """
    family = FAMILIES[id]
    regulator = family.regulator
    if stuck > 0.0:
        regulator = replace(regulator, friction_n=stuck * family.fault_friction_n)
    plant = fitted(family, regulator, step_s=step_s)
    turn(plant, inlet=1.0, bleed=0.1)
    ramp(plant, "supply_pa_gauge", family.inlet_gauge, 5.0)
    run(plant, 20.0)
    found = [mean_of_a_second(plant)]
    ramp(plant, "bleed", 0.0, 3.0)
    run(plant, 15.0)
    found.append(mean_of_a_second(plant))
    turn(plant, inlet=0.0)
    run(plant, 10.0)
    found.append(mean_of_a_second(plant))
    turn(plant, inlet=1.0)
    ramp(plant, "bleed", 0.1, 3.0)
    run(plant, 20.0)
    found.append(mean_of_a_second(plant))
    assert plant.hard_steps == plant.failed_parts == 0
    return np.array(found)


def test_every_family_is_looked_at() -> None:
    assert set(RESOLUTION) == set(FAMILIES)


@pytest.mark.parametrize("id", FAMILIES)
@pytest.mark.parametrize("sticks", [False, True])
def test_holds_are_those_of_a_ten_times_finer_step(id: str, sticks: bool) -> None:
    stuck = STUCK[id] if sticks else 0.0
    coarse, fine = holds(id, stuck, STEP_S), holds(id, stuck, FINE_S)
    off = np.abs(coarse - fine)
    assert list(off[:, 0] < RESOLUTION[id]) == [True] * 4, off[:, 0]
    assert list(off[:, 1] < 1e-5 * fine[:, 1]) == [True] * 4, off[:, 1]


@pytest.mark.parametrize("id", FAMILIES)
def test_friction_parts_the_returns_at_any_step(id: str) -> None:
    # Come from above the outlet stands lower, by at most twice the friction over the
    # diaphragm's area (balance of forces), and by most of that in a second stage.
    family = FAMILIES[id]
    for step_s in (STEP_S, FINE_S):
        found = holds(id, STUCK[id], step_s)
        apart = found[0, 0] - found[3, 0]
        most = 2.0 * STUCK[id] * family.fault_friction_n / family.regulator.diaphragm_m2
        assert apart < 1.05 * most
        if RESOLUTION[id] < 20.0:
            assert apart > 0.5 * most


@pytest.mark.parametrize("id", ["cylinder-1", "cylinder-2", "oxygen", "service"])
def test_what_a_step_costs_is_first_order(id: str) -> None:
    # Against 0.5 ms an error in proportion to the step falls (5 - 0.5) / (2.5 - 0.5)
    # times from 5 to 2.5 ms; told where it is above 2 % of the resolution, which in the
    # other families it never is.
    fine = holds(id, 0.0, FINE_S)[:, 0]
    coarse = holds(id, 0.0, STEP_S)[:, 0] - fine
    half = holds(id, 0.0, STEP_S / 2.0)[:, 0] - fine
    told = np.abs(coarse) > 0.02 * RESOLUTION[id]
    assert told.sum() >= 3
    assert coarse[told] / half[told] == pytest.approx(2.25, rel=0.12)
