"""What was judged anew before a long piece of work was interrupted.

A file in the cache of the user, one for each question that is asked of runs; it is
thrown away when the work came to its end. Nothing in it is needed: what it lacks, or
what can't be read in it, is judged again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from analysis.version import ANALYSIS_VERSION
from records.archive import entry as kinds

from .. import places
from ..approvals import approvals
from .anew import Change, Rejudged, Task


class Unfinished:
    """Notes of runs that were judged anew.

    Args:
        question: what is asked of each run, as the digest of a plan; it does not count
            who asks, nor of which runs.
        folder: where notes are kept, None for the user's own.
    """

    def __init__(self, question: str, folder: Path | None = None) -> None:
        # a plan that was approved meanwhile judges another way than its draft did
        given = [[each.plan_sha256, each.utc_ns] for each in approvals()]
        asked = json.dumps([ANALYSIS_VERSION, question, given]).encode()
        folder = folder or places.cache_dir() / "judged-anew"
        self._path = folder / f"{hashlib.sha256(asked).hexdigest()[:24]}.jsonl"
        self._known = self._read()
        self.taken_over = 0

    def _read(self) -> dict[str, list[dict[str, Any]]]:
        found: dict[str, list[dict[str, Any]]] = {}
        with contextlib.suppress(OSError):
            for line in self._path.read_text("utf-8", "replace").splitlines():
                with contextlib.suppress(ValueError, KeyError, TypeError):
                    told = json.loads(line)
                    found[str(told["task"])] = list(told["judged"])
        return found

    def known(self, task: Task) -> tuple[Rejudged, ...] | None:
        """Return what was noted of a run that is still as it was, or None."""
        told = self._known.get(_digest(task))
        if told is None:
            return None
        try:
            noted = tuple(_rejudged(task, each) for each in told)
        except (KeyError, TypeError, ValueError):
            return None
        self.taken_over += 1
        return noted

    def note(self, task: Task, judged: tuple[Rejudged, ...]) -> None:
        """Note what came of a run; a trouble is not noted, it may be gone next time.

        A note that can't be written is none: the work goes on.
        """
        if any(each.trouble is not None for each in judged):
            return
        line = {"task": _digest(task), "judged": [_noted(each) for each in judged]}
        text = json.dumps(line, ensure_ascii=False, allow_nan=False)
        with contextlib.suppress(OSError):
            places.made(self._path.parent)
            with self._path.open("a", encoding="utf-8") as file:
                file.write(f"{text}\n")

    def finished(self) -> None:
        """Throw the notes away: the work came to its end."""
        with contextlib.suppress(OSError):
            self._path.unlink()


def _digest(task: Task) -> str:
    """Return what tells a run with all that was said of it from any other."""
    kept = [
        [each.path, each.sha256]
        for each in task.listed
        if each.kind in (kinds.RUN, kinds.JUDGEMENT, kinds.CERTIFICATE)
    ]
    return hashlib.sha256(json.dumps(kept).encode()).hexdigest()


def _noted(judged: Rejudged) -> dict[str, Any]:
    return {
        "sha256": judged.sha256,
        "serial": judged.serial,
        "kept": None if judged.kept is None else judged.kept.path,
        "same": judged.same,
        "kept_version": judged.kept_version,
        "before": judged.before,
        "after": judged.after,
        "changes": [asdict(each) for each in judged.changes],
        "papers": [each.number for each in judged.papers],
        "data": None if judged.same else judged.data,
    }


def _rejudged(task: Task, told: Mapping[str, Any]) -> Rejudged:
    listed = {each.path: each for each in task.listed}
    papers = {each.number: each for each in task.papers}
    kept = told["kept"]
    return Rejudged(
        run=task.run,
        sha256=told["sha256"],
        serial=told["serial"],
        kept=None if kept is None else listed[kept],
        same=told["same"],
        kept_version=told["kept_version"],
        before=told["before"],
        after=told["after"],
        changes=tuple(Change(**each) for each in told["changes"]),
        papers=tuple(papers[number] for number in told["papers"]),
        data=told["data"],
    )
