"""Supply-pressure effect, repeatability and hysteresis against closed formulas."""

from __future__ import annotations

import dataclasses
import functools
import math
import statistics

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.estimate import Estimate
from analysis.judge import judge
from analysis.sweep import (
    At,
    Level,
    Repeat,
    branches,
    directions,
    hysteresis,
    interpolated,
    repeatability,
    second_means,
    supply_pressure_effect,
)
from records.jobcard import InletActs
from records.judgement import FINDINGS, Finding, Judgement, Outcome
from records.planfile import builtin_plan, parse_plan
from tests.analysis.closed_form import Fault, Setting, rig, run
from tests.analysis.sweeps import inlet_run
from tests.analysis.test_judge import holds_true, reasons, the

CHANNELS = rig().channels
INLET, OUTLET = CHANNELS[0], CHANNELS[1]


def level(outlet: float, inlet: float, u: float = 0.1) -> Level:
    return Level(outlet, u, 20.0, 0.0, inlet, 1.0, 1, (0.0, 10.0), used=100)


def effect_of(levels: list[Level], pushed: InletActs | None = "opening") -> Estimate:
    return supply_pressure_effect(levels, OUTLET, INLET, pushed)


def ids(estimate: Estimate) -> set[str]:
    return {note.id for note in estimate.evidence.notes}


@functools.cache
def judged(effect: float, seed: int = 1) -> Judgement:
    return judge(run(Fault(supply_effect=effect), Setting(seed=seed)))


def test_the_worked_example_of_a_closing_unit() -> None:
    """Minus 0.9 kPa per plus 600 kPa is -0.15 %: arithmetic of the definition."""
    wide = dataclasses.replace(INLET, calibration=None)
    found = supply_pressure_effect(
        [level(500e3, 700e3), level(500.9e3, 100e3)], OUTLET, wide, "closing"
    )
    assert found.value == pytest.approx(-0.0015, rel=1e-9)


@pytest.mark.parametrize("effect", [2e-3, -2e-3, 0.0])
def test_a_whole_run_gives_the_effect_with_its_sign(effect: float) -> None:
    found = the(judged(effect), "supply_pressure_effect")
    assert found.step == "lockup-3"
    assert found.outcome is Outcome.NO_LIMIT
    assert holds_true(found, effect)
    assert found.budget
    model = dict(found.evidence.model)
    assert (model["readings_at_highest"], model["readings_at_lowest"]) == (2.0, 1.0)
    assert model["of_lockup_pressures"] == pytest.approx(effect, abs=1e-4)


def test_the_wrong_sign_warns_and_decides_nothing() -> None:
    wrong, right = judged(-2e-3), judged(2e-3)
    assert wrong.verdict is right.verdict
    told = [w for w in wrong.warnings if w.id == "supply_effect_wrong_sign"]
    assert [dict(w.facts)["found"] for w in told] == ["rises"]
    assert all(w.id != "supply_effect_wrong_sign" for w in right.warnings)
    note = {n.id for n in the(judged(0.0), "supply_pressure_effect").evidence.notes}
    # every finding tells how many samples were left out
    assert note - {"samples_left_out"} == {"supply_effect_sign_unclear"}


@pytest.mark.parametrize(
    ("rise", "pushed", "told"),
    [
        (100.0, "opening", {"supply_effect_wrong_sign"}),
        (-100.0, "opening", set()),
        (100.0, "closing", set()),
        (-100.0, "closing", {"supply_effect_wrong_sign"}),
        (100.0, "balanced", set()),
        (100.0, None, set()),
        (0.1, "opening", {"supply_effect_sign_unclear"}),
    ],
)
def test_what_is_expected_follows_how_the_inlet_pushes(
    rise: float, pushed: InletActs | None, told: set[str]
) -> None:
    """Signs: common practice, no source."""
    levels = [level(2737.0, 70e3), level(2737.0 + rise, 35e3)]
    assert ids(effect_of(levels, pushed)) == told


def test_the_zero_of_the_outlet_cancels_and_its_gain_hardly_counts() -> None:
    levels = [level(2737.0, 70e3), level(2700.0, 35e3)]
    lines = {x.source: abs(x.u * x.sensitivity) for x in effect_of(levels).lines}
    assert "calibration_offset" not in lines
    assert lines["calibration_gain"] == pytest.approx(0.0005 * 37.0 / 35e3, rel=1e-9)
    assert lines["calibration_linearity"] < 2.0 * 2.0 / 35e3
    # the inlet's gain is of the ratio: 0.05 % of it
    ratio = effect_of(levels).value
    assert ratio is not None
    assert lines["calibration_gain_inlet"] == pytest.approx(0.0005 * abs(ratio))


def test_one_inlet_only_is_not_measured_and_without_limit_not_told() -> None:
    found = effect_of([level(2737.0, 70e3), level(2736.0, 69e3)])
    assert found.missing is not None
    assert found.missing.id == "one_inlet_only"
    nothing = effect_of([])
    assert nothing.missing is not None
    assert nothing.missing.id == "points_too_few"
    plan, _ = builtin_plan("low-pressure")
    kept = tuple(s for s in plan.steps if s.id not in ("lockup-2", "lockup-1"))
    told = {f.id for f in judge(run(), dataclasses.replace(plan, steps=kept)).findings}
    assert "supply_pressure_effect" not in told
    assert "repeatability" not in told


def test_a_limit_that_can_t_be_met_by_one_reading_says_why() -> None:
    _, text = builtin_plan("low-pressure")
    limits = """
[[steps.limits]]
finding = "{id}"
max = "{most}"
source = "shop default"
"""
    at = text.index('\n[[steps]]\nid = "lockup-2"')
    asked = "".join(
        limits.format(id=id, most=most)
        for id, most in (
            ("supply_pressure_effect", "1 %"),
            ("repeatability", "50 Pa difference"),
        )
    )
    plan = parse_plan(text[:at] + asked + text[at:], "p.toml")
    whole = judge(run(), plan)
    # stands at the step that asks for it
    assert the(whole, "supply_pressure_effect").step == "lockup-1"
    assert the(whole, "supply_pressure_effect").outcome is Outcome.PASS
    kept = tuple(s for s in plan.steps if s.id not in ("lockup-2", "lockup-3"))
    alone = judge(run(), dataclasses.replace(plan, steps=kept))
    assert reasons(the(alone, "supply_pressure_effect")) == {"one_inlet_only"}
    assert reasons(the(alone, "repeatability")) == {"never_repeated"}


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-0.01, 0.01),
    st.floats(0.5, 2.0),
    st.floats(-1e3, 1e3),
)
def test_shift_scale_and_order_change_nothing_that_they_should_not(
    effect: float, scale: float, shift: float
) -> None:
    inlets = (70e3, 35e3, 69.5e3)
    plain = [level(2737.0 + effect * (p - 70e3), p) for p in inlets]
    bare = dataclasses.replace(INLET, calibration=None)
    flat = dataclasses.replace(OUTLET, calibration=None)
    first = supply_pressure_effect(plain, flat, bare, None)
    moved = [dataclasses.replace(x, outlet=x.outlet + shift) for x in reversed(plain)]
    again = supply_pressure_effect(moved, flat, bare, None)
    assert first.value is not None
    assert again.value == pytest.approx(first.value, abs=1e-12)
    assert again.u == pytest.approx(first.u, rel=1e-6)
    wide = [dataclasses.replace(x, outlet=x.outlet * scale) for x in plain]
    scaled = supply_pressure_effect(wide, flat, bare, None)
    assert scaled.value == pytest.approx(scale * first.value, abs=1e-9)


def test_coverage_of_the_effect_and_of_the_repeatability() -> None:
    """Ten runs of other noise; the true repeatability of these runs is zero."""
    missed = 0
    for seed in range(10):
        found = judged(1e-3, 50 + seed)
        missed += not holds_true(the(found, "supply_pressure_effect"), 1e-3)
        scatter = the(found, "repeatability")
        assert scatter.interval is not None
        assert scatter.interval[0] < 0.6
    assert missed <= 2  # of 10 at 95 %; the chance of more is 1.2 %


# --- repeatability --------------------------------------------------------------------


def repeats(values: list[float], inlets: list[float], u: float = 0.0) -> Estimate:
    made = [Repeat(v, u, p, level(v, p)) for v, p in zip(values, inlets, strict=True)]
    return repeatability(made, OUTLET, INLET)


def test_the_worked_example_of_five_readings() -> None:
    """12.61, 12.66, 12.58, 12.64, 12.62: s = 0.0303315, by hand and by statistics."""
    values = [12.61, 12.66, 12.58, 12.64, 12.62]
    found = repeats(values, [70e3] * 5)
    assert found.value == pytest.approx(0.0303315, rel=1e-5)
    assert found.value == pytest.approx(statistics.stdev(values))
    assert ids(found) == {"repeats_few"}
    assert dict(found.evidence.notes[0].facts)["n"] == "5"


def test_the_interval_is_chi_square_s() -> None:
    """NIST/SEMATECH e-Handbook 7.2.3.1; quantiles of 4 degrees of freedom from tables:
    0.484 and 11.143."""
    values = [1261.0, 1266.0, 1258.0, 1264.0, 1262.0]
    found = repeats(values, [70e3] * 5)
    s = statistics.stdev(values)
    assert found.interval is not None
    assert found.interval[0] == pytest.approx(s * math.sqrt(4 / 11.143), rel=1e-3)
    assert found.interval[1] == pytest.approx(s * math.sqrt(4 / 0.484), rel=1e-3)
    # what the readings' noise alone would give is no scatter of the regulator
    noisy = repeats(values, [70e3] * 5, u=s)
    assert noisy.interval is not None
    assert noisy.interval[0] == 0.0


def test_only_readings_from_one_side_at_one_inlet_are_repeats() -> None:
    assert directions([70e3, 35e3, 70e3, 70e3, 90e3, 70e3]) == [1, -1, 1, 1, 1, -1]
    assert repeats([1.0, 2.0], [70e3, 35e3]).missing is not None
    mixed = repeats([10.0, 50.0, 12.0, 90.0, 99.0], [70e3, 35e3, 70e3, 90e3, 70e3])
    assert mixed.value == pytest.approx(statistics.stdev([10.0, 12.0]))
    same = repeats([5.0, 5.0], [70e3, 70e3])
    assert same.value == 0.0
    assert same.interval is not None
    assert same.interval[1] > 0.0  # two equal readings don't show that none differs


def test_a_run_states_how_many_lockups_it_is_from() -> None:
    found = the(judged(0.0), "repeatability", "lockup-3")
    assert "repeats_few" in {n.id for n in found.evidence.notes}
    assert dict(found.evidence.model)["readings"] == 2.0
    assert found.measured is not None
    assert found.measured.value < 2.0


# --- sweeps ---------------------------------------------------------------------------


def sweep_finding(id: str, effect: float, gap: float) -> Finding:
    return the(judge(inlet_run(effect, gap)), id, "sweep")


@pytest.mark.parametrize("effect", [1e-3, -1e-3])
def test_an_inlet_sweep_gives_the_effect(effect: float) -> None:
    found = sweep_finding("supply_pressure_effect", effect, 0.0)
    assert holds_true(found, effect)
    assert found.measured is not None
    assert found.measured.u < 0.3 * abs(effect)


@pytest.mark.parametrize("gap", [0.0, 12.0])
def test_an_inlet_sweep_gives_the_hysteresis(gap: float) -> None:
    found = sweep_finding("hysteresis", 1e-3, gap)
    assert holds_true(found, gap)
    assert found.measured is not None
    assert found.measured.value == pytest.approx(gap, abs=1.5)


def test_one_branch_has_no_hysteresis() -> None:
    points = [At(x, 0.0, level(x, 70e3)) for x in (1.0, 2.0, 3.0)]
    found = hysteresis(points, OUTLET)
    assert found.missing is not None
    assert found.missing.id == "one_branch_only"
    assert hysteresis([], OUTLET).missing is not None


def test_branches_turn_where_the_abscissa_does() -> None:
    points = [At(x, 0.0, level(x, 70e3)) for x in (1.0, 2.0, 3.0, 2.0, 1.0)]
    found = branches(points, 0.1)
    assert [(way, [p.x for p in b]) for way, b in found] == [
        (1, [1.0, 2.0, 3.0]),
        (-1, [3.0, 2.0, 1.0]),
    ]
    assert branches(points[:1], 0.1) == []


def test_between_readings_a_branch_is_straight() -> None:
    points = [At(x, 0.0, level(10.0 * x, 70e3, u=3.0)) for x in (1.0, 3.0)]
    assert interpolated(points, 2.0) == pytest.approx((20.0, 3.0 / math.sqrt(2.0)))
    assert interpolated(points, 4.0) is None


def test_means_over_seconds() -> None:
    t = np.arange(0.0, 3.0, 0.1)
    assert second_means(t, t) == pytest.approx([0.45, 1.45, 2.45])
    assert second_means(t[:1], t[:1]) == pytest.approx([0.0])


def test_a_sweep_that_was_not_read_has_no_number() -> None:
    whole = inlet_run(1e-3)
    none = tuple(m for m in whole.marks if not m.kind.value.startswith("hold"))
    found = judge(dataclasses.replace(whole, marks=none))
    for id in ("supply_pressure_effect", "hysteresis"):
        assert the(found, id, "sweep").outcome is Outcome.NOT_MEASURED


def test_every_new_finding_says_what_it_is() -> None:
    for id in ("closure_coefficient", "irregularity_coefficient", "accuracy_class"):
        assert "from memory" in FINDINGS[id].definition
        assert "on this unit" in FINDINGS[id].definition
