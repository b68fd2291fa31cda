"""Early decision: how often is it wrong at the limit, and how soon does it come?

One hold of 300 s per trial, of the creep table's low-pressure family, with none to
three tails and any of its kinds of noise; it is looked at as a hold that goes on is.
The leak is at the limit. A look's ends move with the leak by just as much (a test
shows it), so one fit per look serves every leak and every limit.

Beside stands the 95 % interval, looked at just as often without sharing the risk out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.stats import binom

from analysis.clean import stretch
from analysis.early import RISK, ends, looks
from analysis.rate import SETTLE_S, LastingRate, lasting_rate
from records.trace import Trace

from .creep import NOISES, Array, Cell, Hold, log_between, spoilt
from .figures import Figure, ranges, share, spread_over

if TYPE_CHECKING:
    from .command import Settings

_PART = 3
_SETTLE_SHARE = 0.25
_JUST = 0.001
_GOAL_S = 200.0  # two thirds of the hold; half of it is what we want
_OTHERS = (0.0, 0.9, 1.1, 5.0)


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """What the looks at one hold see, less the true rate, Pa/s.

    Attributes:
        tails: how many. looks: shape (looks, 2), the ends at each look's risk.
        naive: the same, of the 95 % interval; NaN where there is none.
        half: half the width of the 95 % interval at the end of the hold.
    """

    tails: int
    looks: Array
    naive: Array
    half: float


def draw(rng: np.random.Generator) -> tuple[int, Hold]:
    """Return how many tails, and a hold whose leak is at the limit."""
    r: dict[str, Any] = ranges()["creep"]["low-pressure"]
    count = int(rng.integers(0, 4))
    cell = Cell("low-pressure", count, NOISES[int(rng.integers(len(NOISES)))], False)
    heat = r["level_pa_abs"] / 293.15
    tails = tuple(
        (
            float(rng.choice((-1.0, 1.0))) * heat * log_between(rng, r["amplitude_k"]),
            log_between(rng, r["tau_s"]),
        )
        for _ in range(count)
    )
    hz = log_between(rng, r["rate_hz"])
    t = np.arange(round(ranges()["early"]["hold_s"] * hz) + 1) / hz
    y = r["set_pa"] + r["limit_pa_s"] * t
    for size, tau in tails:
        y = y + size * np.exp(-t / tau)
    return count, spoilt(rng, cell, t, y, r["limit_pa_s"], 1, tails)


def watched(hold: Hold, tails: int) -> Watched:
    """Return what the looks at a hold see."""
    r: dict[str, Any] = ranges()["creep"]["low-pressure"]
    trace = Trace("hold", hold.t_s, hold.y, np.zeros(hold.t_s.size, np.uint8))
    seen, naive = [], []
    for look in looks(ranges()["early"]["hold_s"]):
        start = min(SETTLE_S, _SETTLE_SHARE * look.after_s)
        held = stretch(trace, start, look.after_s, hold.step)
        found = lasting_rate(
            held.t_s,
            held.value,
            tau_max_s=r["tau_max_s"],
            amplitude=r["tail_k"] * r["level_pa_abs"] / 293.15,
            resolution=hold.step,
            direction=1,
        )
        if isinstance(found, LastingRate):
            seen.append(ends(found, look.risk))
            naive.append(found.interval)
        else:
            seen.append((-math.inf, math.inf))
            naive.append((-math.inf, math.inf))
    low, high = naive[-1]
    return Watched(
        tails,
        np.array(seen) - hold.rate,
        np.array(naive) - hold.rate,
        0.5 * (high - low),
    )


def _trial(seed: int, number: int) -> Watched:
    tails, hold = draw(np.random.default_rng([seed, _PART, number]))
    return watched(hold, tails)


def decided(seen: Array, leak: float, limit: float) -> tuple[float, str]:
    """Return when a hold is decided (inf: never) and how: fail, pass or nothing."""
    for look, (low, high) in zip(
        looks(ranges()["early"]["hold_s"]), seen + leak, strict=False
    ):
        if low > limit:
            return look.after_s, "fail"
        if high < limit:
            return look.after_s, "pass"
    return math.inf, ""


def _median(what: str, stops: Sequence[float], naive: Sequence[float]) -> Figure:
    """Return the median stop and its 95 % interval from order statistics."""
    n = len(stops)
    if n < 6:
        return Figure(what, math.nan, unit="s", how=f"{n} trials")
    x = np.sort(stops)
    k = int(binom.ppf(0.025, n, 0.5))
    middle = float(np.median(x))
    early = sum(s < ranges()["early"]["hold_s"] for s in stops)
    open_ = sum(math.isinf(s) for s in stops)
    return Figure(
        what,
        middle,
        high=_GOAL_S if "half" in what or "twice" in what else None,
        spread=(float(x[max(0, k - 1)]), float(x[min(n - 1, n - k)])),
        unit="s",
        how=f"{n} trials, {early} early, {open_} undecided",
        beside=f"95 % interval at each look: {float(np.median(naive)):.0f} s",
    )


def _stops(
    trials: Sequence[Watched], times: float, limit_of: Callable[[Watched], float]
) -> tuple[list[float], list[float]]:
    own, naive = [], []
    for trial in trials:
        limit = limit_of(trial)
        own.append(decided(trial.looks, times * limit, limit)[0])
        naive.append(decided(trial.naive, times * limit, limit)[0])
    return own, naive


def _wrong(name: str, trials: Sequence[Watched], goal: float | None) -> list[Figure]:
    limit = ranges()["creep"]["low-pressure"]["limit_pa_s"]
    figures = []
    for what, times, wrong in (
        ("just inside, failed", 1.0 - _JUST, "fail"),
        ("just outside, passed", 1.0 + _JUST, "pass"),
    ):
        own = sum(decided(t.looks, times * limit, limit)[1] == wrong for t in trials)
        beside = sum(decided(t.naive, times * limit, limit)[1] == wrong for t in trials)
        shown = f"95 % interval at each look: {100 * beside / max(1, len(trials)):.1f}"
        figures.append(
            share(f"{what}{name}", own, len(trials), high=goal, beside=f"{shown} %")
        )
    # a hold that no look ended is judged by its 95 % interval
    late = sum(
        decided(t.looks[:-1], (1.0 - _JUST) * limit, limit)[1] == "fail"
        or t.naive[-1, 0] + (1.0 - _JUST) * limit > limit
        for t in trials
    )
    figures.append(
        share(f"just inside, failed early or by the judgement{name}", late, len(trials))
    )
    return figures


def tables(settings: Settings) -> list[tuple[str, list[Figure]]]:
    """Return wrong decisions at the limit, and when decisions come."""
    work = partial(_trial, settings.seed)
    trials = spread_over(work, range(settings.trials), settings.jobs)
    limit = float(ranges()["creep"]["low-pressure"]["limit_pa_s"])
    times = float(ranges()["early"]["least_half_widths"])
    figures = _wrong("", trials, 100.0 * RISK)
    for count in range(4):
        name = (", no tail", ", one tail", ", two tails", ", three tails")[count]
        figures += _wrong(name, [t for t in trials if t.tails == count], None)[:2]
    wide = [t for t in trials if limit >= times * t.half]
    known = {0.5: "half the limit", 1.0: "the limit", 2.0: "twice the limit"}
    leaks = [x for x in ranges()["early"]["leak_of_limit"] if x != 1.0]
    stops = []
    for leak in sorted([*leaks, *_OTHERS]):
        what = known.get(leak, f"{leak:g} times the limit")
        stops.append(_median(what, *_stops(wide, leak, lambda _: limit)))
    for leak in leaks:
        what = f"{known[leak]}, a limit of just {times:g} half-widths"
        stops.append(_median(what, *_stops(trials, leak, lambda t: times * t.half)))
    return [
        ("Early decision: wrong ones at the limit", figures),
        (f"Early decision: when, of {ranges()['early']['hold_s']:.0f} s", stops),
    ]
