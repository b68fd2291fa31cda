"""The last test's rig, plan, card and person, so that the next begins with one key.

Also which job card a scanned label is of. Knows no Qt.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path

from proofstand.places import autosave_dir, made
from records.errors import ProofstandError
from records.jobcard import FORMAT, JobCard
from records.jobfile import load_job

from .start_checks import Given

MOST_CARDS = 2000  # in one folder; more are not looked through
_KEPT = ("rig", "plan", "job", "by")


def keep_last(given: Given) -> None:
    """Keep what a test was begun with; that it can't be kept stops no test."""
    told = {name: getattr(given, name).strip() for name in _KEPT}
    for name in ("rig", "job"):
        if told[name]:
            told[name] = str(Path(told[name]).absolute())
    path = _file()
    beside = path.with_suffix(".part")
    try:
        made(path.parent, private=True)
        beside.write_text(json.dumps(told), encoding="utf-8")
        os.replace(beside, path)
    except OSError:
        return


def last_test() -> Given | None:
    """Return what the last test was begun with, or None where none is known."""
    try:
        content = json.loads(_file().read_text("utf-8"))
        told = {name: str(content[name]) for name in _KEPT}
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return Given(**told) if told["rig"] else None


def _file() -> Path:
    return autosave_dir() / "last-test.json"


def with_last(given: Given, last: Given) -> Given:
    """Return what is typed, its gaps filled from the last test but for the regulator.

    The plan goes with the rig: what stands there unasked is no choice of anybody.
    """
    told = asdict(given)
    if not given.rig.strip():
        told |= {"rig": last.rig, "plan": last.plan or given.plan}
    if not given.by.strip():
        told["by"] = last.by
    return Given(**told)


def card_of_label(label: str, folders: Iterable[Path]) -> tuple[Path, ...]:
    """Return the job cards that a scanned label is of: one, or none, or several.

    A whole label, JOB/SERIAL, is of one job; a serial alone may be of several.

    Args:
        label: as the scanner typed it.
        folders: where to look, the first one that has a card wins.
    """
    text = label.strip()
    if not text:
        return ()
    for folder in dict.fromkeys(folders):
        found = [(p, job) for p, job in _cards(folder) if job.serial_of(text)]
        whole = [(p, job) for p, job in found if text.startswith(f"{job.id}/")]
        if found:
            return tuple(p for p, _ in whole or found)
    return ()


def _cards(folder: Path) -> Iterator[tuple[Path, JobCard]]:
    begins = f'format = "{FORMAT.split("/")[0]}/'.encode()
    try:
        names = sorted(folder.glob("*.toml"))[:MOST_CARDS]
    except OSError:
        return
    for path in names:
        try:
            with path.open("rb") as file:
                if begins not in file.read(400):
                    continue
            yield path, load_job(path)
        except (OSError, ProofstandError):
            continue  # one that can't be read is told when it is named
