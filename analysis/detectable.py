"""The smallest leak that a hold can see.

As in the ISO 11843 series (capability of detection; from memory): the leak whose
finding, at the same uncertainty, lies above what no leak gives at the risk alpha, and
does so with the probability 1 - beta. With alpha = beta = 2.5 % and a normal scatter it
is 1.96 u + 1.96 u = 3.92 u. What the readings leave open (type A) and what else is
uncertain where nothing leaks (type B: gas temperature, air pressure, resolution) are
told apart: longer holds and quieter readings help against the first only.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from records.errors import Reason
from records.judgement import BudgetLine
from records.measure import STANDARD_TEMPERATURE_K, std_cm3_min
from records.rig import Traits
from records.trace import FloatArray

from .real_gas import GasLaw

FACTOR = 3.92  # two times 1.96: alpha = beta = 2.5 %
# Lines that vanish where nothing leaks: they scale with the finding.
_OF_THE_VALUE = (
    "slope",
    "volume_",
    "allowance_",
    "calibration_gain",
    "gas_temperature_level",
)
_TAUS = 24
_LEAST_TAU_S = 1.0
_SLOWER = 2.0
# What is known of a time constant before the hold, as a spread of its logarithm.
_U_LN_TAU = 1.0


@dataclass(frozen=True, slots=True)
class SmallestLeak:
    """The smallest leak that a hold sees, Pa·m3/s at 293.15 K.

    Attributes:
        noise: from the scatter of readings and the settling they are told apart from.
        other: from what else is uncertain where nothing leaks.
    """

    noise: float
    other: float

    @property
    def both(self) -> float:
        """Both together, in squares."""
        return math.hypot(self.noise, self.other)


def smallest_seen(u_noise: float, lines: Iterable[BudgetLine]) -> SmallestLeak:
    """Return the smallest leak that a hold could have seen.

    Args:
        u_noise: what the readings leave open of the leak, standard uncertainty.
        lines: the other lines of its budget.
    """
    other = [
        line.u * line.sensitivity
        for line in lines
        if not line.source.startswith(_OF_THE_VALUE)
    ]
    return SmallestLeak(FACTOR * abs(u_noise), FACTOR * math.hypot(*other, 0.0))


def smallest_leak_note(u_noise: float, lines: Iterable[BudgetLine]) -> Reason:
    """Return the smallest leak that a hold could have seen, to tell with a finding."""
    found = smallest_seen(u_noise, lines)
    return Reason.of(
        "smallest_leak",
        smallest=f"{std_cm3_min(found.both):.2g} std cm3/min",
        noise=f"{std_cm3_min(found.noise):.2g}",
        other=f"{std_cm3_min(found.other):.2g}",
    )


def smallest_leak(
    *,
    noise: float,
    rate_hz: float,
    hold_s: float,
    volume_m3: float,
    level_pa: float,
    law: GasLaw,
    traits: Traits,
    u_air_slope: float = 0.0,
    noise_ratio: float = 1.0,
) -> SmallestLeak:
    """Return the smallest leak that a hold of a trapped side would see, before it is.

    The worst over the time constants that the rig's traits allow.

    Args:
        noise: standard deviation of a sample, Pa.
        rate_hz: samples per second.
        hold_s: length of the hold.
        volume_m3: effective volume.
        level_pa: absolute pressure.
        law: of the test gas.
        traits: of the rig: slowest and largest settling, unseen drift.
        u_air_slope: what is open of the barometer's slope, Pa/s; 0 where none counts.
        noise_ratio: long-run over short-run variance of the noise, 1 for white.

    Raises:
        ValueError: a hold without samples.
    """
    samples = hold_s * rate_hz
    if not samples >= 8.0:
        raise ValueError("a hold takes eight samples")
    k = STANDARD_TEMPERATURE_K
    per_kelvin = law.warming(level_pa, k)
    factor = volume_m3 * law.slope(level_pa, k)
    heat = traits.tail_amplitude.value_si * per_kelvin
    # a settling near the longest is judged by slower ones too, see analysis.tail
    longest = max(_SLOWER * traits.tau_max.value_si, _LEAST_TAU_S)
    sd = noise * math.sqrt(noise_ratio / samples)
    u = max(
        _u_rate(float(tau), hold_s, sd, heat)
        for tau in np.geomspace(_LEAST_TAU_S, longest, _TAUS)
    )
    drift = traits.temperature_drift_k_per_h / 3600.0 * per_kelvin
    other = math.hypot(drift, u_air_slope)
    return SmallestLeak(FACTOR * factor * u, FACTOR * factor * other)


def _u_rate(tau_s: float, hold_s: float, sd: float, heat: float) -> float:
    """Return the standard uncertainty of a rate beside one settling, Pa/s.

    Line and exponential, its time constant open too, by least squares; amplitude and
    time constant are known beforehand as far as the traits tell. Never more than what
    the ends alone give, heat having moved them.

    Args:
        tau_s: time constant.
        hold_s: length of the hold.
        sd: of the mean of all samples, Pa.
        heat: amplitude of the settling, one standard deviation, Pa.
    """
    x: FloatArray = np.asarray((np.arange(400) + 0.5) / 400.0, dtype=np.float64)
    tail = np.exp(-x * hold_s / tau_s)
    columns = [np.ones_like(x), x - 0.5, tail]
    known = [0.0, 0.0, 1.0 / heat**2 if heat > 0.0 else 0.0]
    if heat > 0.0:
        # the change with ln tau, at the amplitude that the traits call usual
        columns.append(heat * (x * hold_s / tau_s) * tail)
        known.append(1.0 / _U_LN_TAU**2)
    else:
        columns, known = columns[:2], known[:2]
    design = np.column_stack(columns)
    scale = np.array([1.0, 1.0, heat, 1.0])[: len(columns)]
    scale[:2] = max(heat, sd)
    design = design * scale
    information = design.T @ design / 400.0 / sd**2 + np.diag(
        np.array(known) * scale**2
    )
    u = math.sqrt(float(np.linalg.inv(information)[1, 1])) * scale[1] / hold_s
    ends = math.hypot(sd * 2.0 * math.sqrt(2.0 * 32.0), heat) / hold_s
    return float(min(u, ends))
