"""What is kept of a channel, and what is drawn of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gui.bench_desk.live import Live
from gui.history import FOLD, GAP_S, History
from records.measure import parse_quantity
from records.rig import Channel
from records.trace import FloatArray, Trace

CHANNEL = Channel(
    id="outlet",
    role="outlet",
    station="a",
    instrument="i",
    unit="kPa gauge",
    span=(parse_quantity("0 kPa gauge"), parse_quantity("25 kPa gauge")),
    resolution=parse_quantity("1 Pa difference"),
)


def trace(t: FloatArray, value: FloatArray, flags: FloatArray | None = None) -> Trace:
    given = np.zeros(t.size, np.uint8) if flags is None else flags.astype(np.uint8)
    return Trace("outlet", t, value, given)


def filled(t: FloatArray, value: FloatArray, blocks: int) -> History:
    history = History()
    for piece in np.array_split(np.arange(t.size), blocks):
        if piece.size:
            history.add(trace(t[piece], value[piece]))
    return history


@settings(max_examples=40)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 9000),
    st.integers(1, 60),
    st.integers(64, 300),
)
def test_no_lowest_or_highest_is_lost(
    seed: int, n: int, blocks: int, buckets: int
) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(n) * 0.05
    value = rng.normal(size=n)
    value[rng.integers(0, n)] = 99.0
    history = filled(t, value, blocks)
    start, stop = sorted(rng.uniform(-1.0, t[-1] + 1.0, 2))
    _, inside = history.between(start, stop)
    drawn_t, drawn = history.drawn(start, stop, buckets)
    assert drawn_t.size <= max(4 * buckets, 4 * buckets + 200)
    assert np.all(np.diff(drawn_t) >= 0.0)
    if inside.size:
        assert np.max(drawn) >= np.max(inside)
        assert np.min(drawn) <= np.min(inside)
        assert np.max(drawn) <= np.max(value)


def test_the_length_of_a_run_does_not_make_its_picture_longer() -> None:
    n = FOLD**4 * 5
    t = np.arange(n) * 0.02
    history = filled(t, np.sin(t), 40)
    drawn_t, _ = history.drawn(0.0, float(t[-1]), 600)
    assert drawn_t.size < 2600


def test_a_line_is_broken_where_nothing_was_read() -> None:
    history = History()
    history.add(trace(np.array([0.0, 0.1]), np.ones(2)))
    history.add(trace(np.array([0.1 + 2 * GAP_S, 2.3]), np.ones(2)))
    _, value = history.between(0.0, 9.0)
    assert np.isnan(value).sum() == 1
    assert np.isnan(value[2])


def test_a_flagged_reading_is_not_drawn() -> None:
    history = History()
    history.add(trace(np.arange(3) * 0.1, np.ones(3), np.array([0, 1, 0])))
    assert np.isnan(history.between(0.0, 1.0)[1][1])


def live(period_s: float = 0.05) -> Live:
    return Live(CHANNEL, period_s)


def test_the_trend_of_a_line_is_its_slope() -> None:
    # against numpy.polyfit (reference library: NumPy)
    one = live()
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 40.0, 0.05)
    value = 2800.0 + 0.7 * t + rng.normal(scale=2.0, size=t.size)
    one.add(trace(t, value))
    late = t >= t[-1] - 30.0
    slope = np.polyfit(t[late], value[late], 1)[0]
    found = one.trend(float(t[-1]) - 30.0, float(t[-1]))
    assert found == pytest.approx(slope, rel=1e-9)


def test_no_trend_is_told_of_a_short_stretch() -> None:
    one = live()
    t = np.arange(0.0, 5.0, 0.05)
    one.add(trace(t, t))
    assert one.trend(0.0, 5.0) is None


def test_the_highest_is_that_of_whole_seconds_and_no_spike() -> None:
    one = live(0.1)
    t = np.arange(0.0, 5.0, 0.1)
    value = np.where((t >= 2.0) & (t < 2.999), 20.0, 10.0)
    value[5] = 500.0  # before the hold
    value[35] = 15.0
    one.add(trace(t[:20], value[:20]))
    one.hold_from(1.0)
    one.add(trace(t[20:], value[20:]))
    assert one.highest == pytest.approx(20.0)


def test_missing_readings_are_counted() -> None:
    one = live(0.05)
    t = np.concatenate((np.arange(10) * 0.05, 0.45 + 0.2 + np.arange(5) * 0.05))
    flags = np.zeros(15)
    flags[3] = 1
    one.add(trace(t[:7], np.ones(7), flags[:7]))
    one.add(trace(t[7:], np.ones(8), flags[7:]))
    assert one.missing == 1 + 3


def test_a_silent_channel_shows_no_reading() -> None:
    one = live()
    one.add(trace(np.array([0.0, 0.05]), np.ones(2)))
    assert one.now(0.05) == 1.0
    assert one.now(3.0) is None
