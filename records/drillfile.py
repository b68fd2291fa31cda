"""Drill files: to be passed around, with an answer that nobody reads by accident.

The answer is packed, not locked: who unpacks it on purpose learns it. So is what was
true of the gas in the run of a drill, which is handed to the trainee too.
"""

from __future__ import annotations

import base64
import binascii
import json
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from .drill import DRILL_FORMAT, Drill, DrillAnswer
from .errors import InputError, IntegrityError
from .run import Run
from .sealedtoml import is_unchanged, sealed_text, write_new
from .tomlfile import from_json, load_toml, read_text, to_json

_WHAT = "drill"
_FOLDED = "folded"


def folded(answer: DrillAnswer) -> str:
    """Return an answer as it stands in a file."""
    return _packed(to_json(answer))


def folded_truth(truth: Mapping[str, Any]) -> dict[str, Any]:
    """Return what was true of the gas as it stands in the run of a drill."""
    return {_FOLDED: _packed(json.dumps(dict(truth), sort_keys=True).encode())}


def truth_of(run: Run) -> Mapping[str, Any] | None:
    """Return what was true of a run's gas, folded or plain; None for a real rig.

    Raises:
        IntegrityError: ``run_changed``.
    """
    if run.truth is None or _FOLDED not in run.truth:
        return run.truth
    try:
        packed = base64.b85decode(str(run.truth[_FOLDED]).encode("ascii"))
        found: dict[str, Any] = json.loads(zlib.decompress(packed))
    except (ValueError, zlib.error):
        raise IntegrityError("run_changed", where=run.header.id) from None
    return found


def _packed(data: bytes) -> str:
    return base64.b85encode(zlib.compress(data, 9)).decode("ascii")


def answer_of(drill: Drill, where: str = "") -> DrillAnswer:
    """Return the answer of a drill.

    Raises:
        IntegrityError: ``drill_changed``.
    """
    try:
        packed = base64.b85decode(drill.answer.encode("ascii"))
        return from_json(zlib.decompress(packed), DrillAnswer)
    except (ValueError, binascii.Error, zlib.error, InputError):
        raise IntegrityError("drill_changed", where=where) from None


def write_drill(path: Path, drill: Drill) -> None:
    """Write a drill to a file that must not exist.

    Raises:
        InputError: ``file_exists``, ``file_unwritable``.
    """
    write_new(path, sealed_text(drill, ()), _WHAT)


def read_drill(path: Path) -> Drill:
    """Return a drill after checking that nothing in it was changed.

    Raises:
        InputError: no drill of ours, or a newer one, with file and line.
        IntegrityError: ``drill_changed``.
    """
    text = read_text(path, _WHAT)
    drill = load_toml(text, Drill, str(path), DRILL_FORMAT)
    if not is_unchanged(text):
        raise IntegrityError("drill_changed", where=str(path))
    answer_of(drill, str(path))
    return drill
