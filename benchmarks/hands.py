"""What is seen of what hands do: `python -m benchmarks hands [--runs N]`.

Simulated tests of every family, by hands that turn the wrong valve, adjust too far, are
called away for up to an hour, lose their supply, close in three jerks or at a snap, are
disturbed by the next station, and so on, at a step drawn at random. Counted is what
``acts`` says of each movement, how each test ends, and whether a finding is off what
was true of the gas. What was tried is kept in a file and not tried again. Exit code 0;
1 where a figure is twice its goal or worse; 2 on a wrong word.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from analysis.judge import judge
from proofstand.procedure.engine import prepared_plan, stages_of
from proofstand.procedure.stages import Ask
from proofstand.simulated import demo_job, simulate
from records.judgement import Judgement, Verdict
from records.plan import Plan
from records.planfile import builtin_plan
from records.run import MarkKind, Run
from records.runfile import open_run
from rig.simulator.hands import MISTAKES

from .acts import Act, Watching
from .table import Row
from .verdicts import families_with_plans

RUNS = 200
FIRST_SEED = 7001
WITHIN_S = 0.5
MOST_MISSED = 0.02
MOST_FALSE_PER_H = 1.0
_MISTAKES_A_RUN = 2
_ABSENCE_SHARE = 0.08  # of the runs; each takes half an hour of rig time
_FAR_OFF = 5.0  # standard uncertainties between a finding and what was true
_SHORT_HOLD_S, _SHORT_SOAK_S = 30, 10
_OF_LEAKS = ("rig_leak", "seat_leak", "external_leak", "seat_transfer")


@dataclass(frozen=True, slots=True)
class Handled:
    """One simulated test by clumsy hands.

    Attributes:
        seed: of the test. family, plan: what was tested. mistakes: what went wrong.
        ended: ``done``, or what was asked for when nothing came about any more.
        hours: of rig time. acts: as seen. false: role and time of what was not so.
        marks: what the engine noted of each mistake, in the same order.
        off: findings that lie off what was true. verdict: of the test.
    """

    seed: int
    family: str
    plan: str
    mistakes: tuple[str, ...]
    ended: str
    hours: float
    acts: tuple[Act, ...]
    false: tuple[tuple[str, float], ...]
    noted: tuple[str, ...]
    off: tuple[str, ...]
    verdict: str


def shortened(text: str) -> str:
    """Return a plan of the library without what only takes time.

    The rig by itself is not held, so no leak is judged; no hold takes longer than half
    a minute.
    """
    head, *blocks = re.split(r"(?m)^(?=\[\[steps)", text)
    kept, leaving = [head], False
    for block in blocks:
        if block.startswith("[[steps]]"):
            leaving = 'kind = "rig-hold"' in block
        of = re.search(r'(?m)^finding = "(\w+)"', block)
        if leaving or (of is not None and of[1] in _OF_LEAKS):
            continue
        block = _at_most(block, "hold", _SHORT_HOLD_S)
        kept.append(_at_most(block, "soak", _SHORT_SOAK_S))
    return "".join(kept)


def _at_most(block: str, key: str, seconds: int) -> str:
    def shorter(found: re.Match[str]) -> str:
        return f'{key} = "{min(int(found[1]), seconds)} s"'

    return re.sub(rf'(?m)^{key} = "(\d+) s"', shorter, block)


def places(plan: Plan) -> dict[str, list[str]]:
    """Return per mistake the steps of a plan at which it can be made."""
    acts = {
        step.id: {s.act for s in stages_of(step, plan) if isinstance(s, Ask)}
        for step in plan.steps
    }
    return {
        slip: [id for id, at in acts.items() if at and (not of or at & set(of))]
        for slip, of in MISTAKES.items()
    }


def drawn(seed: int) -> tuple[str, str, tuple[str, ...]]:
    """Return family, plan and mistakes of a seed."""
    rng = np.random.default_rng([seed, 41])
    pairs = families_with_plans()
    family, plan_id = pairs[seed % len(pairs)]
    plan = prepared_plan(builtin_plan(plan_id)[0], demo_job(family))
    at = {slip: ids for slip, ids in places(plan).items() if ids}
    rig_holds = {step.id for step in plan.steps if step.kind == "rig-hold"}
    slips = [slip for slip in at if slip != "long-absence"]
    chosen = list(rng.choice(slips, _MISTAKES_A_RUN, replace=False))
    if rng.random() < _ABSENCE_SHARE:
        chosen[0] = "long-absence"
    made = []
    for slip in chosen:
        steps = [id for id in at[str(slip)] if id not in rig_holds]
        made.append(f"{slip}@{rng.choice(steps)}" if steps else str(slip))
    return family, plan_id, tuple(made)


def handle(seed: int) -> Handled:
    """Let clumsy hands do one test."""
    family, plan_id, mistakes = drawn(seed)
    watching = Watching()
    with tempfile.TemporaryDirectory() as folder:
        plan, out = Path(folder) / "plan.toml", Path(folder) / "run.h5"
        plan.write_text(shortened(builtin_plan(plan_id)[1]), "utf-8")
        made = simulate(
            family=family,
            plan_name=str(plan),
            faults=(),
            seed=seed,
            mistakes=mistakes,
            out=out,
            show=watching.show,
            tell=watching.tell,
        )
        run = open_run(out)
    found = judge(run)
    ended = made.how
    stopped = [m for m in watching.marks if m.kind is MarkKind.ABANDONED]
    if stopped:
        asked, step = watching.asked[-1]
        before = [m for m in watching.marks if m.t_s < stopped[0].t_s]
        last = next((m for m in reversed(before) if m.kind is MarkKind.ASKED), None)
        ended = f"stuck at {last.data['act'] if last else asked} of {step}"
    return Handled(
        seed,
        family,
        plan_id,
        mistakes,
        ended,
        watching.hours(),
        tuple(watching.acts()),
        tuple((s.role, s.told_s) for s in watching.false()),
        tuple(_noted(run, mistake) for mistake in mistakes),
        _off(run, found),
        found.verdict.value,
    )


def _noted(run: Run, mistake: str) -> str:
    """Return what the engine made of a mistake: why its step began again, or ended."""
    step = mistake.partition("@")[2]
    why = []
    for mark in run.marks:
        if mark.kind is MarkKind.STEP_REPEAT and mark.step == step:
            why.append(mark.data.get("why", ""))
        elif mark.kind is MarkKind.STEP_END and mark.step == step:
            how = mark.data.get("how", "")
            why += [how] if how != "done" else []
        elif mark.kind is MarkKind.STEP_SKIP and mark.step == step:
            why.append("skipped: " + mark.data.get("why", ""))
    # a hold that leans on a lockup is built up again from that
    if not why and step in _disturbed(run):
        why.append("disturbed")
    return ", ".join(dict.fromkeys(why)) or "went on"


def _disturbed(run: Run) -> set[str]:
    """Return the steps that were on when a hold was found disturbed."""
    on, found = "", set()
    for mark in run.marks:
        if mark.kind is MarkKind.STEP_BEGIN:
            on = mark.step
        elif mark.kind is MarkKind.STEP_REPEAT and mark.data["why"] == "disturbed":
            found |= {on, mark.step}
    return found


def _off(run: Run, found: Judgement) -> tuple[str, ...]:
    """Return the findings that lie further off the truth than chance puts them."""
    assert run.truth is not None
    true = {
        (t["id"], t["step"], t["channel"]): t["value"] for t in run.truth["findings"]
    }
    off = []
    for finding in found.findings:
        if finding.measured is None:
            continue
        for channel in (finding.channel or "", ""):
            value = true.get((finding.id, finding.step, channel))
            if value is None:
                continue
            away = abs(finding.measured.value - value) / finding.measured.u
            if away > _FAR_OFF:
                off.append(f"{finding.id} of {finding.step} by {away:.0f} u")
            break
    return tuple(off)


# --- the tables -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Figures:
    """What is counted of all runs.

    Attributes:
        slow: 98 % of what was recognised was so after this, seconds.
        missed: share of the acts. false_per_h: per hour of rig time.
        stuck: runs that did not end.
    """

    slow: float
    missed: float
    false_per_h: float
    stuck: int


def figures(handled: Sequence[Handled]) -> Figures:
    """Return the figures of the whole."""
    acts = [act for one in handled for act in one.acts]
    hours = sum(one.hours for one in handled)
    delays = [act.delay_s for act in acts if act.delay_s is not None]
    return Figures(
        float(np.quantile(delays, 0.98)),
        1.0 - len(delays) / len(acts),
        sum(len(one.false) for one in handled) / hours,
        sum(one.ended != "done" for one in handled),
    )


def tables(handled: Sequence[Handled]) -> str:
    """Return everything counted, as lines of text."""
    acts = [act for one in handled for act in one.acts]
    hours = sum(one.hours for one in handled)
    lines = [
        f"{len(handled)} runs, {hours:.1f} h of rig time",
        "recognised: the detector the engine looks through says that the pressure "
        "moves that way",
        f"{'while asked to':16} {'valve':16} {'count':>6} {'recognised':>10} "
        f"{'median':>8} {'98 %':>8} {'within 0.5 s':>12} {'missed':>8}",
    ]
    kinds = sorted({(act.asked or "(nothing)", act.valve) for act in acts})
    for asked, valve in kinds:
        some = [a for a in acts if (a.asked or "(nothing)", a.valve) == (asked, valve)]
        lines.append(_line(asked, valve, some))
    lines.append(_line("all", "", acts))
    false = [role for one in handled for role, _ in one.false]
    for role in sorted(set(false)) or ["either"]:
        n = false.count(role)
        lines.append(f"false at the {role}: {n}, {n / hours:.2f} per hour")
    lines += ["", f"{'what went wrong':14} {'times':>6}  what the engine made of it"]
    for slip in MISTAKES:
        noted = Counter(
            noted
            for one in handled
            for mistake, noted in zip(one.mistakes, one.noted, strict=True)
            if mistake.partition("@")[0] == slip
        )
        if noted:
            told = ", ".join(f"{n} {what}" for what, n in noted.most_common())
            lines.append(f"{slip:14} {sum(noted.values()):6}  {told}")
    ends = Counter(one.ended for one in handled)
    told = ", ".join(f"{n} {how}" for how, n in ends.most_common())
    verdicts = Counter(one.verdict for one in handled)
    judged = ", ".join(f"{n} {verdict}" for verdict, n in verdicts.most_common())
    lines += ["", f"ended: {told}", f"verdicts: {judged}"]
    for one in handled:
        if one.off or one.verdict == Verdict.FAIL:
            said = "; ".join(one.off) or one.verdict
            lines.append(
                f"  seed {one.seed}, {one.plan}, {', '.join(one.mistakes)}: {said}"
            )
    return "\n".join(lines)


def _line(asked: str, valve: str, acts: Sequence[Act]) -> str:
    delays = np.array([act.delay_s for act in acts if act.delay_s is not None])
    n = len(acts)
    median, late, soon = (
        (
            float(np.median(delays)),
            float(np.quantile(delays, 0.98)),
            float(np.mean(delays <= WITHIN_S)),
        )
        if delays.size
        else (float("nan"),) * 3
    )
    return (
        f"{asked:16} {valve:16} {n:6} {delays.size:10} {median:6.2f} s {late:6.2f} s "
        f"{100.0 * soon:10.1f} % {100.0 * (1.0 - delays.size / n):6.1f} %"
    )


def read_handled(path: Path) -> dict[int, Handled]:
    """Return what a file says was tried, by seed."""
    if not path.exists():
        return {}
    found = {}
    for line in path.read_text("utf-8").splitlines():
        data = json.loads(line)
        data["acts"] = tuple(Act(**act) for act in data["acts"])
        data["false"] = tuple((role, t) for role, t in data["false"])
        for name in ("mistakes", "noted", "off"):
            data[name] = tuple(data[name])
        found[data["seed"]] = Handled(**data)
    return found


def handled_rows(short: bool) -> list[Row]:
    """Return the rows for the table of all benchmarks."""
    runs = 9 if short else RUNS
    found = [handle(FIRST_SEED + i) for i in range(runs)]
    return rows(found)


def rows(handled: Sequence[Handled]) -> list[Row]:
    """Return the figures against their goals."""
    got = figures(handled)
    how = f"{len(handled)} runs, {sum(len(one.acts) for one in handled)} acts"
    return [
        Row("hands: 98 % of acts recognised after / s", got.slow, WITHIN_S, how),
        Row("hands: acts missed / %", 100.0 * got.missed, 100.0 * MOST_MISSED, how),
        Row("hands: false per rig hour", got.false_per_h, MOST_FALSE_PER_H, how),
        Row("hands: 1 + tests that stood still", 1.0 + got.stuck, 1.0, how),
    ]


def main(words: Iterable[str]) -> int:
    """Count, print, and return the exit code."""
    parser = argparse.ArgumentParser(prog="benchmarks hands", description=__doc__)
    parser.add_argument("--runs", type=int, default=RUNS, metavar="N")
    parser.add_argument("--first", type=int, default=FIRST_SEED, metavar="SEED")
    parser.add_argument("--jobs", type=int, default=1, metavar="N")
    parser.add_argument(
        "--out", type=Path, help="file of what was tried: gone on with, never redone"
    )
    given = parser.parse_args(list(words))
    if given.runs < 1:
        parser.error("--runs: 1 or more")
    seeds = range(given.first, given.first + given.runs)
    done = {} if given.out is None else read_handled(given.out)
    with ProcessPoolExecutor(given.jobs) as workers:
        for one in workers.map(handle, [seed for seed in seeds if seed not in done]):
            done[one.seed] = one
            if given.out is not None:
                with given.out.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(one)) + "\n")
    found = [done[seed] for seed in seeds]
    print(tables(found))
    return 1 if any(row.standing == "FAILED" for row in rows(found)) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
