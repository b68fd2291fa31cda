"""Qt without a screen, a recorded run to look at, and nothing that outlives a test."""

from __future__ import annotations

import os
import threading

os.environ.setdefault("QT_API", "pyside6")
os.environ["QT_QPA_PLATFORM"] = "offscreen"

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

import pytest

from gui.session_process import take_note_of_ended
from records.run import Run
from records.runfile import open_run
from tests.gui.processes import programs_left
from tests.gui.xvfb import XServer, x_server
from tests.simulated_runs import RunOf


@pytest.fixture(autouse=True)
def nothing_outlives(tmp_path: Path) -> Iterator[None]:
    """Fail a test that leaves a thread of ours behind, or a process of its own."""
    yield
    assert programs_left(tmp_path) == []
    take_note_of_ended()
    left = [
        t.name
        for t in threading.enumerate()
        if t.name.startswith(("session", "findings-so-far"))
    ]
    assert left == []


@pytest.fixture(scope="session")
def run_path(run_of: RunOf) -> Path:
    """Return a whole simulated test, sealed, unsigned."""
    return run_of()


@pytest.fixture(scope="session")
def recorded(run_path: Path) -> Run:
    """Return the same as a run."""
    return open_run(run_path)


@pytest.fixture
def screen(lacks: Callable[[str], NoReturn]) -> Iterator[XServer]:
    """Return an X server of 1366 by 768 for one test."""
    with x_server(lacks) as server:
        yield server
