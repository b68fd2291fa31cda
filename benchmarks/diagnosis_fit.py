"""Fit what each sign says of groups of causes: `python -m benchmarks.diagnosis_fit`.

Simulated tests, drawn by seeds that no figure is counted on, give signs with a known
cause. The weights that make the causes likeliest are found once, and pulled towards a
usual weight so that a sign that was never wrong does not grow without end. What was
seen is kept in `diagnosis_fit.jsonl`; `--fit-only` fits that again, in a second. The
table is copied by hand into `analysis/cause_groups.py`; a test compares the two. Exit
code 0; 2 on a wrong word.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import minimize

from analysis.cause_groups import (
    BY_HAND,
    FIRST_GROUPS,
    GROUPS,
    NONE,
    NONE_MET,
    USUAL_WEIGHT,
)
from analysis.diagnosis import weighed
from records.judgement import Verdict

from .diagnosis_trials import Trial, judged, ranges, trials

KEPT = Path(__file__).with_name("diagnosis_fit.jsonl")
FIRST = "first:"
# Which groups a sign may speak for: that which it is of first, and never less of it
# than of another; of those in one bracket the same.
SPEAKS: Mapping[str, tuple[tuple[str, ...], ...]] = {
    "external_leak_fails": (("outside",),),
    "external_leak_doubted": (("outside",),),
    "never_locks_up": (("outside",), ("closing",)),
    "seat_leak_fails": (("inside",),),
    "went_on_rising": (("inside",), ("closing",)),
    "outlet_loss_hides_it": (("outside", "inside"),),
    "lockup_too_high": (("closing",), ("inside",)),
    "moved_by_jerks": (("closing",), ("hunting",)),
    "set_pressure_off": (("spring",), ("closing",)),
    "relief_too_early": (("relief",),),
    "outlet_swings": (("hunting",), ("closing",)),
    "rig_leak_over_gate": (("rig",),),
    "inlet_not_held": (("supply",), ("stuck",)),
    "zero_moved": (("zero",),),
    "reading_still": (("stuck",),),
}
SPREAD = 2.0  # of a weight about the usual one, before anything is seen
MOST = 9.0
STEP = 0.25  # weights are rounded to


@dataclass(frozen=True, slots=True)
class Known:
    """A test whose cause is known, as the fit takes it.

    Attributes:
        trial: what was tried. verdict: of the test.
        two: of two stages. signs: strength of each sign, by id.
    """

    trial: Trial
    verdict: str
    two: bool
    signs: Mapping[str, float]

    @property
    def counts(self) -> bool:
        """Whether there is anything to learn from it: it did not pass, and shows."""
        return self.verdict != Verdict.PASS.value and bool(self.signs)

    @property
    def right(self) -> tuple[str, ...]:
        """Groups that its cause is in; none of them where no group has it."""
        groups = (*GROUPS, *FIRST_GROUPS) if self.two else GROUPS
        fault = self.trial.fault
        found = [g.id for g in groups if fault in g.faults]
        # of two stages what leaks outward may be either's
        either = [] if found else [g.id for g in GROUPS if _bare(fault) in g.faults]
        return tuple(found or either) or (NONE,)


def _bare(fault: str) -> str:
    return fault.removeprefix(FIRST)


def seen(trial: Trial, out: Path) -> Known | None:
    """Return the signs of a trial, or None where the regulator lacks the part."""
    found = judged(trial, out)
    if found is None:
        return None
    judgement, halted = found
    marked = weighed(judgement.findings, halted)
    return Known(
        trial,
        judgement.verdict.value,
        any(id.startswith(FIRST) for id in marked.probability),
        {id: round(shown.strength, 4) for id, shown in marked.signs.items()},
    )


def read_known(path: Path) -> list[Known]:
    """Return what was kept."""
    return [_known(json.loads(line)) for line in path.read_text("utf-8").splitlines()]


def _known(data: dict[str, Any]) -> Known:
    return Known(**{**data, "trial": Trial(**data["trial"])})


def fitted(known: Sequence[Known]) -> dict[str, dict[str, float]]:
    """Return the weights that make the causes likeliest, rounded.

    Args:
        known: tests with their causes; those that count.
    """
    names = [(sign, i) for sign, rows in SPEAKS.items() for i in range(len(rows))]
    place = {name: i for i, name in enumerate(names)}
    trials = [one for one in known if one.counts]

    def table(x: np.ndarray[Any, Any]) -> dict[str, dict[str, float]]:
        # the first of a sign, and by how much less the others
        return {
            sign: {
                group: float(x[place[sign, 0]] - (x[place[sign, i]] if i else 0.0))
                for i, groups in enumerate(rows)
                for group in groups
            }
            for sign, rows in SPEAKS.items()
        }

    def cost(x: np.ndarray[Any, Any]) -> float:
        weights = {**BY_HAND, **table(x)}
        lost = -sum(math.log(max(1e-300, _share(one, weights))) for one in trials)
        usual = [(x[place[s, i]] - USUAL_WEIGHT) / SPREAD for s, i in names]
        return float(lost + 0.5 * sum(u * u for u in usual))

    start = np.full(len(names), USUAL_WEIGHT)
    found = minimize(cost, start, method="L-BFGS-B", bounds=[(0.0, MOST)] * len(names))
    return {
        sign: {g: r for g, w in row.items() if (r := STEP * round(w / STEP)) > 0.0}
        for sign, row in table(found.x).items()
    }


def _share(one: Known, weights: Mapping[str, Mapping[str, float]]) -> float:
    """Return the probability that weights give to the right groups."""
    groups = (*GROUPS, *FIRST_GROUPS) if one.two else GROUPS
    score = {g.id: math.log(g.met) for g in groups} | {NONE: math.log(NONE_MET)}
    for sign, strength in one.signs.items():
        head = FIRST if sign.startswith(FIRST) else ""
        for group, weight in weights[sign.removeprefix(FIRST)].items():
            own = head + group if head + group in score else group
            score[own] += weight * strength
    most = max(score.values())
    odds = {g: math.exp(s - most) for g, s in score.items()}
    return sum(odds[g] for g in one.right) / sum(odds.values())


def main(words: list[str]) -> int:
    """Simulate, keep, fit and print."""
    seeds = ranges()["seeds"]
    parser = argparse.ArgumentParser(prog="benchmarks.diagnosis_fit")
    parser.add_argument("--seeds", type=int, default=1, metavar="N")
    parser.add_argument("--fit-only", action="store_true", help="of what was kept")
    parser.add_argument("--out", type=Path, default=KEPT, metavar="FILE")
    parser.add_argument("--runs", type=Path, help="folder to keep run files in")
    given = parser.parse_args(words)
    if not 1 <= given.seeds <= seeds["fit_below"] - seeds["fit"]:
        parser.error("--seeds: 1 or more, all below those of the figures")
    if not given.fit_only:
        with tempfile.TemporaryDirectory() as folder:
            runs = given.runs or Path(folder)
            wanted = trials(range(seeds["fit"], seeds["fit"] + given.seeds))
            found = [seen(trial, runs / f"{trial.name}.h5") for trial in wanted]
        lines = [json.dumps(asdict(one)) for one in found if one is not None]
        given.out.write_text("\n".join(lines) + "\n", "utf-8")
    known = read_known(given.out)
    counted = [one for one in known if one.counts]
    print(f"{len(known)} tests, {len(counted)} did not pass and show a sign")
    for sign, row in fitted(known).items():
        often = sum(sign in (s.removeprefix(FIRST) for s in k.signs) for k in counted)
        told = ", ".join(f"{group} {weight:g}" for group, weight in row.items())
        print(f"{sign:22} {told:40} seen in {often}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
