"""A room that warms and cools, or a settling that was not declared: no false verdict.

The bends are made by formula here; that a room's heating cycles over 5 to 20 minutes is
common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.rate import LastingRate, lasting_rate

Array = NDArray[np.float64]
HOLD_S, RATE_HZ = 170.0, 20.0
PA_PER_K = 104_100.0 / 293.15
LIMIT = 0.5067  # Pa/s: 0.15 std cm3/min on 500 cm3


def found(seed: int, tau_max_s: float, bend: Array, leak: float) -> LastingRate:
    rng = np.random.default_rng(seed)
    t = np.arange(round(HOLD_S * RATE_HZ)) / RATE_HZ
    y = 2900.0 + leak * t + bend + rng.standard_normal(t.size)
    rate = lasting_rate(
        t, y, tau_max_s=tau_max_s, amplitude=PA_PER_K, resolution=0.2, direction=1
    )
    assert isinstance(rate, LastingRate)
    return rate


@pytest.mark.parametrize("tau_max_s", [5.0, 30.0, 120.0, 300.0])
@pytest.mark.parametrize(("kelvin", "period_s"), [(0.05, 300.0), (0.1, 600.0)])
def test_a_room_s_heating_cycle_gives_no_false_verdict(
    kelvin: float, period_s: float, tau_max_s: float
) -> None:
    t = np.arange(round(HOLD_S * RATE_HZ)) / RATE_HZ
    for seed in range(6):
        phase = 2.0 * np.pi * seed / 6.0
        bend = kelvin * PA_PER_K * np.sin(2.0 * np.pi * t / period_s + phase)
        tight = found(seed, tau_max_s, bend, 0.0)
        assert tight.interval[0] < LIMIT, (seed, tight.interval)
        leaking = found(seed, tau_max_s, bend, 2.0 * LIMIT)
        assert leaking.interval[1] > LIMIT or leaking.doubt, (seed, leaking.interval)


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_a_settling_slower_than_declared_is_doubted(sign: float) -> None:
    t = np.arange(round(HOLD_S * RATE_HZ)) / RATE_HZ
    bend = sign * 100.0 * np.exp(-t / 60.0)
    for seed in range(3):
        rate = found(seed, 5.0, bend, 0.0)
        assert "tail_inseparable" in {why.id for why in rate.doubt}
        declared = found(seed, 120.0, bend, 0.0)
        assert declared.interval[0] <= 0.0 <= declared.interval[1]
