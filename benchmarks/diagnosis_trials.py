"""What the diagnosis is tried on: simulated tests, drawn by seed from frozen ranges."""

from __future__ import annotations

import random
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from analysis.halted import Halted, halted
from analysis.judge import judge
from analysis.marks import performances
from analysis.readings import Readings
from proofstand.simulated import simulate
from records.errors import InputError
from records.faults import OF_FIRST, TRIED, revealed_by
from records.judgement import Judgement
from records.runfile import open_run

RANGES = Path(__file__).with_name("diagnosis_ranges.toml")
HEALTHY = ""


@dataclass(frozen=True, slots=True)
class Trial:
    """One regulator that is tested: its plan, what it has, how bad, and a seed.

    Attributes:
        plan: id. fault: id, or "" of a healthy one. severity: 0 to 1. seed: of all
            that is drawn.
    """

    plan: str
    fault: str
    severity: float
    seed: int

    @property
    def name(self) -> str:
        """A name for its file."""
        fault = self.fault.replace(":", "-") or "healthy"
        return f"{self.plan}-{fault}-{self.seed}"


@cache
def ranges() -> dict[str, Any]:
    """Return the frozen ranges."""
    return tomllib.loads(RANGES.read_text("utf-8"))


def trials(seeds: range, plans: tuple[str, ...] = tuple(TRIED)) -> Iterator[Trial]:
    """Return what is tried, seed by seed in an order of chance: any stop is fair."""
    drawn = ranges()
    low, high = drawn["severity"]["least"], drawn["severity"]["most"]
    for seed in seeds:
        of_seed = []
        for plan in plans:
            for group in groups(plan):
                rng = random.Random(f"{seed} {plan} {' '.join(group)}")
                fault, severity = rng.choice(group), round(rng.uniform(low, high), 3)
                of_seed.append(Trial(plan, fault, severity, seed))
            healthy = Trial(plan, HEALTHY, 0.0, seed)
            of_seed += [healthy] * drawn["simulated"]["healthy_each"]
        random.Random(seed).shuffle(of_seed)
        yield from of_seed


def groups(plan: str) -> list[tuple[str, ...]]:
    """Return the faults that a plan reveals, by the groups of the catalogue."""
    found: dict[tuple[str, ...], list[str]] = {}
    for first in (False, True):
        head = OF_FIRST if first else ""
        for entry in revealed_by(plan, first=first):
            key = tuple(head + id for id in entry.group)
            found.setdefault(key, []).append(head + entry.id)
    return [tuple(ids) for ids in found.values()]


def judged(trial: Trial, out: Path) -> tuple[Judgement, tuple[Halted, ...]] | None:
    """Return the judgement of a trial and what a step that was given up shows.

    None where the regulator lacks the part.

    Args:
        trial: what is tried.
        out: run file to make; one that is there is taken as it is.
    """
    if not out.exists():
        faults = (f"{trial.fault}:{trial.severity:g}",) if trial.fault else ()
        try:
            simulate(
                family=TRIED[trial.plan],
                plan_name=trial.plan,
                faults=faults,
                seed=trial.seed,
                out=out,
            )
        except InputError as error:
            if error.id != "fault_not_fitted":
                raise
            return None
    run = open_run(out)
    return judge(run), halted(Readings(run), performances(run, run.header.plan))
