"""Set pressure, steadiness, lockup, settling and hunting against known truths.

The generator is closed form: levels, a smooth closing, a settling of the gas, and noise
made from independent normal numbers. It shares no code with the simulator nor with the
estimators. The last table is of whole simulated tests.
"""

from __future__ import annotations

import dataclasses
import math
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from analysis.budget import combine
from analysis.clean import stretch, usual_noise
from analysis.events import shut_off
from analysis.hunting import Swing, even_swing
from analysis.judge import judge
from analysis.lockup import lockup_findings
from analysis.marks import Performance
from analysis.readings import Readings
from analysis.settling import settling_time
from analysis.steady_level import steady_level
from proofstand.simulated import simulate
from records.errors import Reason
from records.jobcard import JobCard, Regulator
from records.judgement import BudgetLine
from records.measure import parse_quantity
from records.planfile import builtin_plan
from records.rig import Channel, Rig, Station
from records.run import Part, Run, RunHeader, RunState, Samples, Software
from records.runfile import open_run
from records.trace import Trace

from .command import Settings
from .figures import Figure, ranges, share, spread_over

Array = NDArray[np.float64]
SET_PA = 2740.0
_PART = 4


@dataclass(frozen=True, slots=True)
class _Noise:
    """One kind of noise: correlation at 10 Hz (None draws it), steps, spikes."""

    name: str
    ar1: float | None = 0.0
    steps: bool = False
    spikes: bool = False
    slow: float = 0.0


KINDS = (
    _Noise("white"),
    _Noise("AR(1) 0 to 0.95", None),
    _Noise("AR(1) 0.95", 0.95),
    _Noise("12-bit steps, AR(1) 0 to 0.95", None, steps=True),
    _Noise("spikes, dropouts, AR(1) 0 to 0.95", None, spikes=True),
    _Noise("70 % white, 30 % AR(1) 0.97", 0.0, slow=0.3),
)


def _between(rng: np.random.Generator, low_high: list[float], log: bool) -> float:
    low, high = low_high
    if log:
        return float(math.exp(rng.uniform(math.log(low), math.log(high))))
    return float(rng.uniform(low, high))


def _ar1(n: int, rho: float, rng: np.random.Generator) -> Array:
    white = rng.standard_normal(n)
    white[1:] *= math.sqrt(1.0 - rho * rho)
    return np.asarray(lfilter([1.0], [1.0, -rho], white), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Drawn:
    """Times, noise and what is done to the sum of noise and truth."""

    t_s: Array
    noise: Array
    sigma: float
    step: float
    rng: np.random.Generator
    spikes: bool

    def trace(self, truth: Array) -> Trace:
        y = truth + self.noise
        t = self.t_s
        drawn = ranges()["creep"]["noise"]
        if self.spikes:
            hit = self.rng.random(t.size) < drawn["spike_share"]
            low, high = drawn["spike_sigma"]
            size = self.rng.uniform(low, high, t.size)
            sign = np.where(self.rng.random(t.size) < 0.5, -1.0, 1.0)
            y = np.where(hit, y + sign * size * self.sigma, y)
            kept = self.rng.random(t.size) >= drawn["dropout_share"]
            t, y = t[kept], y[kept]
        if self.step > 0.0:
            y = np.round(y / self.step) * self.step
        return Trace("PT-2", t, y, np.zeros(t.size, np.uint8))


def _draw(kind: _Noise, seconds: float, rng: np.random.Generator) -> _Drawn:
    drawn = ranges()["levels"]
    rate = _between(rng, drawn["rate_hz"], True)
    n = max(16, round(seconds * rate))
    sigma = _between(rng, drawn["noise_of_set"], True) * SET_PA
    rho10 = _between(rng, drawn["ar1"], False) if kind.ar1 is None else kind.ar1
    if kind.slow:
        noise = math.sqrt(1.0 - kind.slow) * rng.standard_normal(n)
        noise += math.sqrt(kind.slow) * _ar1(n, 0.97 ** (10.0 / rate), rng)
    else:
        noise = _ar1(n, rho10 ** (10.0 / rate), rng)
    step = 0.0
    if kind.steps:
        step = sigma / _between(rng, ranges()["creep"]["noise"]["steps_sigma"], False)
    return _Drawn(np.arange(n) / rate, sigma * noise, sigma, step, rng, kind.spikes)


# --- set pressure --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Set:
    steady: bool
    inside: bool
    naive_inside: bool
    half: float
    false: bool
    slope_false: bool
    any_inside: bool
    sigma: float


def _one_set(task: tuple[int, int, int]) -> _Set:
    seed, cell, number = task
    rng = np.random.default_rng([seed, _PART, 1, cell, number])
    seconds = _between(rng, ranges()["levels"]["window_s"], False)
    drawn = _draw(KINDS[cell], seconds, rng)
    share = ranges()["levels"]["steady_share"]
    limit = share * SET_PA
    sign = 1.0 if rng.random() < 0.5 else -1.0

    def read(drift: float) -> tuple[bool, bool, float, bool, bool]:
        truth = SET_PA + drift * (drawn.t_s / drawn.t_s[-1] - 0.5)
        trace = drawn.trace(truth)
        held = stretch(
            trace, 0.0, float(drawn.t_s[-1]), drawn.step, noise=usual_noise(trace)
        )
        found = steady_level(_channel(drawn.step), held, share)
        level = found.level
        noise = BudgetLine(source="noise", u=level.u, dof=level.dof, type="A")
        half = combine([noise, found.definition_line]).expanded()
        y = trace.value
        naive = 1.96 * float(np.std(y)) / math.sqrt(y.size)
        slope = float(np.polyfit(trace.t_s, y, 1)[0]) * drawn.t_s[-1]
        return (
            not found.trouble and held.trouble is None,
            abs(level.mean - SET_PA) <= half,
            half,
            abs(float(np.mean(y)) - SET_PA) <= naive,
            bool(abs(slope) < limit),
        )

    zero = read(0.0)
    edge = read(sign * limit)
    return _Set(
        zero[0],
        zero[1],
        zero[3],
        zero[2],
        edge[0],
        edge[4],
        zero[1],
        drawn.sigma,
    )


def _set_tables(settings: Settings) -> list[tuple[str, list[Figure]]]:
    coverage: list[Figure] = []
    steady: list[Figure] = []
    for cell, kind in enumerate(KINDS):
        goal = not kind.slow
        tasks = [(settings.seed, cell, i) for i in range(settings.trials)]
        found = spread_over(_one_set, tasks, settings.jobs)
        taken = [f for f in found if f.steady]
        n = len(found)
        naive = 100.0 * sum(f.naive_inside for f in found) / n
        coverage.append(
            share(
                kind.name,
                sum(f.inside for f in taken),
                len(taken),
                low=94.0 if goal else None,
                high=98.0 if goal else None,
                how=f"all {100.0 * sum(f.any_inside for f in found) / n:.1f} %",
                beside=f"mean with s/sqrt(n) {naive:.1f} %",
            )
        )
        slope = 100.0 * sum(f.slope_false for f in found) / n
        steady.append(
            share(
                kind.name,
                sum(f.false for f in found),
                n,
                high=5.0,
                how=f"power at no drift {100.0 * len(taken) / n:.0f} %",
                beside=f"slope below a threshold {slope:.1f} %",
            )
        )
    return [
        ("Set pressure: 95 % interval of the mean, where steady", coverage),
        ("Steady by mistake: drift over the window equal to the limit", steady),
    ]


# --- lockup --------------------------------------------------------------------------


def _closing(x: Array, power: float) -> Array:
    """Return a rise from 0 to 1 over x of 0 to 1, slow at first, slow at last."""
    x = np.clip(x, 0.0, 1.0)
    return np.asarray((1.0 - (1.0 - x) ** 2) ** power)


@dataclass(frozen=True, slots=True)
class _Shut:
    """One lockup: its true course and what follows from it."""

    truth: Array
    t50_s: float
    flowing: float
    read: float
    highest: float
    onset_s: float
    end_s: float


def _shut(t: Array, hold_s: float, tail: bool, rng: np.random.Generator) -> _Shut:
    drawn, gas = ranges()["levels"], ranges()["creep"]["low-pressure"]
    rise = _between(rng, drawn["rise_of_set"], False) * SET_PA
    closing = _between(rng, drawn["closing_s"], False)
    power = rng.uniform(1.0, 2.0)
    onset = float(t[-1]) - hold_s - closing
    truth = SET_PA + rise * _closing((t - onset) / closing, power)
    if tail:
        size = _between(rng, gas["amplitude_k"], True) / 293.15 * gas["level_pa_abs"]
        tau = _between(rng, gas["tau_s"], True)
        # gas that came in warm or cold takes on the temperature of the walls
        size *= 1.0 if rng.random() < 0.5 else -0.2
        since = np.maximum(0.0, t - onset - 0.5 * closing)
        truth = truth + size * (1.0 - np.exp(-since / tau))
    t50 = onset + 0.5 * closing
    for _ in range(4):
        after = float(np.mean(truth[(t >= t50 + 2.0) & (t <= t50 + 4.0)]))
        half = SET_PA + 0.5 * (after - SET_PA)
        i = int(np.flatnonzero(truth >= half)[0])
        t50 = float(np.interp(half, truth[i - 1 : i + 1], t[i - 1 : i + 1]))
    read = truth[(t >= t50 + 4.0) & (t <= t50 + 6.0)]
    late = truth[t >= t50]
    width = max(2, round(1.0 / float(t[1] - t[0])))
    means = np.convolve(late, np.full(width, 1.0 / width), "valid")
    return _Shut(
        truth,
        t50,
        SET_PA,
        float(np.mean(read)),
        float(np.max(means)),
        onset,
        float(t[-1]),
    )


def _channel(step: float) -> Channel:
    return Channel(
        id="PT-2",
        role="outlet",
        station="A",
        instrument="logger",
        unit="Pa gauge",
        span=(parse_quantity("-1e9 Pa gauge"), parse_quantity("1e9 Pa gauge")),
        resolution=parse_quantity(f"{step!r} Pa difference"),
    )


def _readings(trace: Trace, step: float) -> tuple[Readings, Channel]:
    """Return a run of one outlet, for the findings that read a run."""
    channel = _channel(step)
    plan, text = builtin_plan("low-pressure")
    regulator = Regulator(serial="S", model="M", family="second-stage", gas="air")
    header = RunHeader(
        id="trial",
        started_utc_ns=0,
        origin="record",
        job=JobCard(format="", id="J", regulator=regulator),
        plan=plan,
        plan_text=text,
        plan_sha256="",
        rig=Rig(
            format="",
            id="R",
            simulated=True,
            stations=(Station(id="A"),),
            instruments=(),
            channels=(channel,),
        ),
        software=Software(version="0", analysis_version=1),
    )
    run = Run(
        header=header,
        state=RunState.SEALED,
        sha256="",
        key_id="",
        parts=(Part(number=1, utc_ns=0, host_ns=0, origins={"logger": 0}),),
        marks=(),
        truth=None,
        samples={
            (1, "logger"): Samples(
                t_ns=np.round(trace.t_s * 1e9).astype(np.int64),
                raw=trace.value[:, None],
                flags=trace.flags[:, None],
            )
        },
    )
    return Readings(run), channel


@dataclass(frozen=True, slots=True)
class _Lockup:
    """What one lockup gave, per finding.

    Attributes:
        inside: whether the interval holds the truth, None where not found.
        error, half: error and half width in standard deviations of a sample.
    """

    inside: tuple[bool | None, ...]
    error: tuple[float, ...]
    half: tuple[float, ...]
    naive: tuple[bool, bool]
    raw_highest: float


_LOCKUP = ("lockup_pressure", "lockup_rise", "lockup_highest")


def _one_lockup(task: tuple[int, int, int, bool]) -> _Lockup:
    seed, cell, number, tail = task
    rng = np.random.default_rng([seed, _PART, 2 + tail, cell, number])
    drawn_from = ranges()["levels"]
    flow_s = _between(rng, drawn_from["window_s"], False)
    hold_s = _between(rng, drawn_from["hold_s"], False)
    drawn = _draw(KINDS[cell], flow_s + hold_s + 5.0, rng)
    t = drawn.t_s
    shut = _shut(t, hold_s, tail, rng)
    trace = drawn.trace(shut.truth)
    readings, outlet = _readings(trace, drawn.step)
    step = next(s for s in readings.run.header.plan.steps if s.kind == "lockup")
    step = dataclasses.replace(step, window=None)
    hold = (shut.t50_s + 1.0, shut.end_s)
    done = Performance(step, 1, 0.0, shut.end_s, hold, "done", (), (), 1)
    found = {e.id: e for e in lockup_findings(readings, outlet, done)}
    true = (shut.read, shut.read - shut.flowing, shut.highest)
    inside: list[bool | None] = []
    errors, halves = [], []
    for id, value in zip(_LOCKUP, true, strict=True):
        e = found[id]
        # a reading not shown steady decides nothing, so it is not counted
        if e.value is None or e.interval is None or e.trouble:
            inside.append(None)
            errors.append(math.nan)
            halves.append(math.nan)
        else:
            inside.append(e.interval[0] <= value <= e.interval[1])
            errors.append((e.value - value) / drawn.sigma)
            halves.append(0.5 * (e.interval[1] - e.interval[0]) / drawn.sigma)
    y, at = trace.value, trace.t_s
    near = y[(at >= shut.t50_s + 4.0) & (at <= shut.t50_s + 6.0)]
    before = y[(at >= shut.onset_s - 10.0) & (at <= shut.onset_s - 0.5)]
    u = float(np.std(near)) / math.sqrt(near.size)
    u_before = float(np.std(before)) / math.sqrt(before.size)
    off = float(np.mean(near)) - shut.read
    off_before = float(np.mean(before)) - shut.flowing
    naive = (
        abs(off) <= 1.96 * u,
        abs(off - off_before) <= 1.96 * math.hypot(u, u_before),
    )
    late = y[at >= shut.t50_s]
    width = max(2, round(1.0 / float(t[1] - t[0])))
    raw = float(np.max(np.convolve(late, np.full(width, 1.0 / width), "valid")))
    return _Lockup(
        tuple(inside),
        tuple(errors),
        tuple(halves),
        naive,
        (raw - shut.highest) / drawn.sigma,
    )


def _lockup_tables(settings: Settings) -> list[tuple[str, list[Figure]]]:
    rows: dict[str, list[Figure]] = {id: [] for id in _LOCKUP}
    for tail in (False, True):
        for cell, kind in enumerate(KINDS):
            tasks = [(settings.seed, cell, i, tail) for i in range(settings.trials)]
            found = spread_over(_one_lockup, tasks, settings.jobs)
            n = len(found)
            name = kind.name + (", settling" if tail else "")
            for k, id in enumerate(_LOCKUP):
                taken = [f for f in found if f.inside[k] is not None]
                bias = float(np.mean([f.error[k] for f in taken] or [math.nan]))
                half = float(np.median([f.half[k] for f in taken] or [math.nan]))
                if k < 2:
                    naive = 100.0 * sum(f.naive[k] for f in found) / n
                    beside = f"mean with s/sqrt(n) {naive:.1f} %"
                else:
                    raw = float(np.mean([f.raw_highest for f in found]))
                    beside = f"plain highest: bias {raw:+.2f} sigma"
                goal = not kind.slow
                rows[id].append(
                    share(
                        name,
                        sum(bool(f.inside[k]) for f in taken),
                        len(taken),
                        low=92.0 if goal else None,
                        high=98.0 if goal and k < 2 else None,
                        how=f"bias {bias:+.2f}, half width {half:.2f} sigma",
                        beside=beside,
                    )
                )
    return [(f"{id}: 95 % interval, noise part", rows[id]) for id in _LOCKUP]


# --- settling ------------------------------------------------------------------------


def _one_settling(task: tuple[int, int, int]) -> tuple[bool | None, float]:
    """Return whether the interval holds the truth (None: not found), and the error."""
    seed, cell, number = task
    rng = np.random.default_rng([seed, _PART, 5, cell, number])
    hold_s = _between(rng, ranges()["levels"]["hold_s"], False)
    drawn = _draw(KINDS[cell], 20.0 + hold_s, rng)
    t = drawn.t_s
    rise = _between(rng, ranges()["levels"]["rise_of_set"], False) * SET_PA
    closing = _between(rng, ranges()["levels"]["closing_s"], False)
    size = _between(rng, [0.02, 0.10], False) * SET_PA
    tau = _between(rng, [1.0, 0.1 * hold_s], True)
    onset = 20.0 - 0.5 * closing
    truth = SET_PA + rise * _closing((t - onset) / closing, 1.5)
    truth = truth + size * (1.0 - np.exp(-np.maximum(0.0, t - 20.0) / tau))
    trace = drawn.trace(truth)
    shut = shut_off(trace, 0.0, float(t[-1]))
    if shut is None:
        return None, math.nan
    # half of the rise, its level after that of two to four seconds later
    t50 = 20.0
    for _ in range(4):
        after = float(np.mean(truth[(t >= t50 + 2.0) & (t <= t50 + 4.0)]))
        t50 = float(np.interp(0.5 * (SET_PA + after), truth, t))
    width = max(2, round(0.5 * (t.size - 1) / float(t[-1])))
    late = t >= t50
    means = np.convolve(truth[late], np.full(width, 1.0 / width), "valid")
    at = np.convolve(t[late], np.full(width, 1.0 / width), "valid")
    level = float(np.mean(means[at >= at[-1] - 0.1 * (at[-1] - at[0])]))
    beyond = np.flatnonzero(np.abs(means - level) > 0.01 * SET_PA)
    true = float(at[beyond[-1]]) - t50 if beyond.size else 0.0
    readings, outlet = _readings(trace, drawn.step)
    step = next(s for s in readings.run.header.plan.steps if s.kind == "lockup")
    hold = (shut.t50_s, float(t[-1]))
    done = Performance(step, 1, 0.0, hold[1], hold, "done", (), (), 1)
    found = settling_time(readings, outlet, done, shut)
    if found.value is None or found.interval is None:
        return None, math.nan
    return found.interval[0] <= true <= found.interval[1], found.value - true


def _settling_table(settings: Settings) -> tuple[str, list[Figure]]:
    rows = []
    for cell, kind in enumerate(KINDS):
        tasks = [(settings.seed, cell, i) for i in range(settings.trials)]
        found = spread_over(_one_settling, tasks, settings.jobs)
        taken = [(hit, error) for hit, error in found if hit is not None]
        errors = np.abs([error for _, error in taken] or [math.nan])
        rows.append(
            share(
                kind.name,
                sum(hit for hit, _ in taken),
                len(taken),
                how=f"median error {float(np.median(errors)):.2f} s",
                beside=f"said hidden or not settled: {len(found) - len(taken)}",
            )
        )
    return "Settling time to 1 % of set: 95 % interval", rows


# --- hunting -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Hunt:
    false: bool
    plain_false: bool
    shown: bool
    amplitude: bool
    frequency: bool


def _one_hunt(task: tuple[int, int, int]) -> _Hunt:
    seed, cell, number = task
    rng = np.random.default_rng([seed, _PART, 6, cell, number])
    seconds = _between(rng, ranges()["levels"]["window_s"], False)
    drawn = _draw(KINDS[cell], seconds, rng)
    t = drawn.t_s
    rate = (t.size - 1) / float(t[-1])
    frequency = _between(rng, [1.0, min(20.0, 0.45 * rate)], True)
    size = _between(rng, [0.2, 5.0], True) * drawn.sigma
    wave = size * np.sin(2.0 * math.pi * (frequency * t + rng.random()))

    def seen(truth: Array) -> tuple[Swing | Reason, float]:
        trace = drawn.trace(SET_PA + truth)
        held = stretch(trace, 0.0, float(t[-1]), drawn.step, noise=usual_noise(trace))
        y = held.value - np.mean(held.value)
        lines = np.abs(np.fft.rfft(y)[1:]) ** 2
        g = float(lines.max() / lines.sum())
        return even_swing(held.t_s, held.value), lines.size * (1.0 - g) ** lines.size

    none, plain = seen(np.zeros(t.size))
    some, _ = seen(wave)
    false = isinstance(none, Swing) and none.shown
    if isinstance(some, Reason) or not some.shown:
        held = isinstance(some, Swing) and size <= some.largest
        return _Hunt(false, plain < 1e-3, False, held, True)
    u = math.hypot(some.u_amplitude, drawn.step / math.sqrt(12.0))
    return _Hunt(
        false,
        plain < 1e-3,
        True,
        abs(some.amplitude - size) <= 1.96 * u,
        abs(some.frequency - frequency) <= 1.96 * some.u_frequency,
    )


def _hunting_tables(settings: Settings) -> list[tuple[str, list[Figure]]]:
    claimed, sizes, speeds = [], [], []
    for cell, kind in enumerate(KINDS):
        tasks = [(settings.seed, cell, i) for i in range(settings.trials)]
        found = spread_over(_one_hunt, tasks, settings.jobs)
        n = len(found)
        shown = [f for f in found if f.shown]
        plain = 100.0 * sum(f.plain_false for f in found) / n
        claimed.append(
            share(
                kind.name,
                sum(f.false for f in found),
                n,
                high=1.0,
                how=f"shown where there {100.0 * len(shown) / n:.0f} %",
                beside=f"Fisher's g on the plain spectrum {plain:.1f} %",
            )
        )
        sizes.append(
            share(kind.name, sum(f.amplitude for f in found), n, how="or upper end")
        )
        speeds.append(share(kind.name, sum(f.frequency for f in shown), len(shown)))
    return [
        ("Hunting claimed where there is none", claimed),
        ("Hunting amplitude, 0.2 to 5 sigma: 95 % interval", sizes),
        ("Hunting frequency where shown: 95 % interval", speeds),
    ]


# --- simulated tests -----------------------------------------------------------------

_A_TEST = 100  # trials for each whole simulated test: it takes as long as many


def _one_simulated(task: tuple[int, int]) -> list[tuple[str, bool]]:
    """Return per lockup finding of a whole test whether its interval holds."""
    seed, number = task
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "run.h5"
        simulate(
            family="second-stage",
            plan_name="low-pressure",
            faults=(),
            seed=(seed + number) % 1_000_000,
            out=out,
        )
        run = open_run(out)
    assert run.truth is not None
    true = {(t["id"], t["step"]): t["value"] for t in run.truth["findings"]}
    found = []
    for f in judge(run).findings:
        if f.id in ("set_pressure", *_LOCKUP) and f.interval is not None:
            value = true[f.id, f.step]
            found.append((f.id, f.interval[0] <= value <= f.interval[1]))
        elif f.id == "hunting_amplitude" and f.measured is not None:
            found.append((f.id, f.measured.value == 0.0))
    return found


def _simulated_table(settings: Settings) -> tuple[str, list[Figure]]:
    tasks = [(settings.seed, i) for i in range(max(1, settings.trials // _A_TEST))]
    found = [
        hit
        for test in spread_over(_one_simulated, tasks, settings.jobs)
        for hit in test
    ]
    rows = []
    for id in ("set_pressure", *_LOCKUP, "hunting_amplitude"):
        hits = [hit for name, hit in found if name == id]
        what = f"{id}, none claimed" if id == "hunting_amplitude" else id
        rows.append(share(what, sum(hits), len(hits), how=f"{len(tasks)} tests"))
    return "Whole simulated tests: the truth in the interval, calibration in it", rows


def tables(settings: Settings) -> list[tuple[str, list[Figure]]]:
    """Return the tables of this part."""
    return [
        *_set_tables(settings),
        *_lockup_tables(settings),
        _settling_table(settings),
        *_hunting_tables(settings),
        _simulated_table(settings),
    ]
