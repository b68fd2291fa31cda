"""The Bench desk's words, from the word file."""

from __future__ import annotations

import time
from typing import Any

from proofstand.words.sentences import words
from records.measure import Kind
from records.rig import Rig


class _Facts(dict[str, object]):
    def __missing__(self, key: str) -> str:
        return "?"


def said(*path: str, **facts: object) -> str:
    """Return one piece of wording with its facts filled in."""
    return str(_at(path)).format_map(_Facts(facts))


def several(*path: str, **facts: object) -> tuple[str, ...]:
    """Return a list of wording, each with the facts filled in."""
    return tuple(str(text).format_map(_Facts(facts)) for text in _at(path))


def known(*path: str) -> bool:
    """Tell whether there are words for this."""
    try:
        _at(path)
    except KeyError:
        return False
    return True


def _at(path: tuple[str, ...]) -> Any:
    found: Any = words()["bench"]
    for name in path:
        found = found[name]
    return found


def step_words(id: str) -> str:
    """Return a step's id as people say it."""
    return id.replace("-", " ").replace("_", " ")


def calibration_words(rig: Rig, utc_ns: int) -> str:
    """Return how the pressure channels stand in calibration on a day, in words."""
    today = time.strftime("%Y-%m-%d", time.gmtime(utc_ns / 1e9))
    dues = []
    for channel in rig.channels:
        if channel.measure_unit.kind is not Kind.PRESSURE:
            continue
        if channel.calibration is None:
            return said("calibration_none", channel=channel.id)
        due = channel.calibration.due.isoformat()
        if due < today:
            return said("calibration_over", channel=channel.id, due=due)
        dues.append(due)
    return said("calibration_line", due=min(dues)) if dues else ""
