"""Rig time of each plan of the library, from the regulator connected to disconnected.

`python -m benchmarks rig-time [--plan PLAN]`: a healthy regulator of the plan's family,
its job done by simulated hands, soaks and holds counted. Exit code 0; 1 where a figure
is twice its goal or worse; 2 on a wrong word.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from proofstand.simulated import simulate
from records.run import Mark, MarkKind
from records.runfile import open_run

from .table import Row
from .verdicts import families_with_plans

SEED = 1
# Minutes from connected to disconnected; common practice, no source.
GOALS_MIN = {"low-pressure": 10.0, "cylinder": 20.0, "cylinder-two-stage": 20.0}


@dataclass(frozen=True, slots=True)
class Timed:
    """A test and its rig time.

    Attributes:
        family, plan: what was tested. connected_s: from connected to disconnected.
        whole_s: of the test, the rig's own hold counted.
    """

    family: str
    plan: str
    connected_s: float
    whole_s: float


def connected_s(marks: Iterable[Mark]) -> float:
    """Return the rig time from the regulator connected to disconnected."""
    opened = {m.data.get("act"): m.t_s for m in marks if m.kind is MarkKind.OPENED}
    return opened["disconnect"] - opened["fit_regulator"]


def timed(family: str, plan: str, seed: int = SEED) -> Timed:
    """Let simulated hands do one test."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "run.h5"
        made = simulate(family=family, plan_name=plan, faults=(), seed=seed, out=out)
        marks = open_run(out).marks
    return Timed(family, plan, connected_s(marks), made.rig_seconds)


def low_pressure_rig_time(short: bool) -> Row:
    """The plan most used, against its ten minutes."""
    return row(timed("second-stage", "low-pressure"))


def row(one: Timed) -> Row:
    """Return a rig time against its goal."""
    return Row(
        what=f"rig time of {one.plan} / min, connected to disconnected",
        ratio=one.connected_s / 60.0,
        goal=GOALS_MIN[one.plan],
        how=f"{one.family}, simulated hands, seed {SEED}; the whole test "
        f"{one.whole_s / 60.0:.1f} min",
    )


def main(words: Iterable[str]) -> int:
    """Time, print, and return the exit code."""
    parser = argparse.ArgumentParser(prog="benchmarks rig-time", description=__doc__)
    parser.add_argument("--plan", action="append", default=[])
    given = parser.parse_args(list(words))
    failed = False
    print(f"{'family':13} {'plan':19} {'connected':>10} {'whole test':>11} {'goal':>8}")
    for family, plan in families_with_plans():
        if given.plan and plan not in given.plan:
            continue
        one = timed(family, plan)
        goal, standing = "-", ""
        if plan in GOALS_MIN:
            goal, standing = f"{GOALS_MIN[plan]:g} min", row(one).standing
        failed = failed or standing == "FAILED"
        print(
            f"{family:13} {plan:19} {one.connected_s / 60.0:6.1f} min "
            f"{one.whole_s / 60.0:7.1f} min {goal:>8}  {standing}".rstrip(),
            flush=True,
        )
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
