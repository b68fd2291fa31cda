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
    from .main import tell

    if as_json:
        document = {"schema": "proofstand.verified/1", "files": [checked_json(checked)]}
        print(json.dumps(document, ensure_ascii=False))
        return
    for each in checked.troubles[:MOST_TOLD]:
        tell(each, False)
    more = len(checked.troubles) - MOST_TOLD
    said = [f"{checked.folder}: {_verdict(checked)}. archive, {checked.lines} records"]
    if more > 0:
        said.append(f"  and {more} more of this kind")
    if checked.counted:
        told = ", ".join(f"{n} {kind}" for kind, n in sorted(checked.counted.items()))
        said.append(f"  {told}")
    if checked.last:
        said.append(f"  last record {checked.lines}, sha256 {checked.last}")
    if checked.signature == "fits":
        said.append(f"  signed, and the signature fits a key given ({_key(checked)})")
    elif checked.key:
        said.append(f"  signed with key {_key(checked)}; give --key to check by whom")
    if checked.unsigned:
        said.append(f"  {checked.unsigned} runs have no signature of their own")
    print("\n".join(said))


def _verdict(checked: Checked) -> str:
    if not checked.troubles:
        return "every record is whole and in its place"
    return f"NOT as it was kept ({len(checked.troubles)} found)"


def _key(checked: Checked) -> str:
    return checked.key[:16]
