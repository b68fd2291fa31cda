"""Simulated runs that several tests look at, each made once."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from proofstand.simulated import simulate

WAIT_S = 300.0
RunOf = Callable[..., Path]


@pytest.fixture(scope="session")
def run_of(tmp_path_factory: pytest.TempPathFactory) -> RunOf:
    """Return a function that gives the run file of a seed with faults."""
    base = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        base = base.parent  # shared by the workers of one test run
    folder = base / "simulated-runs"
    folder.mkdir(exist_ok=True)

    def made(*faults: str, seed: int = 1) -> Path:
        name = "-".join([str(seed), *faults]).replace(":", "_")
        out = folder / f"{name}.h5"
        claim = folder / f"{name}.claim"
        try:
            claim.open("x").close()
        except FileExistsError:
            until = time.monotonic() + WAIT_S
            while not out.exists() and time.monotonic() < until:
                time.sleep(0.1)
        else:
            simulate(
                family="second-stage",
                plan_name="low-pressure",
                faults=faults,
                seed=seed,
                out=out,
            )
        assert out.exists()
        return out

    return made
