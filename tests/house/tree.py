"""Where the source tree is, and what is in it."""

import subprocess
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("records", "rig", "analysis", "proofstand", "gui")

_NOT_OURS = {"__pycache__", "build", "dist"}


@cache
def project() -> dict[str, Any]:
    """Return pyproject.toml, parsed."""
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def contracts() -> dict[str, dict[str, Any]]:
    """Return the import contracts by their ids."""
    listed = project()["tool"]["importlinter"]["contracts"]
    by_id = {one["id"]: one for one in listed}
    assert len(by_id) == len(listed)
    return by_id


def kept_files() -> list[Path]:
    """Return every file that is, or is about to be, under version control."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    if listed.returncode == 0 and listed.stdout:
        names = listed.stdout.decode("utf-8").split("\0")
        return sorted(p for p in (ROOT / n for n in names if n) if p.is_file())
    return sorted(
        path
        for path in ROOT.rglob("*")
        if path.is_file()
        and not any(
            part in _NOT_OURS or (part.startswith(".") and part != ".ci")
            for part in path.relative_to(ROOT).parts[:-1]
        )
    )


def room_files(room: str) -> list[Path]:
    """Return the Python files of a room, or of a folder inside one."""
    return sorted((ROOT / room).rglob("*.py"))
