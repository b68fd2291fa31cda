"""Charts against worked examples of a handbook, and what must hold of any numbers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.charts import (
    FEWEST,
    averages,
    commonest,
    individuals,
    ranges,
    share,
    spread,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 "Individuals control charts":
# ten batches of a flow rate. Data and results from memory.
FLOW_RATE = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# The same, 6.3.2.4 "EWMA control charts": data and averages, from memory.
PROCESS = [
    *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
    *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
]
AVERAGED = [
    *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
    *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
]

numbers = st.lists(
    st.floats(-1e6, 1e6, allow_nan=False, width=32), min_size=1, max_size=40
)


def test_single_values_as_the_handbook_has_them() -> None:
    chart = individuals(FLOW_RATE)
    assert chart.centre == pytest.approx(50.81, abs=0.005)
    assert spread(FLOW_RATE) == pytest.approx(1.8778 / 1.128, abs=1e-4)
    assert chart.high[0] == pytest.approx(55.8041, abs=2e-4)
    assert chart.low[0] == pytest.approx(45.8159, abs=2e-4)
    assert chart.outside == ()
    assert chart.firm
    moved = ranges(FLOW_RATE)
    assert moved.centre == pytest.approx(1.8778, abs=1e-4)
    assert moved.high[0] == pytest.approx(3.267 * 1.8778, abs=1e-3)
    assert np.all(moved.low == 0.0)


def test_one_value_tells_no_limit() -> None:
    for chart in (
        individuals([3.0]),
        individuals([3.0, 9.0], known=1),
        averages([3.0]),
        averages([3.0, 9.0], known=1),
        ranges([3.0, 9.0], known=1),
    ):
        assert np.all(np.isnan(chart.low))
        assert np.all(np.isnan(chart.high))
        assert chart.outside == ()
        assert not chart.firm
    assert np.all(np.isfinite(individuals([3.0, 9.0]).high))
    # where the deviation is given, one value has its limits
    assert np.all(np.isfinite(averages([3.0], centre=3.0, sigma=1.0).high))


def test_averages_as_the_handbook_has_them() -> None:
    chart = averages(PROCESS, weight=0.3, centre=50.0, sigma=2.0539)
    assert np.round(chart.value, 2) == pytest.approx(AVERAGED, abs=0.011)
    # its limits are those of a process that has run for long
    assert chart.high[-1] == pytest.approx(52.5884, abs=2e-3)
    assert chart.low[-1] == pytest.approx(47.4115, abs=2e-3)
    assert chart.high[0] == pytest.approx(50.0 + 3.0 * 0.3 * 2.0539)
    assert chart.outside == ()


def test_a_small_lasting_shift_is_seen_by_the_average_first() -> None:
    shifted = 60
    late: dict[str, list[int]] = {"single": [], "averaged": []}
    for seed in range(60):
        rng = np.random.default_rng([seed, 4])
        value = np.concatenate(
            [rng.normal(0.0, 1.0, shifted), rng.normal(1.3, 1.0, 200)]
        )
        for name, chart in (
            ("single", individuals(value, known=shifted)),
            ("averaged", averages(value, known=shifted)),
        ):
            after = [i for i in chart.outside if i >= shifted]
            late[name].append(after[0] - shifted if after else value.size)
    assert np.median(late["averaged"]) < 0.5 * np.median(late["single"]), late


def test_a_steady_process_seldom_leaves_its_limits() -> None:
    rng = np.random.default_rng(11)
    value = rng.normal(0.0, 1.0, 20_000)
    beyond = len(individuals(value).outside) / value.size
    # normal values beyond three standard deviations
    assert beyond == pytest.approx(0.0027, abs=0.0012)


@given(numbers, st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
def test_level_and_unit_change_no_signal(
    value: list[float], level: float, unit: float
) -> None:
    given_ = np.round(np.array(value), 2)
    moved = given_ * unit + level
    for chart in (individuals, averages):
        first, second = chart(given_), chart(moved)
        scale = unit * max(1.0, float(np.max(np.abs(given_)))) + abs(level)
        assert second.value == pytest.approx(
            first.value * unit + level, abs=1e-9 * scale
        )
        assert second.high == pytest.approx(
            first.high * unit + level, abs=1e-9 * scale, nan_ok=True
        )


@pytest.mark.parametrize("value", [[], [3.0], [3.0, 3.0], [3.0] * 40])
def test_few_or_equal_values_raise_no_alarm(value: list[float]) -> None:
    for chart in (individuals, ranges, averages):
        made = chart(value)
        assert made.outside == ()
        assert made.firm == (len(value) >= FEWEST)


@pytest.mark.parametrize("wrong", [[1.0, float("nan")], [float("inf")], [[1.0, 2.0]]])
def test_what_is_no_number_is_refused(wrong: list[float]) -> None:
    with pytest.raises(ValueError, match="numbers"):
        individuals(wrong)


@pytest.mark.parametrize("weight", [0.0, -0.1, 1.1])
def test_a_weight_out_of_range_is_refused(weight: float) -> None:
    with pytest.raises(ValueError, match="weight"):
        averages([1.0, 2.0], weight=weight)


def test_a_share_against_a_general_library() -> None:
    from scipy.stats import binomtest

    for count, of in ((0, 1), (1, 1), (3, 10), (19, 20), (50, 100)):
        found = share(count, of)
        there = binomtest(count, of).proportion_ci(0.95, method="wilson")
        assert found.value == count / of
        assert (found.low, found.high) == pytest.approx((there.low, there.high))
    assert share(0, 0).value is None
    with pytest.raises(ValueError, match="3 of 2"):
        share(3, 2)


def test_what_fails_most_often_stands_first() -> None:
    found = commonest(["seat", "body", "seat", "zero", "seat", "body"])
    assert [(o.what, o.count) for o in found] == [("seat", 3), ("body", 2), ("zero", 1)]
    assert [o.part for o in found] == pytest.approx([0.5, 5 / 6, 1.0])
    assert commonest({}) == []
