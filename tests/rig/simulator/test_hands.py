"""The scripted technician, act by act, on the simulated gas."""

import math
from itertools import pairwise

import pytest

from records.measure import parse_quantity
from records.run import ACTS, Request
from rig.simulator.hands import Hands
from rig.simulator.rigbody import HIGHEST, VALVE_NAMES, Valves
from tests.rig.simulator.bench import INCH, LOOK_S, PSI, Bench

ZERO = {"outlet": 0.0, "inlet": 0.0}


def request(act: str, id: str = "r1", aim: str | None = None) -> Request:
    quantity = parse_quantity(aim) if aim is not None else None
    return Request(id=id, step="test", act=act, aim=quantity)


def test_hands_know_every_act_and_no_other() -> None:
    assert Hands(1).acts == set(ACTS)


def test_an_unknown_act_is_our_fault() -> None:
    with pytest.raises(ValueError, match="how to juggle"):
        Hands(1).act(0.0, request("juggle"), ZERO)


def test_the_first_look_puts_every_valve_where_it_is_known() -> None:
    moves = Hands(1).act(0.0, None, ZERO)
    assert set(moves.valves) == set(VALVE_NAMES)
    assert Valves(**moves.valves) == Valves()
    assert moves.acknowledge is None


def test_nothing_asked_nothing_done() -> None:
    hands = Hands(1)
    hands.act(0.0, None, ZERO)
    for i in range(100):
        moves = hands.act(i * LOOK_S, None, ZERO)
        assert not moves.valves
        assert moves.acknowledge is None


@pytest.mark.parametrize("seed", range(6))
def test_hands_take_a_moment_before_they_begin(seed: int) -> None:
    hands = Hands(seed)
    hands.act(0.0, None, ZERO)
    t_s = 0.0
    while not hands.act(t_s, request("open_bleed"), ZERO).valves:
        t_s += LOOK_S
    assert 0.5 <= t_s <= 2.0 + 2 * LOOK_S


def test_same_seed_same_hands_and_another_seed_others() -> None:
    def moved(seed: int) -> list[dict[str, float]]:
        hands = Hands(seed)
        return [
            dict(hands.act(i * LOOK_S, request("exercise"), ZERO).valves)
            for i in range(120)
        ]

    assert moved(3) == moved(3)
    assert moved(3) != moved(4)


def test_only_a_wanted_confirmation_is_given_and_once() -> None:
    for confirm in (True, False):
        hands = Hands(2)
        asked = Request(id="r9", step="test", act="isolate_inlet", confirm=confirm)
        said = [
            hands.act(i * LOOK_S, asked, ZERO).acknowledge
            for i in range(round(10.0 / LOOK_S))
        ]
        assert said.count("r9") == (1 if confirm else 0)
        assert {None, "r9"} >= set(said)


def test_a_turn_begun_is_finished_before_the_next_request() -> None:
    bench = Bench(1).regulating()
    opened = bench.rig.valves.bleed
    assert 0.05 < opened < 0.15
    closing = request("close_bleed", "closing")
    while bench.rig.valves.bleed == opened:
        bench.look(closing)
    bench.hold(6.0)  # nothing is asked any more
    assert bench.rig.valves.bleed == 0.0


def test_a_new_request_ends_a_wait_at_once() -> None:
    bench = Bench(1).pressurised()
    setting = request("set_outlet", "setting", "11.0 in. w.c. gauge")
    for _ in range(200):
        bench.look(setting)
    bench.hold(4.0)
    still = bench.rig.valves.screw_m
    bench.hold(10.0)
    assert bench.rig.valves.screw_m == still


@pytest.mark.parametrize("seed", range(5))
def test_the_bleed_is_closed_in_human_time_and_unevenly(seed: int) -> None:
    bench = Bench(seed).regulating()
    bench.bleed.clear()
    bench.ask("close_bleed")
    moving = [
        (t_s, after - before)
        for (_, before), (t_s, after) in pairwise(bench.bleed)
        if after != before
    ]
    took = moving[-1][0] - moving[0][0] + LOOK_S
    assert 1.4 <= took <= 4.1
    steps = [-step for _, step in moving]
    assert min(steps) >= 0.0
    assert max(steps) < 0.15 * sum(steps)  # never snapped
    assert max(steps) > 1.05 * sum(steps) / len(steps)  # nor by machine


def test_open_to_air() -> None:
    bench = Bench(1).regulating()
    bench.ask("open_to_air")
    assert bench.rig.valves.supply_pa_gauge == 0.0
    assert bench.rig.valves.bleed == 1.0
    assert bench.rig.valves.vent_inlet == 1.0
    bench.hold(15.0)
    assert abs(bench.mean(2.0)) < 10.0
    assert abs(bench.mean(2.0, "inlet")) < 100.0


@pytest.mark.parametrize(("act", "fixture"), [("fit_blank", 1), ("fit_regulator", 2)])
def test_fitting_waits_for_zero_and_ends_shut(act: str, fixture: int) -> None:
    bench = Bench(1).regulating()
    asked = Request(id="fit", step="test", act=act, confirm=True)
    changed_at = None
    while bench.look(asked) != "fit":
        if changed_at is None and bench.rig.valves.fixture == fixture != 2:
            changed_at = bench.trace[-1]
    if fixture == 1:
        assert changed_at is not None
        assert abs(changed_at.outlet) < 40.0
        assert abs(changed_at.inlet) < 700.0
    valves = bench.rig.valves
    assert valves.fixture == fixture
    assert (valves.bleed, valves.vent_inlet, valves.screw_m) == (0.0, 0.0, 0.0)
    bench.hold(20.0)
    assert abs(bench.mean(2.0)) < 40.0


def test_screw_out_shuts_the_regulator() -> None:
    bench = Bench(1).regulating()
    bench.ask("screw_out")
    assert bench.rig.valves.screw_m == 0.0
    bench.hold(5.0)
    assert bench.mean(1.0) < 0.5 * INCH


@pytest.mark.parametrize("seed", range(3))
def test_raise_inlet_slowly_to_within_one_per_cent(seed: int) -> None:
    bench = Bench(seed)
    bench.ask("fit_regulator")
    bench.ask("screw_out")
    for psi in (3.0, 10.0):
        bench.ask("raise_inlet", f"{psi} psi gauge")
        assert bench.trace[-1].inlet == pytest.approx(psi * PSI, rel=0.01)
        # The adjuster is out: the first look at the seat.
        assert bench.trace[-1].outlet < 2.0 * INCH
    rises = [b.inlet - a.inlet for a, b in pairwise(bench.trace)]
    assert max(rises) / LOOK_S < 30e3


@pytest.mark.parametrize("seed", range(3))
def test_set_inlet_goes_down_through_the_vent_and_up_again(seed: int) -> None:
    bench = Bench(seed).regulating()
    bench.ask("close_bleed")
    for psi in (5.0, 10.0):
        bench.ask("set_inlet", f"{psi} psi gauge")
        assert bench.rig.valves.vent_inlet == 0.0
        bench.hold(5.0)
        assert bench.mean(1.0, "inlet") == pytest.approx(psi * PSI, rel=0.015)


@pytest.mark.parametrize("seed", range(3))
def test_fill_outlet(seed: int) -> None:
    bench = Bench(seed)
    bench.ask("fit_blank")
    bench.ask("fill_outlet", "12 in. w.c. gauge")
    assert bench.rig.valves.fill == 0.0
    bench.hold(15.0)
    assert bench.mean(2.0) == pytest.approx(12.0 * INCH, rel=0.03)


def test_isolate_inlet() -> None:
    bench = Bench(1).regulating()
    bench.ask("isolate_inlet")
    assert bench.rig.valves.inlet == 0.0
    assert bench.rig.valves.supply_pa_gauge > 0.0


@pytest.mark.parametrize("seed", range(6))
def test_set_outlet_comes_up_to_the_aim(seed: int) -> None:
    bench = Bench(seed).pressurised()
    bench.ask("set_outlet", "11.0 in. w.c. gauge")
    bench.hold(4.0)
    assert bench.mean(2.0) == pytest.approx(11.0 * INCH, rel=0.004)
    flow = bench.rig.plant.seat_flow / 1.1648 * 60e3
    assert 2.0 < flow < 5.0  # std L/min


def test_set_outlet_backs_off_below_when_above() -> None:
    bench = Bench(2).regulating()
    bench.ask("set_outlet", "10.0 in. w.c. gauge")
    assert bench.trace[-1].outlet == pytest.approx(10.0 * INCH, rel=0.004)
    lowest = min(bench.last(30.0))
    assert lowest < 9.9 * INCH  # from below, and not by turning out to the aim


def test_set_outlet_against_friction_still_gets_there() -> None:
    bench = Bench(3, {"stem_friction": 1.0}).pressurised()
    bench.ask("set_outlet", "11.0 in. w.c. gauge", most_s=240.0)
    assert bench.trace[-1].outlet == pytest.approx(11.0 * INCH, rel=0.01)


def test_lock_nut_shifts_the_setting_by_a_hair() -> None:
    bench = Bench(1).regulating()
    before = bench.rig.valves.screw_m
    bench.ask("lock_nut")
    assert 0.0 < abs(bench.rig.valves.screw_m - before) < 3e-6


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("end", [0.0, HIGHEST["screw_m"]])
def test_a_nut_locked_at_the_end_of_travel_turns_the_screw_no_further(
    seed: int, end: float
) -> None:
    hands = Hands(seed, found={"screw_m": end})
    turned = [
        hands.act(i * LOOK_S, request("lock_nut"), ZERO).valves.get("screw_m", end)
        for i in range(round(8.0 / LOOK_S))
    ]
    assert all(0.0 <= screw <= HIGHEST["screw_m"] for screw in turned)


def test_exercise_opens_wide_and_shuts_each_time() -> None:
    bench = Bench(1).regulating()
    bench.bleed.clear()
    bench.ask("exercise", repeats=4)
    positions = [position for _, position in bench.bleed]
    opened = sum(a < 1.0 <= b for a, b in pairwise(positions))
    shut = sum(a > 0.0 >= b for a, b in pairwise(positions))
    assert (opened, shut) == (4, 4)
    assert positions[-1] == 0.0


def test_open_bleed_is_the_small_flow_that_was_set_with() -> None:
    bench = Bench(1).regulating()
    small = bench.rig.valves.bleed
    bench.ask("close_bleed")
    bench.ask("open_bleed")
    assert bench.rig.valves.bleed == pytest.approx(small, rel=0.07)


def test_hands_off() -> None:
    bench = Bench(1).regulating()
    before = bench.rig.valves
    bench.ask("hands_off")
    bench.hold(3.0)
    assert bench.rig.valves == before


def test_vent_down_then_disconnect() -> None:
    bench = Bench(1).regulating()
    bench.ask("close_bleed")
    bench.ask("isolate_inlet")
    bench.ask("vent_down")
    assert abs(bench.trace[-1].outlet) < 0.01 * 11.6 * INCH + 10.0
    assert abs(bench.trace[-1].inlet) < 0.01 * 10.0 * PSI + 300.0
    assert bench.rig.valves.supply_pa_gauge == 0.0
    assert bench.rig.valves.screw_m == 0.0
    bench.ask("disconnect")
    assert bench.rig.valves.fixture == 0.0
    bench.hold(10.0)
    assert abs(bench.mean(2.0)) < 10.0
    assert abs(bench.mean(2.0, "inlet")) < 100.0


def test_nothing_is_disconnected_under_pressure() -> None:
    asked = Request(id="d", step="test", act="disconnect", confirm=True)
    hands = Hands(5)
    for i in range(600):
        moves = hands.act(i * LOOK_S, asked, {"outlet": 2700.0, "inlet": 68e3})
        assert moves.acknowledge is None
        assert i == 0 or "fixture" not in moves.valves


def test_a_display_that_shows_nothing_counts_as_pressure() -> None:
    hands = Hands(5)
    asked = Request(id="d", step="test", act="disconnect", confirm=True)
    for i in range(600):
        shown = {"outlet": math.nan} if i % 2 else {}
        assert hands.act(i * LOOK_S, asked, shown).acknowledge is None
