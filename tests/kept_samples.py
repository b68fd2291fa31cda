"""An archive of sample runs, made once by the real keeping and shared by all tests."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.simulated_runs import once

if TYPE_CHECKING:  # loaded when a test wants them, not with every test run
    from proofstand.signoff.heads import SigningKey
    from records.archive.chain import Archive
    from records.run import Run

ROOT = Path(__file__).parents[1]
OWNER = "Larkmere Valve Works (invented)"
WHO = "I. Ferrand (invented)"
HAND = "M. Okafor (invented)"
DAY_NS = 86_400 * 10**9
# Newest last: four tests of one second stage, and a cylinder regulator of that serial.
SAMPLES = (
    "cylinder-seat-nicked",
    "second-stage-good",
    "second-stage-seat-nicked",
    "second-stage-pinhole",
    "second-stage-stem-sticks",
)


@dataclass(frozen=True)
class KeptSamples:
    """An archive, and the demonstration key that its runs are sealed with."""

    folder: Path
    key: Path

    @property
    def archive(self) -> Archive:
        from records.archive.chain import Archive

        return Archive(self.folder)

    @property
    def signing(self) -> SigningKey:
        from proofstand.signoff.heads import SigningKey
        from proofstand.signoff.keys import load_key

        return SigningKey(load_key(self.key))


def _same(run: Run) -> Run:
    return run


def sample(
    name: str, out: Path, key: Path, change: Callable[[Run], Run] = _same
) -> Path:
    """Seal a sample run anew with a key, after a change."""
    from proofstand.signoff.keys import load_signer
    from records.run import RunState
    from records.runfile import open_run, write_run

    run = replace(open_run(ROOT / "sample_runs" / f"{name}.h5"), state=RunState.CLOSED)
    write_run(change(run), out, load_signer(key))
    return out


def later(days: int) -> Callable[[Run], Run]:
    """Return what makes a run of another day."""

    def changed(run: Run) -> Run:
        started = run.header.started_utc_ns + days * DAY_NS
        header = replace(run.header, started_utc_ns=started, by=HAND)
        return replace(run, header=header)

    return changed


def _made(folder: Path) -> None:
    from proofstand.keeping.keep import add
    from proofstand.signoff.heads import SigningKey
    from proofstand.signoff.keys import load_key, make_key
    from records.archive.chain import Archive

    beside = folder.with_name("kept-samples.part")
    beside.mkdir()
    key = beside / "key"
    make_key(key, OWNER, demo=True)
    archive, signing = Archive(beside / "archive"), SigningKey(load_key(key))
    for day, name in enumerate(SAMPLES):
        path = sample(name, beside / f"{name}.h5", key, later(day))
        add(archive, [path], key=signing, who=WHO)
        path.unlink()
    beside.rename(folder)


@pytest.fixture(scope="session")
def kept_samples(shared: Path) -> KeptSamples:
    """Return the archive; it is only read."""
    folder = once(shared / "kept-samples", lambda: _made(shared / "kept-samples"))
    return KeptSamples(folder / "archive", folder / "key")


@pytest.fixture
def own_samples(kept_samples: KeptSamples, tmp_path: Path) -> KeptSamples:
    """Return a copy of the archive that a test may add to, or spoil."""
    folder = tmp_path / "archive"
    shutil.copytree(kept_samples.folder, folder)
    for path in folder.rglob("*"):
        if path.is_file():
            path.chmod(0o644)
    return replace(kept_samples, folder=folder)
