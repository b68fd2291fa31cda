"""Creep and leak-down: is the true rate in the interval, and how near is the value?

One hold of a trapped pressure per trial: a line (the leak) and up to three exponentials
(gas and walls settling), with the noise of a transducer. Written down as a formula
here; the same is drawn once more from the simulated gas (:mod:`.gas_holds`). The
scatter is compared with what no unbiased estimate that knows the model can fall below.

Source of the bound: C. R. Rao, Bull. Calcutta Math. Soc. 37 (1945) 81; H. Cramer,
"Mathematical Methods of Statistics" (1946), 32.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from analysis.clean import stretch
from analysis.rate import LastingRate, lasting_rate
from records.trace import Trace

from .figures import Figure, ranges, share, spread_over

if TYPE_CHECKING:
    from .command import Settings

Array = NDArray[np.float64]
FAMILIES = ("low-pressure", "cylinder")
NOISES = ("white", "ar1", "12-bit", "spikes")
COVERED = (94.0, 99.0)
NEVER_UNDER = 92.5
SCATTER = {"white": 1.12, "ar1": 1.12, "12-bit": 1.25}
_PART = 1


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the table; ``settled``: the hold is eight time constants long."""

    family: str
    tails: int
    noise: str
    settled: bool


@dataclass(frozen=True, slots=True, eq=False)
class Hold:
    """One drawn hold.

    Attributes:
        t_s, y: shape (n,), SI; NaN where the reading dropped out.
        rate: true one, Pa/s. sigma, phi: noise of a sample and its correlation.
        tails: true amplitudes (Pa) and time constants (s). step: converter's, Pa.
        direction: of the leak.
    """

    t_s: Array
    y: Array
    rate: float
    sigma: float
    phi: float
    tails: tuple[tuple[float, float], ...]
    step: float
    direction: int


@dataclass(frozen=True, slots=True)
class Tried:
    """One trial: errors over the bound, and whether the intervals hold the truth."""

    inside: bool
    reported_inside: bool
    error: float
    bound: float
    half: float
    sd_ln_tau: float
    line_inside: bool
    line_error: float
    told: bool


def log_between(rng: np.random.Generator, ends: list[float]) -> float:
    """Return a value drawn evenly in its logarithm."""
    return float(math.exp(rng.uniform(math.log(ends[0]), math.log(ends[1]))))


def ar1(rng: np.random.Generator, n: int, phi: float) -> Array:
    """Return first-order autoregressive noise of unit spread, stationary."""
    e = rng.standard_normal(n)
    if phi <= 0.0:
        return e
    e[1:] *= math.sqrt(1.0 - phi * phi)
    return np.asarray(lfilter([1.0], [1.0, -phi], e), dtype=np.float64)


def draw(rng: np.random.Generator, cell: Cell) -> Hold:
    """Return a hold drawn from the frozen ranges."""
    r: dict[str, Any] = ranges()["creep"][cell.family]
    seconds = log_between(rng, r["hold_s"])
    longest = r["tau_s"][1]
    if cell.settled:
        longest = min(longest, seconds / ranges()["creep"]["settled"]["hold_over_tau"])
    heat = r["level_pa_abs"] / 293.15
    tails = tuple(
        (
            float(rng.choice((-1.0, 1.0))) * heat * log_between(rng, r["amplitude_k"]),
            log_between(rng, [r["tau_s"][0], longest]),
        )
        for _ in range(cell.tails)
    )
    direction = int(rng.choice((-1, 1)))
    rate = direction * r["limit_pa_s"] * float(rng.uniform(*r["leak_of_limit"]))
    hz = log_between(rng, r["rate_hz"])
    n = round(seconds * hz)
    t = np.arange(n) / hz
    y = r["set_pa"] + rate * t
    for size, tau in tails:
        y = y + size * np.exp(-t / tau)
    return spoilt(rng, cell, t, y, rate, direction, tails)


def spoilt(
    rng: np.random.Generator,
    cell: Cell,
    t: Array,
    y: Array,
    rate: float,
    direction: int,
    tails: tuple[tuple[float, float], ...] = (),
) -> Hold:
    """Return a hold as a transducer reads it: noise, steps, spikes, dropouts."""
    r: dict[str, Any] = ranges()["creep"][cell.family]
    noise = ranges()["creep"]["noise"]
    n, hz = t.size, 1.0 / (t[1] - t[0])
    sigma = r["span_pa"] * log_between(rng, r["noise_of_span"])
    phi, step = 0.0, 0.0
    if cell.noise == "12-bit":
        step = r["span_pa"] / 4096.0
        sigma = step * log_between(rng, noise["steps_sigma"])
    if cell.noise == "ar1":
        phi = float(rng.uniform(*noise["ar1"])) ** (10.0 / hz)
    y = y + sigma * ar1(rng, n, phi)
    if cell.noise == "spikes":
        hit = rng.random(n) < noise["spike_share"]
        size = [log_between(rng, noise["spike_sigma"]) for _ in range(int(hit.sum()))]
        y[hit] += sigma * np.asarray(size) * rng.choice((-1.0, 1.0), int(hit.sum()))
        y[rng.random(n) < noise["dropout_share"]] = np.nan
    if step:
        y = step * np.round(y / step)
    return Hold(t, y, rate, sigma, phi, tails, step, direction)


def bound(hold: Hold) -> tuple[float, float]:
    """Return the least standard deviation of the rate, and of ln tau of the last tail.

    The model is the true one, its time constants and amplitudes unknown, the noise's
    correlation known; a converter's step adds its even spread.
    """
    t = hold.t_s
    columns = [np.ones_like(t), t / t[-1]]
    for size, tau in hold.tails:
        shape = np.exp(-t / tau)
        columns += [shape, size * t / tau * shape]
    design = np.column_stack(columns)
    phi = hold.phi
    if phi > 0.0:
        first = design[:1] * math.sqrt(1.0 - phi * phi)
        design = np.vstack([first, design[1:] - phi * design[:-1]])
        design = design / math.sqrt(1.0 - phi * phi)
    scale = np.sqrt(np.einsum("ij,ij->j", design, design))
    cov = np.linalg.pinv((design / scale).T @ (design / scale), rcond=1e-13)
    sd = np.sqrt(np.maximum(np.diag(cov), 0.0)) / scale
    sd *= math.hypot(hold.sigma, hold.step / math.sqrt(12.0))
    return float(sd[1] / t[-1]), float(sd[-1]) if hold.tails else math.inf


def tried(family: str, hold: Hold) -> Tried | None:
    """Return what the estimate makes of a hold, or None where it makes nothing."""
    r: dict[str, Any] = ranges()["creep"][family]
    trace = Trace("hold", hold.t_s, hold.y, np.zeros(hold.t_s.size, np.uint8))
    held = stretch(trace, 0.0, float(hold.t_s[-1]) + 1e-9, hold.step)
    found = lasting_rate(
        held.t_s,
        held.value,
        tau_max_s=r["tau_max_s"],
        amplitude=r["tail_k"] * r["level_pa_abs"] / 293.15,
        resolution=hold.step,
        direction=hold.direction,
    )
    if not isinstance(found, LastingRate) or found.fit is None:
        return None
    low, high = found.fit.interval95
    least, sd_ln = bound(hold)
    x = held.t_s - held.t_s.mean()
    sxx = float(x @ x)
    slope = float(x @ held.value) / sxx
    rest = held.value - held.value.mean() - slope * x
    se = math.sqrt(float(rest @ rest) / (x.size - 2) / sxx)
    return Tried(
        low <= hold.rate <= high,
        found.interval[0] <= hold.rate <= found.interval[1],
        found.fit.rate - hold.rate,
        least,
        0.5 * (high - low),
        sd_ln,
        abs(slope - hold.rate) <= 1.96 * se,
        slope - hold.rate,
        bool(found.notes),
    )


def _trial(cell: Cell, seed: int, number: int) -> Tried | None:
    key = [seed, _PART, FAMILIES.index(cell.family), cell.tails]
    key += [NOISES.index(cell.noise), int(cell.settled), number]
    return tried(cell.family, draw(np.random.default_rng(key), cell))


def figures_of(
    cell: Cell, found: list[Tried | None], *, known: bool = True
) -> list[Figure]:
    """Return the figures of a cell's trials; the bound only where a model is known."""
    have = [f for f in found if f is not None]
    name = ("no tail", "one tail", "two tails", "three tails")[cell.tails]
    where = "settled, " if cell.settled else ""
    what = f"{where}{name}, {cell.noise}"
    line = sum(f.line_inside for f in have)
    half = float(np.median([f.half / f.bound for f in have])) / 1.96
    low, high = COVERED if cell.settled else (NEVER_UNDER, None)
    wide = sum(f.reported_inside for f in have)
    figures = [
        share(
            f"{what}: interval holds the rate",
            sum(f.inside for f in have),
            len(have),
            low=low,
            high=high,
            how=f"as reported {100 * wide / len(have):.1f} %"
            + (f", width {half:.2f} of the bound's" if known else ""),
            beside=f"straight line {100 * line / len(have):.0f} %",
        )
    ]
    counted = have if known else []
    told = ""
    if known and cell.settled and cell.tails == 1:
        most = ranges()["creep"]["settled"]["sd_ln_tau"]
        counted = [f for f in have if f.sd_ln_tau <= most]
        told = f", sd of ln tau at most {most:g}"
    goal = SCATTER.get(cell.noise) if told else None
    if counted:
        over = np.array([f.error / f.bound for f in counted])
        lines = np.array([f.line_error / f.bound for f in counted])
        square = float(np.mean(over**2))
        se = float(np.std(over**2)) / math.sqrt(over.size)
        figures.append(
            Figure(
                f"{what}: scatter over the bound",
                math.sqrt(square),
                None,
                goal,
                (
                    math.sqrt(max(0.0, square - 1.96 * se)),
                    math.sqrt(square + 1.96 * se),
                ),
                "",
                f"{over.size} trials{told}",
                f"straight line {math.sqrt(float(np.mean(lines**2))):.3g}",
            )
        )
    return figures


def cells(family: str) -> list[Cell]:
    """Return all cells of a family's table."""
    return [
        Cell(family, tails, noise, settled)
        for settled in (False, True)
        for tails in range(4)
        for noise in NOISES
        if not (settled and tails == 0)
    ]


def tables(settings: Settings) -> list[tuple[str, list[Figure]]]:
    """Return a table per family."""
    made = []
    for family in FAMILIES:
        figures: list[Figure] = []
        for cell in cells(family):
            work = partial(_trial, cell, settings.seed)
            found = spread_over(work, range(settings.trials), settings.jobs)
            figures += figures_of(cell, found)
        made.append((f"Creep and leak-down, {family}, closed formulas", figures))
    return made
