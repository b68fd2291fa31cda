"""What is kept of a channel, and what is drawn of it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from gui.bars import split
from gui.bench_desk.live import Live
from gui.history import FOLD, GAP_S, History
from records.measure import parse_quantity
from records.rig import Channel
from records.trace import Trace

CHANNEL = Channel(
    id="outlet",
    role="outlet",
    station="a",
    instrument="i",
    unit="kPa gauge",
    span=(parse_quantity("0 kPa gauge"), parse_quantity("25 kPa gauge")),
    resolution=parse_quantity("1 Pa difference"),
)


def trace(
    t: NDArray[Any], value: NDArray[Any], flags: NDArray[Any] | None = None
) -> Trace:
    given = np.zeros(t.size, np.uint8) if flags is None else flags.astype(np.uint8)
    return Trace("outlet", t, value, given)


def filled(t: NDArray[Any], value: NDArray[Any], blocks: int) -> History:
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


def test_what_is_kept_of_a_day_is_little_more_than_of_an_hour() -> None:
    history, many = History(), 100_000
    sizes = []
    for first in range(0, 12_000_000, many):  # more than three hours at 1 kHz
        t = np.arange(first, first + many) * 0.001
        history.add(trace(t, np.sin(t / 300.0)))
        sizes.append(sum(level.all.nbytes for level in history._levels))
    assert len(history) == 12_000_000
    assert max(sizes) < 10_000_000
    assert sizes[-1] <= max(sizes[: len(sizes) // 2])
    drawn_t, drawn = history.drawn(0.0, 12_000.0, 600)
    assert 600 <= drawn_t.size < 2600
    assert np.all(np.diff(drawn_t) >= 0.0)
    assert np.nanmax(drawn) == pytest.approx(1.0, abs=1e-6)
    assert drawn_t[-1] == pytest.approx(11_999.999)


@settings(max_examples=25)
@given(
    st.floats(0.0, 3900.0),
    st.floats(1.0, 4000.0),
    st.integers(64, 400),
    st.integers(0, 3),
)
def test_no_spike_is_lost_however_far_back_it_lies(
    long: History, start: float, span: float, buckets: int, which: int
) -> None:
    at_s, high = SPIKES[which]
    t, value = long.drawn(start, start + span, buckets)
    assert t.size <= 4 * buckets + 200
    assert np.all(np.diff(t) >= 0.0)
    if start <= at_s <= min(start + span, 4000.0):
        assert np.nanmax(value) >= high


SPIKES = [(7.0, 5.0), (1000.5, 6.0), (2500.0, 7.0), (3999.0, 8.0)]


@pytest.fixture(scope="module")
def long() -> History:
    """Return more than an hour at 1 kHz, with a spike here and there."""
    history, many = History(), 100_000
    for first in range(0, 4_000_000, many):
        t = (np.arange(first, first + many)) * 0.001
        value = np.zeros(many)
        for at_s, high in SPIKES:
            value[np.abs(t - at_s) < 1e-6] = high
        history.add(trace(t, value))
    return history


def test_a_gap_stays_a_gap_in_the_coarsest_picture() -> None:
    history = History()
    for begin in (0.0, 1000.0):
        t = begin + np.arange(600_000) * 0.001
        history.add(trace(t, np.ones(t.size)))
    t, value = history.drawn(0.0, 1600.0, 300)
    inside = (t > 601.0) & (t < 999.0)
    assert np.isnan(value[inside]).any()


def test_what_was_let_go_of_is_read_again_where_somebody_looks() -> None:
    asked: list[tuple[float, float]] = []
    every = np.arange(1_000_000) * 0.001

    def again(start: float, stop: float) -> tuple[NDArray[Any], NDArray[Any]]:
        asked.append((start, stop))
        t = every[(every >= start) & (every <= stop)]
        return t, np.sin(t)

    history = History()
    for piece in np.array_split(every, 20):
        history.add(trace(piece, np.sin(piece)))
    coarse_t, _ = history.drawn(100.0, 101.0, 600)
    assert coarse_t.size < 200
    history.read_again = again
    t, value = history.drawn(100.0, 101.0, 600)
    assert t.size == pytest.approx(1002, abs=2)
    np.testing.assert_array_equal(value, np.sin(t))
    history.drawn(100.2, 101.4, 600)  # a look aside needs no reading
    assert len(asked) == 1
    between_t, _ = history.between(100.0, 100.5)
    assert between_t.size == 501
    history.drawn(999.0, 999.9, 600)  # what is here is not read again
    assert len(asked) == 1


# --- columns -------------------------------------------------------------------------


def test_wide_noise_becomes_columns_and_a_lone_step_stays_a_line() -> None:
    t = np.repeat(np.arange(100.0), 2)
    value = np.tile([0.0, 0.1], 100)
    value[80:120] = np.tile([-3.0, 3.0], 20)
    value[21] = 9.0  # a spike
    found = split(t, value, 1.0)
    assert found.bars.shape == (4, 20)
    left, right, low, high = found.bars
    assert (left[0], right[-1]) == (40.0, 60.0)
    np.testing.assert_array_equal(right[:-1], left[1:])
    assert np.all(low == -3.0)
    assert np.all(high == 3.0)
    assert found.value[21] == 9.0
    gone = np.isnan(found.value)
    assert not gone[:81].any()
    assert gone[81:120].all()
    assert not gone[120:].any()


def test_a_calm_trace_has_no_columns() -> None:
    t = np.arange(500.0)
    found = split(t, np.sin(t), 0.1)
    assert found.bars.shape[1] == 0
    assert found.value is not None
    np.testing.assert_array_equal(found.value, np.sin(t))


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
