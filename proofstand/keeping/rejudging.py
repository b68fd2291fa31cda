"""Judging many kept runs anew: on all cores, interrupted and taken up again.

How one is judged stands in ``anew``; here is the order, who works, and what is known of
an earlier time that did not come to its end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from typing import Any

from records.archive.chain import Archive
from records.archive.found import RunFound
from records.archive.index import Index
from records.errors import ProofstandError

from ..display import plain
from ..signoff.persons import moment
from ..words.sentences import trouble
from .anew import Asked, Errors, PlanFor, Rejudged, Task, judge_anew, untold
from .times import day_of
from .unfinished import Unfinished
from .workers import Here, Lost, Workers


def rejudged(
    index: Index,
    archive: Archive,
    runs: Iterable[RunFound],
    *,
    errors: Errors | None = None,
    plan_for: PlanFor | None = None,
    workers: Workers | None = None,
    unfinished: Unfinished | None = None,
) -> Iterator[Rejudged]:
    """Judge kept runs anew, in their order; nothing is written to the archive.

    A run that can't be read or judged is told with its reason, and the others go on;
    so is one whose worker died.

    Args:
        index: of the archive, brought up to it.
        archive: where the runs are.
        runs: which.
        errors: what was found wrong of a run's channels; see :class:`~.anew.Asked`.
        plan_for: the plan to judge by; None takes that of the kept judgement.
        workers: who judges; None judges here, one after the other.
        unfinished: notes what was judged, and knows what an earlier time had noted.

    Raises:
        RefusedError: what ``errors`` or ``plan_for`` refuse altogether.
    """
    plans = tuple(each.path for each in index.entries(kind="plan"))
    asked = Asked(folder=archive.folder, plans=plans, errors=errors, plan_for=plan_for)
    for _, came in rejudged_tasks(
        asked, tasks_of(index, runs), workers or Here(), unfinished
    ):
        yield from came


def rejudged_tasks(
    asked: Asked,
    tasks: Iterable[Task],
    workers: Workers,
    unfinished: Unfinished | None = None,
) -> Iterator[tuple[Task, tuple[Rejudged, ...]]]:
    """Give each task with what came of it, in their order."""
    known: dict[str, tuple[Rejudged, ...]] = {}

    def to_do() -> Iterator[Task]:
        for task in tasks:
            noted = None if unfinished is None else unfinished.known(task)
            if noted is None:
                order.append(task)
                yield task
            else:
                known[task.run.run] = noted
                order.append(task)

    order: list[Task] = []
    for task, came in workers.each(partial(judge_anew, asked), to_do()):
        yield from _before(task, order, known)
        told = came if not isinstance(came, Lost) else (_died(task, came),)
        if unfinished is not None:
            unfinished.note(task, told)
        yield task, told
    yield from _before(None, order, known)


def _before(
    task: Task | None, order: list[Task], known: dict[str, tuple[Rejudged, ...]]
) -> Iterator[tuple[Task, tuple[Rejudged, ...]]]:
    """Give what was known already of the tasks before one, and take all off."""
    while order:
        first = order.pop(0)
        if task is not None and first is task:
            return
        yield first, known.pop(first.run.run)


def _died(task: Task, lost: Lost) -> Rejudged:
    error = lost.error
    if error is None:
        error = ProofstandError("judging_died", where=task.run.run)
    return untold(task, error)


def tasks_of(index: Index, runs: Iterable[RunFound]) -> Iterator[Task]:
    """Give runs with what the index knows of each."""
    for run in runs:
        yield Task(
            run=run,
            listed=index.entries(run=run.run),
            papers=index.certificates(run.run),
        )


def rejudged_json(each: Rejudged) -> dict[str, Any]:
    """Return a run that was judged anew as JSON."""
    return {
        "run": each.run.run,
        "sha256": each.sha256 or None,
        "serial": each.serial,
        "model": each.run.model,
        "customer": each.run.customer,
        "job": each.run.job,
        "tested": moment(each.run.started_ns),
        "kept": None if each.kept is None else each.kept.path,
        "before": each.before,
        "after": each.after or None,
        "findings": [
            {
                "step": c.step,
                "id": c.id,
                "channel": c.channel,
                "before": c.before or None,
                "after": c.after or None,
                "was": c.was or None,
                "now": c.now or None,
            }
            for c in each.changes
        ],
        "papers": [paper.number for paper in each.papers],
        "trouble": None if each.trouble is None else each.trouble.id,
    }


def rejudged_lines(each: Rejudged) -> list[str]:
    """Return a run that was judged anew as lines, with what comes out another."""
    how = f"{each.before}, as before"
    if each.trouble is not None:
        how = f"{each.before}; CAN'T BE JUDGED"
    elif each.turns:
        how = f"{each.before} -> {each.after.upper()}"
    elif each.changes:
        how = f"{each.before}, as before, but"
    day = day_of(each.run.started_ns)
    said = [f"  {day:%Y-%m-%d}  {plain(each.serial)}  run {plain(each.run.run)}: {how}"]
    if each.trouble is not None:
        told = trouble(each.trouble)
        said.append(f"      {told.what} [{told.id}]")
    for c in each.changes:
        values = f" ({c.was or 'not measured'}; {c.now or 'not measured'})"
        step = f"{c.step}, " if c.step else ""
        said.append(
            f"      {step}{c.label}: {c.before or 'none'} -> {c.after or 'none'}"
            f"{plain(values)}"
        )
    return said
