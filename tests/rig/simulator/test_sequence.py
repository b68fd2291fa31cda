"""A whole test by scripted hands: levels a second stage could have."""

import numpy as np
import pytest

from tests.rig.simulator.bench import INCH, PSI, Bench

AIM = "11.0 in. w.c. gauge"
STD_CM3_MIN = 1.68875e-3  # Pa m3/s at 20 °C and 101.325 kPa


@pytest.fixture(scope="module")
def levels() -> dict[str, float]:
    bench = Bench(1)
    found: dict[str, float] = {}
    bench.ask("open_to_air")
    bench.hold(10.0)
    found["zero"] = bench.mean(8.0)
    found["noise"] = float(np.std(bench.last(8.0)))

    bench.ask("fit_blank")
    bench.ask("raise_inlet", "10 psi gauge")
    bench.ask("isolate_inlet")
    bench.ask("fill_outlet", "12 in. w.c. gauge")
    bench.hold(50.0)
    found["rig_outlet"] = bench.slope(30.0)
    found["rig_inlet"] = bench.slope(30.0, "inlet")

    bench.ask("open_to_air")
    bench.ask("fit_regulator")
    bench.ask("screw_out")
    bench.ask("raise_inlet", "3 psi gauge")
    bench.ask("raise_inlet", "10 psi gauge")
    found["first_seat_check"] = bench.mean(1.0)
    bench.ask("set_outlet", AIM)
    bench.ask("exercise", repeats=5)
    bench.ask("set_outlet", AIM)
    bench.ask("lock_nut")
    bench.hold(12.0)
    found["set"] = bench.mean(10.0)
    for name, inlet in (("high", "10 psi gauge"), ("low", "5 psi gauge")):
        bench.ask("set_inlet", inlet)
        bench.ask("open_bleed")
        bench.hold(10.0)
        found[f"flowing_{name}"] = bench.mean(4.0)
        bench.ask("close_bleed")
        bench.hold(5.0)
        found[f"lockup_{name}"] = bench.mean(2.0)
    bench.ask("set_inlet", "10 psi gauge")
    bench.ask("open_bleed")
    bench.ask("close_bleed")
    bench.hold(90.0)
    found["creep"] = bench.slope(60.0)
    bench.ask("isolate_inlet")
    bench.hold(70.0)
    found["body_outlet"] = bench.slope(60.0)
    found["body_inlet"] = bench.slope(60.0, "inlet")
    bench.ask("vent_down")
    bench.ask("disconnect")
    bench.hold(12.0)
    found["closing_zero"] = bench.mean(8.0)
    found["slow_steps"] = bench.rig.plant.hard_steps
    return found


def test_zero_before_and_after(levels: dict[str, float]) -> None:
    assert abs(levels["zero"]) < 2.0
    assert abs(levels["closing_zero"] - levels["zero"]) < 0.3
    assert levels["noise"] == pytest.approx(0.8, rel=0.15)


def test_the_rig_is_tight_against_a_tenth_of_the_tightest_limit(
    levels: dict[str, float],
) -> None:
    assert abs(levels["rig_outlet"]) * 105e-6 < 0.015 * STD_CM3_MIN
    assert abs(levels["rig_inlet"]) * 61e-6 < 0.015 * STD_CM3_MIN


def test_the_outlet_stays_low_with_the_adjuster_out(levels: dict[str, float]) -> None:
    assert levels["first_seat_check"] < 2.0 * INCH


def test_set_and_lockup(levels: dict[str, float]) -> None:
    assert levels["set"] == pytest.approx(11.0 * INCH, abs=0.1 * INCH)
    for name in ("high", "low"):
        rise = levels[f"lockup_{name}"] / levels[f"flowing_{name}"] - 1.0
        assert 0.04 < rise < 0.08
        assert levels[f"lockup_{name}"] < 12.65 * INCH
    assert levels["flowing_low"] < levels["flowing_high"]
    assert levels["lockup_low"] < levels["lockup_high"]
    assert levels["flowing_high"] - levels["flowing_low"] < 0.05 * 11.0 * INCH


def test_a_healthy_regulator_neither_creeps_nor_leaks(levels: dict[str, float]) -> None:
    assert -0.05 < levels["creep"] < 0.15
    trapped = 145e-6 * levels["body_outlet"] + 64e-6 * levels["body_inlet"]
    assert abs(trapped) < 0.05 * STD_CM3_MIN
    assert abs(levels["body_inlet"]) < 0.001 * 10.0 * PSI


def test_the_gas_was_always_solved_the_quick_way(levels: dict[str, float]) -> None:
    assert levels["slow_steps"] == 0
