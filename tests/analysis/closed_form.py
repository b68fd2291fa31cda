"""Whole runs from closed formulas: what a regulator does, written down, not simulated.

Shares no code with the simulator. Every pressure is a formula of time (level, smooth
closing, exponential settling, line), with white noise and a converter's steps on top;
marks are set where a procedure would set them, each late by a stated time.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from records.calibration import Calibration, CalibrationTerm, TermKind
from records.jobcard import FORMAT as JOB_FORMAT
from records.jobcard import JobCard, Regulator
from records.measure import STD_CM3_MIN, parse_quantity
from records.plan import Plan
from records.planfile import builtin_plan
from records.rig import FORMAT as RIG_FORMAT
from records.rig import Channel, Instrument, Rig, Station, Traits, Volume
from records.run import (
    Mark,
    MarkKind,
    Part,
    Run,
    RunHeader,
    RunState,
    Samples,
    Software,
)

Array = NDArray[np.float64]
AIR_PA = 100_400.0
GAS_K = 294.0
SET_PA = 2737.0
INLET_PA = 68_947.6
LOW_INLET_PA = 34_473.8
STARTED_NS = 1_790_000_000_000_000_000


@dataclass(frozen=True)
class Fault:
    """What is wrong with the regulator and the rig, leaks in std cm3/min.

    Attributes:
        seat: leak through the seat. outside: leak from the outlet to air.
        rise_pa: lockup rise. rig: leak of the rig's outlet side.
        zero_moved_pa: outlet's zero at the end. inlet_sag: share lost over a hold.
        supply_effect: change of the outlet per change of the inlet.
        set_off_pa: how far the outlet was set beside its target.
        swing_pa, swing_hz: amplitude and frequency of the swing while the outlet flows.
        rises: of each lockup, as a share of ``rise_pa``.
        stuck_at_s: when the outlet's reading stops for ever, from the begin.
    """

    seat: float = 0.0
    outside: float = 0.0
    rise_pa: float = 220.0
    rig: float = 0.0
    zero_moved_pa: float = 0.0
    inlet_sag: float = 0.0
    tail_k: float = 0.12
    air_pa_per_h: float = 60.0
    gas_k_per_h: float = 0.2
    supply_effect: float = 0.0
    set_off_pa: float = 0.0
    swing_pa: float = 0.0
    swing_hz: float = 1.0
    rises: tuple[float, float, float] = (1.0, 1.0, 1.0)
    stuck_at_s: float | None = None


@dataclass(frozen=True)
class Setting:
    """How it is read and what the rig is.

    Attributes:
        outlet_m3, inlet_m3: the true effective volumes.
        noise: standard deviation of a sample per channel.
        drawn_off_s: how long gas is drawn off after the body hold, of the six seconds
            that the venting takes.
    """

    rate_hz: float = 20.0
    outlet_m3: float = 118e-6
    inlet_m3: float = 61e-6
    noise: dict[str, float] = field(
        default_factory=lambda: {
            "inlet": 10.0,
            "outlet": 0.8,
            "ambient": 3.0,
            "gas_temperature": 0.01,
        }
    )
    rig_hold_s: float = 120.0
    drawn_off_s: float = 2.0
    seed: int = 1


def _calibration(offset: str, gain: str, linearity: str) -> Calibration:
    return Calibration(
        id="K-1",
        date=datetime.date(2026, 6, 1),
        due=datetime.date(2027, 6, 1),
        standard="shop standard",
        terms=tuple(
            CalibrationTerm(name=kind.value, kind=kind, u=parse_quantity(text))
            for kind, text in (
                (TermKind.OFFSET, offset),
                (TermKind.GAIN, gain),
                (TermKind.LINEARITY, linearity),
            )
        ),
    )


def rig(*, simulated: bool = True, traits: bool = True) -> Rig:
    """Return a rig with four channels on one instrument."""

    def channel(
        id: str, role: str, unit: str, span: str, step: str, cal: Calibration
    ) -> Channel:
        low, high = span.split("..")
        return Channel(
            id=id,
            role=role,
            station="A",
            instrument="logger",
            unit=unit,
            span=(parse_quantity(f"{low} {unit}"), parse_quantity(f"{high} {unit}")),
            resolution=parse_quantity(step),
            calibration=cal,
        )

    volumes = {
        "outlet": Volume(
            volume=parse_quantity("100 cm3"),
            u=parse_quantity("2 cm3"),
            allowance=parse_quantity("60 cm3"),
        ),
        "inlet": Volume(
            volume=parse_quantity("60 cm3"),
            u=parse_quantity("1 cm3"),
            allowance=parse_quantity("5 cm3"),
        ),
    }
    return Rig(
        format=RIG_FORMAT,
        id="R-1",
        simulated=simulated,
        stations=(Station(id="A"),),
        instruments=(
            Instrument(
                id="logger",
                protocol="modbus-tcp",
                period=parse_quantity("50 ms"),
                timeout=parse_quantity("1 s"),
            ),
        ),
        channels=(
            channel(
                "PT-1",
                "inlet",
                "Pa gauge",
                "-20000..200000",
                "2 Pa difference",
                _calibration("60 Pa difference", "0.05 %", "40 Pa difference"),
            ),
            channel(
                "PT-2",
                "outlet",
                "Pa gauge",
                "-1000..10000",
                "0.2 Pa difference",
                _calibration("3 Pa difference", "0.05 %", "2 Pa difference"),
            ),
            channel(
                "PT-3",
                "ambient",
                "Pa absolute",
                "50000..120000",
                "1 Pa difference",
                _calibration("30 Pa difference", "0.02 %", "10 Pa difference"),
            ),
            channel(
                "TT-1",
                "gas_temperature",
                "K",
                "230..400",
                "0.01 K",
                _calibration("0.1 K", "0.01 %", "0.02 K"),
            ),
        ),
        traits=Traits(
            tau_max=parse_quantity("30 s"),
            tail_amplitude=parse_quantity("1 K"),
            volumes=volumes,
        )
        if traits
        else None,
    )


class _Tape:
    """Pressures and marks, written one stretch after another."""

    def __init__(self, setting: Setting, fault: Fault) -> None:
        self.setting, self.fault = setting, fault
        self.period = 1.0 / setting.rate_hz
        self.count = 0
        self.inlet: list[Array] = []
        self.outlet: list[Array] = []
        self.marks: list[Mark] = []
        self.step = ""
        self.last = (0.0, 0.0)

    @property
    def now(self) -> float:
        return self.count * self.period

    def mark(self, kind: MarkKind, at: float | None = None, **data: str) -> None:
        self.marks.append(
            Mark(
                part=1,
                t_s=self.now if at is None else at,
                kind=kind,
                step=self.step,
                data=data,
            )
        )

    def begin(self, step: str) -> None:
        self.step = step
        self.mark(MarkKind.STEP_BEGIN)

    def end(self, how: str = "done") -> None:
        self.mark(MarkKind.STEP_END, how=how)

    def play(self, seconds: float, inlet: object, outlet: object) -> None:
        """Add a stretch; inlet and outlet are numbers or formulas of its time."""
        n = max(1, round(seconds / self.period))
        t = np.arange(n) * self.period
        made = []
        for formula in (inlet, outlet):
            y = formula(t) if callable(formula) else np.full(n, float(str(formula)))
            made.append(np.asarray(y, dtype=np.float64))
        self.inlet.append(made[0])
        self.outlet.append(made[1])
        self.last = (float(made[0][-1]), float(made[1][-1]))
        self.count += n

    def move(self, seconds: float, inlet: float, outlet: float) -> None:
        """Go smoothly to new levels."""
        i0, o0 = self.last

        def to(a: float, b: float) -> object:
            return lambda t: a + (b - a) * _smooth(t / seconds)

        self.play(seconds, to(i0, inlet), to(o0, outlet))


def _smooth(x: Array) -> Array:
    x = np.clip(x, 0.0, 1.0)
    return np.asarray(x * x * (3.0 - 2.0 * x))


def _hold_marks(tape: _Tape, seconds: float, inlet: object, outlet: object) -> None:
    tape.mark(MarkKind.HOLD_BEGIN)
    tape.play(seconds, inlet, outlet)
    tape.mark(MarkKind.HOLD_END)


def run(
    fault: Fault | None = None,
    setting: Setting | None = None,
    plan: Plan | None = None,
    rig_used: Rig | None = None,
) -> Run:
    """Return a whole run of the low-pressure plan as a regulator would give it."""
    fault = fault or Fault()
    setting = setting or Setting()
    plan_text = ""
    if plan is None:
        plan, plan_text = builtin_plan("low-pressure")
    tape = _Tape(setting, fault)
    seat = fault.seat * STD_CM3_MIN
    outside = fault.outside * STD_CM3_MIN
    heat_out = fault.tail_k / GAS_K * (AIR_PA + SET_PA)
    set_pa = SET_PA + fault.set_off_pa

    def flow(level: float) -> Callable[[Array], Array]:
        begun, turn = tape.now, 2.0 * math.pi * fault.swing_hz
        return lambda t: level + fault.swing_pa * np.sin(turn * (begun + t))

    tape.begin("zero")
    tape.play(3.0, 0.0, 0.0)
    _hold_marks(tape, 10.0, 0.0, 0.0)
    tape.end()

    tape.begin("rig-hold")
    tape.move(6.0, INLET_PA, 2986.0)
    rig_rate = fault.rig * STD_CM3_MIN / setting.outlet_m3
    heat_in = fault.tail_k / GAS_K * (AIR_PA + INLET_PA)

    def settle(level: float, size: float, tau: float, rate: float, t0: float) -> object:
        return lambda t: level + size * np.exp(-(t + t0) / tau) + rate * (t + t0)

    tape.play(
        20.0,
        settle(INLET_PA, heat_in, 11.0, 0.0, 0.0),
        settle(2986.0, heat_out, 8.0, -rig_rate, 0.0),
    )
    _hold_marks(
        tape,
        setting.rig_hold_s,
        settle(INLET_PA, heat_in, 11.0, 0.0, 20.0),
        settle(2986.0, heat_out, 8.0, -rig_rate, 20.0),
    )
    tape.end()

    tape.begin("pressurise")
    tape.move(4.0, 0.0, 0.0)
    tape.move(6.0, 20_684.0, 20.0)
    tape.move(4.0, INLET_PA, 40.0)
    tape.play(5.0, INLET_PA, 40.0)
    tape.end()
    tape.begin("set-rough")
    tape.move(5.0, INLET_PA, set_pa - 12.0)
    _hold_marks(tape, 4.0, INLET_PA, flow(set_pa - 12.0))
    tape.end()
    tape.begin("exercise")
    for _ in range(5):
        tape.move(1.5, INLET_PA, set_pa + fault.rise_pa)
        tape.move(1.5, INLET_PA, set_pa)
    tape.end()
    tape.begin("set")
    tape.play(3.0, INLET_PA, flow(set_pa))
    _hold_marks(tape, 15.0, INLET_PA, flow(set_pa))
    tape.mark(MarkKind.SEEN, event="steady")
    tape.end()

    net = (seat - outside) / setting.outlet_m3
    for number, inlet in ((1, INLET_PA), (2, LOW_INLET_PA), (3, INLET_PA)):
        tape.begin(f"lockup-{number}")
        moved = fault.supply_effect * (inlet - INLET_PA)
        flowing = set_pa + moved
        top = flowing + fault.rise_pa * fault.rises[number - 1]
        tape.move(4.0, inlet, flowing)
        tape.play(12.0, inlet, flow(flowing))
        tape.mark(MarkKind.ASKED, act="close_bleed", request=f"r{number}")
        tape.play(1.2, inlet, flow(flowing))
        tape.move(2.5, inlet, top)
        tape.mark(MarkKind.SEEN, at=tape.now - 1.2, event="shut_off")
        tape.mark(MarkKind.HOLD_BEGIN, at=tape.now - 1.2)
        last = number == 3
        held = 28.7 if not last else 210.0

        def shut(t: Array, top: float = top, floor: float = flowing) -> Array:
            # throttled gas comes in cold and warms: the pressure rises to its level
            y = top + heat_out * (1.0 - np.exp(-t / 7.0)) + net * t
            return np.maximum(y, floor)

        def supply(t: Array, level: float = inlet) -> Array:
            return level * (1.0 - fault.inlet_sag * t / 180.0)

        ended = "done"
        begun = tape.now - 1.2
        if not last:
            tape.play(held, supply, shut)
            tape.mark(MarkKind.HOLD_END)
            tape.end()
            tape.move(2.0, inlet, set_pa)
            continue
        limit = 4977.0
        full = shut(np.arange(round(held * setting.rate_hz)) / setting.rate_hz)
        over = np.flatnonzero(full > limit)
        if over.size:
            held = min(held, float(over[0]) / setting.rate_hz)
            ended = "over_pressure"
        lockup_s = min(28.7, held)
        tape.play(held, supply, shut)
        early = ended if held <= lockup_s else "done"
        tape.mark(MarkKind.HOLD_END, at=begun + lockup_s)
        tape.mark(MarkKind.STEP_END, at=begun + lockup_s + 0.01, how=early)
        if early == "done":
            tape.step = "creep-hold"
            tape.mark(MarkKind.STEP_BEGIN, at=begun + lockup_s + 0.02)
            tape.mark(MarkKind.HOLD_BEGIN, at=begun)
            tape.mark(MarkKind.HOLD_END)
            tape.end(ended)

    tape.begin("body-hold")
    venting_s = 6.0
    if ended != "over_pressure":
        tape.mark(MarkKind.ASKED, act="isolate_inlet", request="iso")
        tape.play(2.0, INLET_PA, tape.last[1])
        tape.mark(MarkKind.SEEN, event="isolated")
        start = tape.last[1]

        def inlet_of(t: Array, t0: float) -> Array:
            t = t + t0
            outlet = start + net * t
            made_up = np.maximum(0.0, set_pa - outlet) * setting.outlet_m3
            y = INLET_PA - (seat * t + made_up) / setting.inlet_m3
            return np.maximum(y, 0.0)

        def outlet_of(t: Array, t0: float) -> Array:
            y = start + net * (t + t0)
            y = np.maximum(y, set_pa)
            empty = inlet_of(t, t0) <= 0.0
            return np.where(empty, np.maximum(0.0, y - 40.0 * t), y)

        tape.play(10.0, lambda t: inlet_of(t, 0.0), lambda t: outlet_of(t, 0.0))
        _hold_marks(
            tape, 180.0, lambda t: inlet_of(t, 10.0), lambda t: outlet_of(t, 10.0)
        )
        if setting.drawn_off_s:
            tape.move(setting.drawn_off_s, 0.5 * tape.last[0], 0.9 * tape.last[1])
            venting_s -= setting.drawn_off_s
        tape.end()
    else:
        tape.mark(MarkKind.STEP_SKIP, why="over-pressure")
    tape.begin("vent-down")
    tape.move(venting_s, 0.0, 0.0)
    tape.end()
    tape.begin("closing-zero")
    tape.play(3.0, 0.0, fault.zero_moved_pa)
    _hold_marks(tape, 10.0, 0.0, fault.zero_moved_pa)
    tape.end()
    return assemble(tape, plan, plan_text, rig_used or rig())


def assemble(tape: _Tape, plan: Plan, plan_text: str, rig_used: Rig) -> Run:
    """Return the run of a tape: noise, converter steps, air and temperature added."""
    setting, fault = tape.setting, tape.fault
    n = tape.count
    t = np.arange(n) * tape.period
    rng = np.random.default_rng(setting.seed)
    air = AIR_PA + fault.air_pa_per_h * t / 3600.0
    gas = GAS_K + fault.gas_k_per_h * t / 3600.0
    inlet, outlet = np.concatenate(tape.inlet), np.concatenate(tape.outlet)
    # trapped gas knows nothing of the air outside: a gauge reading moves against it
    sealed = np.zeros(n, dtype=bool)
    for begin, end in _holds(tape):
        sealed |= (t >= begin) & (t < end)
    drift = np.zeros(n)
    warm_in, warm_out = np.zeros(n), np.zeros(n)
    for begin, end in _holds(tape):
        use = (t >= begin) & (t < end)
        drift[use] = -(air[use] - air[use][0])
        grown = (gas[use] - gas[use][0]) / GAS_K
        warm_out[use] = (outlet[use] + AIR_PA) * grown
        warm_in[use] = (inlet[use] + AIR_PA) * grown
    isolated = _within(tape, t, ("rig-hold", "body-hold"))
    columns = {
        "inlet": inlet + np.where(isolated, drift + warm_in, 0.0),
        "outlet": outlet + drift + warm_out,
        "ambient": air,
        "gas_temperature": gas,
    }
    steps = {"inlet": 2.0, "outlet": 0.2, "ambient": 1.0, "gas_temperature": 0.01}
    raw = np.column_stack(
        [
            np.round((y + setting.noise[name] * rng.standard_normal(n)) / steps[name])
            * steps[name]
            for name, y in columns.items()
        ]
    )
    if fault.stuck_at_s is not None:
        stuck = t >= fault.stuck_at_s
        raw[stuck, 1] = raw[int(np.argmax(stuck)), 1] if stuck.any() else 0.0
    header = RunHeader(
        id="run-1",
        started_utc_ns=STARTED_NS,
        origin="record",
        job=JobCard(
            format=JOB_FORMAT,
            id="J-1",
            regulator=Regulator(
                serial="S-1", model="M-1", family="second-stage", gas="propane"
            ),
        ),
        plan=plan,
        plan_text=plan_text,
        plan_sha256="",
        rig=rig_used,
        software=Software(version="0", analysis_version=1),
    )
    return Run(
        header=header,
        state=RunState.SEALED,
        sha256="0" * 64,
        key_id="",
        parts=(Part(number=1, utc_ns=STARTED_NS, host_ns=0, origins={"logger": 0}),),
        marks=tuple(tape.marks),
        truth=None,
        samples={
            (1, "logger"): Samples(
                t_ns=np.round(t * 1e9).astype(np.int64),
                raw=raw,
                flags=np.zeros(raw.shape, np.uint8),
            )
        },
    )


def _holds(tape: _Tape) -> list[tuple[float, float]]:
    """Return the stretches in which the gas is trapped."""
    out = []
    for kind in ("rig-hold", "creep-hold", "body-hold"):
        marks = [m for m in tape.marks if m.step == kind]
        begin = [m.t_s for m in marks if m.kind is MarkKind.HOLD_BEGIN]
        end = [m.t_s for m in marks if m.kind is MarkKind.HOLD_END]
        if begin and end:
            out.append((begin[-1], end[-1]))
    return out


def _within(
    tape: _Tape, t: NDArray[np.floating], steps: tuple[str, ...]
) -> NDArray[np.bool_]:
    inside = np.zeros(t.size, dtype=bool)
    for step in steps:
        marks = [m.t_s for m in tape.marks if m.step == step]
        if marks:
            inside |= (t >= min(marks)) & (t <= max(marks))
    return inside


def std(leak: float) -> float:
    """Return a leak of std cm3/min in Pa·m3/s."""
    return leak * STD_CM3_MIN


def half_width(interval: tuple[float, float]) -> float:
    """Return half the width of an interval."""
    return 0.5 * (interval[1] - interval[0])


def is_number(x: float) -> bool:
    """Return True for a finite number."""
    return math.isfinite(x)
