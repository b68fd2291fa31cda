"""Serving the simulated rig: what the sim file says, and until when."""

from __future__ import annotations

import signal
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

from records.errors import InputError
from records.measure import Kind, Quantity, std_cm3_min
from records.tomlfile import load_toml, read_text
from rig.simulator.devices import ServedRig, SimulatedRig
from rig.simulator.doors import Door, ServedAs
from rig.simulator.families import FAMILIES
from rig.simulator.faults import check_faults
from rig.simulator.rigtext import rig_text
from rig.simulator.wirefaults import WireFault, check_wire_faults

SIM_FORMAT = "proofstand.sim/1"
_PERIOD_S = 0.05
UNTOUCHED_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sim:
    """What to simulate and where to serve it.

    Attributes:
        seed: regulator, rig, day and noise are drawn from it.
        faults: severity 0 to 1 by id.
        protocol: how the device is spoken to; without a network on a pseudo terminal.
        port: 0 takes any free one. link: a lasting name for the pseudo terminal.
        hands_port: of the hand valves, where they are not at ``port``; 0 as above.
        period: time between two lines of a stream.
        wire_faults: what befalls its answers, and when.
        flow_meter: one stands behind the rig's downstream valve.
        vent_meter: one stands at the bonnet's vent.
        reference_leak: one that the hands can open on the outlet side, the check
            standard of the rig file.
        shift_required: the rig file asks for a check at the start of each shift.
        time_multiple: how many times faster than the wall clock rig time runs at most.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    family: str = "second-stage"
    seed: int = 1
    protocol: ServedAs = "modbus-tcp"
    host: str = "127.0.0.1"
    port: int = 0
    link: str = ""
    hands_port: int = 0
    period: Quantity | None = None
    flow_meter: bool = False
    vent_meter: bool = False
    reference_leak: Quantity | None = None
    shift_required: bool = False
    time_multiple: float = 1.0
    faults: dict[str, float] = field(default_factory=dict)
    wire_faults: tuple[WireFault, ...] = ()

    @property
    def door(self) -> Door:
        """How it is served."""
        return Door(
            self.protocol,
            self.host,
            self.port,
            Path(self.link) if self.link else None,
            _PERIOD_S if self.period is None else self.period.value_si,
            self.hands_port,
        )


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
        ("hands_port", sim.hands_port, 0, 65_535),
        ("time_multiple", sim.time_multiple, 0.01, 1000.0),
        ("period in seconds", sim.door.period_s, 0.01, 60.0),
    ):
        if not low <= value <= high:
            raise InputError(
                "value_wrong",
                where=str(path),
                key=key,
                given=value,
                right=f"{low:g} to {high:g}",
            )
    leak = sim.reference_leak
    if leak is not None and not (leak.kind is Kind.LEAK and leak.value_si > 0.0):
        raise InputError(
            "value_wrong",
            where=str(path),
            key="reference_leak",
            given=leak.typed,
            right='a leak above zero, as "0.5 std cm3/min"',
        )
    try:
        check_faults(sim.faults)
    except InputError as error:
        raise error.at(f"{path}: faults") from None
    check_wire_faults(sim.wire_faults, str(path))
    return sim


def open_rig(sim: Sim) -> ServedRig:
    """Start serving.

    Raises:
        InputError: the host is another computer.
        RigError: the port is taken.
    """
    return ServedRig(
        SimulatedRig(
            sim.seed,
            sim.faults,
            family=FAMILIES[sim.family],
            flow_meter=sim.flow_meter,
            vent_meter=sim.vent_meter,
            standard_leak=_standard(sim),
        ),
        multiple=sim.time_multiple,
        door=sim.door,
        wire_faults=sim.wire_faults,
    )


def _standard(sim: Sim) -> float:
    """Return the reference leak, std cm3/min."""
    leak = sim.reference_leak
    return 0.0 if leak is None else std_cm3_min(leak.value_si)


def where_served(served: ServedRig) -> str:
    """Return where it answers, for people."""
    protocol = served.door.protocol
    if served.serial:
        return f"{served.serial} ({protocol})"
    return f"{served.host} port {served.port} ({protocol})"


def served_rig_text(served: ServedRig, *, shift_required: bool = False) -> str:
    """Return the text of the rig file that reads it."""
    return rig_text(
        served.host,
        served.port,
        served.multiple,
        door=served.door,
        serial=served.serial,
        hands_port=served.hands_port,
        family=served.rig.family,
        flow_meter=served.rig.flow_meter,
        vent_meter=served.rig.vent_meter,
        standard_leak=served.rig.standard_leak,
        shift_required=shift_required,
    )


def serve_until_stopped(served: ServedRig, beside: Path | None = None) -> None:
    """Serve until a polite end signal comes or the server fails.

    Args:
        served: the rig.
        beside: ends also when this file is gone, or nobody touched it for a minute.

    Raises:
        KeyboardInterrupt: Ctrl-C. RigError: the server failed.
    """

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, end)
    touched = _Touched(beside) if beside is not None else None
    while not served.wait(0.5):
        if touched is not None and not touched.lately:
            return


class _Touched:
    """Whether a file is still touched; the wall clock may move meanwhile."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._seen_ns, self._at_s = 0, time.monotonic()

    @property
    def lately(self) -> bool:
        try:
            seen_ns = self._path.stat().st_mtime_ns
        except OSError:
            return False
        if seen_ns != self._seen_ns:
            self._seen_ns, self._at_s = seen_ns, time.monotonic()
        return time.monotonic() - self._at_s < UNTOUCHED_S
