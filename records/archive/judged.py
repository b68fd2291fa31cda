"""What a kept judgement says that its run is found by: findings and suspects."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .entry import Entry, shown


@dataclass(frozen=True, slots=True)
class FindingKept:
    """A finding that was measured, SI.

    Attributes:
        low, high: 95 % interval, the value itself where none was told.
    """

    finding: str
    step: str
    channel: str
    value: float
    low: float
    high: float
    outcome: str


@dataclass(frozen=True, slots=True)
class JudgedKept:
    """What one judgement of one regulator is found by.

    Attributes:
        faults: suspected, each with the place of its group, 1 for the first.
    """

    serial: str
    findings: tuple[FindingKept, ...]
    faults: Mapping[str, int]


def read_judged(folder: Path, entry: Entry) -> JudgedKept | None:
    """Return what a judgement's file says, or None where it can't be relied on.

    A file that is missing or was changed is for ``verify`` to tell.

    Args:
        folder: of the archive.
        entry: the line that the judgement was added by.
    """
    try:
        data = (folder / entry.path).read_bytes()
        if hashlib.sha256(data).hexdigest() != entry.sha256:
            return None
        (told,) = json.loads(data)["judgements"]
        return JudgedKept(
            serial=shown(str(told["regulator"]["serial"])),
            findings=tuple(
                kept for each in told["findings"] if (kept := _finding(each))
            ),
            faults=_faults(told["suspects"]),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _finding(told: Mapping[str, Any]) -> FindingKept | None:
    if told["value"] is None:
        return None
    value = float(told["value"])
    low, high = told["interval"] or (value, value)
    if not all(map(math.isfinite, (value, low, high))):
        return None
    return FindingKept(
        finding=shown(str(told["id"])),
        step=shown(str(told["step"])),
        channel=shown(str(told["channel"] or "")),
        value=value,
        low=float(low),
        high=float(high),
        outcome=shown(str(told["outcome"])),
    )


def _faults(suspects: Any) -> dict[str, int]:
    faults: dict[str, int] = {}
    for place, suspect in enumerate(suspects, 1):
        for fault in suspect["fault_group"]:
            faults.setdefault(shown(str(fault)), place)
    return faults
