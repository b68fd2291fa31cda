"""Traces: frozen, in order, joined only where there are samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from records.trace import Block, Flag, Trace


def trace(t: list[float], y: list[float], flags: list[int] | None = None) -> Trace:
    return Trace(
        "c", np.array(t), np.array(y), np.array(flags or [0] * len(t), dtype=np.uint8)
    )


def test_arrays_are_frozen_copies() -> None:
    y = np.array([1.0, 2.0])
    made = Trace("c", np.array([0.0, 1.0]), y, np.zeros(2, np.uint8))
    y[0] = 9.0
    assert made.value[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        made.value[0] = 3.0


@pytest.mark.parametrize("t", [[0.0, 0.0], [1.0, 0.5], [0.0, float("nan")]])
def test_time_must_rise(t: list[float]) -> None:
    with pytest.raises(ValueError, match="rise"):
        trace(t, [1.0, 2.0])


def test_between_takes_both_ends() -> None:
    cut = trace([0, 1, 2, 3], [0, 1, 2, 3]).between(1, 2)
    assert cut.t_s.tolist() == [1.0, 2.0]


def test_at_joins_by_straight_lines_and_refuses_gaps() -> None:
    made = trace([0.0, 0.5, 5.0, 5.5], [0.0, 1.0, 10.0, 11.0])
    got = made.at(np.array([-1.0, 0.25, 0.5, 2.0, 5.25, 9.0]))
    np.testing.assert_allclose(got, [np.nan, 0.5, 1.0, np.nan, 10.5, np.nan])


def test_at_never_uses_a_flagged_sample() -> None:
    made = trace([0.0, 0.5, 1.0], [0.0, 99.0, 1.0], [0, int(Flag.SATURATED), 0])
    assert made.at(np.array([0.5]))[0] == pytest.approx(0.5)


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=30, unique=True))
def test_at_gives_back_its_own_samples(values: list[float]) -> None:
    t = np.linspace(0.0, 0.1 * (len(values) - 1), len(values))
    made = Trace("c", t, np.array(values), np.zeros(len(values), np.uint8))
    np.testing.assert_allclose(made.at(t), np.array(values))


def test_a_block_of_the_wrong_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="raw"):
        Block(
            1, "i", np.zeros(3, np.int64), np.zeros((2, 1)), np.zeros((2, 1), np.uint8)
        )
