"""The drills at hand, and the making of one. Knows no Qt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from proofstand.display import plain
from proofstand.drilling import drill_of_run, made_drill
from proofstand.practice_folder import KeptDrill, PracticeFolder
from proofstand.review.drills import HEALTHY
from proofstand.review.sheet import Done
from proofstand.simulated import PLANS
from records.drill import DIFFICULTIES, Drill
from records.errors import InputError
from records.faults import CATALOGUE

from .wording import said

DRAW = "draw"
FAMILIES = tuple(PLANS)
HARDNESS = tuple(DIFFICULTIES)
MOST_TITLE = 70  # signs of it are shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """What a trainer asks for.

    Attributes:
        fault: id of one, ``none``, or ``draw``. severity: as typed, of a chosen one.
        difficulty: of one that is drawn. seed: as typed, "" by chance.
        stored: a run file to take instead, "" for none.
    """

    fault: str = DRAW
    severity: str = "1"
    family: str = FAMILIES[0]
    difficulty: str = HARDNESS[1]
    seed: str = ""
    title: str = ""
    stored: str = ""


def fault_choices() -> tuple[tuple[str, str], ...]:
    """Return what may be wrong, as id and words: to be drawn, nothing, each fault."""
    faults = [(entry.id, entry.sentence.rstrip(".")) for entry in CATALOGUE.values()]
    faults.sort(key=lambda each: each[1])
    draw, healthy = said("make", "draw"), said("make", "healthy")
    return ((DRAW, draw), (HEALTHY, healthy), *faults)


def made_of(draft: Draft, by: str, folder: PracticeFolder) -> KeptDrill:
    """Make the drill that is asked for, keep it, and return it.

    Raises:
        InputError, IntegrityError: what is wrong with what is asked for.
    """
    drill: Drill
    if draft.stored.strip():
        path = Path(draft.stored.strip()).expanduser()
        kept = folder.keep_drill(drill_of_run(path, draft.title.strip(), by))
        folder.take_run(kept.drill, path)
        return kept
    faults: tuple[str, ...] = ()
    if draft.fault not in (DRAW, HEALTHY):
        severity = _number(draft.severity, said("make", "severity"))
        faults = (f"{draft.fault}:{severity:g}",)
    drill = made_drill(
        family=draft.family,
        faults=faults,
        difficulty=draft.difficulty if draft.fault == DRAW else "",
        seed=_seed(draft.seed),
        title=draft.title.strip(),
        by=by,
    )
    return folder.keep_drill(drill)


def _number(typed: str, name: str) -> float:
    try:
        value = float(typed.strip().replace(",", "."))
    except ValueError:
        value = -1.0
    if not 0.0 < value <= 1.0:
        given, right = repr(typed.strip()), said("make", "severity_right")
        raise InputError("value_wrong", key=name, given=given, right=right)
    return value


def _seed(typed: str) -> int | None:
    if not typed.strip():
        return None
    try:
        return int(typed.strip())
    except ValueError:
        raise InputError(
            "value_wrong",
            key=said("make", "seed"),
            given=repr(typed.strip()),
            right=said("make", "seed_right"),
        ) from None


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillRow:
    """A drill as it stands in the list.

    Attributes:
        title: what the trainee is told. facts: regulator, plan, who made it and when.
        done: who did it with what points, or that nobody did.
    """

    title: str
    facts: str
    done: str


def row_of(kept: KeptDrill, scores: Sequence[Done]) -> DrillRow:
    """Return a drill as a line of the list; nothing of its answer is in it."""
    drill = kept.drill
    facts = [drill.family, said("list", "plan", plan=drill.plan)]
    if drill.difficulty:
        facts.append(drill.difficulty)
    if drill.run:
        facts.append(said("list", "stored"))
    facts.append(said("list", "made", day=drill.made.isoformat()))
    if drill.by:
        facts.append(said("list", "by", by=plain(drill.by)))
    own = [one for one in scores if one.drill == drill.sha256 and not one.again]
    done = "; ".join(_points(one) for one in own)
    return DrillRow(
        title=plain(drill.title)[:MOST_TITLE],
        facts=" · ".join(facts),
        done=done or said("list", "new"),
    )


def _points(one: Done) -> str:
    who, points, of = plain(one.trainee), f"{one.points:g}", f"{one.of:g}"
    return said("list", "points", who=who, points=points, of=of)
