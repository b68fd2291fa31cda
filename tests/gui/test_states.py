"""Every state of the window: pictured, nothing cut, every control named.

The pictures lie in the folder that ``PROOFSTAND_PICTURES`` names, else in
``build/pictures``; they are looked at by people and compared with nothing.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from PySide6.QtGui import QImage

from gui.shots import take
from proofstand.commands.window import WindowOptions
from records.run import Run
from records.runfile import open_run
from tests.gui.fits import cut, nameless, settled, taken_down
from tests.gui.states import PICTURES, ROOT, STATES, Clock, Scene, window_of
from tests.simulated_runs import RunOf

LOOKS = [
    ((1366, 768), True),
    ((1920, 1080), False),
    pytest.param(((1366, 768), False), marks=pytest.mark.slow),
    pytest.param(((1920, 1080), True), marks=pytest.mark.slow),
]
# What a screen of so many pixels is to a window at these factors: factor, wide, high.
DENSITIES = [
    ("1.25", 1536, 864),  # 1920 by 1080
    ("1.5", 1280, 720),  # 1920 by 1080
    ("2", 1366, 768),  # 2732 by 1536
    pytest.param("1.5", 1707, 960, marks=pytest.mark.slow),  # 2560 by 1440
    pytest.param("2", 1920, 1080, marks=pytest.mark.slow),  # 3840 by 2160
]
DENSE = (
    "start-wrong",
    "card-regulator",
    "ask-raise-inlet",
    "ask-look",
    "hold-lockup",
    "alarm-over-pressure",
    "going-back",
    "verdict-fail",
)


@pytest.fixture(scope="session")
def failed_path(run_of: RunOf) -> Path:
    """Return a whole simulated test that fails."""
    return run_of("seat_nicked:0.5", seed=3)


@pytest.fixture
def scene(
    run_path: Path,
    recorded: Run,
    failed_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
    request: pytest.FixtureRequest,
) -> Iterator[Scene]:
    """Return a window to put into a state, of the size and look asked for."""
    folder = tmp_path_factory.mktemp("at")  # as short as people's own: it is shown
    size, light = request.param
    window = window_of(WindowOptions(light=light, dark=not light), size)
    bad = open_run(failed_path)
    yield Scene(window, run_path, recorded, failed_path, bad, folder, Clock())
    taken_down(window)


@pytest.mark.parametrize("scene", LOOKS, indirect=True)
@pytest.mark.parametrize("name", sorted(STATES))
def test_every_state_fits_is_named_and_is_pictured(scene: Scene, name: str) -> None:
    STATES[name](scene)
    settled()
    window = scene.window
    ground = window.palette().window().color().lightness()
    look = f"{window.width()}x{window.height()}-{'light' if ground > 128 else 'dark'}"
    picture = PICTURES / look / f"{name}.png"
    take(window, picture)
    assert QImage(str(picture)).width() == window.width()
    assert cut(window) == []
    assert nameless(window) == []


def test_the_walk_sees_what_is_cut(scene_of_a_fault: Scene) -> None:
    window = scene_of_a_fault.window
    assert cut(window) == []
    window.start.begin_key.setText("Begin the test of a regulator " * 3)
    window.start.begin_key.setFixedWidth(200)
    assert any("px of width" in told for told in cut(window))
    window.start.begin_key.setText("Begin")
    window.start.read.move(window.start.begin_key.pos())
    assert any("lies over" in told for told in cut(window))


@pytest.fixture
def scene_of_a_fault(run_path: Path, recorded: Run, tmp_path: Path) -> Iterator[Scene]:
    """Return a scene whose window may be spoilt."""
    window = window_of(WindowOptions(light=True), (1366, 768))
    yield Scene(window, run_path, recorded, run_path, recorded, tmp_path, Clock())
    taken_down(window)


@pytest.mark.parametrize(("factor", "wide", "high"), DENSITIES)
def test_nothing_is_cut_on_a_dense_screen(
    run_path: Path,
    failed_path: Path,
    tmp_path: Path,
    factor: str,
    wide: int,
    high: int,
) -> None:
    folder = PICTURES / f"{wide}x{high}-times-{factor}"
    command = [sys.executable, "-m", "tests.gui.dense", str(run_path), str(failed_path)]
    done = subprocess.run(
        [*command, str(tmp_path), str(folder), str(wide), str(high), *DENSE],
        env={**os.environ, "QT_SCALE_FACTOR": factor, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=120.0,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == [f"density {float(factor):g}"]
    picture = QImage(str(folder / "hold-lockup.png"))
    assert picture.width() == pytest.approx(wide * float(factor), abs=2)
