"""How often the right group of causes is named: `python -m benchmarks diagnosis`.

Two generators, each counted by itself: simulated tests of every plan with each kind of
fault that it reveals, at a severity of a half and above; and tests from closed
formulas, which share no code with the simulator. Seeds are not those that weights were
fitted on. What was tried is kept in a file, one line of JSON a test, and not tried
again. Exit code 0; 1 where a figure is missed; 2 on a wrong word.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from itertools import pairwise
from pathlib import Path

from analysis.cause_groups import FIRST_GROUPS, GROUPS, NONE
from records.faults import CATALOGUE, OF_FIRST, TRIED
from records.judgement import Judgement, Verdict

from .diagnosis_formulas import KINDS, Drawn, drawn, judged_formula
from .diagnosis_trials import Trial, judged, ranges, trials
from .estimators.figures import Figure, share, table
from .table import Row

SIMULATED, FORMULAS = "simulated", "formulas"
FIRST_RIGHT, TWO_RIGHT, HEALTHY_NAMED = 90.0, 97.0, 1.0  # per cent
BINS = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 1.0)
NOTHING, PASSED, HEALTHY = "(nothing named)", "(passed)", "(healthy)"
_WIDE = 15


@dataclass(frozen=True, slots=True)
class Tried:
    """One test with a known cause, and what was named.

    Attributes:
        generator: :data:`SIMULATED` or :data:`FORMULAS`. plan: id.
        fault: of the catalogue, "" of a healthy one. severity: 0 where there is none.
        seed: of the test. verdict: of the whole test, or ``not fitted``.
        named: groups named, each its faults and the probability claimed.
    """

    generator: str
    plan: str
    fault: str
    severity: float
    seed: int
    verdict: str
    named: tuple[tuple[tuple[str, ...], float], ...]

    @property
    def key(self) -> tuple[str, str, str, int]:
        """What tells it from every other one."""
        return (self.generator, self.plan, self.fault, self.seed)

    @property
    def passed(self) -> bool:
        """Whether the whole test passed: then nothing may be named."""
        return self.verdict == Verdict.PASS.value

    def right(self, first: int) -> bool:
        """Tell whether its cause is in one of the first groups named."""
        return any(self.fault in faults for faults, _ in self.named[:first])


def _tried(judgement: Judgement, generator: str, one: Trial) -> Tried:
    named = tuple((s.fault_group, s.probability or 0.0) for s in judgement.suspects)
    return Tried(
        generator,
        one.plan,
        one.fault,
        one.severity,
        one.seed,
        judgement.verdict.value,
        named,
    )


def simulated(trial: Trial, runs: Path | None = None) -> Tried:
    """Try one simulated test.

    Args:
        trial: what is tried.
        runs: folder that run files are kept in, and taken from; None keeps none.
    """
    with tempfile.TemporaryDirectory() as folder:
        found = judged(trial, (runs or Path(folder)) / f"{trial.name}.h5")
    if found is None:
        return Tried(
            SIMULATED,
            trial.plan,
            trial.fault,
            trial.severity,
            trial.seed,
            "not fitted",
            (),
        )
    return _tried(found[0], SIMULATED, trial)


def by_formula(one: Drawn) -> Tried:
    """Try one test from closed formulas."""
    trial = Trial("low-pressure", one.fault, 1.0 if one.fault else 0.0, one.seed)
    return _tried(judged_formula(one)[0], FORMULAS, trial)


# --- figures -------------------------------------------------------------------------


def figures(tried: Sequence[Tried]) -> list[Figure]:
    """Return the figures of one generator."""
    ill = [one for one in tried if one.fault]
    shown = [one for one in ill if not one.passed]
    well = [one for one in tried if not one.fault]

    def right(what: str, among: list[Tried], first: int, least: float) -> Figure:
        hits = sum(one.right(first) for one in among)
        return share(what, hits, len(among), low=least)

    called = [one for one in well if one.named]
    return [
        right("right group first, of all with a fault", ill, 1, FIRST_RIGHT),
        right("right group in the first two, of all", ill, 2, TWO_RIGHT),
        right("right group first, of those that do not pass", shown, 1, FIRST_RIGHT),
        right("right group in the first two, of those", shown, 2, TWO_RIGHT),
        share(
            "healthy ones called faulty",
            len(called),
            len(well),
            high=HEALTHY_NAMED,
        ),
    ]


def reliability(tried: Iterable[Tried]) -> list[Figure]:
    """Return how often groups were right, by the probability claimed for each."""
    claims = [
        (p, one.fault in faults)
        for one in tried
        if one.fault
        for faults, p in one.named
        if faults != (NONE,)
    ]
    found = []
    for low, high in pairwise(BINS):
        inside = [(p, ok) for p, ok in claims if low <= p < high or p == high == 1.0]
        if inside:
            mean = 100.0 * sum(p for p, _ in inside) / len(inside)
            hits = sum(ok for _, ok in inside)
            how = f"claimed {mean:.0f} % on the average"
            what = f"claimed {low:g} to {high:g}"
            found.append(share(what, hits, len(inside), how=how))
    return found


def confusion(tried: Sequence[Tried]) -> str:
    """Return true groups against the group named first, as lines of text."""
    pairs = Counter((_true_name(one), _first_name(one)) for one in tried)
    rows = sorted({true for true, _ in pairs})
    columns = sorted({named for _, named in pairs})
    head = " " * 24 + "".join(c[: _WIDE - 1].rjust(_WIDE) for c in columns)
    lines = [head.rstrip()]
    for row in rows:
        cells = "".join(str(pairs[row, c] or ".").rjust(_WIDE) for c in columns)
        lines.append(f"{row[:23]:24}{cells}")
    return "\n".join(lines)


def _true_name(one: Tried) -> str:
    """Return the group that the catalogue puts a fault into."""
    if not one.fault:
        return HEALTHY
    head = OF_FIRST if one.fault.startswith(OF_FIRST) else ""
    entry = CATALOGUE[one.fault.removeprefix(OF_FIRST)]
    return _name([head + id for id in entry.group])


def _first_name(one: Tried) -> str:
    if one.named:
        return _name(one.named[0][0])
    return PASSED if one.passed else NOTHING


def _name(faults: Iterable[str]) -> str:
    """Return the group that has just these faults, or all that they are of."""
    wanted = set(faults)
    groups = (*GROUPS, *FIRST_GROUPS)
    same = [g.id for g in groups if set(g.faults) == wanted]
    if same:
        return same[0]
    # of two stages what leaks outward leaks from either
    bare = {fault.removeprefix(OF_FIRST) for fault in wanted}
    parts = [g for g in groups if set(g.faults) <= wanted] or [
        g for g in GROUPS if bare <= set(g.faults)
    ]
    whole = [
        g.id for g in parts if not any(set(g.faults) < set(o.faults) for o in parts)
    ]
    return "+".join(whole) or NONE


def diagnosis_rows(short: bool) -> list[Row]:
    """Return the rows for the table of all benchmarks: some by formulas."""
    each = 2 if short else 6
    found = [by_formula(one) for one in drawn(ranges()["seeds"]["figures"], each)]
    ill = [one for one in found if one.fault]
    wrong = [one.key[2] for one in ill if not one.right(1)]
    called = [one for one in found if not one.fault and one.named]
    return [
        Row(
            "diagnosis: 1 + causes by formulas that are not named first",
            1.0 + len(wrong),
            1.0,
            f"of {len(ill)} {', '.join(wrong)}".rstrip(),
        ),
        Row(
            "diagnosis: 1 + healthy ones by formulas called faulty",
            1.0 + len(called),
            1.0,
            f"of {len(found) - len(ill)}",
        ),
    ]


# --- the command ---------------------------------------------------------------------


def read_tried(path: Path) -> dict[tuple[str, str, str, int], Tried]:
    """Return what a file says was tried."""
    found = {}
    for line in path.read_text("utf-8").splitlines() if path.exists() else ():
        data = json.loads(line)
        named = tuple((tuple(faults), p) for faults, p in data.pop("named"))
        one = Tried(**data, named=named)
        found[one.key] = one
    return found


def main(words: list[str]) -> int:
    """Try, count, print, and return the exit code."""
    seeds = ranges()["seeds"]
    parser = argparse.ArgumentParser(prog="benchmarks diagnosis", description=__doc__)
    parser.add_argument("--seeds", type=int, default=3, metavar="N")
    parser.add_argument("--first", type=int, default=seeds["figures"], metavar="SEED")
    parser.add_argument("--plan", choices=sorted(TRIED), action="append", default=[])
    parser.add_argument("--only", choices=(SIMULATED, FORMULAS))
    parser.add_argument("--each", type=int, help="by formulas, of each kind and seed")
    parser.add_argument("--jobs", type=int, default=1, metavar="N")
    parser.add_argument(
        "--out", type=Path, help="file of what was tried: gone on with, never redone"
    )
    parser.add_argument("--runs", type=Path, help="folder to keep run files in")
    given = parser.parse_args(words)
    if given.seeds < 1 or given.first < seeds["fit_below"]:
        parser.error("--seeds: 1 or more; --first: not a seed of the fit")
    each = given.each or ranges()["formulas"]["trials_each"]
    if given.runs is not None:
        given.runs.mkdir(parents=True, exist_ok=True)
    of_seeds = range(given.first, given.first + given.seeds)
    plans = tuple(given.plan) or tuple(TRIED)
    done = {} if given.out is None else read_tried(given.out)
    missed = 0
    with ProcessPoolExecutor(given.jobs) as workers:
        if given.only != FORMULAS:
            wanted = list(trials(of_seeds, plans))
            keys = [(SIMULATED, t.plan, t.fault, t.seed) for t in wanted]
            left = [t for t, key in zip(wanted, keys, strict=True) if key not in done]
            found = workers.map(partial(simulated, runs=given.runs), left)
            _keep(found, done, given.out)
            missed += _print(SIMULATED, [done[key] for key in keys])
        if given.only != SIMULATED:
            asked = [one for seed in of_seeds for one in drawn(seed, each)]
            keys = [(FORMULAS, "low-pressure", one.fault, one.seed) for one in asked]
            open_ones = [
                o for o, key in zip(asked, keys, strict=True) if key not in done
            ]
            _keep(workers.map(by_formula, open_ones), done, given.out)
            missed += _print(FORMULAS, [done[key] for key in keys])
    return 1 if missed else 0


def _keep(
    found: Iterable[Tried],
    done: dict[tuple[str, str, str, int], Tried],
    out: Path | None,
) -> None:
    for one in found:
        done[one.key] = one
        if out is not None:
            with out.open("a", encoding="utf-8") as file:
                file.write(json.dumps(asdict(one)) + "\n")


def _print(generator: str, tried: Sequence[Tried]) -> int:
    """Print one generator's figures, and return how many are missed."""
    fitted = [one for one in tried if one.verdict != "not fitted"]
    seeds = sorted({one.seed for one in fitted})
    kinds = {SIMULATED: "", FORMULAS: f", {', '.join(KINDS)}"}[generator]
    found = figures(fitted)
    title = f"{generator}: {len(fitted)} tests, seeds {seeds[0]} to {seeds[-1]}{kinds}"
    print(table(title, found))
    print("\nTrue group (rows) against the group named first")
    print(confusion(fitted))
    for one in (each for each in fitted if _told(each)):
        named = ", ".join(f"{faults[0]} {p:.2f}" for faults, p in one.named)
        what = f"{one.fault} {one.severity:g}" if one.fault else "healthy"
        print(
            f"    {one.plan} seed {one.seed} {what}: "
            f"{one.verdict}; {named or 'nothing named'}"
        )
    print()
    print(
        table("claimed probability against how often it was right", reliability(fitted))
    )
    print()
    return sum(f.standing == "missed" for f in found)


def _told(one: Tried) -> bool:
    """Tell whether a test is listed: the wrong cause first, or any of a healthy one."""
    return not one.right(1) if one.fault else bool(one.named)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
