"""Set pressure, steadiness, lockup, settling and hunting against known truths.

The generator is closed form: levels, a smooth closing, a settling of the gas, and noise
made from independent normal numbers. It shares no code with the simulator nor with the
estimators.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from analysis.clean import stretch, usual_noise
from analysis.steady import robust_level, steadiness
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
            size = self.rng.uniform(*drawn["spike_sigma"], t.size)
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
        step = sigma / rng.uniform(*ranges()["creep"]["noise"]["steps_sigma"])
    return _Drawn(np.arange(n) / rate, sigma * noise, sigma, step, rng, kind.spikes)


@functools.cache
def _t975(dof: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.975))


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
    limit = ranges()["levels"]["steady_share"] * SET_PA
    sign = 1.0 if rng.random() < 0.5 else -1.0

    def read(drift: float) -> tuple[bool, bool, float, bool, bool]:
        truth = SET_PA + drift * (drawn.t_s / drawn.t_s[-1] - 0.5)
        trace = drawn.trace(truth)
        held = stretch(
            trace, 0.0, float(drawn.t_s[-1]), drawn.step, noise=usual_noise(trace)
        )
        level = robust_level(held.t_s, held.value, drawn.step)
        steady = steadiness(held.t_s, held.value, limit, drawn.step)
        half = _t975(level.dof) * level.u
        y = trace.value
        naive = 1.96 * float(np.std(y)) / math.sqrt(y.size)
        slope = float(np.polyfit(trace.t_s, y, 1)[0]) * drawn.t_s[-1]
        return (
            steady.steady and held.trouble is None and not level.too_slow,
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


def tables(settings: Settings) -> list[tuple[str, list[Figure]]]:
    """Return the tables of this part."""
    return _set_tables(settings)
