"""How often a simulated test passes: `python -m benchmarks verdicts`.

For each family with its plan: healthy regulators; faults at their worst that the plan
reveals; and regulators that lie at 1.1 times a limit, by the gas itself and not by what
was measured of it. Each seed is another regulator, rig, day and pair of hands. What was
tried is kept in a file, one line of JSON a test, and not tried again. Exit code 0; 1
where healthy ones pass less often than the goal or a revealed fault passes; 2 on a
wrong word.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path

from analysis.judge import judge
from proofstand.simulated import PLANS, simulate
from records.errors import InputError
from records.faults import CATALOGUE, TRIED, revealed_by
from records.judgement import Outcome, Verdict
from records.plan import Bound, Plan
from records.planfile import builtin_plan
from records.runfile import open_run

from .table import Row

FIRST_SEED = 1001
GOAL = 0.99
OVER = 1.1
_NEAR = 0.015  # of the limit: so close to 1.1 times it a true value is tried at
_MOST_TRIES = 4
# What is at its limit, and the fault that puts it there.
AT_LIMIT = {
    "seat_leak": "seat_nicked",
    "external_leak": "outlet_fitting",
    "lockup_rise": "seat_worn",
    "lockup_highest": "seat_nicked",
    "closure_coefficient": "seat_worn",
}
KINDS = ("healthy", "worst", "limit")
# More plans on families that have one of their own.
MORE = {"cylinder-flow": "cylinder-1", "service-classes": "service"}


@dataclass(frozen=True, slots=True)
class Trial:
    """What is tried: a family with a plan, a kind, what of it (fault, finding), a seed.

    Attributes:
        family: of the regulator. plan: id of the plan. kind: of :data:`KINDS`.
        of: the fault at its worst, or the finding at its limit. seed: of the test.
    """

    family: str
    plan: str
    kind: str
    of: str
    seed: int


@dataclass(frozen=True, slots=True)
class Tried:
    """One simulated test, or none where there is no such regulator.

    Attributes:
        trial: what was tried. verdict: of the whole test, or ``not fitted``, or
            ``out of reach`` where the fault at its worst does not reach the limit.
        reached: true value over its limit, of what is at its limit.
        why: findings that did not pass, each with its reasons.
        rig_s: rig time of the test.
    """

    trial: Trial
    verdict: str
    reached: float | None = None
    why: tuple[str, ...] = ()
    rig_s: float = 0.0


@lru_cache
def _plan(plan: str) -> Plan:
    return builtin_plan(plan)[0]


def _limit_si(bound: Bound, true: dict[tuple[str, str], float]) -> float:
    """Return a limit; a share is of what it names as it was set in truth."""
    if bound.of is None:
        return bound.quantity.value_si
    return bound.quantity.value_si * true[bound.of, "set"]


def at_limit(plan: Plan) -> tuple[str, ...]:
    """Return the findings that can be put at 1.1 times a limit of a plan.

    A creep to the highest outlet stands for the seat where no leak of it is judged.
    """
    judged = {
        limit.finding
        for step in plan.steps
        for limit in step.limits
        if limit.max is not None and limit.required
    }
    found = [id for id in AT_LIMIT if id in judged]
    if "seat_leak" in found and "lockup_highest" in found:
        found.remove("lockup_highest")
    return tuple(found)


def reached(plan: Plan, finding: str, true: dict[tuple[str, str], float]) -> float:
    """Return the largest true value of a finding over its limit, of all its steps."""
    shares = [
        true[finding, step.id] / _limit_si(limit.max, true)
        for step in plan.steps
        for limit in step.limits
        if limit.finding == finding
        and limit.max is not None
        and (finding, step.id) in true
    ]
    return max(shares, default=float("nan"))


def _test(trial: Trial, *faults: str) -> Tried:
    plan = _plan(trial.plan)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "run.h5"
        made = simulate(
            family=trial.family,
            plan_name=trial.plan,
            faults=faults,
            seed=trial.seed,
            out=out,
        )
        run = open_run(out)
    found = judge(run)
    assert run.truth is not None
    true = {(f["id"], f["step"]): f["value"] for f in run.truth["findings"]}
    at = reached(plan, trial.of, true) if trial.kind == "limit" else None
    why = tuple(
        f"{f.id} of {f.step} {f.outcome.value}: "
        + (", ".join(reason.id for reason in f.why) or "-")
        for f in found.findings
        if f.limit is not None and f.required and f.outcome is not Outcome.PASS
    )
    return Tried(trial, found.verdict.value, at, why, made.rig_seconds)


def _at_its_limit(trial: Trial) -> Tried:
    """Test one whose true finding is 1.1 times its limit, by a fault of some severity.

    The severity is found by tests of the same seed, the last of which counts.
    """
    fault = AT_LIMIT[trial.of]
    tried: list[tuple[float, float]] = []  # severity, true value over its limit
    severity = 0.3
    for number in range(_MOST_TRIES):
        found = _test(trial, f"{fault}:{severity:.6f}")
        at = found.reached if found.reached is not None else float("nan")
        if abs(at - OVER) < _NEAR or at != at or number == _MOST_TRIES - 1:
            return found
        if at < OVER and severity == 1.0:
            return Tried(trial, "out of reach", at)
        tried.append((severity, at))
        severity = _next(tried)
    raise AssertionError("never here")


def _next(tried: list[tuple[float, float]]) -> float:
    """Return where a straight line through the nearest two comes to the aim."""
    if len(tried) == 1:
        severity, at = tried[0]
        guess = severity * OVER / at if at > 0.0 else 2.0 * severity
        return min(max(guess, 0.25 * severity), 1.0)
    (a, at_a), (b, at_b) = sorted(tried, key=lambda one: abs(one[1] - OVER))[:2]
    if at_a == at_b:
        return 1.0
    return min(max(a + (OVER - at_a) * (b - a) / (at_b - at_a), 0.0), 1.0)


def test(trial: Trial) -> Tried:
    """Try one."""
    try:
        match trial.kind:
            case "limit":
                return _at_its_limit(trial)
            case "worst":
                return _test(trial, trial.of)
            case _:
                return _test(trial)
    except InputError as error:
        if error.id != "fault_not_fitted":
            raise
        return Tried(trial, "not fitted")


def families_with_plans(family: str = "") -> list[tuple[str, str]]:
    """Return every family with each plan it is tried with, its own first."""
    pairs = [*PLANS.items(), *((fam, plan) for plan, fam in MORE.items())]
    return [pair for pair in pairs if family in ("", pair[0])]


def worst_of(plan: str) -> tuple[str, ...]:
    """Return the faults that a plan is tried with at their worst.

    Those it reveals; of a plan that the catalogue says nothing of, all that any does.
    """
    if plan in TRIED:
        return tuple(entry.id for entry in revealed_by(plan))
    return tuple(entry.id for entry in CATALOGUE.values() if entry.revealed)


def trials(
    family: str, plans: Iterable[str], kinds: Iterable[str], first: int, seeds: int
) -> Iterator[Trial]:
    """Return what is to be tried, seed by seed, so that any stop leaves all alike."""
    wanted = set(plans)
    for seed in range(first, first + seeds):
        for fam, plan in families_with_plans(family):
            if wanted and plan not in wanted:
                continue
            of = {
                "healthy": ("",),
                "worst": worst_of(plan),
                "limit": at_limit(_plan(plan)),
            }
            for kind in kinds:
                for what in of[kind]:
                    yield Trial(fam, plan, kind, what, seed)


def read_tried(path: Path) -> dict[Trial, Tried]:
    """Return what a file says was tried."""
    if not path.exists():
        return {}
    found = {}
    for line in path.read_text("utf-8").splitlines():
        data = json.loads(line)
        trial = Trial(**data.pop("trial"))
        found[trial] = Tried(trial, **{**data, "why": tuple(data["why"])})
    return found


def table(tried: Iterable[Tried]) -> tuple[str, bool]:
    """Return the count as lines of text, and whether every goal is met."""
    groups: dict[tuple[str, str, str, str], list[Tried]] = {}
    for one in tried:
        of = "" if one.trial.kind == "worst" else one.trial.of
        key = (one.trial.family, one.trial.plan, one.trial.kind, of)
        groups.setdefault(key, []).append(one)
    lines, met = [], True
    order = {kind: i for i, kind in enumerate(KINDS)}
    for (family, plan, kind, of), found in sorted(
        groups.items(), key=lambda item: (item[0][:2], order[item[0][2]], item[0][3])
    ):
        fitted = [f for f in found if f.verdict not in ("not fitted", "out of reach")]
        often = Counter(one.verdict for one in found)
        passed = [f for f in fitted if f.verdict == Verdict.PASS]
        told = ", ".join(f"{n} {verdict}" for verdict, n in sorted(often.items()))
        what = {
            "worst": "a fault at its worst",
            "limit": f"{of} at {OVER} of its limit",
        }
        line = (
            f"{family:13} {plan:19} {what.get(kind, kind):38} "
            f"{len(passed):3} of {len(fitted):3} pass  ({told}"
        )
        at = sorted(f.reached for f in fitted if f.reached is not None)
        if at:
            line += f"; true value over limit {at[0]:.3f} to {at[-1]:.3f}"
        lines.append(line + ")")
        if kind == "healthy":
            met = met and len(passed) >= GOAL * len(fitted)
            lines += [
                f"    seed {f.trial.seed}: {'; '.join(f.why)}"
                for f in fitted
                if f.verdict != Verdict.PASS
            ]
        if kind == "worst" and passed:
            revealed = plan in TRIED
            met = met and not revealed
            ids = Counter(f.trial.of for f in passed)
            said = "revealed, and passed" if revealed else "not in the catalogue"
            lines.append(f"    {said}: {', '.join(sorted(ids))}")
    return "\n".join(lines), met


def verdict_rows(short: bool) -> list[Row]:
    """Return the rows for the table of all benchmarks: a few of each family."""
    seeds = 1 if short else 3
    pairs = families_with_plans()
    healthy = [
        test(Trial(family, plan, "healthy", "", FIRST_SEED + seed))
        for seed in range(seeds)
        for family, plan in pairs
    ]
    worst = [
        test(Trial(family, plan, "worst", worst_of(plan)[i], FIRST_SEED))
        for i, (family, plan) in enumerate(pairs)
        if plan in TRIED
    ]
    not_passed = [one for one in healthy if one.verdict != Verdict.PASS]
    passed = [one.trial.of for one in worst if one.verdict == Verdict.PASS]
    told = ", ".join(f"{one.trial.plan}: {'; '.join(one.why)}" for one in not_passed)
    return [
        Row(
            "verdicts: healthy regulators that do not pass",
            float(len(not_passed)),
            1.0,
            f"of {len(healthy)}, each family with its plans {told}".rstrip(),
        ),
        Row(
            "verdicts: 1 + revealed faults at their worst that pass",
            1.0 + len(passed),
            1.0,
            f"of {len(worst)}, one a family {', '.join(passed)}".rstrip(),
        ),
    ]


def main(words: list[str]) -> int:
    """Count, print, and return the exit code."""
    parser = argparse.ArgumentParser(prog="benchmarks verdicts", description=__doc__)
    parser.add_argument("--seeds", type=int, default=100, metavar="N")
    parser.add_argument("--first", type=int, default=FIRST_SEED, metavar="SEED")
    parser.add_argument("--family", choices=sorted(PLANS), default="")
    parser.add_argument("--plan", action="append", default=[])
    parser.add_argument("--kind", choices=KINDS, action="append")
    parser.add_argument("--jobs", type=int, default=1, metavar="N")
    parser.add_argument(
        "--out", type=Path, help="file of what was tried: gone on with, never redone"
    )
    given = parser.parse_args(words)
    if given.seeds < 1:
        parser.error("--seeds: 1 or more")
    out = given.out
    done = {} if out is None else read_tried(out)
    wanted = list(
        trials(given.family, given.plan, given.kind or KINDS, given.first, given.seeds)
    )
    open_ones = [trial for trial in wanted if trial not in done]
    with ProcessPoolExecutor(given.jobs) as workers:
        for one in workers.map(test, open_ones):
            done[one.trial] = one
            if out is not None:
                with out.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(one)) + "\n")
    text, met = table(done[trial] for trial in wanted)
    print(text)
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
