"""Print the part of requirements.lock that running Proofstand needs.

What the tests and the build need beside it is left out. Reads the requirements of the
distributions installed in the environment that it runs in.
"""

import importlib.metadata
import re
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

LOCK = Path(__file__).parent.parent / "requirements.lock"


def needed(distribution: str) -> set[str]:
    """Return the names of what a distribution needs here, of itself and through it."""
    found: set[str] = set()
    open_ends = [distribution]
    while open_ends:
        for line in importlib.metadata.requires(open_ends.pop()) or ():
            wanted = Requirement(line)
            name = canonicalize_name(wanted.name)
            if name not in found and (
                wanted.marker is None or wanted.marker.evaluate({"extra": ""})
            ):
                found.add(name)
                open_ends.append(name)
    return found


def main() -> None:
    """Print the lock's entries for what is needed, each with its hashes."""
    names = needed("proofstand")
    entries = re.split(r"(?m)^(?=[A-Za-z0-9])", LOCK.read_text(encoding="utf-8"))
    for entry in entries[1:]:
        if canonicalize_name(entry.partition("==")[0]) in names:
            print(entry, end="")


if __name__ == "__main__":
    main()
