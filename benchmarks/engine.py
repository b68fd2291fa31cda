"""What the engine costs: a whole test at 1 kHz and eight channels, led once more."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from proofstand.procedure.engine import Acknowledge, Answer, Command, Engine
from proofstand.simulated import simulate
from records.run import Mark, MarkKind, Run
from records.runfile import open_run
from records.trace import FlagArray, FloatArray, Trace

from .table import Row

RATE_HZ = 1000
CHANNELS = 8
ROWS = 100  # of a block: 100 ms
GOAL_PERCENT = 10.0
_SIDES = ("outlet", "inlet")


@dataclass(frozen=True, slots=True)
class Led:
    """A test that was led once more.

    Attributes:
        seconds: of rig time. engine_s, bare_s: CPU seconds of the engine, and of
            putting the same blocks into arrays.
        ended: how the test ended this time. same_steps: as many as the first time.
    """

    seconds: float
    engine_s: float
    bare_s: float
    ended: str
    same_steps: bool


def led_again(run: Run) -> Led:
    """Lead a recorded test once more, its readings put between at 1 kHz.

    The two pressures of the test go to the first two channels and, as others', to the
    rest; each reading has noise of its own.
    """
    plan, rig = run.header.plan, run.header.rig
    pair = [next(c for c in rig.channels if c.role == role) for role in _SIDES]
    named = [
        replace(pair[i % 2], id=f"more-{i}", role=f"more-{i}")
        for i in range(CHANNELS - len(pair))
    ]
    rig = replace(rig, channels=(*pair, *named))
    engine = Engine(plan, rig)
    said = [m for m in run.marks if m.kind in (MarkKind.CONFIRMED, MarkKind.ANSWERED)]
    taken = bare = 0.0
    kept = np.empty((CHANNELS, round(_end_s(run) * RATE_HZ) + ROWS))
    marks: list[Mark] = []
    for number, traces in enumerate(_blocks(run, [c.id for c in rig.channels])):
        now = float(traces[pair[0].id].t_s[-1])
        commands = _due(engine, said, now)
        began = time.process_time()
        out = engine.feed(traces)
        for command in commands:
            out += engine.command(command)
        taken += time.process_time() - began
        marks += [each for each in out if isinstance(each, Mark)]
        began = time.process_time()
        for row, trace in zip(kept, traces.values(), strict=True):
            row[number * ROWS : (number + 1) * ROWS] = trace.value
        bare += time.process_time() - began
        if engine.ended:
            break
    ends = [
        sum(m.kind is MarkKind.STEP_END for m in those) for those in (marks, run.marks)
    ]
    return Led(now, taken, bare, engine.ended, ends[0] == ends[1])


def _due(engine: Engine, said: list[Mark], now_s: float) -> list[Command]:
    """Return what was said up to now of what the engine waits for."""
    waiting = engine.request
    if waiting is None or not waiting.confirm:
        return []
    for mark in said:
        if mark.data["request"] == waiting.id and mark.t_s <= now_s:
            if mark.kind is MarkKind.ANSWERED:
                return [Answer(waiting.id, mark.data["said"], mark.by)]
            return [Acknowledge(waiting.id, mark.by)]
    return []


def _end_s(run: Run) -> float:
    return max(float(run.trace(c, 1).t_s[-1]) for c in run.header.rig.channels)


def _blocks(run: Run, ids: list[str]) -> Iterator[Mapping[str, Trace]]:
    rng = np.random.default_rng(1)
    by_role = {c.role: c for c in run.header.rig.channels}
    sides = [run.trace(by_role[role], 1).good() for role in _SIDES]
    steps = [by_role[role].resolution.value_si for role in _SIDES]
    flags: FlagArray = np.zeros(ROWS, np.uint8)
    for first in range(0, round(_end_s(run) * RATE_HZ), ROWS):
        t: FloatArray = np.arange(first, first + ROWS) / RATE_HZ
        between = [np.interp(t, side.t_s, side.value) for side in sides]
        yield {
            id: Trace(
                id,
                t,
                between[i % 2] + 2.0 * steps[i % 2] * rng.standard_normal(ROWS),
                flags,
            )
            for i, id in enumerate(ids)
        }


def engine_cpu(short: bool) -> Row:
    """The engine over a whole test, holds included."""
    family, plan = ("second-stage", "low-pressure")
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "run.h5"
        simulate(family=family, plan_name=plan, faults=(), seed=1, out=out)
        run = open_run(out)
    led = led_again(run)
    if led.ended != "done" or not led.same_steps:
        raise RuntimeError(f"the test was not led as before: {led}")
    return Row(
        what="engine, 8 channels at 1 kHz, a whole test / % of a core",
        ratio=100.0 * led.engine_s / led.seconds,
        goal=GOAL_PERCENT,
        how=f"CPU time, {led.seconds:.0f} s of {plan}; the same blocks put into arrays "
        f"take {100.0 * led.bare_s / led.seconds:.3f} %",
    )
