"""One detector: the same events for any blocking, times from the trace."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.bins import BIN_S, Bins
from analysis.events import (
    Event,
    EventDetector,
    accepted_closing_s,
    find_events,
    find_holds,
    shut_off,
)
from records.trace import Flag, Trace
from tests.analysis.published import Array, chamber, times

SPAN, STEP = 10_000.0, 0.2


def smooth(t: Array, start: float, stop: float) -> Array:
    x = np.clip((t - start) / (stop - start), 0.0, 1.0)
    return np.asarray(x * x * (3.0 - 2.0 * x))


def trace(
    formula: Callable[[Array], Array],
    seconds: float,
    rate: float = 20.0,
    noise: float = 0.8,
    seed: int = 0,
) -> Trace:
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, seconds, 1.0 / rate)
    y = formula(t) + noise * rng.standard_normal(t.size)
    return Trace("outlet", t, np.round(y / STEP) * STEP, np.zeros(t.size, np.uint8))


def busy(t: Array) -> Array:
    return np.asarray(
        2740.0
        + 400.0 * (smooth(t, 12.0, 14.0) - smooth(t, 20.0, 20.6))
        + 5.0 * np.clip(t - 25.0, 0.0, 10.0)
        - 2700.0 * smooth(t, 40.0, 43.0)
    )


@settings(max_examples=25)
@given(
    cuts=st.lists(st.integers(1, 200), min_size=3, max_size=40),
    gap_s=st.floats(0.0, 0.5),
    rate=st.sampled_from([5.0, 10.0, 20.0, 60.0]),
)
def test_any_blocking_gives_the_same_events(
    cuts: list[int], gap_s: float, rate: float
) -> None:
    whole = trace(busy, 50.0, rate)
    keep = np.ones(len(whole), dtype=bool)
    # a short gap, and a sample that was not read
    keep[(whole.t_s > 13.0) & (whole.t_s < 13.0 + gap_s - 1.0 / rate)] = False
    flags = np.array(whole.flags)
    flags[150] = Flag.MISSING
    cut = Trace(whole.channel, whole.t_s[keep], whole.value[keep], flags[keep])
    expected = find_events(cut, SPAN, STEP)
    detector = EventDetector("outlet", SPAN, STEP)
    events: list[Event] = []
    start = 0
    number = 0
    while start < len(cut):
        stop = start + cuts[number % len(cuts)]
        events += detector.feed(
            cut.t_s[start:stop], cut.value[start:stop], cut.flags[start:stop]
        )
        start, number = stop, number + 1
    assert events == expected
    assert [e.kind for e in expected][:2] == ["rise", "fall"]


@pytest.mark.parametrize("rise", [100.0, 250.0, 700.0])
@pytest.mark.parametrize("closing", [1.5, 4.0])
@pytest.mark.parametrize("leak", [0.0, 2.5])
def test_shut_off_is_timed_to_a_tenth_of_a_second(
    rise: float, closing: float, leak: float
) -> None:
    found = trace(
        lambda t: np.asarray(
            2740.0
            + rise * smooth(t, 20.0, 20.0 + closing)
            + leak * np.clip(t - 20.0 - closing, 0.0, None)
        ),
        60.0,
    )
    events = find_events(found, SPAN, STEP)
    assert [e.kind for e in events] == ["rise"]
    shut = shut_off(found, 5.0, 40.0)
    assert shut is not None
    assert shut.t50_s == pytest.approx(20.0 + closing / 2.0, abs=0.15)
    assert events[0].t_s == pytest.approx(20.0 + closing / 2.0, abs=0.15)
    assert shut.onset_s == pytest.approx(20.0, abs=0.3)
    assert 0.7 * closing < shut.closing_s < 1.1 * closing
    assert shut.after - shut.before == pytest.approx(rise, abs=4.0 + 3.0 * leak)


def slow_lockup(
    t: Array, at_s: float, turned_s: float, rise: float, tau_s: float
) -> Array:
    """Return an outlet whose regulator fills it up slowly once its flow stops.

    What comes is as the lack of pressure, what goes is let out by a valve that is
    turned shut evenly.
    """
    step = 0.005
    fine = np.arange(t[0], t[-1] + step, step)
    open_ = 1.0 - np.clip((fine - at_s) / turned_s, 0.0, 1.0)
    y = np.zeros(fine.size)
    for i in range(1, fine.size):
        y[i] = y[i - 1] + step * (rise * (1.0 - open_[i]) - y[i - 1]) / tau_s
    return np.asarray(1740.0 + np.interp(t, fine, y))


def half_of(formula: Callable[[Array], Array], before: float) -> float:
    """Return when half of a rise is done, its level read three seconds after that."""
    t = np.arange(0.0, 40.0, 0.005)
    y = formula(t) - before
    off = y - 0.5 * np.interp(t + 3.0, t, y)
    return float(t[np.flatnonzero((off >= 0.0) & (y > 0.5))[0]])


@pytest.mark.parametrize("turned_s", [1.5, 3.0])
@pytest.mark.parametrize(("rise", "tau_s"), [(50.0, 3.4), (50.0, 4.5), (30.0, 4.0)])
def test_the_closing_before_a_slow_lockup_is_found_and_timed(
    turned_s: float, rise: float, tau_s: float
) -> None:
    def formula(t: Array) -> Array:
        return slow_lockup(t, 20.0, turned_s, rise, tau_s)

    half_s = half_of(formula, 1740.0)
    closings = []
    for seed in range(8):
        found = trace(formula, 60.0, noise=0.6, seed=seed)
        shut = shut_off(found, 5.0, 60.0)
        assert shut is not None
        assert abs(shut.t50_s - half_s) < 3.0 * shut.u_s
        assert 0.1 <= shut.u_s < 0.6
        assert shut.onset_s == pytest.approx(20.0, abs=1.5)
        closings.append(shut.closing_s)
    # a valve that was turned in such a time is not said to be turned too slowly
    least, most = accepted_closing_s(1.0, 5.0)
    assert least < float(np.median(closings)) < most


@pytest.mark.parametrize("turned_s", [10.0, 13.0])
def test_a_valve_turned_shut_slowly_is_not_taken_for_a_slow_lockup(
    turned_s: float,
) -> None:
    for seed in range(8):
        found = trace(
            lambda t: slow_lockup(t, 20.0, turned_s, 50.0, 3.4),
            60.0,
            noise=0.6,
            seed=seed,
        )
        shut = shut_off(found, 5.0, 60.0)
        assert shut is not None
        assert shut.closing_s > accepted_closing_s(1.0, 5.0)[1]
        # while it is turned nothing is said yet
        early = shut_off(found, 5.0, 20.0 + 0.6 * turned_s)
        assert early is None


@pytest.mark.parametrize("creep", [0.0, 0.3, 1.0, 2.5])
def test_no_closing_is_found_where_an_outlet_only_creeps(creep: float) -> None:
    for seed in range(20):
        found = trace(
            lambda t: np.asarray(1740.0 + creep * t), 60.0, noise=0.6, seed=seed
        )
        assert shut_off(found, 0.0, 60.0) is None


@pytest.mark.parametrize(("noise", "level"), [(0.8, 2740.0), (10.0, 69_000.0)])
def test_quiet_traces_show_nothing(noise: float, level: float) -> None:
    for seed in range(5):
        quiet = trace(lambda t: np.full(t.size, level), 600.0, noise=noise, seed=seed)
        assert find_events(quiet, SPAN, STEP) == []


@pytest.mark.parametrize("leak", [8.0, 30.0, 83.0])
def test_a_creep_after_shut_off_does_not_keep_the_transition_open(leak: float) -> None:
    found = trace(
        lambda t: np.asarray(
            2740.0 + 400.0 * smooth(t, 20.0, 22.0) + leak * np.clip(t - 22.0, 0.0, None)
        ),
        45.0,
    )
    detector = EventDetector("outlet", SPAN, STEP)
    events = detector.feed(found.t_s, found.value, found.flags)
    assert [e.kind for e in events] == ["rise"]
    assert not detector.moving


def test_moving_is_said_while_a_transition_is_open() -> None:
    found = trace(lambda t: np.asarray(400.0 * smooth(t, 10.0, 13.0)), 30.0)
    detector = EventDetector("outlet", SPAN, STEP)
    moving = []
    for i in range(len(found)):
        detector.feed(found.t_s[i : i + 1], found.value[i : i + 1])
        moving.append(detector.moving)
    inside = [m for t, m in zip(found.t_s, moving, strict=True) if 11.0 < t < 13.0]
    outside = [m for t, m in zip(found.t_s, moving, strict=True) if not 10 < t < 15]
    assert all(inside)
    assert not any(outside)
    assert detector.open_since is None


def plain_bins(t: Array, y: Array) -> list[tuple[float, float]]:
    """Return time and value of each bin but the last, one sample after another."""
    found: dict[int, list[tuple[float, float]]] = {}
    for u, v in zip(t.tolist(), y.tolist(), strict=True):
        found.setdefault(int((u - t[0]) / BIN_S + 1e-6), []).append((u, v))
    out = []
    for number in sorted(found)[:-1]:
        times_, values = zip(*found[number], strict=True)
        n = len(values)
        value = sum(values) / n if n < 3 else sorted(values)[n // 2]
        out.append((0.5 * (times_[0] + times_[-1]), value))
    return out


@settings(max_examples=25, deadline=None)
@given(
    cuts=st.lists(st.integers(7, 40_000), min_size=1, max_size=12),
    rate=st.sampled_from([10.0, 20.0, 33.3, 1000.0]),
    shift=st.sampled_from([0.0, 4096.0]),
    jitter=st.sampled_from([0.0, 0.1, 0.4]),
)
def test_bins_are_those_of_one_sample_after_another(
    cuts: list[int], rate: float, shift: float, jitter: float
) -> None:
    rng = np.random.default_rng(3)
    n = 40_000 if rate == 1000.0 else 1000
    t = shift + (np.arange(n) + jitter * rng.random(n)) / rate
    y = rng.standard_normal(n)
    bins = Bins()
    got: list[tuple[float, float]] = []
    start = number = 0
    while start < n:
        stop = start + cuts[number % len(cuts)]
        for anew, times_, values in bins.feed(t[start:stop], y[start:stop]):
            assert not anew
            got += zip(times_, values, strict=True)
        start, number = stop, number + 1
    expected = plain_bins(t, y)
    # bins that no sample fell into are on the line between, and not compared
    kept = [pair for pair in got if pair in set(expected)]
    assert kept == expected
    if rate >= 20.0:
        assert len(got) == pytest.approx((t[-1] - t[0]) / BIN_S, abs=1.5)


def test_time_that_goes_back_or_is_no_number_gives_no_error() -> None:
    back = np.array([0.0, 1.0, 0.5, np.nan, 0.2, 0.2, np.inf, -5.0] * 50)
    detector = EventDetector("outlet", SPAN, STEP)
    assert detector.feed(back, np.full(back.size, 5.0)) == []
    assert detector.feed([], []) == []


def test_time_origin_and_unit_do_not_matter() -> None:
    first = trace(busy, 50.0)
    moved = Trace("outlet", first.t_s + 4096.0, first.value, first.flags)
    scaled = Trace("outlet", first.t_s, first.value * 1e-3, first.flags)
    events = find_events(first, SPAN, STEP)
    later = find_events(moved, SPAN, STEP)
    smaller = find_events(scaled, SPAN * 1e-3, STEP * 1e-3)
    assert [e.t_s for e in later] == pytest.approx([e.t_s + 4096.0 for e in events])
    assert [e.change for e in smaller] == pytest.approx(
        [e.change * 1e-3 for e in events]
    )


def test_a_recorded_chamber_hold_is_one_hold() -> None:
    """Origin and licence: ``tests/published/README.md``."""
    found = chamber()
    assert find_holds(found) == [(found.t_s[0], found.t_s[-1])]


def test_holds_lie_between_transitions_and_above_zero() -> None:
    found = trace(
        lambda t: np.asarray(
            5000.0 * (smooth(t, 40.0, 44.0) - smooth(t, 120.0, 124.0))
        ),
        200.0,
    )
    holds = find_holds(found)
    assert len(holds) == 1
    assert holds[0] == pytest.approx((44.0, 120.0), abs=1.5)


@pytest.mark.parametrize(
    "value",
    [
        np.empty(0),
        np.array([1.0]),
        np.full(100, np.nan),
        np.full(100, 5.0),
        np.full(100, 1e9),
    ],
)
def test_strange_traces_give_no_event_and_no_error(value: Array) -> None:
    odd = Trace(
        "outlet", times(value.size, 0.05), value, np.zeros(value.size, np.uint8)
    )
    assert find_events(odd, SPAN, STEP) == []
    assert shut_off(odd, 0.0, 10.0) is None
    assert find_holds(odd) == []


def test_a_keen_eye_sees_half_as_much_and_no_noise_in_a_level_that_bends() -> None:
    def warming(t: Array) -> Array:
        # as gas does after a vent was shut
        bend = 1500.0 * (1.0 - np.exp(-np.clip(t - 10.0, 0.0, None) / 4.0))
        return np.asarray(50_000.0 + bend)

    found = trace(warming, 24.0, noise=0.8)
    thresholds = {}
    for keen in (False, True):
        detector = EventDetector("inlet", SPAN, STEP, keen=keen)
        detector.feed(found.t_s, found.value, found.flags)
        thresholds[keen] = detector.threshold
    assert thresholds[False] > 4.0 * thresholds[True]

    def step(t: Array) -> Array:
        return np.asarray(2740.0 + 4.0 * smooth(t, 20.0, 20.3))

    small = trace(step, 30.0, noise=0.2)
    seen = {
        keen: EventDetector("outlet", SPAN, STEP, keen=keen).feed(
            small.t_s, small.value, small.flags
        )
        for keen in (False, True)
    }
    assert not seen[False]
    assert [event.kind for event in seen[True]] == ["rise"]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_keen_eye_sees_at_once_that_a_movement_turned_round(
    way: float, seed: int
) -> None:
    """A vent is shut: the gas fell by 150 Pa/s, and now warms by 50 Pa/s."""
    turn, noise = 20.0, 0.8

    def formula(t: Array) -> Array:
        fall = -150.0 * np.clip(t - 12.0, 0.0, turn - 12.0)
        return np.asarray(50_000.0 + way * (fall + 50.0 * np.clip(t - turn, 0.0, 5.0)))

    found = trace(formula, 30.0, noise=noise, seed=seed)
    six_sigma_s = turn + 6.0 * noise / 50.0
    told = {}
    for keen in (False, True):
        detector = EventDetector("inlet", SPAN, STEP, keen=keen)
        events: list[Event] = []
        for i, t in enumerate(found.t_s):
            cut = slice(i, i + 1)
            events += detector.feed(found.t_s[cut], found.value[cut], found.flags[cut])
            if t > turn - 1.0 and detector.direction == way:
                told[keen] = t - six_sigma_s
                break
        if keen:
            cut = slice(i + 1, None)
            events += detector.feed(found.t_s[cut], found.value[cut], found.flags[cut])
            # what rose is measured from where it turned
            back = events[-1]
            assert back.kind == ("rise" if way > 0.0 else "fall")
            assert abs(back.window_s[0] - turn) < 0.5
            assert back.change == pytest.approx(way * 250.0, abs=20.0)
    assert told[True] < 0.5 < told[False], told


def test_a_keen_eye_sees_no_turn_in_the_noise_of_an_even_movement() -> None:
    for seed in range(20):
        down = trace(lambda t: 50_000.0 - 40.0 * t, 60.0, noise=0.8, seed=seed)
        detector = EventDetector("inlet", SPAN, STEP, keen=True)
        ways = set()
        for i in range(down.t_s.size):
            cut = slice(i, i + 1)
            detector.feed(down.t_s[cut], down.value[cut], down.flags[cut])
            ways.add(detector.direction)
        assert 1 not in ways, f"seed {seed}"
