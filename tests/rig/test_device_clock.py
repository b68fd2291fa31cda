"""Clocks of devices that turn over, start again, are set, or stand still."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.instruments.device_clock import DeviceClock

MS = 1_000_000
S = 1_000 * MS
TURN = 2**32 * 1_000  # a 32-bit counter of microseconds: 71.6 minutes


def run(clock: DeviceClock, pairs: list[tuple[int, int]]) -> list[tuple[int, bool]]:
    return [clock.place(t, host) for t, host in pairs]


def test_a_plain_clock_is_taken_as_it_is() -> None:
    clock = DeviceClock()
    pairs = [(7 * S + n * 50 * MS, n * 50 * MS + n % 3) for n in range(100)]
    assert run(clock, pairs) == [(t, True) for t, _ in pairs]
    assert clock.shifts == []


@given(start=st.integers(TURN - 5 * S, TURN - 1), drift_ppm=st.integers(-500, 500))
def test_a_clock_that_turns_over_goes_on(start: int, drift_ppm: int) -> None:
    clock = DeviceClock(TURN)
    steps = [round(n * 50 * MS * (1 + drift_ppm * 1e-6)) for n in range(200)]
    placed = run(
        clock, [((start + s) % TURN, n * 50 * MS) for n, s in enumerate(steps)]
    )
    assert [t for t, _ in placed] == [start + s for s in steps]
    assert all(new for _, new in placed)
    (shift,) = clock.shifts
    assert (shift.what, shift.shift_ns) == ("clock_turned", TURN)


def test_a_turn_while_nobody_could_read() -> None:
    clock = DeviceClock(TURN)
    clock.place(TURN - 2 * S, 0)
    for n in range(1, 20):
        clock.guess(n * 500 * MS)
    assert clock.place(8 * S, 10 * S) == (TURN + 8 * S, True)


def test_a_device_that_was_rebooted_goes_on_by_the_host_s_clock() -> None:
    clock = DeviceClock()
    run(clock, [(1000 * S + n * 50 * MS, n * 50 * MS) for n in range(20)])
    last = 1000 * S + 950 * MS
    # four seconds later it counts from zero; one reading alone is not believed
    # and stands after whatever was told of meanwhile
    assert clock.guess(4000 * MS) == last + 3050 * MS
    assert clock.place(3 * S, 4950 * MS) == (last + 4 * S, False)
    t, new = clock.place(3 * S + 50 * MS, 5000 * MS)
    assert (t, new) == (last + 4050 * MS, True)
    assert clock.place(3 * S + 100 * MS, 5050 * MS) == (last + 4100 * MS, True)
    (shift,) = clock.shifts
    assert shift.what == "clock_set"
    assert t - shift.shift_ns == 3 * S + 50 * MS, "the clock's own figure comes back"


def test_a_clock_set_forward_makes_no_long_hold() -> None:
    clock = DeviceClock()
    run(clock, [(n * 50 * MS, n * 50 * MS) for n in range(20)])
    hour = 3600 * S
    assert clock.place(hour + 1000 * MS, 1000 * MS)[1] is False
    assert clock.place(hour + 1050 * MS, 1050 * MS) == (1050 * MS, True)


def test_one_wild_reading_changes_nothing() -> None:
    clock = DeviceClock()
    run(clock, [(n * 50 * MS, n * 50 * MS) for n in range(20)])
    assert clock.place(77 * 3600 * S, 1000 * MS) == (1000 * MS, False)
    assert clock.place(1050 * MS, 1050 * MS) == (1050 * MS, True)
    assert clock.shifts == []


@pytest.mark.parametrize("back_ms", [0, 50, 900])
def test_an_older_answer_is_not_new(back_ms: int) -> None:
    clock = DeviceClock()
    run(clock, [(10 * S + n * 50 * MS, n * 50 * MS) for n in range(30)])
    t = 10 * S + 1450 * MS - back_ms * MS
    assert clock.place(t, 1500 * MS) == (t, False)
    assert clock.place(10 * S + 1550 * MS, 1550 * MS) == (10 * S + 1550 * MS, True)


def test_a_gap_is_guessed_by_the_host_and_time_still_rises() -> None:
    clock = DeviceClock()
    clock.place(5 * S, 0)
    guesses = [clock.guess(n * 250 * MS) for n in range(1, 41)]
    assert guesses == [5 * S + n * 250 * MS for n in range(1, 41)]
    # a rig that waited for its reader is behind the guesses
    t, new = clock.place(6 * S, 10_100 * MS)
    assert new
    assert t > guesses[-1]
    assert clock.place(6 * S + 50 * MS, 10_150 * MS)[0] == t + 50 * MS
    assert clock.shifts[0].what == "clock_set"


@given(
    st.lists(
        st.tuples(st.integers(0, 2 * TURN), st.integers(1, 5 * S)),
        min_size=1,
        max_size=60,
    ),
    st.sampled_from([0, TURN]),
)
def test_whatever_a_clock_says_new_readings_rise(
    wild: list[tuple[int, int]], turn: int
) -> None:
    clock = DeviceClock(turn)
    host, last = 0, None
    for t_ns, step in wild:
        host += step
        t, new = clock.place(t_ns, host)
        if new:
            assert last is None or t > last
            last = t
