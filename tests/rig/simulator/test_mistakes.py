"""What the scripted technician does wrong, mistake by mistake, on the simulated gas."""

from __future__ import annotations

from itertools import pairwise

import pytest

from records.errors import InputError
from records.run import Request
from rig.simulator.hands import ABSENCE_S, MISTAKES, Hands, Mistake
from tests.rig.simulator.bench import INCH, LOOK_S, Bench

ZERO = {"outlet": 0.0, "inlet": 0.0}


def clumsy(mistake: str, seed: int = 1) -> Bench:
    return Bench(seed, mistakes=[mistake])


def test_jerks_are_three_with_rests_between() -> None:
    bench = clumsy("three-jerks").regulating()
    bench.bleed.clear()
    bench.ask("close_bleed")
    moved = [t for (_, a), (t, b) in pairwise(bench.bleed) if a != b]
    rests = [b - a for a, b in pairwise(moved) if b - a > 0.8]
    assert len(rests) == 2
    assert bench.bleed[-1][1] == 0.0


def test_a_slow_closing_takes_longer_than_anybody_asks_for() -> None:
    bench = clumsy("closes-slowly").regulating()
    bench.bleed.clear()
    took = bench.ask("close_bleed")
    assert 9.0 < took < 20.0
    assert bench.bleed[-1][1] == 0.0


def test_a_bleed_that_is_left_open_a_crack_is_shut_while_nothing_is_asked() -> None:
    bench = clumsy("leaves-bleed").regulating()
    small = bench.rig.valves.bleed
    bench.ask("close_bleed")
    assert 0.0 < bench.rig.valves.bleed < 0.1 * small
    bench.hold(22.0)
    assert bench.rig.valves.bleed == 0.0


def test_over_adjusting_goes_above_and_comes_back() -> None:
    bench = clumsy("over-adjusts").pressurised()
    bench.ask("set_outlet", "11.0 in. w.c. gauge")
    highest = max(seen.outlet for seen in bench.trace)
    assert 11.5 * INCH < highest < 13.5 * INCH
    bench.hold(4.0)
    assert bench.mean(2.0) == pytest.approx(11.0 * INCH, rel=0.004)


def test_a_bumped_bleed_lets_the_outlet_dip_in_the_midst_of_a_hold() -> None:
    bench = clumsy("bumps-bleed").regulating()
    bench.ask("close_bleed")
    bench.hold(5.0)
    before = bench.mean(1.0)
    bench.ask("hands_off")
    bench.hold(30.0)
    assert min(bench.last(30.0)) < 0.98 * before
    assert bench.rig.valves.bleed == 0.0


def test_a_bump_comes_though_to_keep_off_is_asked_and_over_at_once() -> None:
    bench = clumsy("bumps-bleed@hold").regulating()
    bench.ask("close_bleed")
    bench.hold(5.0)
    before = bench.mean(1.0)
    bench.hands.left_alone("other")
    bench.hold(30.0)
    assert min(bench.last(30.0)) > 0.99 * before
    bench.hands.left_alone("hold")
    bench.hold(30.0)
    assert min(bench.last(30.0)) < 0.98 * before


def test_the_next_station_makes_the_inlet_dip_and_come_back() -> None:
    bench = clumsy("neighbour").regulating()
    bench.ask("close_bleed")
    before = bench.mean(1.0, "inlet")
    bench.hold(35.0)
    assert min(bench.last(35.0, "inlet")) < 0.94 * before
    assert bench.mean(1.0, "inlet") == pytest.approx(before, rel=0.01)
    assert bench.rig.valves.vent_inlet == 0.0


def test_nothing_of_the_next_station_passes_a_shut_inlet_valve() -> None:
    bench = clumsy("neighbour@hold").regulating()
    bench.ask("close_bleed")
    bench.ask("isolate_inlet")
    for _ in range(80):
        bench.look(Request(id="h", step="hold", act="hands_off"))
    before = bench.mean(0.5, "inlet")
    bench.hold(40.0)
    assert min(bench.last(40.0, "inlet")) > 0.99 * before


def test_a_lost_supply_lets_the_inlet_go_and_comes_back() -> None:
    bench = clumsy("supply-lost").regulating()
    bench.ask("close_bleed")
    before = bench.mean(1.0, "inlet")
    bench.ask("open_bleed")
    bench.hold(70.0)
    assert min(bench.last(70.0, "inlet")) < 0.7 * before
    assert bench.mean(1.0, "inlet") == pytest.approx(before, rel=0.02)


def test_who_is_away_does_nothing_whatever_is_asked() -> None:
    hands = Hands(1, mistakes=["long-absence"])
    hands.act(0.0, None, ZERO)
    moved = [
        t_s
        for i in range(round(ABSENCE_S[1] / LOOK_S))
        if hands.act(
            t_s := i * LOOK_S,
            Request(id=f"r{i // 5000}", step="test", act="open_bleed"),
            ZERO,
        ).valves
    ]
    assert moved[0] >= ABSENCE_S[0]


@pytest.mark.parametrize("text", ["three-jerks@lockup-2", "long-absence@lockup-2"])
def test_a_mistake_waits_for_its_step(text: str) -> None:
    mistake = Mistake.parse(text)
    for step in ("lockup-1", "lockup-2"):
        asked = Request(id="r", step=step, act="close_bleed")
        assert mistake.can_be_at(asked) == (step == "lockup-2")


def test_a_mistake_is_made_once() -> None:
    bench = clumsy("closes-slowly").regulating()
    assert bench.ask("close_bleed") > 9.0
    bench.ask("open_bleed")
    assert bench.ask("close_bleed") < 7.0


@pytest.mark.parametrize("text", ["sneezes", "", "sneezes@lockup-1"])
def test_an_unknown_mistake_is_told_with_those_there_are(text: str) -> None:
    with pytest.raises(InputError, match="mistake_unknown") as told:
        Mistake.parse(text)
    assert told.value.facts["known"] == ", ".join(MISTAKES)
