"""Telling what was found of a whole archive, for ``verify`` and ``records check``."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from proofstand.keeping.checked import Checked

MOST_TOLD = 50


def exit_of(checked: Checked) -> int:
    """Return the exit code for an archive."""
    from proofstand.report import combined_exit

    return combined_exit([each.exit_code for each in checked.troubles])


def checked_json(checked: Checked) -> dict[str, Any]:
    """Return what was found of an archive as JSON."""
    from proofstand.report import trouble_json
    from proofstand.words.sentences import trouble

    return {
        "file": str(checked.folder),
        "fits": not checked.troubles,
        "what": "archive",
        "archive": checked.archive or None,
        "records": checked.lines,
        "last": checked.last or None,
        "counted": dict(sorted(checked.counted.items())),
        "key": checked.key or None,
        "signature": checked.signature,
        "unsigned_runs": checked.unsigned,
        "troubles": [trouble_json(trouble(each)) for each in checked.troubles],
    }


def print_checked(checked: Checked, *, as_json: bool) -> None:
    """Print what was found of an archive."""
    from proofstand.keeping.checked_told import checked_lines

    from .main import tell

    if as_json:
        document = {"schema": "proofstand.verified/1", "files": [checked_json(checked)]}
        print(json.dumps(document, ensure_ascii=False))
        return
    for each in checked.troubles[:MOST_TOLD]:
        tell(each, False)
    print("\n".join(checked_lines(checked, told=MOST_TOLD)))
