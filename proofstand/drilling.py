"""Drills from their making to their run: what command and window do alike."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path

from records.drill import Drill, DrillAnswer
from records.drillfile import answer_of, folded, folded_truth, truth_of
from records.errors import InputError
from records.faults import CATALOGUE
from records.planfile import plan_by_name
from records.run import Run
from records.runfile import read_sealed
from rig.simulator.devices import SimulatedRig
from rig.simulator.families import FAMILIES
from rig.simulator.faults import parsed_faults

from .review.drills import drawn
from .session import SessionEvent
from .simulated import PLANS, Simulated, simulate

MOST_SEED = 2**63


def made_drill(
    *,
    family: str,
    plan: str = "",
    faults: Sequence[str] = (),
    difficulty: str = "",
    seed: int | None = None,
    title: str = "",
    by: str = "",
) -> Drill:
    """Return a drill that is drawn or chosen.

    Args:
        family: of the regulator.
        plan: name of a plan, the family's own if "".
        faults: as ``id`` or ``id:severity``; none for a healthy regulator.
        difficulty: of :data:`records.drill.DIFFICULTIES`; draws one instead.
        seed: of the simulation and of the draw; by chance if None.
        title: what the trainee is told; family and plan if "".
        by: who makes it.

    Raises:
        InputError: unknown family, plan or fault; a fault that this regulator can't
            have, or one of severity 0; nothing that can be drawn; a seed below 0 or
            too large.
    """
    if family not in PLANS:
        known = ", ".join(PLANS)
        raise InputError("family_unknown", given=family, known=known)
    seed = secrets.randbelow(2**31) if seed is None else seed
    if not 0 <= seed < MOST_SEED:
        raise InputError("value_wrong", key="seed", given=seed, right="0 or more")
    plan = plan or PLANS[family]
    plan_by_name(plan)
    if difficulty:
        faults = drawn(plan, difficulty, seed, _fitting(family, seed))
    else:
        _check_fit(family, seed, faults)
        severities = parsed_faults(faults)
        _refuse_none(severities)
        faults = tuple(f"{id}:{s:g}" for id, s in severities.items())
    return _drill(
        DrillAnswer(seed=seed, faults=tuple(faults)),
        family,
        plan,
        title,
        by,
        difficulty,
    )


def _drill(
    answer: DrillAnswer,
    family: str,
    plan: str,
    title: str,
    by: str,
    difficulty: str = "",
    run: str = "",
) -> Drill:
    return Drill(
        id=secrets.token_hex(4),
        title=title or f"{family}, plan {plan}",
        family=family,
        plan=plan,
        difficulty=difficulty,
        run=run,
        by=by,
        made=datetime.now().astimezone().date(),
        answer=folded(answer),
    )


def _check_fit(family: str, seed: int, faults: Sequence[str]) -> None:
    """Refuse what a regulator of the family can't have."""
    SimulatedRig(seed, parsed_faults(faults), family=FAMILIES[family])


def _refuse_none(severities: Mapping[str, float]) -> None:
    """Refuse a fault that is none: it would be scored as one."""
    for id, severity in severities.items():
        if severity == 0.0:
            raise InputError("drill_severity_none", where=id)


def _fitting(family: str, seed: int) -> list[str]:
    found = []
    for id in CATALOGUE:
        try:
            _check_fit(family, seed, [id])
        except InputError:
            continue
        found.append(id)
    return found


def drill_of_run(path: Path, title: str = "", by: str = "") -> Drill:
    """Return a drill of a stored run, whose truth is its answer.

    Args:
        path: sealed run file.
        title: what the trainee is told; family and plan if "".
        by: who makes it.

    Raises:
        InputError: ``drill_without_truth`` where nothing is known of the gas,
            ``drill_run_tells`` where its id says it all, ``drill_run_in_parts``.
        IntegrityError: the file was changed.
    """
    run = read_sealed(path)
    if truth_of(run) is None:
        raise InputError("drill_without_truth", where=str(path))
    if any(id in run.header.id for id in CATALOGUE):
        raise InputError("drill_run_tells", where=str(path), run=run.header.id)
    if len(run.parts) != 1:
        raise InputError("drill_run_in_parts", where=str(path), n=len(run.parts))
    return _drill(
        DrillAnswer(run_sha256=run.sha256),
        run.header.job.regulator.family,
        run.header.plan.id,
        title,
        by,
        run=run.header.id,
    )


def run_id_of(drill: Drill) -> str:
    """Return the id of a drill's run, which tells nothing."""
    return drill.run or f"drill-{drill.id}"


def make_run(
    drill: Drill,
    out: Path,
    where: str,
    tell: Callable[[SessionEvent], None] = lambda event: None,
) -> Simulated:
    """Let simulated hands make the test of a drill; what is wrong lies folded in it.

    Args:
        drill: one that is no stored run.
        out: run file to make.
        where: the drill's file, for errors.
        tell: hears what the session tells.

    Raises:
        InputError: ``drill_of_stored_run``; what ``simulate`` raises.
        IntegrityError: ``drill_changed``.
    """
    if drill.run:
        raise InputError("drill_of_stored_run", where=where, run=drill.run)
    answer = answer_of(drill, where)
    return simulate(
        family=drill.family,
        plan_name=drill.plan,
        faults=answer.faults,
        seed=answer.seed,
        out=out,
        run_id=run_id_of(drill),
        tell=tell,
        kept_truth=folded_truth,
    )


def run_of_drill(drill: Drill, path: Path, where: str) -> Run:
    """Return the run of a drill from its file.

    Args:
        drill: the drill.
        path: sealed run file.
        where: the drill's file, for errors.

    Raises:
        InputError: ``drill_of_another_run``.
        IntegrityError: run or drill was changed.
    """
    answer = answer_of(drill, where)
    run = read_sealed(path)
    wanted = run_id_of(drill)
    same = not answer.run_sha256 or run.sha256 == answer.run_sha256
    if run.header.id != wanted or not same:
        raise InputError(
            "drill_of_another_run",
            where=str(path),
            run=run.header.id,
            wanted=wanted,
        )
    return run
