"""The wheel holds the rooms with their data, and nothing else."""

import subprocess
import sys
import zipfile
from collections.abc import Iterator

import pytest

from tests.house.tree import ROOMS, ROOT, kept_files

pytestmark = pytest.mark.tree


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Iterator[zipfile.ZipFile]:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", folder],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (built,) = folder.glob("*.whl")
    with zipfile.ZipFile(built) as opened:
        yield opened


def test_the_wheel_holds_every_file_of_the_rooms(wheel: zipfile.ZipFile) -> None:
    ours = {
        path.relative_to(ROOT).as_posix()
        for path in kept_files()
        if path.relative_to(ROOT).parts[0] in ROOMS
    }
    packed = {name for name in wheel.namelist() if ".dist-info/" not in name}
    assert packed == ours
    assert {f"{room}/py.typed" for room in ROOMS} <= packed


def test_the_wheel_carries_its_licence(wheel: zipfile.ZipFile) -> None:
    (licence,) = (n for n in wheel.namelist() if n.endswith("licenses/LICENSE"))
    text = wheel.read(licence).decode("utf-8")
    assert "Apache License" in text
    assert "the Proofstand contributors" in text


def test_the_command_is_declared(wheel: zipfile.ZipFile) -> None:
    (points,) = (n for n in wheel.namelist() if n.endswith("entry_points.txt"))
    assert "proofstand = proofstand.commands.main:entry" in wheel.read(points).decode()
