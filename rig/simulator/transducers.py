"""What the simulated transducers make of the gas: errors, lag, noise and steps."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from records.measure import STANDARD_TEMPERATURE_K as ROOM_K
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


def pressure_make(role: str, span: float) -> Make:
    """Return a gauge transducer of a span, Pa: fine steps, little noise.

    The outlet's is the better one of each rig.
    """
    outlet = role == "outlet"
    return Make(
        role=role,
        low=-0.025 * span if role == "inlet" else -0.05 * span,
        high=span,
        resolution=2e-5 * span,
        noise=5e-5 * span if role == "inlet" else 8e-5 * span,
        lag_s=0.02,
        u_zero=2e-4 * span,
        u_span=2e-4,
        u_form=(1e-4 if outlet else 1.5e-4) * span,
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


def flow_make(span: float, role: str = "flow") -> Make:
    """Return a flow meter of a span, Pa·m3/s, that follows a little later."""
    return Make(
        role=role,
        low=-0.01 * span,
        high=span,
        resolution=1e-4 * span,
        noise=2e-4 * span,
        lag_s=0.2,
        u_zero=5e-4 * span,
        u_span=5e-3,
        u_form=5e-4 * span,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ailment:
    """What is wrong with one transducer or its line, beyond its calibration record.

    Attributes:
        drift: of the zero, SI per second. span: relative error of the span.
        sticks_at_s: rig time from which it says the same for ever; None: never.
        lag_s: how much later it follows. head: what it reads too low, Pa, once its line
            is under pressure (water that the gas has pushed up); half of it at
            ``head_at``.
        hum: amplitude of the mains in a reading. hum_hz: as it appears.
        warms: zero error per kelvin of the room from 20 °C.
        overload: above this, SI, its zero moves by ``overload_zero`` and stays there.
    """

    drift: float = 0.0
    span: float = 0.0
    sticks_at_s: float | None = None
    lag_s: float = 0.0
    head: float = 0.0
    head_at: float = 1.0
    hum: float = 0.0
    hum_hz: float = 1.7
    warms: float = 0.0
    overload: float = math.inf
    overload_zero: float = 0.0


SOUND = Ailment()
# A true error is drawn well inside what the calibration record allows for.
_DRAWN_SHARE = 0.35
_MOST_SHARE = 0.8


class Transducer:
    """One transducer with its own small errors.

    Args:
        make: see :class:`Make`. seed, number: what its errors and noise depend on.
        value: what it has been exposed to so far. ailment: what else is wrong with it.
    """

    def __init__(
        self,
        make: Make,
        seed: int,
        number: int,
        value: float,
        ailment: Ailment = SOUND,
    ) -> None:
        self.make = make
        self.ailment = ailment
        drawn = np.clip(
            stream(seed, 100 + number).standard_normal(2) * _DRAWN_SHARE,
            -_MOST_SHARE,
            _MOST_SHARE,
        )
        self.zero_error = float(drawn[0]) * make.u_zero
        self.span_error = float(drawn[1]) * make.u_span + ailment.span
        self._noise = Noise(seed, 200 + number, make.noise)
        self._share = 1.0 - math.exp(-SAMPLE_S / (make.lag_s + ailment.lag_s))
        self._lagged = value
        self._overloaded = False
        self._room_k = ROOM_K
        self._sample = 0
        self._stuck: float | None = None

    def follow(self, value: float, room_k: float = ROOM_K) -> None:
        """Be exposed to a value for one sample time."""
        self._lagged += self._share * (value - self._lagged)
        self._overloaded = self._overloaded or value > self.ailment.overload
        self._room_k = room_k
        self._sample += 1
        stops = self.ailment.sticks_at_s
        if stops is not None and self._stuck is None:
            if self._sample * SAMPLE_S >= stops:
                self._stuck = self._found(self._sample)

    def error(self, t_s: float) -> float:
        """Return how far a reading is off at a time, noise and steps left out."""
        ill, value = self.ailment, self._lagged
        off = value * self.span_error + self.zero_error + ill.drift * t_s
        off += ill.warms * (self._room_k - ROOM_K)
        if ill.head:
            off -= ill.head * max(value, 0.0) / (max(value, 0.0) + ill.head_at)
        if self._overloaded:
            off += ill.overload_zero
        return off

    def reading(self, sample: int) -> float:
        """Return the reading at a sample, SI, in whole steps and inside the span."""
        return self._found(sample) if self._stuck is None else self._stuck

    def _found(self, sample: int) -> float:
        make, ill = self.make, self.ailment
        t_s = sample * SAMPLE_S
        value = self._lagged + self.error(t_s)
        value += self._noise.at(sample)
        if ill.hum:
            value += ill.hum * math.sin(2.0 * math.pi * ill.hum_hz * t_s)
        value = min(max(value, make.low), make.high)
        return round(value / make.resolution) * make.resolution
