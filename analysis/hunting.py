"""Hunting: an even swing of the outlet at a small bleed, its size and how fast it is.

The swing is looked for as a line of the spectrum that stands out of its neighbours
after a first-order correlation was taken out of the readings. Slow noise and drift are
no swing: at least eight have to fit into the window, and the line has to stand out of
the slower ones beside it too. What the sampling folds
can't be told from one trace, so a frequency is as found, and is not given where the
mains explain it.

Source: R. A. Fisher, Tests of significance in harmonic analysis, Proceedings of the
Royal Society A 125 (1929) 54-59, with each line held against its own neighbours in
place of all lines; the window by Hann against leakage. Hunting of regulators lies
between 1 and 20 Hz: common practice, no source.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from records.errors import Reason
from records.judgement import BudgetLine, Evidence
from records.rig import Channel
from records.trace import FloatArray

from .budget import coverage_factor
from .clean import Stretch
from .estimate import Estimate, not_measured
from .readings import Readings, calibration_lines, resolution_line
from .steady import straight_line

_LEAST = 64
_SWINGS = 8  # at least so many in the window
_P = 1e-3
_AROUND = 15  # neighbours of a line on either side
_FOLDS_BELOW_HZ = 20.0
_MAINS_HZ = (50.0, 60.0, 100.0, 120.0)
_MEDIAN = math.log(2.0)  # median of a unit exponential
_UNSEEN = 3.0
_MOST_UNEVEN = 0.05
_READ_WELL = 0.005  # of an amplitude, by trial


@dataclass(frozen=True, slots=True)
class Swing:
    """The strongest even swing of a stretch.

    Attributes:
        p: chance that noise alone shows such a line anywhere.
        amplitude, u_amplitude: root two times the rms, and its standard uncertainty.
        largest: the largest amplitude that could be there, where none is shown.
        frequency, u_frequency: Hz. rate: samples a second.
    """

    p: float
    amplitude: float
    u_amplitude: float
    largest: float
    frequency: float
    u_frequency: float
    rate: float

    @property
    def shown(self) -> bool:
        """True where noise alone would hardly show it."""
        return self.p < _P


def hunting_findings(
    readings: Readings, outlet: Channel, part: int, window: tuple[float, float]
) -> list[Estimate]:
    """Return amplitude and frequency of the outlet's swing in a window that flows."""
    ids = ("hunting_amplitude", "hunting_frequency")
    held = readings.stretch(outlet, part, *window)
    swing = held.trouble or even_swing(held.t_s, held.value, outlet.id)
    if isinstance(swing, Reason):
        return [not_measured(id, outlet.role, swing) for id in ids]
    evidence = _evidence(held, part, swing)
    return [
        _amplitude(outlet, swing, evidence),
        _frequency(outlet, swing, evidence),
    ]


def _evidence(held: Stretch, part: int, swing: Swing) -> Evidence:
    facts = [("rate_hz", swing.rate), ("p_noise_alone", swing.p)]
    notes = []
    if swing.shown:
        facts.append(("apparent_hz", swing.frequency))
    else:
        notes.append(Reason.of("no_swing_shown"))
    return Evidence(
        part=part,
        window_s=(held.start_s, held.stop_s),
        used=held.used,
        dropped=held.dropped,
        model=tuple(facts),
        notes=tuple(notes),
    )


def _amplitude(outlet: Channel, swing: Swing, evidence: Evidence) -> Estimate:
    value = swing.amplitude if swing.shown else 0.0
    noise = swing.u_amplitude if swing.shown else swing.largest / 2.0
    lines = [
        BudgetLine(source="noise", u=noise, value=value, type="A"),
        *(
            line
            for line in calibration_lines(outlet, value, difference=True)
            if line.source == "calibration_gain"
        ),
        resolution_line(outlet),
    ]
    u = math.sqrt(sum((line.u * line.sensitivity) ** 2 for line in lines))
    half = coverage_factor(None) * u
    # a swing is no less than none
    low = max(0.0, value - half) if swing.shown else 0.0
    mains = _mains(swing)
    return Estimate(
        id="hunting_amplitude",
        channel=outlet.role,
        value=value,
        interval=(low, value + half),
        u=u,
        lines=tuple(lines),
        evidence=evidence,
        doubt=(mains,) if mains is not None else (),
    )


def _frequency(outlet: Channel, swing: Swing, evidence: Evidence) -> Estimate:
    id = "hunting_frequency"
    if not swing.shown:
        why = Reason.of("no_swing_shown")
        return not_measured(id, outlet.role, why, evidence=evidence)
    mains = _mains(swing)
    if mains is not None:
        return not_measured(id, outlet.role, mains, evidence=evidence)
    half = coverage_factor(None) * swing.u_frequency
    fold = Reason.of(
        "faster_would_fold",
        rate_hz=f"{swing.rate:.3g}",
        half_hz=f"{0.5 * swing.rate:.3g}",
    )
    return Estimate(
        id=id,
        channel=outlet.role,
        value=swing.frequency,
        interval=(max(0.0, swing.frequency - half), swing.frequency + half),
        u=swing.u_frequency,
        lines=(
            BudgetLine(
                source="noise", u=swing.u_frequency, value=swing.frequency, type="A"
            ),
        ),
        evidence=evidence,
        doubt=(fold,) if 0.5 * swing.rate < _FOLDS_BELOW_HZ else (),
    )


def _mains(swing: Swing) -> Reason | None:
    """Return that the mains, folded by the sampling, would show there, or None."""
    if not swing.shown:
        return None
    for mains in _MAINS_HZ:
        folds = round(mains / swing.rate)
        apparent = abs(mains - folds * swing.rate)
        # the mains keep to 0.5 %; the sampling's own rate is as good as its clock
        near = 3.0 * swing.u_frequency + 0.005 * mains
        if abs(swing.frequency - apparent) <= near:
            return Reason.of(
                "may_be_mains",
                frequency_hz=f"{swing.frequency:.3g}",
                mains_hz=f"{mains:g}",
                rate_hz=f"{swing.rate:.3g}",
            )
    return None


def even_swing(t_s: FloatArray, y: FloatArray, channel: str = "") -> Swing | Reason:
    """Return the strongest even swing of a stretch, or why none can be looked for.

    Args:
        t_s: shape (n,), seconds, rising.
        y: shape (n,), SI, finite.
        channel: id, for the reason.
    """
    if y.size < _LEAST:
        return Reason.of(
            "too_few_samples", channel=channel, found=y.size, needed=_LEAST
        )
    steps = np.diff(t_s)
    usual = float(np.median(steps))
    whole = np.round(steps / usual) if usual > 0.0 else np.zeros(steps.size)
    if usual <= 0.0 or float(np.mean(np.abs(steps / usual - whole) > 0.25)) > (
        _MOST_UNEVEN
    ):
        return Reason.of("samples_bad", channel=channel, share="uneven")
    n = round(float(t_s[-1] - t_s[0]) / usual) + 1
    grid = t_s[0] + np.arange(n) * (float(t_s[-1] - t_s[0]) / (n - 1))
    even = np.interp(grid, t_s, y - float(np.median(y)))
    rate = (n - 1) / float(t_s[-1] - t_s[0])
    x = grid - grid.mean()
    line = straight_line(x, even)
    rest = even - line.intercept - line.slope * x
    power, level = _spectrum(rest)
    at = np.arange(power.size)
    eligible = (at >= _SWINGS) & (at < power.size - 2)
    count = int(eligible.sum())
    if count < 8 or not float(power[eligible].sum()) > 0.0:
        return Swing(1.0, 0.0, 0.0, 0.0, 0.0, 0.0, rate)
    over = np.where(eligible, power / level, 0.0)
    top = int(np.argmax(over))
    p = -math.expm1(count * math.log1p(-min(1.0 - 1e-15, math.exp(-over[top]))))
    p = max(p, _against_slower(power, top, count))
    found = _measured(power, level, over, top, p, rate, n)
    # straight lines where readings are missing cut off what swings there
    lost = _READ_WELL + (n - y.size) / n
    u = math.hypot(found.u_amplitude, lost * found.amplitude)
    return dataclasses.replace(found, u_amplitude=u)


def _against_slower(power: FloatArray, top: int, count: int) -> float:
    """Return the chance of a line against the slower ones beside it.

    Slow noise rises towards low frequencies: its lines stand out of the faster ones
    and not of these. The ratio of two spectral powers has the F distribution; Hann's
    window makes neighbours share a third of their freedom.
    """
    slower = power[max(1, top - 2 - _AROUND) : max(2, top - 2)]
    free = slower.size / 1.5
    ratio = float(power[top]) / max(float(np.mean(slower)), 1e-300)
    return min(1.0, count * math.exp(-free * math.log1p(ratio / free)))


def _measured(
    power: FloatArray,
    level: FloatArray,
    over: FloatArray,
    top: int,
    p: float,
    rate: float,
    n: int,
) -> Swing:
    """Return the swing of a line of the spectrum and of all that stand out with it."""
    shown = _grown(over, math.log(over.size / _P))
    shown[max(0, top - 1) : top + 2] = True
    # a sine under noise: the noise adds to its power, and its sign is by chance
    square = max(0.0, float(np.sum(power[shown] - level[shown])))
    amplitude = math.sqrt(2.0 * square)
    # of a sine, twice the noise in its line; of a broad swing its own chance as well
    broad = int(np.sum(shown & (power > 0.1 * power[top]))) > 6
    scatter = 4.0 * float(np.sum(power[shown] * level[shown]))
    scatter += 1.5 * float(np.sum(level[shown] ** 2))
    if broad:
        scatter += 1.5 * float(np.sum(power[shown] ** 2))
    u = math.sqrt(scatter) / max(amplitude, math.sqrt(scatter) ** 0.5)
    near = slice(max(1, top - 1), min(power.size, top + 2))
    weight = np.maximum(0.0, power[near] - level[near])
    place = np.arange(power.size)[near]
    total = float(weight.sum())
    middle = float(weight @ place) / total if total > 0.0 else float(top)
    width = rate / n
    ratio = max(1.0, total / float(level[top]))
    # the bound of one sine in white noise, and what the mean of three lines adds
    u_frequency = width * (math.sqrt(1.5) / math.pi / math.sqrt(ratio) + 0.03)
    if broad:
        inside = np.arange(power.size)[max(1, top - 10) : top + 11]
        share = np.maximum(0.0, (power - level)[inside])
        spread = float(share @ (inside - middle) ** 2) / float(share.sum())
        u_frequency = max(u_frequency, width * math.sqrt(spread))
    strongest = math.sqrt(2.0 * float(np.max(power[_SWINGS:])))
    quiet = math.sqrt(2.0 * float(np.max(level[_SWINGS:])))
    return Swing(
        p,
        amplitude,
        u,
        1.6 * strongest + _UNSEEN * 0.7 * quiet,
        middle * width,
        u_frequency,
        rate,
    )


def _grown(over: FloatArray, least: float) -> NDArray[np.bool_]:
    """Return which lines stand out, with the leakage on either side of each."""
    shown = over > least
    wide = shown.copy()
    for shift in (1, 2):
        wide[shift:] |= shown[:-shift]
        wide[:-shift] |= shown[shift:]
    wide[:_SWINGS] = False
    return wide


def _spectrum(rest: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the variance per line, and the level of noise about each line.

    The noise's own slope over frequency is that of a first-order process; what is left
    of it is followed by the median of the neighbours, which one line does not move.
    """
    n = rest.size
    window = np.hanning(n)
    power = np.abs(np.fft.rfft(rest * window)) ** 2
    # a sine of amplitude a gives a²/2 over its lines
    power *= 2.0 / (n * float(window @ window))
    angle = 2.0 * np.pi * np.arange(power.size) / n
    rho = _quiet_correlation(rest)
    shape = 1.0 / (1.0 - 2.0 * rho * np.cos(angle) + rho * rho)
    flat = power / shape
    level = _level_about(flat)
    return power, np.maximum(level / _MEDIAN * shape, 1e-300)


def _level_about(flat: FloatArray) -> FloatArray:
    """Return the median of each line's neighbours; the line at zero is none's."""
    width = 2 * _AROUND + 1
    lines = flat[1:]
    if lines.size <= width:
        return np.full(flat.size, np.median(lines) if lines.size else flat[0])
    middles = np.clip(np.arange(flat.size) - 1, _AROUND, lines.size - 1 - _AROUND)
    return np.asarray(median_filter(lines, width)[middles], dtype=np.float64)


def _quiet_correlation(rest: FloatArray) -> float:
    """Return the lag-1 correlation of the noise, lines that stand out left out."""
    lines = np.abs(np.fft.rfft(rest)) ** 2
    usual = np.median(lines[1:]) if lines.size > 1 else 0.0
    strongest = np.argsort(lines)[-3:]
    kept = lines.copy()
    kept[strongest[lines[strongest] > 100.0 * usual]] = usual
    n = rest.size
    total = float(kept.sum())
    if total <= 0.0:
        return 0.0
    angle = 2.0 * np.pi * np.arange(lines.size) / n
    return min(0.995, max(0.0, float(kept @ np.cos(angle)) / total))
