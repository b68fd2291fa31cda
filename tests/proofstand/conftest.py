"""Simulated runs and keys that several tests look at, each made once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from proofstand.approvals import with_approval
from proofstand.demo import approve_plan
from proofstand.drawing import faces
from proofstand.signoff import pins
from proofstand.signoff.keys import load_signer, make_key
from records.run import Run, RunState
from records.runfile import read_sealed, write_run
from tests.simulated_runs import RunOf, once

from .shop import QUICK, Clock, copied, own_key, people
from .shops import filled, kept

__all__ = ["OWNER", "RunOf", "SealedRun", "filled", "kept", "once"]

OWNER = "Larkmere Valve Works (invented)"
SealedRun = Callable[..., Path]


@pytest.fixture(autouse=True)
def fonts_of_no_computer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let pages be the same on every computer, whatever fonts it has."""
    monkeypatch.setattr(faces, "system_folders", tuple)


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
def shop_template(bench_key: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a shop with a key and a roll, to be copied."""
    home = tmp_path_factory.mktemp("shop")
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("PROOFSTAND_HOME", str(home))
        own_key(bench_key)
        people(patched, Clock())
    return home


@pytest.fixture
def clock() -> Clock:
    """Return a clock that stands where the shop of the template was begun."""
    return Clock()


@pytest.fixture
def shop(
    shop_template: Path, own_places: Path, monkeypatch: pytest.MonkeyPatch
) -> Path:
    """Give a test a shop with people of its own; their PINs cost no time."""
    monkeypatch.setattr(pins, "COST", QUICK)
    copied(shop_template, own_places)
    return own_places


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
            approval = approve_plan(tmp_path_factory.mktemp("approvals"), 1)
            header = run.header
            plan = with_approval(header.plan, approval, header.plan_sha256)
            header = replace(header, plan=plan, approval=approval)
            run = replace(run, header=header)
        out = tmp_path_factory.mktemp("sealed") / "run.h5"
        write_run(change(run), out, None if key is None else load_signer(key))
        return out

    return made
