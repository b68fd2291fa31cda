"""Noise, errors, lag and steps of the simulated transducers."""

import math

import numpy as np
import pytest

from rig.simulator.noise import Noise
from rig.simulator.registermap import WIRED
from rig.simulator.transducers import (
    GAS_TEMPERATURE,
    SAMPLE_S,
    Make,
    Transducer,
    pressure_make,
)

OUTLET, INLET = pressure_make("outlet", 10e3), pressure_make("inlet", 200e3)
MAKES = [wired.make for wired in WIRED]


def readings(transducer: Transducer, value: float, count: int) -> list[float]:
    found = []
    for sample in range(count):
        transducer.follow(value)
        found.append(transducer.reading(sample))
    return found


def test_noise_is_the_same_in_any_order() -> None:
    there, back = Noise(7, 1, 0.8), Noise(7, 1, 0.8)
    moments = [0, 5, 1023, 1024, 1025, 2047, 2048, 5000]
    forwards = [there.at(m) for m in moments]
    backwards = [back.at(m) for m in reversed(moments)][::-1]
    assert forwards == backwards


def test_noise_differs_by_seed_channel_and_moment() -> None:
    values = {Noise(s, c, 1.0).at(m) for s in (1, 2) for c in (0, 1) for m in (3, 4)}
    assert len(values) == 8


def test_noise_has_the_stated_rms_and_wanders_weakly() -> None:
    noise = Noise(3, 0, 0.8)
    drawn = np.array([noise.at(m) for m in range(40_000)])
    assert np.std(drawn) == pytest.approx(0.8, rel=0.03)
    assert abs(np.mean(drawn)) < 0.02
    near = float(np.mean(drawn[1:] * drawn[:-1]) / np.var(drawn))
    far = float(np.mean(drawn[400:] * drawn[:-400]) / np.var(drawn))
    assert near == pytest.approx(0.3**2, abs=0.03)
    assert abs(far) < 0.03


def test_noise_has_no_seam_where_blocks_meet() -> None:
    # The slow part alone: neighbours across a seam are as close as anywhere.
    noise = Noise(3, 0, 1.0, slow_share=1.0)
    steps = [abs(noise.at(m + 1) - noise.at(m)) for m in range(4000)]
    seams = [steps[m] for m in (1023, 2047, 3071)]
    assert max(seams) < 5.0 * float(np.mean(steps))


@pytest.mark.parametrize("make", MAKES, ids=lambda m: m.role)
def test_readings_are_whole_steps_about_the_truth(make: Make) -> None:
    value = 0.4 * make.low + 0.6 * make.high
    transducer = Transducer(make, 11, 0, value)
    found = np.array(readings(transducer, value, 4000))
    steps = found / make.resolution
    assert np.allclose(steps, np.round(steps), atol=1e-6)
    error = value * transducer.span_error + transducer.zero_error
    assert np.mean(found) - value == pytest.approx(error, abs=0.1 * make.noise)
    assert np.std(found) == pytest.approx(
        math.hypot(make.noise, make.resolution / math.sqrt(12.0)), rel=0.1
    )


@pytest.mark.parametrize("seed", range(40))
def test_errors_stay_well_inside_the_declared_uncertainty(seed: int) -> None:
    for number, make in enumerate(MAKES):
        transducer = Transducer(make, seed, number, make.low)
        assert abs(transducer.zero_error) <= 0.8 * make.u_zero
        assert abs(transducer.span_error) <= 0.8 * make.u_span


def test_errors_differ_from_rig_to_rig() -> None:
    errors = {Transducer(OUTLET, seed, 0, 0.0).zero_error for seed in range(10)}
    assert len(errors) == 10


@pytest.mark.parametrize("make", [OUTLET, INLET], ids=lambda m: m.role)
def test_saturation_at_the_ends(make: Make) -> None:
    for value, end in ((2.0 * make.high, make.high), (2.0 * make.low, make.low)):
        transducer = Transducer(make, 1, 0, value)
        assert readings(transducer, value, 50)[-1] == pytest.approx(end)


def test_zero_is_not_cut_off() -> None:
    # A span that ended at zero would lose half of the noise and lift the mean.
    found = readings(Transducer(OUTLET, 5, 0, 0.0), 0.0, 2000)
    assert min(found) < 0.0 < max(found)


def test_temperature_lags_by_four_seconds() -> None:
    transducer = Transducer(GAS_TEMPERATURE, 1, 3, 293.0)
    found = readings(transducer, 294.0, round(4.0 / SAMPLE_S))
    share = float(np.mean(found[-20:])) - transducer.zero_error - 293.0
    assert share == pytest.approx(1.0 - math.exp(-1.0), abs=0.02)
