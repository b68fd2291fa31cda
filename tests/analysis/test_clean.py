"""What each class of bad sample is called, and what must not be called so."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.clean import Stretch, running_median, stretch, usual_noise
from records.trace import Flag, Trace

Array = NDArray[np.float64]
LENGTHS = [(10.0, 180.0), (1000.0, 60.0)]  # few samples, and very many


def times(rate_hz: float, seconds: float) -> Array:
    return np.arange(round(rate_hz * seconds)) / rate_hz


def noise(n: int, sigma: float = 1.0, rho: float = 0.0, seed: int = 5) -> Array:
    white = np.random.default_rng(seed).standard_normal(n)
    out = np.empty(n)
    last = white[0]
    for i in range(n):
        last = rho * last + (1.0 - rho**2) ** 0.5 * white[i] if i else white[0]
        out[i] = last
    return sigma * out


def looked(
    t: Array, y: Array, resolution: float = 0.1, flags: NDArray[np.uint8] | None = None
) -> Stretch:
    flags = np.zeros(t.size, np.uint8) if flags is None else flags
    trace = Trace("PT-2", t, y, flags)
    return stretch(trace, t[0], t[-1], resolution, noise=usual_noise(trace))


def why(found: Stretch) -> str | None:
    return None if found.trouble is None else found.trouble.id


@pytest.mark.parametrize(("rate_hz", "seconds"), LENGTHS)
def test_sound_samples_are_left_alone(rate_hz: float, seconds: float) -> None:
    t = times(rate_hz, seconds)
    y = 100.0 + noise(t.size) + 0.05 * t + 5.0 * np.exp(-t / 8.0)
    found = looked(t, y)
    assert (found.trouble, found.coarse, found.left_out) == (None, None, ())
    assert (found.used, found.dropped) == (t.size, 0)


@pytest.mark.parametrize(("rate_hz", "seconds"), LENGTHS)
@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9, 0.95])
@pytest.mark.parametrize("sigma", [0.4, 0.6, 1.0, 2.5])
def test_coarse_steps_with_noise_are_not_stuck_nor_clipped(
    sigma: float, rho: float, rate_hz: float, seconds: float
) -> None:
    """A 12-bit converter with noise of 0.4 to 2.5 steps: readings repeat by chance."""
    t = times(rate_hz, seconds)
    for seed in range(12):
        exact = noise(t.size, sigma, rho, seed) + np.linspace(0.0, 0.08 * seed, t.size)
        found = looked(t, 100.0 + np.round(exact), 1.0)
        assert found.trouble is None, (seed, found.trouble)
        assert dict(found.left_out).get("stuck", 0) == 0


@pytest.mark.parametrize(("rate_hz", "seconds"), LENGTHS)
def test_a_reading_that_stands_still_is_stuck(rate_hz: float, seconds: float) -> None:
    t = times(rate_hz, seconds)
    y = np.round(100.0 + noise(t.size), 1)
    still = (t > 0.4 * seconds) & (t < 0.4 * seconds + 6.0)
    y[still] = y[np.flatnonzero(still)[0]]
    found = looked(t, y)
    assert why(found) == "samples_stuck"
    assert dict(found.left_out)["stuck"] == pytest.approx(still.sum(), abs=3)


def test_a_slow_instrument_that_repeats_its_reading_is_not_stuck() -> None:
    """Polled ten times a second, it makes a new reading every 0.5 or 2 seconds."""
    t = times(10.0, 60.0)
    for every in (5, 20):
        y = np.repeat(noise(t.size // every), every)
        found = looked(t, 100.0 + y)
        assert why(found) is None, every
        # and one that stops making new ones is
        y[200:540] = y[200]
        assert why(looked(t, 100.0 + y)) == "samples_stuck", every


@pytest.mark.parametrize("n", [40, 85, 200])
def test_a_few_readings_that_share_an_end_by_chance_are_not_cut_off(n: int) -> None:
    t = times(20.0, n / 20.0)
    said = [
        why(looked(t, np.round(100.0 + noise(n, 4.5, seed=seed)), 1.0))
        for seed in range(400)
    ]
    assert said.count("samples_clipped") == 0


@pytest.mark.parametrize(("rate_hz", "seconds"), LENGTHS)
@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("at", [-0.5, 0.0, 0.8])
def test_a_trace_cut_off_at_an_end_is_clipped(
    at: float, side: float, rate_hz: float, seconds: float
) -> None:
    t = times(rate_hz, seconds)
    y = 100.0 + side * np.minimum(noise(t.size, 5.0), 5.0 * at)
    found = looked(t, np.round(y, 0), 1.0)
    assert why(found) == "samples_clipped"


@pytest.mark.parametrize(("rate_hz", "seconds"), LENGTHS)
def test_steps_that_hide_the_noise_are_told(rate_hz: float, seconds: float) -> None:
    t = times(rate_hz, seconds)
    y = np.round(100.2 + noise(t.size, 0.08) + 0.3 * t / seconds)
    found = looked(t, y, 1.0)
    assert found.coarse is not None
    assert found.coarse.id == "resolution_too_coarse"
    assert dict(found.left_out).get("stuck", 0) == 0
    # where the pressure runs through many steps they hide nothing
    assert looked(t, np.round(y + 40.0 * t / seconds), 1.0).coarse is None


@pytest.mark.parametrize(("rate_hz", "seconds"), LENGTHS)
def test_spikes_are_left_out_and_counted(rate_hz: float, seconds: float) -> None:
    t = times(rate_hz, seconds)
    y = 100.0 + noise(t.size) + 0.2 * t
    at = np.arange(3, t.size - 3, 311)
    y[at] += np.where(at % 2, 40.0, -25.0)
    found = looked(t, y)
    assert dict(found.left_out)["jump"] == pytest.approx(at.size, rel=0.05, abs=1)
    assert why(found) is None
    assert abs(float(np.mean(found.value - 0.2 * found.t_s)) - 100.0) < 0.1


@pytest.mark.parametrize(("rate_hz", "seconds"), LENGTHS)
def test_what_wire_and_range_said_is_counted_by_class(
    rate_hz: float, seconds: float
) -> None:
    t = times(rate_hz, seconds)
    y = 100.0 + noise(t.size)
    flags = np.zeros(t.size, np.uint8)
    flags[5:8] = Flag.MISSING
    y[5:8] = np.nan
    flags[20:22] = Flag.LATE
    flags[30] = Flag.DEVICE
    y[40:44] = np.inf
    found = looked(t, y, flags=flags)
    counts = {"missing": 3, "late": 2, "device": 1, "no_number": 4}
    assert dict(found.left_out) == counts
    assert found.used + found.dropped == t.size
    flags[50] = Flag.SATURATED
    assert why(looked(t, y, flags=flags)) == "samples_saturated"
    flags[100:] = Flag.DEVICE
    flags[50] = 0
    assert why(looked(t, y, flags=flags)) == "samples_bad"


@pytest.mark.parametrize(("rate_hz", "seconds"), LENGTHS)
def test_a_gap_is_told_and_uneven_times_are_none(
    rate_hz: float, seconds: float
) -> None:
    t = times(rate_hz, seconds)
    picks = np.random.default_rng(2)
    t = t + picks.uniform(0.0, 0.9 / rate_hz, t.size)
    y = 100.0 + noise(t.size) + 0.2 * t
    assert why(looked(t, y)) is None
    keep = (t < 0.5 * seconds) | (t > 0.5 * seconds + 5.0)
    found = looked(t[keep], y[keep])
    assert why(found) == "gap_in_window"
    (gap,) = found.gaps
    assert gap == pytest.approx((0.5 * seconds, 0.5 * seconds + 5.0), abs=0.2)


def test_nothing_that_was_read_is_changed() -> None:
    t = times(1000.0, 20.0)
    y = 100.0 + noise(t.size)
    y[500] = 400.0
    trace = Trace("PT-2", t, y, np.zeros(t.size, np.uint8))
    stretch(trace, 0.0, 20.0, 0.1)
    assert np.array_equal(trace.value, y)
    assert not trace.flags.any()
    assert not trace.value.flags.writeable


def test_means_over_short_times_are_those_of_the_samples() -> None:
    t = times(1000.0, 600.0)
    y = 100.0 + noise(t.size) + 0.01 * t
    found = looked(t, y)
    assert 4096 <= found.value.size < 10_000
    assert found.value.size * found.each == pytest.approx(t.size)
    assert float(np.mean(found.value)) == pytest.approx(float(np.mean(y)), abs=1e-3)
    slope = np.polyfit(found.t_s, found.value, 1)[0]
    assert slope == pytest.approx(np.polyfit(t, y, 1)[0], abs=2e-6)


def test_the_running_median_is_that_of_the_window_with_its_slope() -> None:
    y = noise(50) + np.arange(50.0)
    window = y[20:31]
    slope = np.median(window[6:]) - np.median(window[:5])
    flat = window - slope * (np.arange(11) - 5.0) / 6.0
    assert running_median(y)[25] == pytest.approx(np.median(flat))
