"""Simulated runs and keys that several tests look at, each made once."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from proofstand.demo import approved_plan
from proofstand.signoff.keys import load_signer, make_key
from proofstand.simulated import simulate
from records.planfile import parse_plan
from records.run import Run, RunState
from records.runfile import read_sealed, write_run
from records.tomlfile import text_sha256

WAIT_S = 300.0
OWNER = "Larkmere Valve Works (invented)"
RunOf = Callable[..., Path]
SealedRun = Callable[..., Path]


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
    """Return a function that gives the run file of a seed with faults, unsigned."""

    def made(*faults: str, seed: int = 1) -> Path:
        name = "-".join([str(seed), *faults]).replace(":", "_")
        out = shared / f"{name}.h5"
        return once(
            out,
            lambda: simulate(
                family="second-stage",
                plan_name="low-pressure",
                faults=faults,
                seed=seed,
                out=out,
            ),
        )

    return made


@pytest.fixture(scope="session")
def demo_key(shared: Path) -> Path:
    """Return the folder of a demonstration key."""
    folder = shared / "demo-key"
    return once(folder, lambda: make_key(folder, OWNER, demo=True))


@pytest.fixture(scope="session")
def bench_key(shared: Path) -> Path:
    """Return the folder of a key for real rigs."""
    folder = shared / "bench-key"
    return once(folder, lambda: make_key(folder, OWNER))


@pytest.fixture(scope="session")
def sealed_run(
    run_of: RunOf, tmp_path_factory: pytest.TempPathFactory, demo_key: Path
) -> SealedRun:
    """Return a function that seals a simulated run anew with a key, after a change."""

    def made(
        *faults: str,
        key: Path | None = demo_key,
        approved: bool = True,
        change: Callable[[Run], Run] = lambda run: run,
    ) -> Path:
        run = replace(read_sealed(run_of(*faults)), state=RunState.CLOSED)
        if approved:
            text = approved_plan()
            plan = replace(run.header.plan, steps=parse_plan(text, "").steps)
            header = replace(
                run.header,
                plan=replace(plan, status="approved"),
                plan_text=text,
                plan_sha256=text_sha256(text),
            )
            run = replace(run, header=header)
        out = tmp_path_factory.mktemp("sealed") / "run.h5"
        write_run(change(run), out, None if key is None else load_signer(key))
        return out

    return made
