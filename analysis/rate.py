"""The lasting rate of a trapped quantity in one hold, and how far it can be trusted.

A leak and a slow settling look alike when the settling goes the leak's way. Then the
rate that is left after the settling decides nothing alone: the mean slope has to agree
(see :func:`lasting_rate`). How much heat can explain is bounded by the rig's traits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from records.errors import Reason
from records.judgement import BudgetLine
from records.trace import FloatArray

from .budget import coverage_factor
from .steady import straight_line
from .tail import TailFit, block_level, fit_tail

SETTLE_S = 10.0
_SLOW_TAIL_S = 20.0
_HEAT = 2.5  # standard deviations of settling beyond which it is not heat
_NOISY = 10.0
_AT_END = 0.8  # of the longest time constant
_SLOWEST = 35.0  # long-run over short-run variance; the slowest model has 49
# Of each of the handful of rates that a test has, so that chance spoils one test in
# two thousand.
_PERIODIC_P = 1e-4
_NET_DOF = 20.0
# notes that say why an interval is as wide as it is
TAIL_REASONS = frozenset({"hold_too_short", "tail_inseparable", "tail_rising_or_creep"})


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LastingRate:
    """The lasting rate of a hold, SI per second.

    Attributes:
        value, interval: the rate and its 95 % interval, which may be skew.
        u, dof: standard uncertainty as a budget line.
        mean_slope: straight line through the whole stretch.
        net: change from start to end over the time between.
        fit: the fit, None where too short for one.
        doubt: why it may not pass. notes: what else to know.
        start_s, stop_s: what was used. used, dropped: samples.
    """

    value: float
    interval: tuple[float, float]
    u: float
    dof: float | None
    mean_slope: float
    net: float
    fit: TailFit | None
    doubt: tuple[Reason, ...]
    notes: tuple[Reason, ...]
    start_s: float
    stop_s: float
    used: int
    dropped: int

    def line(self, sensitivity: float = 1.0) -> BudgetLine:
        """Return the rate as a line of a budget."""
        return BudgetLine(
            source="slope",
            u=self.u,
            sensitivity=sensitivity,
            value=self.value,
            dof=self.dof,
            type="A",
        )

    def model(self) -> tuple[tuple[str, float], ...]:
        """Return the fit's parameters by name, for the evidence."""
        facts = [
            ("rate", self.value),
            ("mean_slope", self.mean_slope),
            ("net_rate", self.net),
        ]
        fit = self.fit
        if fit is None:
            return tuple(facts)
        for number, tail in enumerate(fit.tails, 1):
            facts += [
                (f"tail_{number}", tail.amplitude),
                (f"u_tail_{number}", tail.u_amplitude),
                (f"tau_{number}_s", tail.tau_s),
            ]
        facts += [
            ("u_mean_slope", fit.u_mean_slope),
            ("sd_ln_tau", fit.sd_ln_tau),
            *((f"p_tails_{number}", p) for number, p in enumerate(fit.p_tails, 1)),
            ("noise_ratio", fit.lrv),
            ("priors", float(len(fit.posteriors))),
        ]
        return tuple(facts)


def lasting_rate(
    t_s: FloatArray,
    y: FloatArray,
    *,
    tau_max_s: float,
    amplitude: float,
    resolution: float = 0.0,
    direction: int = 0,
) -> LastingRate | Reason:
    """Return the lasting rate of a stretch, or why there is none.

    Args:
        t_s: shape (n,), seconds.
        y: shape (n,), SI, finite.
        tau_max_s: see :func:`analysis.tail.fit_tail`.
        amplitude: the same.
        resolution: smallest step, SI.
        direction: 1 where a leak makes y rise, -1 where it makes y fall, 0 for none.
    """
    if y.size < 8:
        return Reason.of("too_few_samples", found=y.size, needed=8)
    width = float(t_s[-1] - t_s[0])
    if width < 1.0:
        return Reason.of("hold_too_short", held_s=f"{width:.1f}", needed_s=1)
    net, u_net = net_rate(t_s, y, resolution)
    half = coverage_factor(_NET_DOF) * u_net
    # heat can't have moved y further than this over the stretch
    heat = _HEAT * amplitude / width
    bound = (net - half - heat, net + half + heat)
    fit = fit_tail(
        t_s, y, tau_max_s=tau_max_s, amplitude=amplitude, resolution=resolution
    )
    if isinstance(fit, Reason):
        # too short to tell anything apart: what heat can't explain is all there is
        return LastingRate(
            value=net,
            interval=bound,
            u=math.hypot(u_net, amplitude / width),
            dof=_NET_DOF,
            mean_slope=net,
            net=net,
            fit=None,
            doubt=(fit,),
            notes=(),
            start_s=float(t_s[0]),
            stop_s=float(t_s[-1]),
            used=int(y.size),
            dropped=0,
        )
    low, high = max(fit.interval95[0], bound[0]), min(fit.interval95[1], bound[1])
    value = fit.rate
    if low > high:
        low, high = bound
    value = min(max(value, low), high)
    doubt: list[Reason] = []
    notes = list(fit.reasons)
    if fit.lrv > _NOISY:
        # the interval is as wide as that asks; worth a word, not a doubt
        notes.append(Reason.of("noise_wanders", ratio=f"{fit.lrv:.0f}"))
    if periodic(fit.blocks) < _PERIODIC_P:
        doubt.append(Reason.of("periodic_residual"))
    slow = fit.slow
    along = -slow.amplitude * direction
    seen = along > 2.0 * slow.u_amplitude
    if direction and seen and (slow.tau_s > _SLOW_TAIL_S or along > _HEAT * amplitude):
        notes.append(
            Reason.of(
                "tail_rising_or_creep",
                tau_s=f"{slow.tau_s:.0f}",
                tail=f"{slow.amplitude:.3g}",
            )
        )
        near = (net - half, net + half)
        if along > _HEAT * amplitude:
            # heat can't do this: it is the leak, running down
            value = net
            low, high = bound
            doubt = []
        low, high = min(low, near[0]), max(high, near[1])
    bent = bends_left(fit, tau_max_s)
    if bent:
        doubt.append(
            Reason.of(
                "tail_inseparable",
                tau_s=f"{slow.tau_s:.0f}",
                tau_max_s=f"{tau_max_s:.0f}",
                held_s=f"{width:.0f}",
            )
        )
    if fit.reasons or bent:
        # A slow bend may be no settling at all, but a room that warms and cools: then
        # what the line stands for is the plain change, not the line beside a bend.
        low, high = min(low, net - half), max(high, net + half)
    unlike = abs(fit.mean_slope) > 3.0 * fit.u_mean_slope
    told = bool({note.id for note in notes} & TAIL_REASONS)
    if unlike and low < 0.0 < high and not told:
        # the line is there, but settling alone would draw it too
        notes.append(
            Reason.of(
                "tail_inseparable",
                tau_max_s=f"{tau_max_s:.0f}",
                held_s=f"{width:.0f}",
            )
        )
    return LastingRate(
        value=value,
        interval=(low, high),
        # not the standard deviation: a few far terms of a mixture would rule that
        u=(high - low) / 3.92,
        dof=None,
        mean_slope=fit.mean_slope,
        net=net,
        fit=fit,
        doubt=tuple(doubt),
        notes=tuple(notes),
        start_s=fit.start_s,
        stop_s=fit.stop_s,
        used=fit.used,
        dropped=fit.dropped,
    )


def bends_left(fit: TailFit, tau_max_s: float) -> bool:
    """Tell whether readings bend where no settling that was declared does.

    Either a settling as slow as was declared leaves slow bends over, or what is left
    is as slow as the slowest noise that is known here: nobody knows how slow it is.
    """
    slow = fit.slow
    there = abs(slow.amplitude) > 3.0 * slow.u_amplitude
    at_end = there and slow.tau_s > _AT_END * tau_max_s and fit.lrv > _NOISY
    return at_end or fit.lrv > _SLOWEST


def net_rate(
    t_s: FloatArray, y: FloatArray, resolution: float = 0.0
) -> tuple[float, float]:
    """Return the change from start to end over the time between, and its u.

    Needs no model of what lies between. The levels are those of the first and the last
    of up to 32 blocks; their noise is told by the blocks' second differences.

    Args:
        t_s: shape (n,), seconds.
        y: shape (n,), SI.
        resolution: smallest step, SI.
    """
    n = max(4, min(32, y.size // 2))
    u, z = block_level(t_s, y, n, resolution)
    second = np.diff(z, n=2)
    noise = math.sqrt(float(np.mean(second**2)) / 6.0)
    # a kink or a steep start is no noise, so the middle of the differences counts too
    quiet = 1.4826 * float(np.median(np.abs(second))) / 6.0**0.5
    noise = max(min(noise, 3.0 * quiet), quiet, resolution / math.sqrt(12.0 * y.size))
    between = float(u[-1] - u[0]) * float(t_s[-1] - t_s[0])
    # twice: second differences do not see slow noise
    return float(z[-1] - z[0]) / between, 2.0 * math.sqrt(2.0) * noise / between


def reopened_at(t_s: FloatArray, y: FloatArray, resolution: float) -> float | None:
    """Return when a falling trapped pressure stopped falling at once, or None.

    A locked-up regulator is a one-way valve: what the outlet loses is made up as soon
    as it has sunk to where the regulator opens. The kink (line, then flat) has to fit
    clearly better than a settling curve does.

    Args:
        t_s: shape (n,), seconds.
        y: shape (n,), SI.
        resolution: smallest step, SI.
    """
    if y.size < 96:
        return None
    n = 48
    u, z = block_level(t_s, y, n, resolution)
    width = float(t_s[-1] - t_s[0])
    z = z - z.mean()
    # adjacent blocks tell the noise without the curve
    noise = float(np.sqrt(np.mean(np.diff(z, n=2) ** 2) / 6.0))
    best, at = math.inf, 0
    for k in range(5, n - 7):
        shape = np.minimum(u - u[k], 0.0)
        line = straight_line(shape, z)
        if line.slope < 0.0:
            rss = line.s**2 * line.dof
            if rss < best:
                best, at = rss, k
    if at == 0:
        return None
    fall = float(z[:3].mean() - z[at:].mean())
    smooth = math.inf
    for tau in np.geomspace(0.02, 3.0, 24):
        line = straight_line(np.exp(-u / tau), z)
        smooth = min(smooth, line.s**2 * line.dof)
    if fall < 12.0 * max(noise, resolution / math.sqrt(12.0)):
        return None
    if smooth < 4.0 * best + 1e-30:
        return None
    return float(t_s[0] + width * u[at])


def periodic(residual: FloatArray) -> float:
    """Return how likely noise alone shows so strong a single period.

    Args:
        residual: shape (n,), block means about a fit.

    Returns:
        Probability by Fisher's g, after a first-order correlation was taken out.

    Source:
        R. A. Fisher, Tests of significance in harmonic analysis, Proceedings of the
        Royal Society A 125 (1929) 54-59; first term of the series.
    """
    power = float(residual @ residual)
    if residual.size < 16 or power <= 0.0:
        return 1.0
    rho = min(0.97, max(0.0, float(residual[1:] @ residual[:-1]) / power))
    white = residual[1:] - rho * residual[:-1]
    lines = np.abs(np.fft.rfft(white - white.mean())[1:]) ** 2
    if white.size % 2 == 0:
        lines = lines[:-1]  # the last one has half the freedom of the others
    # one or two swings over a hold are a curve that the fit could not follow
    lines = lines[2:]
    total = float(lines.sum())
    if total <= 0.0:
        return 1.0
    g = float(lines.max()) / total
    return min(1.0, lines.size * (1.0 - g) ** (lines.size - 1))
