"""Tests from closed formulas, with known causes: they share no code with the simulator.

What a regulator does is written down as formulas of time by
`tests.analysis.closed_form`; here it is drawn what is wrong with it, from the frozen
ranges. Low pressure alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from analysis.halted import Halted, halted
from analysis.judge import judge
from analysis.marks import performances
from analysis.readings import Readings
from records.judgement import Judgement
from tests.analysis.closed_form import Fault, Setting, run

from .diagnosis_trials import ranges

# What is drawn, and a fault of the catalogue in the group that it is of.
KINDS = {
    "healthy": "",
    "seat": "seat_nicked",
    "outside": "outlet_fitting",
    "rise": "stem_friction",
    "rig": "rig_fitting",
    "supply": "supply_starved",
    "zero": "zero_drift",
    "hunting": "hunting",
    "stuck": "transducer_stuck",
}


@dataclass(frozen=True, slots=True)
class Drawn:
    """One regulator by formulas: what it has, as the catalogue calls it, and a seed."""

    kind: str
    seed: int

    @property
    def fault(self) -> str:
        """A fault of the catalogue, "" of a healthy one."""
        return KINDS[self.kind]


def drawn(seed: int, each: int) -> Iterator[Drawn]:
    """Return as many of each kind, each of its own seed."""
    for number in range(each):
        for kind in KINDS:
            yield Drawn(kind, 1000 * seed + number)


def judged_formula(one: Drawn) -> tuple[Judgement, tuple[Halted, ...]]:
    """Return the judgement of one, and what a step that was given up shows."""
    fault, setting = _made(one)
    made = run(fault, setting)
    return judge(made), halted(Readings(made), performances(made, made.header.plan))


def _made(one: Drawn) -> tuple[Fault, Setting]:
    given = ranges()["formulas"]
    rng = np.random.default_rng([one.seed, list(KINDS).index(one.kind)])

    def even(name: str) -> float:
        return float(rng.uniform(*given[name]))

    def logs(name: str) -> float:
        low, high = given[name]
        return math.exp(rng.uniform(math.log(low), math.log(high)))

    noise = {"inlet": 10.0, "outlet": even("outlet_noise_pa")}
    noise |= {"ambient": 3.0, "gas_temperature": 0.01}
    setting = Setting(rate_hz=even("rate_hz"), noise=noise, seed=one.seed)
    fault = Fault(
        seat=even("healthy_leak"),
        outside=even("healthy_leak"),
        rise_pa=even("healthy_rise_pa"),
        rig=even("healthy_rig_leak"),
        tail_k=even("tail_k"),
        air_pa_per_h=even("air_pa_per_h"),
        gas_k_per_h=even("gas_k_per_h"),
    )
    match one.kind:
        case "seat":
            fault = replace(fault, seat=logs("seat_leak"))
        case "outside":
            fault = replace(fault, outside=logs("outside_leak"))
        case "rise":
            rises = rng.uniform(0.85, 1.15, 3).tolist()
            fault = replace(
                fault, rise_pa=even("rise_pa"), rises=(rises[0], rises[1], rises[2])
            )
        case "rig":
            fault = replace(fault, rig=logs("rig_leak"))
        case "supply":
            fault = replace(fault, inlet_sag=logs("inlet_sag"))
        case "zero":
            moved = even("zero_moved_pa") * float(rng.choice([-1.0, 1.0]))
            fault = replace(fault, zero_moved_pa=moved)
        case "hunting":
            fault = replace(fault, swing_pa=even("swing_pa"), swing_hz=logs("swing_hz"))
        case "stuck":
            fault = replace(fault, stuck_at_s=even("stuck_at_s"))
    return fault, setting
