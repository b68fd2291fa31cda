"""What judging costs: an hour of fast readings, and one long hold, as ratios.

The unit is a memory pass: adding up all readings of the hour once.
"""

from __future__ import annotations

import statistics
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from scipy.optimize import curve_fit

from analysis import (
    clean,
    creep,
    judge,
    leak,
    lockup,
    rate,
    readings,
    steady_level,
    surroundings,
    tail,
)
from records.jobcard import FORMAT as JOB_FORMAT
from records.jobcard import JobCard, Regulator
from records.measure import parse_quantity
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
from records.runfile import open_run, write_run
from records.tomlfile import text_sha256
from records.trace import FloatArray, Trace

from .command import Settings
from .figures import Figure

_RATE_HZ = 1000
_HOUR_S = 3600
_AIR_PA, _INLET_PA, _SET_PA, _RISE_PA = 100_400.0, 68_948.0, 2_737.0, 180.0
# Where the parts of the test lie in the hour, seconds; the rest is waiting and working.
_HOLDS = {
    "zero": (20.0, 30.0),
    "rig-hold": (120.0, 420.0),
    "set": (700.0, 715.0),
    "lockup-1": (800.0, 830.0),
    "lockup-2": (900.0, 930.0),
    "lockup-3": (1000.0, 1030.0),
    "creep-hold": (1000.0, 1600.0),
    "body-hold": (1700.0, 2300.0),
    "closing-zero": (3500.0, 3510.0),
}
_ROLES = (
    ("inlet", "Pa gauge", "2 Pa difference", 8.0),
    ("outlet", "Pa gauge", "0.2 Pa difference", 0.8),
    ("ambient", "Pa absolute", "1 Pa difference", 3.0),
    ("gas_temperature", "K", "0.01 K", 0.02),
    *((f"spare-{i}", "Pa gauge", "1 Pa difference", 4.0) for i in range(4)),
)


def hour() -> Run:
    """Return an hour of a low-pressure test, eight channels at 1 kHz, in memory."""
    plan, text = builtin_plan("low-pressure")
    n = _HOUR_S * _RATE_HZ
    t = np.arange(n) / _RATE_HZ
    picks = np.random.default_rng(11)
    raw = np.empty((n, len(_ROLES)))
    for column, (role, _, step, noise) in enumerate(_ROLES):
        y = _pressure(role, t) + noise * picks.standard_normal(n)
        size = parse_quantity(step).value_si if role != "gas_temperature" else 0.01
        raw[:, column] = np.round(y / size) * size
    header = RunHeader(
        id="hour",
        started_utc_ns=1_790_000_000_000_000_000,
        origin="record",
        job=JobCard(
            format=JOB_FORMAT,
            id="none",
            regulator=Regulator(serial="none", model="", family="", gas=""),
        ),
        plan=plan,
        plan_text=text,
        plan_sha256=text_sha256(text),
        rig=_rig(),
        software=Software(version="0", analysis_version=1),
    )
    t_ns = np.arange(n, dtype=np.int64) * (10**9 // _RATE_HZ)
    return Run(
        header=header,
        state=RunState.CLOSED,
        sha256="",
        key_id="",
        parts=(Part(number=1, utc_ns=1, host_ns=1, origins={"io": 0}),),
        marks=_marks(),
        truth=None,
        samples={(1, "io"): Samples(t_ns, raw, np.zeros(raw.shape, np.uint8))},
    )


def _pressure(role: str, t: FloatArray) -> FloatArray:
    if role == "ambient":
        return _AIR_PA + 0.01 * t
    if role == "gas_temperature":
        return 294.0 + 2e-5 * t
    if role not in ("inlet", "outlet"):
        return 500.0 + 0.0 * t
    level = _INLET_PA if role == "inlet" else _SET_PA
    y = np.where((t > 60.0) & (t < 3450.0), level, 0.0)
    air = 0.01 * t
    if role == "inlet":
        return np.asarray(y - np.where((t >= 1650.0) & (t < 2310.0), air - 16.5, 0.0))
    for name in ("lockup-1", "lockup-2", "lockup-3"):
        begin = _HOLDS[name][0] - 1.0
        stop = _HOLDS[name][1] + 10.0 if name != "lockup-3" else 2310.0
        x = t - begin
        shut = np.clip(x / 2.0, 0.0, 1.0) ** 2 * (
            3.0 - 2.0 * np.clip(x / 2.0, 0.0, 1.0)
        )
        settle = 30.0 * (1.0 - np.exp(-np.maximum(x - 2.0, 0.0) / 9.0))
        y = y + np.where((x >= 0.0) & (t < stop), _RISE_PA * shut + settle, 0.0)
    return np.asarray(y - np.where((t >= 1000.0) & (t < 2310.0), air - 10.0, 0.0))


def _rig() -> Rig:
    q = parse_quantity

    def channel(role: str, unit: str, step: str) -> Channel:
        low, high = {
            "Pa absolute": ("50000", "120000"),
            "K": ("230", "400"),
        }.get(unit, ("-20000", "200000"))
        return Channel(
            id=role,
            role=role,
            station="A",
            instrument="io",
            unit=unit,
            span=(q(f"{low} {unit}"), q(f"{high} {unit}")),
            resolution=q(step),
        )

    volume = Volume(volume=q("100 cm3"), u=q("2 cm3"), allowance=q("10 cm3"))
    return Rig(
        format=RIG_FORMAT,
        id="benchmark",
        stations=(Station(id="A"),),
        instruments=(
            Instrument(id="io", protocol="log", period=q("1 ms"), timeout=q("1 s")),
        ),
        channels=tuple(channel(role, unit, step) for role, unit, step, _ in _ROLES),
        traits=Traits(
            tau_max=q("60 s"),
            tail_amplitude=q("1 K"),
            volumes={"inlet": volume, "outlet": volume},
        ),
    )


def _marks() -> tuple[Mark, ...]:
    marks = []
    for step, (begin, end) in _HOLDS.items():

        def mark(kind: MarkKind, at: float, step: str = step, **data: str) -> None:
            marks.append(Mark(part=1, t_s=at, kind=kind, step=step, data=data))

        before = 20.0 if step.startswith("lockup") else 5.0
        mark(MarkKind.STEP_BEGIN, begin - before)
        if step.startswith("lockup"):
            mark(MarkKind.ASKED, begin - 3.0, act="close_bleed", request=step)
            mark(MarkKind.SEEN, begin, event="shut_off")
        mark(MarkKind.HOLD_BEGIN, begin)
        mark(MarkKind.HOLD_END, end)
        mark(MarkKind.STEP_END, end, how="done")
    return tuple(marks)


def _timed(work: Callable[[], object], times: int) -> float:
    """Return the median processor time of some repetitions after one to warm up."""
    work()
    taken = []
    for _ in range(times):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return statistics.median(taken)


# Where the time goes: a name for the row, then the functions that are counted to it
# where they are called, the inner ones not counted twice.
_STAGES: dict[str, tuple[tuple[object, str], ...]] = {
    "cleaning the windows": ((readings, "stretch"), (readings, "usual_noise")),
    "settling and rate": ((rate, "fit_tail"), (surroundings, "fit_tail")),
    "of which robust blocks": ((tail, "_block"),),
    "hunting": ((lockup, "hunting_findings"), (judge, "hunting_findings")),
    "shut-off": ((lockup, "shut_off"), (creep, "shut_off")),
    "steadiness and levels": (
        (steady_level, "steadiness"),
        (steady_level, "robust_level"),
        (lockup, "robust_level"),
        (leak, "robust_slope"),
        (surroundings, "robust_slope"),
    ),
}


@contextmanager
def _counted(taken: dict[str, float]) -> Iterator[None]:
    """Time the functions of each stage where the findings call them."""
    undo: list[tuple[object, str, object]] = []

    def wrapped(stage: str, inner: Callable[..., object]) -> Callable[..., object]:
        def call(*args: object, **named: object) -> object:
            began = time.process_time()
            try:
                return inner(*args, **named)
            finally:
                taken[stage] = taken.get(stage, 0.0) + time.process_time() - began

        return call

    for stage, places in _STAGES.items():
        for module, name in places:
            inner = getattr(module, name)
            undo.append((module, name, inner))
            setattr(module, name, wrapped(stage, inner))
    try:
        yield
    finally:
        for module, name, inner in undo:
            setattr(module, name, inner)


def _of_an_hour() -> list[Figure]:
    made = hour()
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "hour.h5"
        write_run(made, out)
        del made
        run = open_run(out)
        raw = run.samples[(1, "io")].raw
        one = _timed(lambda: float(np.sum(raw)), 9)
        reading = _timed(lambda: open_run(out), 1)
        fresh = _Fresh(run)
        whole = _timed(fresh.judged, 7)
        taken: dict[str, float] = {}
        with _counted(taken):
            fresh.judged()
        tracemalloc.start()
        fresh.judged()
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    found = judge.judge(run)
    numbers = sum(f.measured is not None for f in found.findings)
    told = (
        f"{len(found.findings)} findings, {numbers} with a number; a pass takes "
        f"{one * 1e3:.1f} ms; reading the file takes {reading / one:.0f} passes"
    )
    name = "judging, beyond reading"
    figures = [Figure(name, whole / one, high=12.0, unit="passes", how=told)]
    figures += [
        Figure(f"  {stage}", took / one, unit="passes") for stage, took in taken.items()
    ]
    figures.append(
        Figure(
            "memory taken while judging",
            peak / raw.nbytes,
            high=0.5,
            unit="of the readings",
            how=f"{peak / 1e6:.0f} MB at most",
        )
    )
    return figures


class _Fresh:
    """Judges a run as if it had just been read: nothing is remembered of it."""

    def __init__(self, run: Run) -> None:
        self._run = run

    def judged(self) -> object:
        samples = {
            key: Samples(s.t_ns, s.raw, s.flags) for key, s in self._run.samples.items()
        }
        run = self._run
        return judge.judge(
            Run(
                header=run.header,
                state=run.state,
                sha256=run.sha256,
                key_id=run.key_id,
                parts=run.parts,
                marks=run.marks,
                truth=None,
                samples=samples,
            )
        )


def _of_a_hold() -> list[Figure]:
    """100,000 samples, fitted here and by an ordinary least-squares curve."""
    n, held = 100_000, 300.0
    picks = np.random.default_rng(12)
    t: FloatArray = np.asarray(np.arange(n) * (held / n), dtype=np.float64)
    y = 2_900.0 + 5.0 * np.exp(-t / 20.0) + 0.01 * t + 0.8 * picks.standard_normal(n)

    def curve(t: FloatArray, a: float, r: float, c: float, tau: float) -> FloatArray:
        return np.asarray(a + r * t + c * np.exp(-t / tau))

    def theirs() -> object:
        return curve_fit(curve, t, y, p0=(float(y[-1]), 0.0, 1.0, 30.0))

    def ours() -> object:
        return tail.fit_tail(t, y, tau_max_s=60.0, amplitude=350.0, resolution=0.2)

    def cleaned() -> object:
        held_trace = Trace("outlet", t, y, np.zeros(n, np.uint8))
        held_out = clean.stretch(held_trace, 0.0, held, 0.2)
        t_s, value = held_out.t_s, held_out.value
        return tail.fit_tail(
            t_s, value, tau_max_s=60.0, amplitude=350.0, resolution=0.2
        )

    other, mine = _timed(theirs, 5), _timed(ours, 9)
    whole = _timed(cleaned, 9)
    return [
        Figure(
            "a hold of 100,000 samples fitted, warm",
            mine / other,
            high=1.5,
            unit="of one curve",
            how=f"{mine * 1e3:.0f} ms; one exponential and a line on the raw samples "
            f"takes {other * 1e3:.0f} ms",
        ),
        Figure(
            "the same, cleaned first as a finding does",
            whole / other,
            unit="of one curve",
            how=f"{whole * 1e3:.0f} ms",
        ),
    ]


def tables(settings: Settings) -> list[tuple[str, list[Figure]]]:
    """Return what judging costs; nothing is drawn, so ``settings`` says nothing."""
    del settings
    return [
        ("Judging an hour of 8 channels at 1 kHz", _of_an_hour()),
        ("Fitting one hold", _of_a_hold()),
    ]
