"""What cursors read of a trace, and the groups of causes; without a window."""

from __future__ import annotations

import numpy as np
import pytest

from gui.bench_desk.live import Live
from gui.practice_desk.calling import (
    CAUSE,
    VERDICT,
    calls_of,
    causes_of,
    group_heads,
    measured,
    typed_call,
)
from gui.practice_desk.drill_list import DRAW, fault_choices
from gui.practice_desk.pressed_twice import PressedTwice
from gui.practice_desk.remarked import remark_lines
from gui.practice_desk.replaying import SPEEDS, Replay
from proofstand.conduct import Remark
from proofstand.simulated import EPOCH
from records.errors import InputError
from records.faults import CATALOGUE, OF_FIRST
from records.planfile import plan_by_name
from records.rig import Rig
from records.runfile import read_sealed
from records.trace import Trace
from rig.rigfile import parse_rig
from rig.simulator.rigtext import rig_text
from tests.gui.practice_states import GOOD, NICKED

PLAN, _ = plan_by_name("low-pressure")
INCH = 248.84  # Pa, water at 60 °F: NIST SP 811, appendix B.8


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse_rig(rig_text("127.0.0.1", 502, 1.0, EPOCH.date()), "rig")


def lives(
    rig: Rig, outlet: tuple[float, float], inlet: tuple[float, float]
) -> list[Live]:
    """Return two channels that are straight lines, each by level and slope."""
    made = []
    t = np.arange(0.0, 100.0, 0.05)
    for role, (level, slope) in (("outlet", outlet), ("inlet", inlet)):
        channel = next(c for c in rig.channels if c.role == role)
        live = Live(channel, 0.05)
        flags = np.zeros(t.size, np.uint8)
        live.add(Trace(channel.id, t, level + slope * t, flags))
        made.append(live)
    return made


def test_cursors_read_level_rise_and_slope_of_a_line(rig: Rig) -> None:
    drawn = lives(rig, (2740.0, 2.0), (68_950.0, 0.0))
    set_ = measured("set_pressure", (30.0, 10.0), drawn, PLAN, rig)
    assert set_.value is not None
    assert set_.value.value_si == pytest.approx(2740.0 + 2.0 * 20.0, abs=0.1)
    assert set_.text == f"{(2740.0 + 40.0) / INCH:.3f} in. w.c. gauge"
    rise = measured("lockup_rise", (10.0, 30.0), drawn, PLAN, rig)
    assert rise.value is not None
    assert rise.value.value_si == pytest.approx(40.0, abs=0.2)
    assert rise.text.endswith("in. w.c. difference")
    creep = measured("creep_rate", (10.0, 30.0), drawn, PLAN, rig)
    assert creep.value is not None
    assert creep.value.value_si == pytest.approx(2.0, rel=1e-9)
    assert creep.text.endswith("in. w.c./min")


def test_a_leak_is_what_a_hand_calculation_gives(rig: Rig) -> None:
    assert rig.traits is not None
    drawn = lives(rig, (2740.0, -1.0), (68_950.0, -3.0))
    leak = measured("external_leak", (10.0, 90.0), drawn, PLAN, rig)
    lost = 0.0
    for role, slope in (("outlet", 1.0), ("inlet", 3.0)):
        stated = rig.traits.volumes[role]
        lost += slope * (stated.volume.value_si + 0.5 * stated.allowance.value_si)
    assert leak.value is not None
    assert leak.value.value_si == pytest.approx(lost, rel=1e-6)
    # one std cm3/min, 20 °C and 101.325 kPa: 101 325 Pa times 1e-6 m3 in 60 s
    std = lost / (101_325.0 * 1e-6 / 60.0)
    assert float(leak.text.split()[0]) == pytest.approx(std, rel=1e-2)
    assert "outlet" in leak.how
    assert "cm3" in leak.how


def test_where_nothing_was_read_nothing_is_called(rig: Rig) -> None:
    drawn = lives(rig, (2740.0, 0.0), (68_950.0, 0.0))
    found = measured("creep_rate", (200.0, 300.0), drawn, PLAN, rig)
    assert (found.text, found.value) == ("", None)
    lone = [drawn[1]]
    assert "no outlet" in measured("set_pressure", (1.0, 9.0), lone, PLAN, rig).how


def test_calls_lead_from_one_to_the_next_and_may_be_made_anew() -> None:
    calls = calls_of(PLAN)
    assert [c.what for c in calls.all][-2:] == [VERDICT, CAUSE]
    calls = typed_call(calls, "11.0 in. w.c. gauge")
    assert calls.at == 1
    for _ in range(3):
        calls = typed_call(calls, "")
    calls = calls.gone_to(5).made("none")
    assert calls.now is not None
    assert calls.now.what == VERDICT  # what was passed over is gone back to
    calls = calls.made("fail")
    assert calls.now is None
    called = calls.called()
    assert list(called.values) == ["set_pressure"]
    assert (called.verdict, called.cause) == ("fail", "none")
    again = typed_call(calls.gone_to(0), "11.1 in. w.c. gauge")
    assert again.all[0].text == "11.1 in. w.c. gauge"
    assert again.now is None


@pytest.mark.parametrize("typed", ["11", "11 in. w.c. difference", "3 s", "much"])
def test_a_value_of_another_kind_is_refused(typed: str) -> None:
    with pytest.raises(InputError):
        typed_call(calls_of(PLAN), typed)


def test_causes_are_groups_that_score_as_their_members() -> None:
    heads = group_heads()
    assert {CATALOGUE[id].group for id in heads} == {
        entry.group for entry in CATALOGUE.values()
    }
    plain = causes_of(PLAN)
    assert [cause.id for cause in plain] == ["none", *heads]
    assert len({cause.words for cause in plain}) == len(plain)
    for entry in CATALOGUE.values():  # its own group's line is right for each fault
        (head,) = [id for id in heads if CATALOGUE[id].group == entry.group]
        assert head in entry.group
    pair, _ = plan_by_name("pair")
    first = [c for c in causes_of(pair) if c.id.startswith(OF_FIRST)]
    assert first
    assert all(cause.words.startswith("In the first stage: ") for cause in first)


def test_every_fault_may_be_chosen_for_a_drill() -> None:
    ids = [id for id, _ in fault_choices()]
    assert ids[:2] == [DRAW, "none"]
    assert set(ids[2:]) == set(CATALOGUE)


def test_a_replay_keeps_its_pace_and_skips_nothing() -> None:
    now = 0.0
    replay = Replay(read_sealed(GOOD), lambda: now)
    replay.press_play()
    for speed in SPEEDS:
        while replay.speed != speed:
            replay.change_speed(1 if replay.speed < speed else -1)
        before = replay.now_s
        now += 0.1
        replay.beat()
        assert replay.now_s - before == pytest.approx(0.1 * speed)
    before = replay.now_s
    now += 60.0  # the window was busy, or another desk was in view
    replay.beat()
    assert replay.now_s - before <= 0.5 * replay.speed
    replay.press_play()
    now += 1.0
    before = replay.now_s
    replay.beat()
    assert replay.now_s == before


def test_remarks_are_told_in_words_with_unit_and_rule() -> None:
    run = read_sealed(GOOD)
    assert remark_lines((), run) == ()
    over = (("value", "9000"), ("limit", "7000"))
    head, *lines = remark_lines(
        (
            Remark(
                what="connected",
                at_s=65.0,
                channel="outlet",
                value=2737.2,
                fitted="regulator",
            ),
            Remark(what="over_pressure", at_s=130.0, channel="outlet", facts=over),
            Remark(what="stopped", at_s=200.0, step="lockup-1"),
        ),
        run,
    )
    assert "no points" in head
    assert lines[0].startswith(
        "1:05: connections to Regulator while the outlet read 11.00 in. w.c. gauge."
    )
    assert "Connect only at zero pressure" in lines[0]
    assert lines[1].startswith("2:10: Over-pressure: outlet. It rose to 36.17 in. w.c.")
    assert lines[2].startswith("3:20: the test was stopped in step lockup 1")


def test_a_press_that_counts_twice_is_forgotten_after_a_while() -> None:
    now = 0.0
    press = PressedTwice(lambda: now)
    assert not press.press()
    now = 0.1
    assert not press.press()  # a bounce
    now = 1.0
    assert press.press()
    assert not press.asked
    assert not press.press()
    now = 20.0
    assert not press.asked
    assert press.ran_out()
    assert not press.ran_out()
    assert not press.press()
    assert press.forget()
    assert not press.forget()


def test_a_replay_shows_the_same_in_any_pieces() -> None:
    run = read_sealed(NICKED)
    whole, pieces = Replay(run), Replay(run)
    whole.show_until(whole.whole_s)
    at = 0.0
    while not pieces.at_end:
        at += 37.3
        pieces.show_until(at)
    assert whole.picture() == pieces.picture()
    for id, live in whole.channels.items():
        one = live.history.between(300.0, 400.0)
        other = pieces.channels[id].history.between(300.0, 400.0)
        assert np.array_equal(one[0], other[0])
        assert np.array_equal(one[1], other[1], equal_nan=True)
