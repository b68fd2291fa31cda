"""What the bench does: each label and start, and what must not change them."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.decay import _shut
from analysis.phases import (
    Asked,
    Label,
    PhaseWatch,
    Role,
    Scale,
    find_phases,
    in_order,
)
from records.trace import Flag, Trace
from tests.analysis.published import Array, chamber

SCALES: dict[Role, Scale] = {
    "inlet": Scale(200_000.0, 4.0),
    "outlet": Scale(10_000.0, 0.2),
}
INLET, FLOWING, LOCKED = 69_000.0, 2740.0, 2900.0
Formula = Callable[[Array], Array]


def turn(t: Array, start: float, stop: float) -> Array:
    x = np.clip((t - start) / (stop - start), 0.0, 1.0)
    return np.asarray(x * x * (3.0 - 2.0 * x))


def lag(t: Array, start: float, tau: float) -> Array:
    return np.asarray(-np.expm1(-np.clip(t - start, 0.0, None) / tau))


def flat(level: float) -> Formula:
    return lambda t: np.full(t.size, level)


def made(
    inlet: Formula | None,
    outlet: Formula | None,
    seconds: float,
    rate: float = 20.0,
    noise: float = 3e-4,
) -> dict[Role, Trace]:
    t = np.arange(0.0, seconds, 1.0 / rate)
    found: dict[Role, Trace] = {}
    roles: tuple[tuple[Role, Formula | None, float], ...] = (
        ("inlet", inlet, INLET),
        ("outlet", outlet, FLOWING),
    )
    for seed, (role, formula, full) in enumerate(roles):
        if formula is None:
            continue
        noisy = noise * full * np.random.default_rng(seed).standard_normal(t.size)
        flags = np.zeros(t.size, np.uint8)
        found[role] = Trace(role, t, formula(t) + noisy, flags)
    return found


def supplied(t: Array) -> Array:
    """Return the inlet of the whole procedure."""
    return np.asarray(
        INLET * (turn(t, 10.0, 14.0) - turn(t, 301.0, 302.0))
        - 0.02 * INLET * lag(t, 60.0, 0.3)
        + 0.02 * INLET * lag(t, 90.0, 0.3)
    )


def regulated(t: Array) -> Array:
    """Return the outlet of the whole procedure."""
    rise = LOCKED - FLOWING
    y = LOCKED * turn(t, 10.5, 13.0)
    for opened, shut in ((60.0, 90.0), (150.0, 180.0)):
        y -= rise * (turn(t, opened, opened + 1.0) - turn(t, shut, shut + 2.0))
    return np.asarray(y - LOCKED * lag(t, 300.0, 0.5))


WHOLE = (
    ("pressurised", 12.0),
    ("hold", 13.5),
    ("flow_on", 60.5),
    ("steady", 60.9),
    ("flow_off", 91.0),
    ("hold", 91.0),
    ("flow_on", 150.5),
    ("steady", 150.9),
    ("flow_off", 181.0),
    ("hold", 181.0),
    ("vented", 302.0),
)


def told(labels: list[Label]) -> list[str]:
    return [label.kind for label in labels]


def times(labels: list[Label]) -> list[float]:
    return [label.t_s for label in labels]


@cache
def whole() -> dict[Role, Trace]:
    return made(supplied, regulated, 330.0)


@cache
def labels_of_whole() -> list[Label]:
    return find_phases(whole(), SCALES)


def test_a_whole_procedure_with_two_cycles() -> None:
    labels = labels_of_whole()
    assert told(labels) == [kind for kind, _ in WHOLE]
    assert times(labels) == pytest.approx([t for _, t in WHOLE], abs=0.5)
    shut = [label for label in labels if label.kind == "flow_off"]
    assert times(shut) == pytest.approx([91.0, 181.0], abs=0.05)
    facts = dict(shut[0].evidence)
    assert facts["after"] - facts["before"] == pytest.approx(160.0, abs=3.0)
    assert labels[-1].channels == ("inlet", "outlet")


def test_a_vent_inside_a_hold_ends_it_there() -> None:
    labels = labels_of_whole()
    holds = [label for label in labels if label.kind == "hold"]
    assert holds[-1].window_s[1] == pytest.approx(300.0, abs=0.3)
    alone = made(None, lambda t: LOCKED * (1.0 - lag(t, 100.0, 0.5)), 130.0)
    labels = find_phases(alone, SCALES)
    assert told(labels) == ["hold", "vented"]
    assert labels[0].window_s == pytest.approx((0.0, 100.0), abs=0.3)


@pytest.mark.parametrize(
    ("level", "wanted"),
    [(FLOWING, ["steady", "flow_off", "hold"]), (LOCKED, ["hold"]), (0.0, [])],
)
def test_a_trace_may_begin_flowing_locked_or_vented(
    level: float, wanted: list[str]
) -> None:
    def outlet(t: Array) -> Array:
        rise = (LOCKED - level) * turn(t, 40.0, 42.0) if level else 0.0 * t
        return np.asarray(level + rise)

    labels = find_phases(made(flat(INLET if level else 0.0), outlet, 100.0), SCALES)
    assert told(labels) == wanted


def test_an_inlet_under_pressure_before_its_outlet_is_no_second_pressurising() -> None:
    outlet: Formula = lambda t: np.asarray(LOCKED * turn(t, 20.0, 23.0))  # noqa: E731
    labels = find_phases(made(flat(INLET), outlet, 60.0), SCALES)
    assert told(labels) == ["hold"]
    assert labels[0].t_s == pytest.approx(22.6, abs=0.3)


@pytest.mark.parametrize("share", [0.003, 0.01, 0.03])
def test_an_inlet_that_sinks_is_isolated_and_its_hold_another(share: float) -> None:
    inlet: Formula = lambda t: np.asarray(  # noqa: E731
        INLET * (1.0 - lag(t, 60.0, 1.0 / share))
    )
    labels = find_phases(made(inlet, flat(LOCKED), 110.0), SCALES)
    assert told(labels) == ["hold", "isolated", "hold"]
    assert times(labels) == pytest.approx([0.0, 60.0, 60.0], abs=0.5)
    assert dict(labels[1].evidence)["slope"] < 0.0
    assert dict(labels[2].evidence)["isolated"] == 1.0


def test_an_isolated_inlet_that_is_supplied_again_is_pressurised() -> None:
    inlet: Formula = lambda t: np.asarray(  # noqa: E731
        INLET * (1.0 - 0.01 * np.clip(t - 60.0, 0.0, 40.0) + 0.4 * turn(t, 100, 102))
    )
    labels = find_phases(made(inlet, flat(LOCKED), 160.0), SCALES)
    assert [x.kind for x in labels if x.kind != "hold"] == ["isolated", "pressurised"]


@pytest.mark.parametrize("share", [0.003, 0.01])
def test_an_outlet_that_stops_sinking_at_once_has_reopened(share: float) -> None:
    long = 0.04 / share
    outlet: Formula = lambda t: np.asarray(  # noqa: E731
        FLOWING
        + (LOCKED - FLOWING) * turn(t, 30.0, 32.0)
        - share * FLOWING * np.clip(t - 80.0, 0.0, long)
    )
    labels = find_phases(made(flat(INLET), outlet, 160.0), SCALES)
    assert told(labels) == ["steady", "flow_off", "hold", "reopened"]
    assert labels[-1].t_s == pytest.approx(80.0 + long, abs=0.5)
    assert labels[2].window_s[1] == labels[-1].t_s


def test_a_thermal_tail_is_no_reopening() -> None:
    outlet: Formula = lambda t: np.asarray(  # noqa: E731
        FLOWING
        + (LOCKED - FLOWING) * turn(t, 30.0, 32.0)
        - 60.0 * lag(t, 32.0, 12.0) * (t > 32.0)
    )
    labels = find_phases(made(flat(INLET), outlet, 200.0), SCALES)
    assert told(labels) == ["steady", "flow_off", "hold"]


def test_an_outlet_that_follows_its_supply_has_not_been_opened() -> None:
    inlet: Formula = lambda t: np.asarray(INLET * (1 - 0.5 * turn(t, 60, 63)))  # noqa: E731
    outlet: Formula = lambda t: np.asarray(LOCKED - 70.0 * turn(t, 60, 63))  # noqa: E731
    labels = find_phases(made(inlet, outlet, 120.0), SCALES)
    assert told(labels) == ["hold", "hold"]
    assert labels[0].window_s[1] == pytest.approx(60.0, abs=0.6)


def test_marks_tell_a_turned_screw_from_a_closed_valve() -> None:
    outlet: Formula = lambda t: np.asarray(  # noqa: E731
        LOCKED
        - 160.0 * turn(t, 30.0, 31.0)
        + 80.0 * turn(t, 60.0, 61.0)
        + 120.0 * turn(t, 90.0, 92.0)
    )
    traces = made(flat(INLET), outlet, 140.0)
    asked = [
        Asked("open_bleed", 29.0),
        Asked("set_outlet", 55.0),
        Asked("close_bleed", 88.0),
    ]
    labels = find_phases(traces, SCALES, asked)
    shut = [x for x in labels if x.kind == "flow_off"]
    assert times(shut) == pytest.approx([91.0], abs=0.1)
    assert shut[0].asked_s == 88.0
    opened = next(x for x in labels if x.kind == "flow_on")
    assert opened.t_s == pytest.approx(30.5, abs=0.1)
    assert opened.asked_s == 29.0
    hidden = [x for x in find_phases(traces, SCALES) if x.kind == "flow_off"]
    assert times(hidden) == pytest.approx([60.5], abs=0.1)


@pytest.mark.parametrize("missing", ["inlet", "outlet"])
def test_either_channel_may_be_missing(missing: Role) -> None:
    traces = {r: t for r, t in whole().items() if r != missing}
    labels = find_phases(traces, SCALES)
    if missing == "inlet":
        wanted = [kind for kind, _ in WHOLE]
    else:
        wanted = ["pressurised", "vented"]
    assert told(labels) == wanted
    assert all(missing not in x.channels for x in labels)


@settings(max_examples=8, deadline=None)
@given(
    cuts=st.lists(st.integers(7, 2500), min_size=2, max_size=12),
    ahead=st.integers(0, 400),
)
def test_any_blocking_gives_the_same_labels(cuts: list[int], ahead: int) -> None:
    traces = whole()
    watch = PhaseWatch(SCALES)
    labels: list[Label] = []
    n, at, number = len(traces["inlet"]), 0, 0
    while at < n:
        stop = min(n, at + cuts[number % len(cuts)])
        for role, lead in (("outlet", ahead), ("inlet", 0)):
            t = traces["outlet" if role == "outlet" else "inlet"]
            lo = 0 if at == 0 else min(n, at + lead)
            cut = slice(lo, min(n, stop + lead))
            labels += watch.feed(
                "outlet" if role == "outlet" else "inlet",
                t.t_s[cut],
                t.value[cut],
                t.flags[cut],
            )
        at, number = stop, number + 1
    assert in_order(labels + watch.finish()) == labels_of_whole()


@settings(max_examples=8, deadline=None)
@given(
    shift=st.sampled_from([0.0, 0.037, 4096.0, 1e9]),
    unit=st.sampled_from([1.0, 1e-3, 1e5]),
    zero=st.floats(-2.0, 2.0),
    turned=st.booleans(),
)
def test_origin_unit_zero_and_order_of_channels_do_not_matter(
    shift: float, unit: float, zero: float, turned: bool
) -> None:
    traces = whole()
    roles = sorted(traces, reverse=turned)
    moved: dict[Role, Trace] = {}
    scales: dict[Role, Scale] = {}
    for role in roles:
        t = traces[role]
        value = np.asarray((t.value + zero) * unit, dtype=np.float64)
        moved[role] = Trace(role, t.t_s + shift, value, t.flags)
        scale = SCALES[role]
        scales[role] = Scale(scale.span_pa * unit, scale.resolution_pa * unit)
    labels = find_phases(moved, scales)
    plain = labels_of_whole()
    assert told(labels) == told(plain)
    assert [t - shift for t in times(labels)] == pytest.approx(times(plain), abs=0.2)


@pytest.mark.parametrize("rate", [10.0, 15.0, 33.0, 100.0])
def test_the_rate_of_sampling_does_not_matter(rate: float) -> None:
    labels = find_phases(made(supplied, regulated, 330.0, rate), SCALES)
    plain = labels_of_whole()
    assert told(labels) == told(plain)
    assert times(labels) == pytest.approx(times(plain), abs=0.2)


def test_what_was_not_read_changes_nothing() -> None:
    traces = whole()
    worse: dict[Role, Trace] = {}
    for role, t in traces.items():
        lost = np.random.default_rng(5).random(len(t)) < 0.02
        value, flags = np.array(t.value), np.array(t.flags)
        value[lost], flags[lost] = 1e6, Flag.MISSING
        value[7::331] = np.nan
        worse[role] = Trace(role, t.t_s, np.asarray(value), flags)
    labels, plain = find_phases(worse, SCALES), labels_of_whole()
    assert told(labels) == told(plain)
    assert times(labels) == pytest.approx(times(plain), abs=0.2)


def test_a_wide_gap_ends_what_stood_before_it() -> None:
    traces = made(flat(INLET), flat(LOCKED), 120.0)
    cut: dict[Role, Trace] = {}
    for role, t in traces.items():
        keep = (t.t_s < 50.0) | (t.t_s > 60.0)
        cut[role] = Trace(role, t.t_s[keep], t.value[keep], t.flags[keep])
    labels = find_phases(cut, SCALES)
    assert told(labels) == ["hold", "hold"]
    assert labels[0].window_s[1] == pytest.approx(50.0, abs=0.2)
    assert labels[1].window_s[0] == pytest.approx(60.0, abs=0.2)


@pytest.mark.parametrize(
    "value",
    [
        np.empty(0),
        np.array([LOCKED]),
        np.full(400, np.nan),
        np.full(400, 0.0),
        np.full(10, LOCKED),
    ],
)
def test_strange_traces_give_no_label_and_no_error(value: Array) -> None:
    t: Array = np.asarray(np.arange(value.size) * 0.05, dtype=np.float64)
    flags = np.zeros(value.size, np.uint8)
    trace = Trace("outlet", t, value, flags)
    assert find_phases({"outlet": trace}, SCALES) == []
    assert find_phases({}, {}) == []


def test_time_that_does_not_rise_is_no_error() -> None:
    watch = PhaseWatch(SCALES)
    back = np.array([0.0, 1.0, 0.5, np.nan, 0.2, 0.2, np.inf, -5.0] * 50)
    assert watch.feed("outlet", back, np.full(back.size, LOCKED)) == []
    assert watch.finish() == []


def test_a_recorded_chamber_hold_is_one_hold() -> None:
    """Origin and licence: ``tests/published/README.md``."""
    trace = chamber()
    labels = find_phases({"outlet": trace}, {"outlet": Scale(1e6, 10.0)})
    assert told(labels) == ["hold"]
    assert labels[0].window_s == pytest.approx((trace.t_s[0], trace.t_s[-1]), abs=2.0)


def test_a_stretch_that_flows_is_no_hold_and_a_reopening_ends_one() -> None:
    labels = [
        Label("steady", 10.0, (10.0, 50.0), ("outlet",)),
        Label("reopened", 120.0, (119.0, 121.0), ("outlet",)),
    ]
    assert _shut((5.0, 52.0), labels) is None
    assert _shut((60.0, 180.0), labels) == (60.0, 120.0)
    assert _shut((130.0, 180.0), labels) == (130.0, 180.0)
