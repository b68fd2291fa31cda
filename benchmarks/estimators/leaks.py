"""External leak and seat leak: how often the interval holds the truth, how wide it is.

Two generators. Closed form: both sides sealed, a leak, a warming of the room that the
gas follows with a lag and that a sensor shows; shares no code with the analysis. The
simulator: whole tests of two families with leaks of several sizes; as each takes
seconds, a tenth of the trials.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from analysis.judge import judge
from analysis.leak import balance
from analysis.readings import Readings
from proofstand.simulated import simulate
from records.errors import Reason
from records.measure import STD_CM3_MIN, parse_quantity
from records.plan import FORMAT, Plan
from records.rig import Channel, Instrument, Rig, Station, Traits, Volume
from records.run import Part, Run, RunHeader, RunState, Samples, Software
from records.runfile import open_run

from .figures import Figure, share, spread_over

_PART = 6
_HZ, _BEFORE_S, _HOLD_S = 10.0, 600.0, 300.0
_AIR_PA, _ROOM_K, _TAU_MAX_S = 101_325.0, 293.15, 30.0
_INLET_M3, _OUTLET_M3 = 60e-6, 120e-6
_LIMIT = 0.15 * STD_CM3_MIN
_RAMPS = (0.0, 1.0, 5.0)  # K/h
_LAGS = (0.0, 30.0, 120.0)  # s, of the gas behind the sensor


@dataclass(frozen=True, slots=True)
class _Task:
    ramp: float
    lag: float
    begun: bool  # the ramp began within ten minutes before the hold, or at it
    seed: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Trial:
    hit: bool
    half: float
    line_off: float  # straight line's leak less the true one, Pa·m3/s


def tables(settings: Any) -> list[tuple[str, list[Figure]]]:
    """Return the tables of leaks."""
    return [
        (
            "leaks, closed form: coverage of the external leak's 95 % interval while "
            "the room warms, lag of the gas unknown",
            _closed_form(settings),
        ),
        (
            "leaks, simulated tests: coverage of the 95 % interval by family",
            _simulated(settings),
        ),
    ]


def _closed_form(settings: Any) -> list[Figure]:
    figures = []
    cells = [(r, g) for r in _RAMPS for g in _LAGS if r or not g]
    for cell, (ramp, lag) in enumerate(cells):
        tasks = [
            _Task(ramp, lag, bool(i % 2), (settings.seed, _PART, cell, i))
            for i in range(settings.trials)
        ]
        found = spread_over(_sealed, tasks, settings.jobs)
        half = float(np.median([t.half for t in found])) / STD_CM3_MIN
        off = float(np.sqrt(np.mean([t.line_off**2 for t in found]))) / STD_CM3_MIN
        figures.append(
            share(
                f"{ramp:g} K/h, lag {lag:g} s",
                sum(t.hit for t in found),
                len(found),
                low=94.0,
                how=f"half width {half:.3g} std cm3/min",
                beside=f"straight line off by {off:.3g}",
            )
        )
    return figures


def _sealed(task: _Task) -> _Trial:
    rng = np.random.default_rng(task.seed)
    t = np.arange(-_BEFORE_S, _HOLD_S, 1.0 / _HZ)
    begin = -float(rng.uniform(0.0, _BEFORE_S)) if task.begun else 0.0
    rate = task.ramp / 3600.0 * (1.0 if rng.uniform() < 0.5 else -1.0)
    since = np.maximum(t - begin, 0.0)
    sensor = _ROOM_K + rate * since
    behind = since - task.lag * -np.expm1(-since / task.lag) if task.lag else since
    gas = _ROOM_K + rate * behind
    leak = _LIMIT * float(rng.uniform(0.0, 3.0))
    tail = float(rng.uniform(-0.3, 0.3)) * np.exp(-np.maximum(t, 0.0) / 8.0)
    kelvin = gas + np.where(t >= 0.0, tail, tail[0])
    share_out = float(rng.uniform(0.0, 1.0))
    columns = []
    for level, volume, part, noise in (
        (170_000.0, _INLET_M3, 1.0 - share_out, 10.0),
        (104_000.0, _OUTLET_M3, share_out, 0.8),
    ):
        left = level - part * leak / volume * np.maximum(t, 0.0)
        pressure = left * kelvin / _ROOM_K - _AIR_PA
        columns.append(pressure + noise * rng.standard_normal(t.size))
    columns.append(_AIR_PA + 3.0 * rng.standard_normal(t.size))
    columns.append(sensor + 0.01 * rng.standard_normal(t.size))
    raw = np.column_stack(columns)
    found = balance(Readings(_run(t + _BEFORE_S, raw)), 1, _BEFORE_S, _BEFORE_S + 299.9)
    if isinstance(found, Reason):
        return _Trial(False, math.inf, math.inf)
    hold = t >= 0.0
    slopes = [np.polyfit(t[hold], raw[hold, i], 1)[0] for i in (0, 1)]
    line = -(slopes[0] * _INLET_M3 + slopes[1] * _OUTLET_M3)
    low, high = found.interval
    return _Trial(low <= leak <= high, 0.5 * (high - low), float(line) - leak)


def _run(t: np.ndarray[Any, Any], raw: np.ndarray[Any, Any]) -> Run:
    def channel(role: str, unit: str, span: Sequence[str], step: str) -> Channel:
        return Channel(
            id=role,
            role=role,
            station="A",
            instrument="logger",
            unit=unit,
            span=(parse_quantity(span[0]), parse_quantity(span[1])),
            resolution=parse_quantity(step),
        )

    def volume(m3: float, u: str) -> Volume:
        return Volume(
            volume=parse_quantity(f"{m3 * 1e6:g} cm3"),
            u=parse_quantity(u),
            allowance=parse_quantity("0 cm3"),
        )

    gauge = ("-10 kPa gauge", "300 kPa gauge")
    rig = Rig(
        format="proofstand.rig/1",
        id="closed-form",
        simulated=True,
        stations=(Station(id="A"),),
        instruments=(
            Instrument(
                id="logger",
                protocol="log",
                period=parse_quantity("100 ms"),
                timeout=parse_quantity("1 s"),
            ),
        ),
        channels=(
            channel("inlet", "Pa gauge", gauge, "2 Pa difference"),
            channel("outlet", "Pa gauge", gauge, "0.2 Pa difference"),
            channel(
                "ambient",
                "Pa absolute",
                ("80 kPa absolute", "120 kPa absolute"),
                "1 Pa difference",
            ),
            channel("gas_temperature", "K", ("230 K", "400 K"), "0.01 K"),
        ),
        traits=Traits(
            tau_max=parse_quantity(f"{_TAU_MAX_S:g} s"),
            tail_amplitude=parse_quantity("1 K"),
            volumes={
                "inlet": volume(_INLET_M3, "0.6 cm3"),
                "outlet": volume(_OUTLET_M3, "1.2 cm3"),
            },
        ),
    )
    plan = Plan(
        format=FORMAT, id="none", version=1, title="none", test_gas="ideal", steps=()
    )
    header = RunHeader(
        id="trial",
        started_utc_ns=0,
        origin="import",
        job=None,  # type: ignore[arg-type]
        plan=plan,
        plan_text="",
        plan_sha256="",
        rig=rig,
        software=Software(version="0", analysis_version=0),
    )
    return Run(
        header=header,
        state=RunState.SEALED,
        sha256="",
        key_id="",
        parts=(Part(number=1, utc_ns=0, host_ns=0, origins={"logger": 0}),),
        marks=(),
        truth=None,
        samples={
            (1, "logger"): Samples(
                t_ns=np.round(t * 1e9).astype(np.int64),
                raw=raw,
                flags=np.zeros(raw.shape, np.uint8),
            )
        },
    )


# --- whole tests by the simulator ----------------------------------------------------

_FAMILIES = (("second-stage", "low-pressure"), ("cylinder-1", "cylinder"))
_FAULTS = ("seat_nicked", "outlet_fitting")
_SEVERITIES = (0.0, 0.02, 0.05, 0.1)
_IDS = ("rig_leak", "external_leak", "seat_leak", "seat_transfer")
_Told = list[tuple[str, bool, float]]


def _simulated(settings: Any) -> list[Figure]:
    figures = []
    trials = max(1, settings.trials // 10)
    for family, plan in _FAMILIES:
        tasks = [
            (family, plan, _FAULTS[i % 2], _SEVERITIES[(i // 2) % 4], 3000 + i)
            for i in range(trials)
        ]
        found = [
            one for told in spread_over(_test, tasks, settings.jobs) for one in told
        ]
        for id in _IDS:
            ours = [(hit, half) for name, hit, half in found if name == id]
            if not ours:
                continue
            half = float(np.median([half for _, half in ours])) / STD_CM3_MIN
            figures.append(
                share(
                    f"{family}, {id}",
                    sum(hit for hit, _ in ours),
                    len(ours),
                    low=92.5,
                    how=f"half width {half:.3g} std cm3/min",
                )
            )
    return figures


def _test(task: tuple[str, str, str, float, int]) -> _Told:
    """Return finding, whether its interval held the truth, and half its width."""
    family, plan, fault, severity, seed = task
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "run.h5"
        simulate(
            family=family,
            plan_name=plan,
            faults=(f"{fault}:{severity}",) if severity else (),
            seed=seed,
            out=out,
        )
        run = open_run(out)
        assert run.truth is not None
        true = {(f["id"], f["step"]): f["value"] for f in run.truth["findings"]}
        told: _Told = []
        for f in judge(run).findings:
            if f.id in _IDS and f.interval is not None and (f.id, f.step) in true:
                low, high = f.interval
                hit = low <= true[f.id, f.step] <= high
                told.append((f.id, hit, 0.5 * (high - low)))
        return told
