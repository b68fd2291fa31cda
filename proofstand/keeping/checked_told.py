"""What was found of a whole archive, as lines of text."""

from __future__ import annotations

from .checked import Checked


def checked_lines(checked: Checked, *, told: int) -> list[str]:
    """Return what was found of an archive.

    Args:
        checked: what was found.
        told: so many troubles are told beside it, one by one.
    """
    more = len(checked.troubles) - told
    said = [f"{checked.folder}: {_verdict(checked)}. archive, {checked.lines} records"]
    if more > 0:
        said.append(f"  and {more} more of this kind")
    if checked.counted:
        kinds = ", ".join(f"{n} {kind}" for kind, n in sorted(checked.counted.items()))
        said.append(f"  {kinds}")
    if checked.last:
        said.append(f"  last record {checked.lines}, sha256 {checked.last}")
    if checked.signature == "fits":
        said.append(f"  signed, and the signature fits a key given ({_key(checked)})")
    elif checked.key:
        said.append(f"  signed with key {_key(checked)}; give --key to check by whom")
    if checked.unsigned:
        said.append(f"  {checked.unsigned} runs have no signature of their own")
    return said


def _verdict(checked: Checked) -> str:
    if not checked.troubles:
        return "every record is whole and in its place"
    return f"NOT as it was kept ({len(checked.troubles)} found)"


def _key(checked: Checked) -> str:
    return checked.key[:16]
