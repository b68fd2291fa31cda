"""What the simulated transducers make of the gas: errors, lag, noise and steps."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from records.measure import ZERO_CELSIUS_K

from .noise import Noise, stream

SAMPLE_S = 0.01  # every channel is converted a hundred times a second


@dataclass(frozen=True, slots=True, kw_only=True)
class Make:
    """What one kind of transducer is like; SI, pressures as the channel's reference.

    Attributes:
        role: channel role. low, high: ends of the span, where it saturates.
        resolution: smallest step. noise: rms of a reading. lag_s: time constant.
        u_zero: standard uncertainty of zero that its calibration record states.
        u_span: the same of the span, relative. u_form: the same of the curve.
    """

    role: str
    low: float
    high: float
    resolution: float
    noise: float
    lag_s: float
    u_zero: float
    u_span: float
    u_form: float


OUTLET = Make(
    role="outlet",
    low=-500.0,
    high=10e3,
    resolution=0.2,
    noise=0.8,
    lag_s=0.02,
    u_zero=2.0,
    u_span=2e-4,
    u_form=1.0,
)
INLET = Make(
    role="inlet",
    low=-5e3,
    high=200e3,
    resolution=4.0,
    noise=10.0,
    lag_s=0.02,
    u_zero=40.0,
    u_span=2e-4,
    u_form=30.0,
)
AMBIENT = Make(
    role="ambient",
    low=80e3,
    high=120e3,
    resolution=1.0,
    noise=2.0,
    lag_s=0.02,
    u_zero=15.0,
    u_span=0.0,
    u_form=0.0,
)
GAS_TEMPERATURE = Make(
    role="gas_temperature",
    low=ZERO_CELSIUS_K - 20.0,
    high=ZERO_CELSIUS_K + 60.0,
    resolution=1e-3,
    noise=5e-3,
    lag_s=4.0,
    u_zero=0.05,
    u_span=0.0,
    u_form=0.0,
)
MAKES = (OUTLET, INLET, AMBIENT, GAS_TEMPERATURE)
# A true error is drawn well inside what the calibration record allows for.
_DRAWN_SHARE = 0.35
_MOST_SHARE = 0.8


class Transducer:
    """One transducer with its own small errors.

    Args:
        make: see :class:`Make`. seed, number: what its errors and noise depend on.
        value: what it has been exposed to so far.
    """

    def __init__(self, make: Make, seed: int, number: int, value: float) -> None:
        self.make = make
        drawn = np.clip(
            stream(seed, 100 + number).standard_normal(2) * _DRAWN_SHARE,
            -_MOST_SHARE,
            _MOST_SHARE,
        )
        self.zero_error = float(drawn[0]) * make.u_zero
        self.span_error = float(drawn[1]) * make.u_span
        self._noise = Noise(seed, 200 + number, make.noise)
        self._share = 1.0 - math.exp(-SAMPLE_S / make.lag_s)
        self._lagged = value

    def follow(self, value: float) -> None:
        """Be exposed to a value for one sample time."""
        self._lagged += self._share * (value - self._lagged)

    def reading(self, sample: int) -> float:
        """Return the reading at a sample, SI, in whole steps and inside the span."""
        make = self.make
        value = self._lagged * (1.0 + self.span_error) + self.zero_error
        value += self._noise.at(sample)
        value = min(max(value, make.low), make.high)
        return round(value / make.resolution) * make.resolution
