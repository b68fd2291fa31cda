"""How much faster than the clock the simulated gas goes, alone and many at once."""

import statistics
import time
from dataclasses import replace

import numpy as np

from rig.simulator.families import (
    FAMILIES,
    Family,
    drawn_regulator,
    drawn_rigbody,
)
from rig.simulator.plant import Plant, PlantBatch, cores
from rig.simulator.rigbody import REGULATOR, Valves, drawn_surroundings

from .table import Row

MANY = 256
STEP_S = 0.005
TIMES = 5


def _plant(rng: np.random.Generator, family: Family) -> Plant:
    """Return a drawn regulator on its rig, gas on, a small bleed open."""
    plant = Plant(
        drawn_regulator(rng, family),
        drawn_rigbody(rng, family),
        drawn_surroundings(rng),
        STEP_S,
    )
    before = family.inlet_gauge
    if family.regulator.first is not None:
        before = family.regulator.interstage_reference_pa - plant.air_pa
    plant.valves = Valves(
        supply_pa_gauge=family.inlet_gauge,
        inlet=1.0,
        bleed=0.1,
        screw_m=plant.regulator.screw_for(family.outlet_gauge, before),
        fixture=REGULATOR,
    )
    return plant


def one_regulator(short: bool) -> Row:
    """One regulator that flows, then locks up; the slowest family counts."""
    seconds = 60 if short else 300
    rates = {}
    for family in FAMILIES.values():
        plant = _plant(np.random.default_rng(1), family)
        plant.advance(round(5.0 / STEP_S))  # also loads the compiled code
        taken = []
        for _ in range(TIMES):
            began = time.process_time()
            for bleed in (0.1, 0.0):
                plant.valves = replace(plant.valves, bleed=bleed)
                for _ in range(seconds):
                    plant.advance(round(0.5 / STEP_S))
            taken.append(time.process_time() - began)
        rates[family.id] = seconds / statistics.median(taken)
    slowest = min(rates, key=lambda id: rates[id])
    return Row(
        what="one regulator: 600 / rig seconds per CPU second on one core",
        ratio=600.0 / rates[slowest],
        goal=1.0,
        how=f"{rates[slowest]:.0f} of {slowest}, the slowest; fastest "
        f"{max(rates.values()):.0f}; medians of {TIMES} x {seconds} s, 5 ms steps",
    )


def many_regulators(short: bool) -> Row:
    """256 different ones of all families, on all cores."""
    seconds = 10 if short else 60
    rng = np.random.default_rng(2)
    kinds = list(FAMILIES.values())
    batch = PlantBatch([_plant(rng, kinds[i % len(kinds)]) for i in range(MANY)])
    batch.advance(round(1.0 / STEP_S))
    taken = []
    for _ in range(TIMES):
        began = time.perf_counter()
        for _ in range(2 * seconds):
            batch.advance(round(0.5 / STEP_S))
        taken.append(time.perf_counter() - began)
    # the quickest: others on the computer take cores away, they never give any
    rate = MANY * seconds / min(taken)
    return Row(
        what=f"{MANY} regulators at once: 2000 / rig seconds per second, in all",
        ratio=2000.0 / rate,
        goal=1.0,
        how=f"{rate:.0f} on {cores()} cores, best of {TIMES} x {seconds} s, 5 ms steps",
    )
