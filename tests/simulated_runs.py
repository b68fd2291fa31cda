"""Simulated runs that several tests look at, each made once by all workers together."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

WAIT_S = 300.0
RunOf = Callable[..., Path]


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that all workers of one test run share."""
    base = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        base = base.parent
    folder = base / "shared"
    folder.mkdir(exist_ok=True)
    return folder


def once(out: Path, make: Callable[[], object]) -> Path:
    """Return what one worker makes and the others wait for."""
    claim = out.with_name(f"{out.name}.claim")
    try:
        claim.open("x").close()
    except FileExistsError:
        until = time.monotonic() + WAIT_S
        while not out.exists() and time.monotonic() < until:
            time.sleep(0.1)
    else:
        make()
    assert out.exists()
    return out


@pytest.fixture(scope="session")
def run_of(shared: Path) -> RunOf:
    """Return a function that gives the run file of a seed with faults, unsigned.

    ``patient``: no hold ends before its time, though it be enough to fail.
    """
    from proofstand.simulated import simulate
    from records.planfile import builtin_plan

    def made(*faults: str, seed: int = 1, patient: bool = False) -> Path:
        name = "-".join([str(seed), *faults, *["patient"] * patient]).replace(":", "_")
        out = shared / f"{name}.h5"
        plan_name = "low-pressure"
        if patient:
            text = builtin_plan(plan_name)[1]
            plan = shared / f"{name}.toml"
            once(
                plan,
                lambda: plan.write_text(
                    text.replace("\n\n", "\nearly_fail = false\n\n", 1), "utf-8"
                ),
            )
            plan_name = str(plan)
        return once(
            out,
            lambda: simulate(
                family="second-stage",
                plan_name=plan_name,
                faults=faults,
                seed=seed,
                out=out,
            ),
        )

    return made
