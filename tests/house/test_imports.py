"""Importing a room is cheap, and the names of the rooms are ours alone."""

import importlib
import importlib.metadata
import subprocess
import sys
from pathlib import Path

import pytest

from tests.house.tree import ROOMS

# What each import may not drag in: the start of every command pays for it.
WINDOW = ["PySide6", "pyqtgraph", "matplotlib"]
WIRE = ["serial", "pymodbus"]
HEAVY = ["numpy", "scipy", "h5py", "pydantic", "cryptography", *WIRE, *WINDOW]

LIGHT = [
    ("records", HEAVY),
    ("rig", HEAVY),
    ("analysis", HEAVY),
    ("proofstand", HEAVY),
    ("gui", HEAVY),
    ("records.errors", HEAVY),
    ("records.measure", HEAVY),
    ("proofstand.places", HEAVY),
    ("proofstand.commands.main", HEAVY),
    ("analysis.judge", ["h5py", "pydantic", "cryptography", *WIRE, *WINDOW]),
]


def dragged_in(module: str, unwanted: list[str]) -> set[str]:
    """Import a module in an interpreter of its own; return what came that may not."""
    program = f"import sys, {module}; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return set(done.stdout.split()) & set(unwanted)


@pytest.mark.parametrize(("module", "unwanted"), LIGHT, ids=[m for m, _ in LIGHT])
def test_import_stays_light(module: str, unwanted: list[str]) -> None:
    assert dragged_in(module, unwanted) == set()


def test_a_heavy_import_would_be_seen() -> None:
    assert dragged_in("h5py", HEAVY) >= {"h5py", "numpy"}


@pytest.mark.parametrize("room", ROOMS)
def test_no_other_distribution_owns_our_names(room: str) -> None:
    owners = importlib.metadata.packages_distributions().get(room, [])
    assert set(owners) <= {"proofstand"}, f"{owners} also install a package '{room}'"


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_lies_in_one_place(room: str) -> None:
    found = importlib.import_module(room)
    assert [Path(p).name for p in found.__path__] == [room]
    together = {
        Path(next(iter(importlib.import_module(r).__path__))).parent for r in ROOMS
    }
    assert len(together) == 1


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_says_that_it_is_typed(room: str) -> None:
    face = importlib.import_module(room).__file__
    assert face is not None
    assert (Path(face).parent / "py.typed").is_file()
