"""The Bench desk's words, from the word file."""

from __future__ import annotations

import time

from records.measure import Kind
from records.rig import Rig

from ..wording import Wording

_BENCH = Wording("bench")
said, several, known = _BENCH.said, _BENCH.several, _BENCH.known


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
