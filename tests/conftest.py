"""What holds for every test: places of its own, fixed seeds, no clock to beat."""

import os

# Before anything imports numpy: on small arrays threads cost more than they give.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import logging
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

import hypothesis
import pytest

from tests.kept_samples import kept_samples, own_samples
from tests.simulated_runs import run_of, shared

__all__ = [
    "kept_samples",
    "lacks",
    "own_places",
    "own_samples",
    "run_of",
    "shared",
]

hypothesis.settings.register_profile(
    "steady", derandomize=True, deadline=None, database=None
)
hypothesis.settings.load_profile("steady")


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Keep settings, archive, keys and logs of a test out of the user's own."""
    home = tmp_path / "proofstand-home"
    monkeypatch.setenv("PROOFSTAND_HOME", str(home))
    root = logging.getLogger()
    before = list(root.handlers)
    yield home
    for handler in [h for h in root.handlers if h not in before]:
        root.removeHandler(handler)  # the next test's log lies in its own place
        handler.close()


@pytest.fixture
def lacks() -> Callable[[str], NoReturn]:
    """Give up a test whose needs are missing: a failure in CI, a skip elsewhere."""

    def give_up(what: str) -> NoReturn:
        if os.environ.get("CI"):
            pytest.fail(f"CI must have what this test needs: {what}")
        pytest.skip(what)

    return give_up
