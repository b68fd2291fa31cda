"""A shop for tests: its key, people with PINs, runs of a rig that is not simulated."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from proofstand.signoff import persons, pins
from proofstand.signoff.keys import shop_folder
from records.people import Role
from records.run import Run

LEAD, SECOND = "I. Ferrand (invented)", "A. Dvořáková (invented)"
SIGNER, HAND, TRAINER = "P. Quill (invented)", "M. Okafor (invented)", "山田 (invented)"
PINS = {
    LEAD: "kelp-4417",
    SECOND: "ozone 91 x",
    SIGNER: "814-quarry",
    HAND: "73920518",
    TRAINER: "грань-55",
}
ROLES = {
    LEAD: [Role.QUALITY_LEAD],
    SECOND: [Role.QUALITY_LEAD],
    SIGNER: [Role.SIGNATORY, Role.TECHNICIAN],
    HAND: [Role.TECHNICIAN],
    TRAINER: [Role.TRAINER],
}
S = 10**9

# so that a test takes no time where what a PIN costs is not what it is about
QUICK = pins.Cost(16, 1, 1)


class Clock:
    """A clock that goes on when it is told to."""

    def __init__(self, start_ns: int = 1_800_000_000 * S) -> None:
        self.now_ns = start_ns

    def __call__(self) -> int:
        return self.now_ns

    def wait(self, seconds: float) -> None:
        self.now_ns += int(seconds * S)


def knows(name: str) -> str:
    """Return somebody's PIN, as one who is asked for it."""
    return PINS[name]


def says(pin: str) -> Callable[[str], str]:
    return lambda name: pin


def own_key(bench_key: Path) -> None:
    """Make the bench's key the shop's."""
    shop_folder().parent.mkdir(parents=True, mode=0o700)
    shop_folder().symlink_to(bench_key)


def people(monkeypatch: pytest.MonkeyPatch, clock: Callable[[], int]) -> None:
    """Begin the roll with everybody above."""
    monkeypatch.setattr(pins, "COST", QUICK)
    persons.begin(LEAD, ROLES[LEAD], ["any"], PINS[LEAD], utc_ns=clock)
    for name in (SECOND, SIGNER, HAND, TRAINER):
        persons.add(
            LEAD, knows, name, ROLES[name], ["propane"], PINS[name], utc_ns=clock
        )


def copied(template: Path, home: Path) -> None:
    """Take over key, roll and all of a shop that was made before."""
    for name in ("keys", "people"):
        shutil.copytree(template / name, home / name, symlinks=True)
    for folder in (home / "keys", home / "people", home / "people" / "pins"):
        folder.chmod(0o700)


def real(run: Run) -> Run:
    """Return a run as a rig that is not simulated would have made it."""
    rig = replace(run.header.rig, simulated=False)
    return replace(run, header=replace(run.header, rig=rig, by=HAND))
