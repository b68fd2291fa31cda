"""Hunting: sines of known size and frequency, noise without any, and what folds."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.signal import lombscargle

from analysis.hunting import Swing, even_swing, hunting_findings
from analysis.judge import judge
from records.errors import Reason
from records.judgement import Outcome
from records.planfile import builtin_plan, parse_plan
from records.run import Mark, MarkKind
from tests.analysis.closed_form import run
from tests.analysis.one_outlet import Array, ar1, outlet_of


def noisy(
    rate: float = 50.0,
    seconds: float = 20.0,
    amplitude: float = 0.0,
    frequency: float = 3.3,
    phi: float = 0.0,
    seed: int = 1,
) -> tuple[Array, Array]:
    t = np.arange(round(seconds * rate)) / rate
    rng = np.random.default_rng(seed)
    wave = amplitude * np.sin(2.0 * math.pi * frequency * t + 0.7)
    return t, 2740.0 + wave + ar1(t.size, phi, rng)


def swing_of(t: Array, y: Array) -> Swing:
    found = even_swing(t, y)
    assert isinstance(found, Swing)
    return found


@pytest.mark.parametrize("amplitude", [0.8, 2.0, 30.0])
def test_a_sine_is_found_with_its_size_and_frequency(amplitude: float) -> None:
    inside = 0
    for seed in range(20):
        found = swing_of(*noisy(amplitude=amplitude, seed=seed))
        assert found.shown
        assert found.frequency == pytest.approx(3.3, abs=3.0 * found.u_frequency)
        inside += abs(found.amplitude - amplitude) <= 2.0 * found.u_amplitude
    assert inside >= 16


def test_the_frequency_is_that_of_another_periodogram() -> None:
    """Against SciPy's Lomb-Scargle periodogram on the same readings."""
    t, y = noisy(amplitude=3.0, frequency=4.71)
    at = np.linspace(1.0, 20.0, 20_000)
    power = lombscargle(t, y - y.mean(), 2.0 * math.pi * at)
    found = swing_of(t, y)
    assert found.frequency == pytest.approx(at[np.argmax(power)], abs=0.01)


@pytest.mark.parametrize("phi", [0.0, 0.7, 0.97])
def test_noise_is_no_swing_and_its_upper_end_holds_what_may_hide(phi: float) -> None:
    shown = [swing_of(*noisy(phi=phi, seed=seed)).shown for seed in range(60)]
    assert sum(shown) <= 1
    hidden = [swing_of(*noisy(phi=phi, amplitude=0.05, seed=s)) for s in range(20)]
    assert all(0.05 <= s.largest for s in hidden if not s.shown)


def test_level_time_and_unit_change_nothing_that_they_should_not() -> None:
    t, y = noisy(amplitude=1.5)
    one = swing_of(t, y)
    moved = swing_of(t + 5000.0, y + 1e6)
    scaled = swing_of(t, 6894.757 * y)
    assert moved.amplitude == pytest.approx(one.amplitude, rel=1e-6)
    assert moved.frequency == pytest.approx(one.frequency, rel=1e-6)
    assert scaled.amplitude == pytest.approx(6894.757 * one.amplitude, rel=1e-9)
    assert scaled.p == pytest.approx(one.p)


def test_every_second_reading_shows_the_same_swing() -> None:
    t, y = noisy(rate=100.0, amplitude=3.0)
    one, half = swing_of(t, y), swing_of(t[::2], y[::2])
    assert half.frequency == pytest.approx(one.frequency, abs=3.0 * half.u_frequency)
    assert half.amplitude == pytest.approx(one.amplitude, abs=3.0 * half.u_amplitude)


def test_missing_readings_do_not_hide_it() -> None:
    t, y = noisy(amplitude=2.0)
    kept = np.random.default_rng(3).random(t.size) > 0.02
    found = swing_of(t[kept], y[kept])
    assert found.shown
    assert found.amplitude == pytest.approx(2.0, abs=3.0 * found.u_amplitude)


def findings(t: Array, y: Array) -> dict[str, object]:
    readings, outlet, done = outlet_of(t, y)
    window = (float(t[0]), float(t[-1]))
    return {e.id: e for e in hunting_findings(readings, outlet, done.part, window)}


@pytest.mark.parametrize(("rate", "mains"), [(10.0, 50.0), (16.0, 50.0), (25.0, 60.0)])
def test_the_mains_folded_by_slow_sampling_are_no_hunting(
    rate: float, mains: float
) -> None:
    """50 Hz read ten times a second is a level; at other rates it may be a swing."""
    t, y = noisy(rate=rate, amplitude=8.0, frequency=mains, seconds=25.0)
    found = findings(t, y)
    frequency, amplitude = found["hunting_frequency"], found["hunting_amplitude"]
    missing = frequency.missing  # type: ignore[attr-defined]
    assert missing is not None
    assert missing.id in ("may_be_mains", "no_swing_shown")
    if rate != 10.0:
        doubt = amplitude.doubt  # type: ignore[attr-defined]
        assert [why.id for why in doubt] == ["may_be_mains"]


def test_slow_sampling_says_what_it_folds() -> None:
    # 13 Hz read ten times a second shows at 3 Hz: the trace can't tell
    t, y = noisy(rate=10.0, amplitude=8.0, frequency=13.0, seconds=25.0)
    frequency = findings(t, y)["hunting_frequency"]
    assert frequency.value == pytest.approx(3.0, abs=0.05)  # type: ignore[attr-defined]
    (doubt,) = frequency.doubt  # type: ignore[attr-defined]
    assert (doubt.id, dict(doubt.facts)["half_hz"]) == ("faster_would_fold", "5")


def test_where_none_is_shown_the_amplitude_is_an_upper_bound() -> None:
    t, y = noisy(seconds=15.0)
    found = findings(t, y)
    amplitude = found["hunting_amplitude"]
    low, high = amplitude.interval  # type: ignore[attr-defined]
    assert low == 0.0 < high < 3.0
    assert found["hunting_frequency"].value is None  # type: ignore[attr-defined]


@pytest.mark.parametrize("n", [0, 1, 20])
def test_too_few_readings_are_told(n: int) -> None:
    t = np.arange(n) / 10.0
    found = even_swing(t, np.full(n, 7.0))
    assert isinstance(found, Reason)
    assert found.id == "too_few_samples"


def test_equal_readings_and_uneven_times() -> None:
    t = np.arange(200) / 10.0
    still = swing_of(t, np.full(200, 7.0))
    assert (still.shown, still.amplitude) == (False, 0.0)
    same = even_swing(np.zeros(200), np.zeros(200))
    assert isinstance(same, Reason)
    rng = np.random.default_rng(1)
    uneven = even_swing(np.sort(rng.uniform(0.0, 20.0, 200)), rng.normal(size=200))
    assert isinstance(uneven, Reason)


def test_an_outlet_that_hunts_too_much_to_be_set_says_so() -> None:
    whole = run()
    begin = next(
        m.t_s
        for m in whole.marks
        if m.step == "set-rough" and m.kind is MarkKind.STEP_BEGIN
    )
    ends = Mark(
        part=1,
        t_s=begin + 30.0,
        kind=MarkKind.STEP_END,
        step="set-rough",
        data={"how": "timed_out"},
    )
    samples = whole.samples[1, "logger"]
    t = samples.t_ns / 1e9
    raw = samples.raw.copy()
    raw[:, 1] = np.where(
        t > begin, 2700.0 + 90.0 * np.sin(2.0 * math.pi * 4.3 * t), raw[:, 1]
    )
    marks = (*(m for m in whole.marks if m.t_s <= begin), ends)
    hunts = dataclasses.replace(
        whole,
        marks=marks,
        samples={(1, "logger"): dataclasses.replace(samples, raw=raw)},
    )
    told = {f.id: f for f in judge(hunts).findings if f.step == "set-rough"}
    size, speed = told["hunting_amplitude"].measured, told["hunting_frequency"].measured
    assert size is not None
    assert speed is not None
    assert size.value == pytest.approx(90.0, abs=3.0 * size.u)
    assert speed.value == pytest.approx(4.3, abs=3.0 * speed.u)


def test_a_plan_may_have_a_limit_on_hunting() -> None:
    plan, text = builtin_plan("low-pressure")
    limited = text.replace(
        '[[steps.limits]]\nfinding = "set_pressure"',
        '[[steps.limits]]\nfinding = "hunting_amplitude"\n'
        'max = "0.05 in. w.c. difference"\nsource = "shop default"\n\n'
        '[[steps.limits]]\nfinding = "set_pressure"',
        1,
    )
    with_limit = parse_plan(limited, "plan.toml")
    (found,) = (
        f
        for f in judge(run(), with_limit).findings
        if f.id == "hunting_amplitude" and f.limit is not None
    )
    assert found.outcome is Outcome.PASS
    informs = [f for f in judge(run(), plan).findings if f.id == "hunting_amplitude"]
    assert {f.outcome for f in informs} == {Outcome.NO_LIMIT}
