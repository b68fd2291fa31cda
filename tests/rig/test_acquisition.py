"""The acquisition loop, on a clock that the test moves."""

from __future__ import annotations

from collections.abc import Callable
from itertools import islice

import numpy as np
import pytest

from records.errors import RigError
from records.measure import parse_quantity
from records.rig import PATIENCE_S, Instrument
from records.trace import Block, Flag
from rig.acquisition import BLOCK_NS, Acquisition
from rig.instruments.reading import Reading

MS = 1_000_000


class ManualClock:
    """Time passes only by sleeping, and by what a reading takes."""

    def __init__(self) -> None:
        self.now_ns = 5_000_000_000

    def monotonic_ns(self) -> int:
        return self.now_ns

    def utc_ns(self) -> int:
        return 1_000 + self.now_ns

    def wall_ns(self, elapsed_ns: int) -> int:
        return elapsed_ns

    def sleep_until_ns(self, monotonic_ns: int) -> None:
        self.now_ns = max(self.now_ns, monotonic_ns)


class Scripted:
    """An instrument whose answers the test writes."""

    def __init__(
        self,
        clock: ManualClock,
        answer: Callable[[int], int | None],
        period: str = "20 ms",
    ) -> None:
        self.declared = Instrument(
            id="one",
            protocol="modbus-tcp",
            host="h",
            period=parse_quantity(period),
            timeout=parse_quantity("500 ms"),
        )
        self._clock = clock
        self._answer = answer
        self.asked = 0

    def read(self) -> Reading:
        self.asked += 1
        t_ns = self._answer(self.asked)
        if t_ns is None:
            raise RigError("instrument_silent", where="one", host="h", port=502)
        now = self._clock.now_ns
        return Reading(t_ns, now, np.array([float(self.asked)]), np.zeros(1, np.uint8))

    def close(self) -> None:
        pass


def test_blocks_are_short_and_the_schedule_does_not_drift() -> None:
    clock = ManualClock()
    acquisition = Acquisition(1, [Scripted(clock, lambda n: clock.now_ns)], clock)
    blocks = list(islice(acquisition.blocks(), 20))
    t = np.concatenate([b.t_ns for b in blocks])
    np.testing.assert_array_equal(np.diff(t), 20 * MS)
    assert all(b.t_ns[-1] - b.t_ns[0] <= BLOCK_NS for b in blocks)
    assert acquisition.counts.overrun == 0


def test_a_slow_answer_is_counted_and_the_schedule_kept() -> None:
    clock = ManualClock()

    def answer(n: int) -> int:
        clock.now_ns += 70 * MS if n == 10 else MS
        return clock.now_ns

    acquisition = Acquisition(1, [Scripted(clock, answer)], clock)
    start = clock.now_ns
    blocks = list(islice(acquisition.blocks(), 10))
    t = np.concatenate([b.t_ns for b in blocks])
    assert acquisition.counts.overrun == 2
    assert acquisition.counts.stale == 0
    on_time = [x for x in t.tolist() if (x - start) % (20 * MS) == MS]
    assert len(on_time) == len(t) - 2  # all but the slow one and the one after it


def test_the_origin_ties_the_instrument_s_clock_to_the_start_of_the_part() -> None:
    clock = ManualClock()
    ahead = 777_000_000_000
    acquisition = Acquisition(
        1, [Scripted(clock, lambda n: clock.now_ns + ahead)], clock
    )
    next(acquisition.blocks())
    part = acquisition.part
    assert part.origins["one"] - part.host_ns == ahead


def test_a_poll_right_after_a_late_one_is_no_stale_answer() -> None:
    clock = ManualClock()
    began = clock.now_ns

    def answer(n: int) -> int:
        clock.now_ns += 35 * MS if n == 10 else 0
        # a device that renews its reading each 20 ms, and is asked each 20 ms
        return (clock.now_ns - began + 15 * MS) // (20 * MS) * 20 * MS

    acquisition = Acquisition(1, [Scripted(clock, answer)], clock)
    blocks = list(islice(acquisition.blocks(), 10))
    t = np.concatenate([b.t_ns for b in blocks])
    flags = np.concatenate([b.flags for b in blocks])
    assert acquisition.counts.stale == 0
    assert not flags.any()
    assert np.all(np.diff(t) > 0)


def test_the_same_answer_again_is_marked_not_measured_twice() -> None:
    clock = ManualClock()
    stuck = 9_000_000_000
    acquisition = Acquisition(
        1, [Scripted(clock, lambda n: clock.now_ns if n < 4 else stuck)], clock
    )
    blocks = list(islice(acquisition.blocks(), 3))
    flags = np.concatenate([b.flags[:, 0] for b in blocks])
    assert flags[:3].tolist() == [0, 0, 0]
    assert set(flags[4:].tolist()) == {int(Flag.LATE)}
    assert acquisition.counts.stale == len(flags) - 4


def test_a_single_lost_answer_is_a_row_of_missing_samples() -> None:
    clock = ManualClock()
    acquisition = Acquisition(
        1, [Scripted(clock, lambda n: None if n == 5 else clock.now_ns)], clock
    )
    blocks = list(islice(acquisition.blocks(), 5))
    t = np.concatenate([b.t_ns for b in blocks])
    flags = np.concatenate([b.flags[:, 0] for b in blocks])
    raw = np.concatenate([b.raw[:, 0] for b in blocks])
    np.testing.assert_array_equal(np.diff(t), 20 * MS)
    assert [n for n, flag in enumerate(flags) if flag] == [4]
    assert flags[4] == Flag.MISSING
    assert [n for n, value in enumerate(raw) if not np.isfinite(value)] == [4]
    assert acquisition.counts.failed == 1
    assert acquisition.incidents() == []


def test_a_silent_instrument_is_lost_when_patience_ends_and_says_where() -> None:
    clock = ManualClock()
    scripted = Scripted(clock, lambda n: None if n > 9 else clock.now_ns)
    acquisition = Acquisition(1, [scripted], clock)
    blocks: list[Block] = []
    start = clock.now_ns
    with pytest.raises(RigError, match="instrument_lost") as caught:
        blocks.extend(acquisition.blocks())
    waited = (clock.now_ns - start) * 1e-9
    assert PATIENCE_S < waited < PATIENCE_S + 1.0
    assert caught.value.facts["instrument"] == "one"
    assert caught.value.facts["cause"] == "instrument_silent"
    blocks += acquisition.flush()
    flags = np.concatenate([b.flags[:, 0] for b in blocks])
    assert (flags == 0).sum() == 9
    assert (flags[9:] == Flag.MISSING).all()
    # Silence is written down all the time that it lasts: nobody takes it for a hold.
    t = np.concatenate([b.t_ns for b in blocks])
    assert np.diff(t).max() <= 300 * MS
    (silent,) = acquisition.incidents()
    assert (silent.what, silent.data["cause"]) == ("silent", "instrument_silent")


def test_an_instrument_that_never_answered_is_told_at_once() -> None:
    clock = ManualClock()
    acquisition = Acquisition(1, [Scripted(clock, lambda n: None)], clock)
    with pytest.raises(RigError, match="instrument_silent"):
        next(acquisition.blocks())


def test_a_clock_that_stands_still_is_no_measurement() -> None:
    clock = ManualClock()
    stuck = 9_000_000_000
    acquisition = Acquisition(
        1, [Scripted(clock, lambda n: clock.now_ns if n < 4 else stuck)], clock
    )
    with pytest.raises(RigError, match="instrument_frozen"):
        list(acquisition.blocks())


class Doubtful(Scripted):
    """One whose n-th answer shows the one before it to have been an older one."""

    doubtful = True

    def __init__(self, clock: ManualClock, behind: int, period: str) -> None:
        super().__init__(clock, lambda n: clock.now_ns, period)
        self._behind = behind

    def read(self) -> Reading:
        reading = super().read()
        reading.late_before = self.asked == self._behind
        return reading


@pytest.mark.parametrize("behind", range(2, 12))
def test_an_older_answer_is_marked_wherever_it_stands(behind: int) -> None:
    clock = ManualClock()
    acquisition = Acquisition(1, [Doubtful(clock, behind, "20 ms")], clock)
    blocks = [*islice(acquisition.blocks(), 4), *acquisition.flush()]
    raw = np.concatenate([b.raw[:, 0] for b in blocks])
    flags = np.concatenate([b.flags[:, 0] for b in blocks])
    np.testing.assert_array_equal(raw, np.arange(len(raw)) + 1.0)
    assert [n + 1 for n, flag in enumerate(flags) if flag] == [behind - 1]
    assert flags[behind - 2] == Flag.LATE


def test_an_older_answer_of_a_slow_instrument_is_told_by_a_mark() -> None:
    clock = ManualClock()
    acquisition = Acquisition(1, [Doubtful(clock, 3, "1 s")], clock)
    list(islice(acquisition.blocks(), 4))
    (told,) = acquisition.incidents()
    assert told.what == "older_answer"
    assert told.t_ns == 6_000_000_000
