"""Serving the simulated rig: what the sim file says, and until when."""

from __future__ import annotations

import signal
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

from records.errors import InputError
from records.tomlfile import load_toml, read_text
from rig.simulator.devices import ServedRig, SimulatedRig
from rig.simulator.faults import check_faults

from .simulated import FAMILIES

SIM_FORMAT = "proofstand.sim/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sim:
    """What to simulate and where to serve it.

    Attributes:
        seed: regulator, rig, day and noise are drawn from it.
        faults: severity 0 to 1 by id.
        port: 0 takes any free one.
        time_multiple: how many times faster than the wall clock rig time runs at most.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    family: str = "second-stage"
    seed: int = 1
    host: str = "127.0.0.1"
    port: int = 0
    time_multiple: float = 1.0
    faults: dict[str, float] = field(default_factory=dict)


def load_sim(path: Path) -> Sim:
    """Return what a sim file says.

    Raises:
        InputError: with file and line.
    """
    sim = load_toml(read_text(path, "sim file"), Sim, str(path), SIM_FORMAT)
    if sim.family not in FAMILIES:
        raise InputError(
            "family_unknown",
            where=str(path),
            given=sim.family,
            known=", ".join(FAMILIES),
        )
    for key, value, low, high in (
        ("seed", sim.seed, 0, 2**63),
        ("port", sim.port, 0, 65_535),
        ("time_multiple", sim.time_multiple, 0.01, 1000.0),
    ):
        if not low <= value <= high:
            raise InputError(
                "value_wrong",
                where=str(path),
                key=key,
                given=value,
                right=f"{low:g} to {high:g}",
            )
    try:
        check_faults(sim.faults)
    except InputError as error:
        raise error.at(f"{path}: faults") from None
    return sim


def open_rig(sim: Sim) -> ServedRig:
    """Start serving.

    Raises:
        InputError: the host is another computer.
        RigError: the port is taken.
    """
    return ServedRig(
        SimulatedRig(sim.seed, sim.faults), sim.host, sim.port, sim.time_multiple
    )


def serve_until_stopped(served: ServedRig) -> None:
    """Serve until a polite end signal comes or the server fails.

    Raises:
        KeyboardInterrupt: Ctrl-C. RigError: the server failed.
    """

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, end)
    while not served.wait(0.5):
        pass
