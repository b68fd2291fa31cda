"""A simulated rig in this process, led through a plan by its simulated hands."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from proofstand.runs import new_header
from proofstand.session import Session
from proofstand.simulated import (
    EPOCH,
    EPOCH_NS,
    VirtualClock,
    _Worker,
    demo_job,
)
from records.planfile import parse_plan
from records.rig import Rig
from records.run import Run
from records.runfile import open_run, seal
from records.shift import ShiftRelied
from rig.instruments.modbus import ModbusInstrument
from rig.rigfile import parse_rig
from rig.simulator.devices import InProcessLink, SimulatedRig
from rig.simulator.families import SECOND_STAGE
from rig.simulator.hands import Hands, manner_for
from rig.simulator.rigtext import rig_text

LEAK = 0.25  # std cm3/min


def with_standard(
    edit: Callable[[str], str] = lambda text: text, required: bool = False
) -> Rig:
    """Return the rig with a reference leak, its file's text changed."""
    text = rig_text(
        "127.0.0.1",
        502,
        1.0,
        EPOCH.date(),
        standard_leak=LEAK,
        shift_required=required,
    )
    return parse_rig(edit(text), "rig.toml")


def led_on(
    folder: Path,
    plan_text: str,
    rig: Rig,
    *,
    seed: int = 1,
    shift: ShiftRelied | None = None,
    faults: dict[str, float] | None = None,
) -> Run:
    """Return the run of a plan on a rig whose leak can be opened."""
    simulated = SimulatedRig(seed, faults, standard_leak=LEAK)
    hands = Hands(seed, manner=manner_for(SECOND_STAGE), counts=simulated.counted)
    clock = VirtualClock(simulated)
    plan = parse_plan(plan_text, "plan.toml")
    journal, out = folder / f"run-{seed}.journal", folder / f"run-{seed}.h5"
    Session(
        header=new_header(
            origin="simulate",
            job=demo_job(),
            plan=plan,
            plan_text=plan_text,
            rig=rig,
            utc_ns=EPOCH_NS,
            shift=shift,
        ),
        plan=plan,
        rig=rig,
        journal=journal,
        instruments=[
            ModbusInstrument(i, rig.columns(i.id), InProcessLink(simulated), clock)
            for i in rig.instruments
        ],
        clock=clock,
        tell=lambda event: None,
        hands=_Worker(hands, simulated.move),
    ).run(lambda: ())
    seal(journal, out)
    return open_run(out)
