"""Holds of the simulated gas: a charged volume that settles, leaks in or leaks out.

The gas starts warmer or colder than its walls, walls follow gas and room, so
that one and two exponentials come out of the balance of heat and none is written down.
The true rate is that of the pressure at room temperature, from the mass of gas.
"""

from __future__ import annotations

import dataclasses
import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from records.measure import STANDARD_PRESSURE_PA, STANDARD_TEMPERATURE_K
from rig.simulator.families import FAMILIES as REGULATORS
from rig.simulator.plant import Plant
from rig.simulator.rigbody import BLANK, RigBody, Surroundings, Valves

from .creep import (
    FAMILIES,
    NOISES,
    Cell,
    Hold,
    Tried,
    figures_of,
    log_between,
    spoilt,
    tried,
)
from .figures import Figure, ranges, spread_over

if TYPE_CHECKING:
    from .command import Settings

_PART = 2
_REGULATOR = {"low-pressure": "second-stage", "cylinder": "cylinder-1"}
_WALLS_STAY = 1e9  # J/K: nothing the gas does warms them
_MOST_LOST = 0.03  # of the gauge pressure: beyond it a leak is no straight line


def draw(rng: np.random.Generator, cell: Cell) -> Hold:
    """Return a hold of the simulated gas drawn from the frozen ranges."""
    r: dict[str, Any] = ranges()["creep"][cell.family]
    seconds = log_between(rng, r["hold_s"])
    longest = r["tau_s"][1]
    if cell.settled:
        longest = min(longest, seconds / ranges()["creep"]["settled"]["hold_over_tau"])
    # walls and gas together settle more slowly than either alone
    longest = max(longest / 1.5, 1.01 * r["tau_s"][0])
    gas_tau, wall_tau = sorted(
        log_between(rng, [r["tau_s"][0], longest]) for _ in range(2)
    )
    direction = int(rng.choice((-1, 1)))
    rate = r["limit_pa_s"] * float(rng.uniform(*r["leak_of_limit"]))
    level = r["level_pa_abs"]
    if direction < 0:
        rate = min(rate, _MOST_LOST * r["set_pa"] / seconds)
    volume = 500e-6 if cell.family == "low-pressure" else 100e-6
    std_cm3_min = rate * volume / STANDARD_PRESSURE_PA * 60e6
    heat = volume * level / 293.15 * 2.5  # J/K of the gas at constant volume
    body = RigBody(
        outlet_m3=volume,
        outlet_give=0.0,
        relief_pa=100.0 * r["set_pa"],
        gas_tau_s=gas_tau,
        dense_pa=level,
        wall_heat=_WALLS_STAY if cell.tails == 1 else heat * float(rng.uniform(2, 9)),
        wall_tau_s=wall_tau,
        outlet_leak=std_cm3_min if direction < 0 else 0.0,
    )
    if direction > 0:
        body = dataclasses.replace(
            body,
            fill_pa=20.0 * level,
            fill=rate * volume / (296.8 * 293.15) / (20.0 * level),
        )
    hz = log_between(rng, r["rate_hz"])
    air = level - r["set_pa"]
    plant = Plant(
        REGULATORS[_REGULATOR[cell.family]].regulator,
        body,
        Surroundings(air_pa=air),
        step_s=1.0 / hz / max(1, math.ceil(20.0 / hz)),
    )
    plant.valves = Valves(fill=1.0 if direction > 0 else 0.0, fixture=float(BLANK))
    warmer = float(rng.choice((-1.0, 1.0))) * log_between(rng, r["amplitude_k"])
    plant.charge(level, STANDARD_TEMPERATURE_K + warmer)
    n = round(seconds * hz)
    each = max(1, math.ceil(20.0 / hz))
    y = np.empty(n)
    start = plant.outlet_kg
    for i in range(n):
        y[i] = plant.outlet_gauge
        plant.advance(each)
    ends = [
        plant.gas.pressure(kg / volume, STANDARD_TEMPERATURE_K)
        for kg in (start, plant.outlet_kg)
    ]
    true = (ends[1] - ends[0]) / (n / hz)
    return spoilt(rng, cell, np.arange(n) / hz, y, true, direction)


def _trial(cell: Cell, seed: int, number: int) -> Tried | None:
    key = [seed, _PART, FAMILIES.index(cell.family), cell.tails]
    key += [NOISES.index(cell.noise), int(cell.settled), number]
    return tried(cell.family, draw(np.random.default_rng(key), cell))


def tables(settings: Settings) -> list[tuple[str, list[Figure]]]:
    """Return a table per family."""
    made = []
    for family in FAMILIES:
        figures: list[Figure] = []
        for settled in (False, True):
            for tails in (1, 2):
                for noise in NOISES:
                    cell = Cell(family, tails, noise, settled)
                    work = partial(_trial, cell, settings.seed)
                    found = spread_over(work, range(settings.trials), settings.jobs)
                    figures += figures_of(cell, found, known=False)
        made.append((f"Creep and leak-down, {family}, simulated gas", figures))
    return made
