"""`python -m benchmarks estimators`: trials of each family of findings, one table each.

Exit code 0; 1 where a figure is missed; 2 on a wrong word.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from dataclasses import dataclass

from .figures import Figure, ranges, table

# Each part is a module here with ``tables(settings) -> [(title, figures)]``.
PARTS = ("creep", "gas_holds", "early", "events", "leaks", "levels", "speed")


@dataclass(frozen=True, slots=True)
class Settings:
    """How many trials, from what seed, in how many processes."""

    trials: int
    seed: int
    jobs: int


def main(words: list[str]) -> int:
    """Run the trials asked for, print their tables, and return the exit code."""
    drawn = ranges()["trials"]
    parser = argparse.ArgumentParser(prog="benchmarks estimators")
    parser.add_argument("--short", action="store_true", help="few trials")
    parser.add_argument("--trials", type=int, help="trials of each cell")
    parser.add_argument("--seed", type=int, default=drawn["seed"])
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--only", choices=PARTS, action="append")
    given = parser.parse_args(words)
    trials = given.trials or drawn["short" if given.short else "full"]
    settings = Settings(trials, given.seed, given.jobs)
    print(f"trials {trials}, seed {given.seed} (--seed repeats them)")
    missed = 0
    for part in given.only or PARTS:
        module = importlib.import_module(f"benchmarks.estimators.{part}")
        found: list[tuple[str, list[Figure]]] = module.tables(settings)
        for title, figures in found:
            print("\n" + table(title, figures), flush=True)
            missed += sum(f.standing == "missed" for f in figures)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
