"""What trainees made of drills: a score as a file, and the sheet of a class."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from records.drill import Drill
from records.errors import InputError
from records.judgement import FINDINGS
from records.measure import SI_UNIT
from records.run import Run

from .drills import Scored

SCHEMA = "proofstand.drill-score/1"
_COLUMNS = ("trainee", "when UTC", "drill", "difficulty", "points", "of", "done before")
_ANSWERS = ("fault", "called")


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """One drill as a trainee did it.

    Attributes:
        drill: its hash, by which one drill is told from another. title: of it.
        when: of the score, UTC. again: the trainee had done this drill before.
        fault, called: what was wrong, and what the trainee took it for.
    """

    trainee: str
    drill: str
    title: str
    difficulty: str
    when: str
    points: float
    of: float
    fault: str
    called: str
    right: bool
    again: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Trainee:
    """One trainee's line of a class sheet; only first tries count.

    Attributes:
        drills: done for the first time. points, of: of those.
        causes: how many of those had the cause right.
        mixed_up: what was taken for what, the commonest first, with how often.
    """

    name: str
    drills: int
    points: float
    of: float
    causes: int
    mixed_up: tuple[tuple[str, str, int], ...]


def score_json(
    scored: Scored, drill: Drill, run: Run, trainee: str, now: datetime
) -> dict[str, Any]:
    """Return a score as its file has it, SI."""
    return {
        "schema": SCHEMA,
        "trainee": trainee,
        "when": f"{now.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "drill": {
            "id": drill.id,
            "sha256": drill.sha256,
            "title": drill.title,
            "difficulty": drill.difficulty or None,
            "family": drill.family,
            "plan": drill.plan,
        },
        "run": {"id": run.header.id, "sha256": run.sha256 or None},
        "items": [
            {
                "what": item.what,
                "step": item.step or None,
                "called": item.called,
                "true": item.true,
                "near": item.near,
                "unit": SI_UNIT[FINDINGS[item.what].kind]
                if item.what in FINDINGS
                else None,
                "points": item.points,
                "of": item.of,
            }
            for item in scored.items
        ],
        "fault": scored.fault,
        "severity": scored.severity,
        "verdict": scored.verdict,
        "verdict_by_truth": scored.by_truth,
        "points": scored.points,
        "of": scored.of,
    }


def score_text(document: Mapping[str, Any]) -> str:
    """Return a score as the text of its file."""
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"


def read_score(path: Path) -> Done:
    """Return a score that was written by :func:`score_json`.

    Raises:
        InputError: ``file_unreadable``, ``file_not_ours``.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(
            "file_unreadable", where=str(path), what="score", why=why
        ) from None
    try:
        return _done(json.loads(data))
    except (ValueError, KeyError, TypeError, StopIteration):
        raise InputError("file_not_ours", where=str(path), what="score") from None


def _done(data: Mapping[str, Any]) -> Done:
    if data["schema"] != SCHEMA:
        raise ValueError(data["schema"])
    cause = next(item for item in data["items"] if item["what"] == "cause")
    return Done(
        trainee=str(data["trainee"]),
        drill=str(data["drill"]["sha256"]),
        title=str(data["drill"]["title"]),
        difficulty=str(data["drill"]["difficulty"] or ""),
        when=str(data["when"]),
        points=float(data["points"]),
        of=float(data["of"]),
        fault=str(data["fault"]),
        called=str(cause["called"] or ""),
        right=float(cause["points"]) > 0.0,
    )


def in_order(done: Iterable[Done]) -> list[Done]:
    """Return what was done by trainee and time; a drill done before is marked so."""
    seen: set[tuple[str, str]] = set()
    found = []
    for one in sorted(done, key=lambda d: (d.trainee, d.when, d.title)):
        again = (one.trainee, one.drill) in seen
        seen.add((one.trainee, one.drill))
        found.append(replace(one, again=again))
    return found


def class_sheet(done: Iterable[Done]) -> Sequence[Trainee]:
    """Return a line for each trainee, in the order of their names."""
    first = [one for one in in_order(done) if not one.again]
    sheet = []
    for name in dict.fromkeys(one.trainee for one in first):
        own = [one for one in first if one.trainee == name]
        mixed = Counter((one.fault, one.called) for one in own if not one.right)
        sheet.append(
            Trainee(
                name=name,
                drills=len(own),
                points=sum(one.points for one in own),
                of=sum(one.of for one in own),
                causes=sum(one.right for one in own),
                mixed_up=tuple(
                    (fault, called, n)
                    for (fault, called), n in sorted(
                        mixed.items(), key=lambda each: (-each[1], each[0])
                    )
                ),
            )
        )
    return sheet


def class_table(done: Iterable[Done], *, answers: bool = False) -> str:
    """Return what was done as a table of comma-separated values.

    Args:
        done: in order.
        answers: name what was wrong and what was called; who is yet to do these drills
            must not read it.
    """
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow((*_COLUMNS, *(_ANSWERS if answers else ())))
    for each in done:
        before = "yes" if each.again else "no"
        table.writerow(
            (
                *(each.trainee, each.when, each.title, each.difficulty),
                *(each.points, each.of, before),
                *((each.fault, each.called) if answers else ()),
            )
        )
    return out.getvalue()
