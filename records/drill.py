"""A drill: a fault to be found blind, and what is right about it."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any, ClassVar

DRILL_FORMAT = "proofstand.drill/1"
# How bad the fault of a drawn drill is, from and to.
DIFFICULTIES = {"plain": (0.8, 1.0), "fair": (0.5, 0.8), "subtle": (0.3, 0.5)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill:
    """What is handed to the trainee; the answer is in it, but not to be read.

    Attributes:
        id: of the drill. title: what the trainee is told.
        family, plan: of the regulator, and how it is tested.
        difficulty: one of :data:`DIFFICULTIES`, or "" where the trainer chose.
        run: id of the stored run that it is, "" for one that is simulated.
        by, made: who made it, and when.
        answer: folded up, see :mod:`records.drillfile`.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str = DRILL_FORMAT
    sha256: str = ""
    id: str
    title: str
    family: str
    plan: str
    difficulty: str = ""
    run: str = ""
    by: str = ""
    made: datetime.date
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillAnswer:
    """What is wrong with the regulator of a drill.

    Attributes:
        seed: of the simulation. faults: as ``id:severity``, none for a healthy one.
        run_sha256: of the stored run, "" for one that is simulated.
    """

    seed: int = 0
    faults: tuple[str, ...] = ()
    run_sha256: str = ""
