"""Whole runs of sweeps from closed formulas: straight droop, branches, a closing."""

from __future__ import annotations

import dataclasses

import numpy as np

from records.judgement import Judgement
from records.measure import STD_CM3_MIN, parse_quantity
from records.plan import ClassLists, Plan, Step
from records.planfile import parse_plan
from records.rig import Channel, Orifice
from records.run import MarkKind, Run
from tests.analysis.closed_form import (
    INLET_PA,
    SET_PA,
    Fault,
    Setting,
    _hold_marks,
    _Tape,
    assemble,
    rig,
)

HEAD = """format = "proofstand.plan/1"
id = "sweeps"
version = 1
title = "Sweeps"
rule = "guarded"
{head}
[max_pressures]
outlet = "5000 Pa gauge"
inlet = "200 kPa gauge"

[[steps]]
id = "zero"
kind = "zero"
hold = "10 s"

[[steps]]
id = "pressurise"
kind = "pressurise"
inlet = "68.9476 kPa gauge"

[[steps]]
id = "set"
kind = "set"
target = "2737 Pa gauge"
hold = "15 s"

[[steps]]
id = "sweep"
{sweep}

[[steps]]
id = "vent-down"
kind = "vent-down"

[[steps]]
id = "closing-zero"
kind = "closing-zero"
hold = "10 s"
"""
INLETS = (68947.6, 51710.7, 34473.8, 51710.7, 68947.6)
INLET_SWEEP = """kind = "inlet-sweep"
hold = "10 s"
inlets = ["68947.6 Pa gauge", "51710.7 Pa gauge", "34473.8 Pa gauge"]
"""
FLOWS = (2.0, 6.0, 10.0, 6.0, 2.0)  # std L/min
FLOW_SWEEP = """kind = "flow-sweep"
inlet = "68.9476 kPa gauge"
hold = "10 s"
flows = ["2 std L/min", "6 std L/min", "10 std L/min"]
set_flow = "2 std L/min"
rated_flow = "10 std L/min"
"""
L_MIN = 1000.0 * STD_CM3_MIN


def plan_of(sweep: str, head: str = "") -> Plan:
    return parse_plan(HEAD.format(sweep=sweep, head=head), "sweeps.toml")


def meter() -> Channel:
    """Return a flow channel; its calibration is good to 0.5 %."""
    outlet = rig().channels[1]
    assert outlet.calibration is not None
    (gain,) = (t for t in outlet.calibration.terms if t.name == "gain")
    half = dataclasses.replace(gain, u=parse_quantity("0.5 %"))
    return dataclasses.replace(
        outlet,
        id="FT-1",
        role="flow",
        unit="std L/min",
        span=(parse_quantity("0 std L/min"), parse_quantity("50 std L/min")),
        resolution=parse_quantity("0.01 std L/min"),
        calibration=dataclasses.replace(outlet.calibration, terms=(half,)),
    )


def _begun(tape: _Tape) -> None:
    tape.begin("zero")
    tape.play(3.0, 0.0, 0.0)
    _hold_marks(tape, 10.0, 0.0, 0.0)
    tape.end()
    tape.begin("pressurise")
    tape.move(6.0, INLET_PA, 40.0)
    tape.end()
    tape.begin("set")
    tape.move(5.0, INLET_PA, SET_PA)
    tape.play(3.0, INLET_PA, SET_PA)
    _hold_marks(tape, 15.0, INLET_PA, SET_PA)
    tape.end()
    tape.begin("sweep")


def _ended(tape: _Tape) -> None:
    tape.end()
    tape.begin("vent-down")
    tape.move(6.0, 0.0, 0.0)
    tape.end()
    tape.begin("closing-zero")
    tape.play(3.0, 0.0, 0.0)
    _hold_marks(tape, 10.0, 0.0, 0.0)
    tape.end()


def inlet_run(effect: float, gap_pa: float = 0.0, seed: int = 1) -> Run:
    """Return an inlet sweep; ``gap_pa`` is how much higher the rising branch lies."""
    tape = _Tape(Setting(seed=seed), Fault())
    _begun(tape)
    for number, inlet in enumerate(INLETS):
        level = SET_PA + effect * (inlet - INLET_PA)
        level += gap_pa if 2 < number < 4 else 0.0
        tape.mark(MarkKind.ASKED, act="set_inlet", aim=f"{inlet} Pa gauge")
        tape.move(4.0, inlet, level)
        tape.play(2.0, inlet, level)
        _hold_marks(tape, 10.0, inlet, level)
    _ended(tape)
    return assemble(tape, plan_of(INLET_SWEEP), "", rig())


def flow_run(
    slope: float = -30.0,
    gap_pa: float = 0.0,
    rise_pa: float = 300.0,
    closed_s: float = 66.0,
    flows: tuple[float, ...] = FLOWS,
    *,
    metered: bool = True,
    orifice: tuple[Orifice, ...] = (),
    plan: Plan | None = None,
    sag_pa: float = 0.0,
    last_flow: float | None = 10.0,
    seed: int = 1,
) -> Run:
    """Return a flow sweep, in Pa per std L/min, and the flow stopped at its end."""
    tape = _Tape(Setting(seed=seed), Fault())
    _begun(tape)
    flow: list[np.ndarray] = [np.zeros(tape.count)]
    todo = [*flows, *(() if last_flow is None else (last_flow,))]

    def keep(rate: float) -> None:
        flow.append(np.full(tape.count - sum(map(len, flow)), rate))

    for number, rate in enumerate(todo):
        level = SET_PA + slope * (rate - flows[0])
        level += gap_pa if 2 < number < 4 else 0.0
        inlet = INLET_PA - sag_pa * number
        fitted = orifice[number].id if orifice else ""
        aim = f"{rate} std L/min"
        tape.mark(MarkKind.ASKED, act="set_flow", aim=aim, orifice=fitted)
        tape.move(4.0, inlet, level)
        tape.play(3.0, inlet, level)
        _hold_marks(tape, 10.0, inlet, level)
        keep(rate)
    if closed_s:
        tape.mark(MarkKind.ASKED, act="close_bleed")
        tape.play(2.0, inlet, level)
        keep(todo[-1])
        tape.move(2.0, inlet, level + rise_pa)
        tape.mark(MarkKind.HOLD_BEGIN)
        tape.play(closed_s, inlet, level + rise_pa)
        tape.mark(MarkKind.HOLD_END)
        keep(0.0)
    _ended(tape)
    keep(0.0)
    used = dataclasses.replace(rig(), orifices=orifice)
    made = assemble(tape, plan or plan_of(FLOW_SWEEP), "", used)
    return _metered(made, np.concatenate(flow), seed) if metered else made


def _metered(made: Run, flow: np.ndarray, seed: int) -> Run:
    header, samples = made.header, made.samples[(1, "logger")]
    noise = 0.01 * np.random.default_rng(seed + 99).standard_normal(flow.size)
    raw = np.column_stack([samples.raw, np.round(flow + noise, 2)])
    more = dataclasses.replace(header.rig, channels=(*header.rig.channels, meter()))
    return dataclasses.replace(
        made,
        header=dataclasses.replace(header, rig=more),
        samples={
            (1, "logger"): dataclasses.replace(
                samples, raw=raw, flags=np.zeros(raw.shape, np.uint8)
            )
        },
    )


def with_classes(accuracy: str, lockup: str, floor: str | None = None) -> Plan:
    plan = plan_of(FLOW_SWEEP)
    lists = ClassLists(
        accuracy=tuple(parse_quantity(f"{n} %") for n in accuracy.split()),
        lockup=tuple(parse_quantity(f"{n} %") for n in lockup.split()),
        floor=None if floor is None else parse_quantity(floor),
        source="from memory of EN 334, not checked",
    )
    return dataclasses.replace(plan, classes=lists)


def notes(judgement: Judgement, id: str) -> set[str]:
    (found,) = (f for f in judgement.findings if f.id == id)
    return {note.id for note in found.evidence.notes}


def sweep_step(plan: Plan) -> Step:
    step = plan.step("sweep")
    assert step is not None
    return step
