"""How often a simulated test passes: `python -m benchmarks.verdicts [--seeds N]`.

Healthy regulators of the low-pressure plan, and such as lie at 1.1 times one of its
limits, by the gas itself and not by what was measured of it. Each seed is another
regulator, rig, day and pair of hands. Exit code 0; 1 where healthy ones pass less often
than the goal; 2 on a wrong word.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from analysis.judge import judge
from proofstand.simulated import simulate
from records.judgement import Verdict
from records.measure import STD_CM3_MIN
from records.runfile import open_run
from rig.simulator.devices import SimulatedRig

FIRST_SEED = 1001
GOAL = 0.99
OVER = 1.1
_LEAK_LIMIT = 0.15 * STD_CM3_MIN
_RISE_SHARE = 0.15
_TRIED = (0.3, 0.7)
Truth = Mapping[tuple[str, str], float]


@dataclass(frozen=True, slots=True)
class Counted:
    """One simulated test.

    Attributes:
        verdict: of the whole test.
        reached: true value over its limit, of what is tried.
    """

    verdict: Verdict
    reached: float


def _test(seed: int, *faults: str) -> tuple[Verdict, Truth]:
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "run.h5"
        simulate(
            family="second-stage",
            plan_name="low-pressure",
            faults=faults,
            seed=seed,
            out=out,
        )
        run = open_run(out)
        assert run.truth is not None
        true = {(f["id"], f["step"]): f["value"] for f in run.truth["findings"]}
        return judge(run).verdict, true


def _leak_of(true: Truth, finding: str, step: str) -> float:
    return true.get((finding, step), float("nan")) / _LEAK_LIMIT


def _rise_of(true: Truth) -> float:
    rises = [value for (id, _), value in true.items() if id == "lockup_rise"]
    return max(rises) / (_RISE_SHARE * true["set_pressure", "set"])


def healthy(seed: int) -> Counted:
    """Test a healthy one."""
    verdict, true = _test(seed)
    return Counted(verdict, _rise_of(true))


def leaking(seed: int, fault: str, places: str, finding: str, step: str) -> Counted:
    """Test one whose leak of a kind is 1.1 times its limit, its own leaks counted."""
    stated = SimulatedRig(seed, {}).truth()["leaks_std_cm3_min"]
    at_worst = SimulatedRig(seed, {fault: 1.0}).truth()["leaks_std_cm3_min"]
    inside = [p for p in stated if (p == "seat") == (places == "seat")]
    own, most = (sum(leaks[p] for p in inside) for leaks in (stated, at_worst))
    severity = (OVER * _LEAK_LIMIT / STD_CM3_MIN - own) / (most - own)
    verdict, true = _test(seed, f"{fault}:{severity:.6f}")
    return Counted(verdict, _leak_of(true, finding, step))


def rising(seed: int) -> Counted:
    """Test one whose largest lockup rise is 1.1 times its limit, from a worn disc."""
    tried: list[tuple[float, float]] = []  # true rise over its limit, severity
    verdict = Verdict.INCONCLUSIVE
    for severity in (*_TRIED, None, None):
        if severity is None:
            (a, at_a), (b, at_b) = sorted(tried, key=lambda one: abs(one[0] - OVER))[:2]
            severity = min(max(at_a + (OVER - a) * (at_b - at_a) / (b - a), 0.0), 1.0)
        verdict, true = _test(seed, f"seat_worn:{severity:.6f}")
        tried.append((_rise_of(true), severity))
    return Counted(verdict, tried[-1][0])


KINDS: Mapping[str, Callable[[int], Counted]] = {
    "healthy": healthy,
    "seat leakage at 1.1 of its limit": partial(
        leaking,
        fault="seat_nicked",
        places="seat",
        finding="seat_leak",
        step="creep-hold",
    ),
    "external leakage at 1.1 of its limit": partial(
        leaking,
        fault="outlet_fitting",
        places="outside",
        finding="external_leak",
        step="body-hold",
    ),
    "lockup rise at 1.1 of its limit": rising,
}


def main(words: list[str]) -> int:
    """Count, print, and return the exit code."""
    parser = argparse.ArgumentParser(prog="benchmarks.verdicts", description=__doc__)
    parser.add_argument("--seeds", type=int, default=100, metavar="N")
    seeds = parser.parse_args(words).seeds
    if seeds < 1:
        parser.error("--seeds: 1 or more")
    reached_goal = True
    with ProcessPoolExecutor() as workers:
        for what, test in KINDS.items():
            found = list(workers.map(test, range(FIRST_SEED, FIRST_SEED + seeds)))
            often = Counter(one.verdict for one in found)
            told = ", ".join(f"{n} {verdict.value}" for verdict, n in often.items())
            at = sorted(one.reached for one in found)
            print(
                f"{what:38} {often[Verdict.PASS]:4} of {seeds} pass  ({told}; "
                f"true value over limit {at[0]:.3f} to {at[-1]:.3f})",
                flush=True,
            )
            if what == "healthy":
                reached_goal = often[Verdict.PASS] >= GOAL * seeds
    return 0 if reached_goal else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
