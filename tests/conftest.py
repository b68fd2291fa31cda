"""What holds for every test: places of its own, fixed seeds, no clock to beat."""

import os

# Before anything imports numpy: on small arrays threads cost more than they give.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Callable
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
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep settings, archive, keys and logs of a test out of the user's own."""
    home = tmp_path / "proofstand-home"
    monkeypatch.setenv("PROOFSTAND_HOME", str(home))
    return home


@pytest.fixture
def lacks() -> Callable[[str], NoReturn]:
    """Give up a test whose needs are missing: a failure in CI, a skip elsewhere."""

    def give_up(what: str) -> NoReturn:
        if os.environ.get("CI"):
            pytest.fail(f"CI must have what this test needs: {what}")
        pytest.skip(what)

    return give_up
