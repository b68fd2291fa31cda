"""The smallest leak that a hold can see, against formulas and against holds."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.detectable import smallest_leak, smallest_seen
from analysis.rate import lasting_rate
from analysis.real_gas import GasLaw, gas_law
from records.errors import Reason
from records.judgement import BudgetLine
from records.measure import parse_quantity, std_cm3_min
from records.rig import Traits

IDEAL = GasLaw("ideal", None)


def traits(tau: str, kelvin: str, drift: float = 0.0) -> Traits:
    return Traits(
        tau_max=parse_quantity(tau),
        tail_amplitude=parse_quantity(kelvin),
        temperature_drift_k_per_h=drift,
    )


@pytest.mark.parametrize("hold_s", [60.0, 120.0, 300.0, 900.0])
def test_without_settling_it_is_that_of_a_straight_line(hold_s: float) -> None:
    """3.92 standard errors of a slope: sd sqrt(12 / n) / T (textbook)."""
    found = smallest_leak(
        noise=800.0,
        rate_hz=10.0,
        hold_s=hold_s,
        volume_m3=100e-6,
        level_pa=20e5,
        law=IDEAL,
        traits=traits("1 s", "0 K"),
    )
    line = 800.0 * math.sqrt(12.0 / (10.0 * hold_s)) / hold_s
    assert found.noise == pytest.approx(3.92 * line * 100e-6, rel=1e-3)
    assert found.other == 0.0


def test_longer_is_better_and_scales() -> None:
    def at(hold_s: float, volume: float = 100e-6, noise: float = 8.0) -> float:
        return smallest_leak(
            noise=noise,
            rate_hz=10.0,
            hold_s=hold_s,
            volume_m3=volume,
            level_pa=104e3,
            law=gas_law("nitrogen"),
            traits=traits("20 s", "1 K"),
        ).noise

    holds = [at(s) for s in (60.0, 120.0, 300.0, 900.0)]
    assert holds == sorted(holds, reverse=True)
    assert at(300.0, volume=200e-6) == pytest.approx(2.0 * at(300.0), rel=1e-9)
    assert at(300.0, noise=16.0) > at(300.0)


def test_an_unseen_drift_is_a_floor_that_no_noise_explains() -> None:
    """0.1 K/h at 20 bar on 100 cm3, by hand."""
    found = smallest_leak(
        noise=1e-3,
        rate_hz=10.0,
        hold_s=900.0,
        volume_m3=100e-6,
        level_pa=20e5,
        law=IDEAL,
        traits=traits("20 s", "1 K", drift=0.1),
    )
    by_hand = 3.92 * 100e-6 * 20e5 / 293.15 * 0.1 / 3600.0
    assert found.other == pytest.approx(by_hand, rel=1e-9)
    assert found.both == pytest.approx(found.other, rel=1e-3)


@pytest.mark.parametrize("hold_s", [120.0, 300.0])
def test_it_foretells_what_holds_then_give(hold_s: float) -> None:
    """Near enough for a plan, with the slowest settling that the traits allow."""
    tau, heat, noise = 20.0, 360.0, 2.0
    said = smallest_leak(
        noise=noise,
        rate_hz=10.0,
        hold_s=hold_s,
        volume_m3=1.0,
        level_pa=360.0 * 293.15,
        law=IDEAL,
        traits=traits(f"{tau:g} s", "1 K"),
    ).noise
    t = np.arange(int(10 * hold_s)) / 10.0
    seen = []
    for seed in range(8):
        rng = np.random.default_rng([9, seed])
        y = heat * np.exp(-t / tau) + noise * rng.standard_normal(t.size)
        found = lasting_rate(t, y, tau_max_s=tau, amplitude=heat, direction=-1)
        assert not isinstance(found, Reason)
        seen.append(found.interval[1] - found.interval[0])
    assert 0.4 < float(np.median(seen)) / said < 2.5


def test_lines_that_vanish_with_the_leak_do_not_count() -> None:
    lines = [
        BudgetLine(source="volume_outlet", u=1.0, sensitivity=5.0),
        BudgetLine(source="allowance_outlet", u=1.0, sensitivity=5.0),
        BudgetLine(source="calibration_gain_outlet", u=1.0, sensitivity=5.0),
        BudgetLine(source="gas_temperature", u=3.0, sensitivity=1e-6),
        BudgetLine(source="barometer", u=4.0, sensitivity=-1e-6),
    ]
    found = smallest_seen(1e-6, lines)
    assert found.noise == pytest.approx(3.92e-6)
    assert found.other == pytest.approx(3.92 * 5e-6)
    assert std_cm3_min(found.both) > 0.0
    with pytest.raises(ValueError, match="eight samples"):
        smallest_leak(
            noise=1.0,
            rate_hz=1.0,
            hold_s=2.0,
            volume_m3=1e-4,
            level_pa=1e5,
            law=IDEAL,
            traits=traits("1 s", "1 K"),
        )
