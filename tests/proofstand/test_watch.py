"""The watch over people: every pressure channel, whatever flags or steps say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from proofstand.procedure.engine import (
    STEP_KINDS,
    Declare,
    Engine,
    Hear,
    Skip,
    stages_of,
    steps_back_to,
)
from proofstand.procedure.progress import TOLD_S
from proofstand.procedure.resuming import finds_regulator
from proofstand.procedure.stages import Ask
from proofstand.procedure.watch import NO_ALARMS, Alarms
from records.measure import STANDARD_PRESSURE_PA, parse_quantity
from records.plan import Plan
from records.planfile import builtin_plan, builtin_plan_ids
from records.rig import Channel, Rig
from records.run import Mark, MarkKind
from records.trace import Flag, Trace

from .test_engine import answer, asked, plan, simulated_rig

RATE_HZ = 20


def rig_with(*more: Channel) -> Rig:
    rig = simulated_rig()
    return replace(rig, channels=(*rig.channels, *more))


def like_outlet(id: str, role: str, **other: object) -> Channel:
    outlet = simulated_rig().channel("outlet")
    assert outlet is not None
    made = replace(outlet, id=id, role=role, overload=None)
    return replace(made, **other)  # type: ignore[arg-type]


def fed(
    engine: Engine,
    rig: Rig,
    start: float,
    stop: float,
    *,
    rate_hz: int = RATE_HZ,
    flagged: dict[str, Flag] | None = None,
    without: tuple[str, ...] = (),
    **levels: float,
) -> list[Mark]:
    """Feed flat pressures by channel id or role, Pa, and give the marks."""
    t = np.arange(round(start * rate_hz), round(stop * rate_hz)) / rate_hz
    noise = np.random.default_rng(int(start * 20) + 1).standard_normal(t.size)
    traces = {}
    for channel in rig.channels:
        if channel.id in without or channel.role in without:
            continue
        key = channel.id if channel.id in levels else channel.role
        level = levels.get(key, 101_000.0 if channel.role == "ambient" else 0.0)
        flag = (flagged or {}).get(channel.id, Flag.GOOD)
        flags = np.full(t.size, int(flag), np.uint8)
        traces[channel.id] = Trace(channel.id, t, level + 0.8 * noise, flags)
    return [o for o in engine.feed(traces) if isinstance(o, Mark)]


def troubles(marks: list[Mark]) -> list[tuple[str, str]]:
    found = [m for m in marks if m.kind is MarkKind.TROUBLE]
    return [(m.data["trouble"], m.data.get("channel", "")) for m in found]


def at_pressurise(rig: Rig) -> Engine:
    """Return an engine at its first step, which is none that takes the gas off."""
    engine = Engine(plan(), rig)
    fed(engine, rig, 0.0, 5.0)
    return engine


# --- over-pressure -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "most"), [("outlet", ""), ("interstage", "3 kPa"), ("bonnet", "3 kPa")]
)
def test_every_pressure_channel_is_watched_not_just_the_first_of_a_role(
    role: str, most: str
) -> None:
    other = like_outlet("second", role)
    if most:
        other = replace(other, overload=parse_quantity(f"{most} gauge"))
    rig = rig_with(other)
    engine = at_pressurise(rig)
    assert troubles(fed(engine, rig, 5.0, 6.0, second=2_000.0)) == []
    marks = fed(engine, rig, 6.0, 7.0, second=6_000.0)
    assert troubles(marks) == [("over_pressure", "second")]
    assert engine.over_pressure
    assert engine.step is not None
    assert engine.step.kind == "vent-down"


def test_an_absolute_channel_is_held_against_the_gauge_limit() -> None:
    span = (parse_quantity("0 kPa absolute"), parse_quantity("300 kPa absolute"))
    rig = rig_with(
        like_outlet("abs", "outlet", unit="Pa absolute", span=span, calibration=None)
    )
    engine = at_pressurise(rig)
    air = STANDARD_PRESSURE_PA
    assert troubles(fed(engine, rig, 5.0, 6.0, abs=air + 4_000.0)) == []
    marks = fed(engine, rig, 6.0, 7.0, abs=air + 6_000.0)
    assert troubles(marks) == [("over_pressure", "abs")]


def test_a_reading_at_the_end_of_its_range_is_no_blind_spot() -> None:
    high = parse_quantity("4 kPa gauge")
    narrow = like_outlet("narrow", "outlet", span=(parse_quantity("0 Pa gauge"), high))
    rig = rig_with(narrow)
    engine = at_pressurise(rig)
    # The plan's limit lies above all that this transducer can read.
    marks = fed(
        engine, rig, 5.0, 6.0, narrow=4_000.0, flagged={"narrow": Flag.SATURATED}
    )
    assert troubles(marks) == [("over_pressure", "narrow")]
    told = next(m for m in marks if m.kind is MarkKind.TROUBLE).data
    assert told["end_of_range"] == "yes"


@pytest.mark.parametrize("flag", [Flag.LATE, Flag.DEVICE, Flag.SATURATED])
def test_a_flag_hides_no_over_pressure(flag: Flag) -> None:
    rig = simulated_rig()
    outlet = rig.channel("outlet")
    assert outlet is not None
    engine = at_pressurise(rig)
    marks = fed(engine, rig, 5.0, 5.5, outlet=6_000.0, flagged={outlet.id: flag})
    assert ("over_pressure", outlet.id) in troubles(marks)


@pytest.mark.parametrize("at", [0.001, 0.1, 0.249])
def test_one_reading_between_two_looks_is_enough(at: float) -> None:
    rig = simulated_rig()
    inlet, outlet = rig.channel("inlet"), rig.channel("outlet")
    assert inlet is not None
    assert outlet is not None
    engine = at_pressurise(rig)
    t = np.arange(5_000, 6_000) / 1_000.0
    flags = np.zeros(t.size, np.uint8)
    peak = np.where(np.abs(t - 5.25 - at) < 5e-4, 6_000.0, 10.0)
    out = engine.feed(
        {
            inlet.id: Trace(inlet.id, t, np.full(t.size, 10.0), flags),
            outlet.id: Trace(outlet.id, t, peak, flags),
        }
    )
    marks = [o for o in out if isinstance(o, Mark)]
    assert troubles(marks) == [("over_pressure", outlet.id)]
    told = next(m for m in marks if m.kind is MarkKind.TROUBLE)
    assert told.t_s == pytest.approx(5.25 + at, abs=1e-3)


def test_a_block_that_comes_late_is_looked_at_all_the_same() -> None:
    rig = rig_with(
        like_outlet("late", "interstage", overload=parse_quantity("3 kPa gauge"))
    )
    engine = at_pressurise(rig)
    assert troubles(fed(engine, rig, 5.0, 5.5, without=("late",))) == []
    t = np.arange(100, 106) / 20.0  # up to 5.25 s; the engine stands at 5.25 s
    high = np.full(t.size, 9_000.0)
    engine.feed({"late": Trace("late", t, high, np.zeros(t.size, np.uint8))})
    marks = fed(engine, rig, 5.5, 6.0, without=("late",))
    assert troubles(marks) == [("over_pressure", "late")]


def test_it_is_said_while_the_gas_comes_off_too_and_once_it_is_over() -> None:
    rig = simulated_rig()
    outlet = rig.channel("outlet")
    assert outlet is not None
    engine = at_pressurise(rig)
    while engine.step is not None and engine.step.kind != "vent-down":
        engine.command(Skip("not now", "t"))
    marks = fed(engine, rig, 5.0, 8.0, outlet=6_000.0, inlet=50_000.0)
    assert troubles(marks) == [("over_pressure", outlet.id)]
    told = next(m for m in marks if m.kind is MarkKind.TROUBLE).data
    assert told["while"] == "venting"
    assert not [m for m in marks if m.kind is MarkKind.STEP_END]
    assert engine.request is not None
    assert engine.request.act == "vent_down"
    marks = fed(engine, rig, 8.0, 8.75, outlet=1_000.0)
    assert engine.progress.alarms.standing
    marks += fed(engine, rig, 8.75, 10.0, outlet=1_000.0)
    assert {"alarm_over": "over_pressure", "channel": outlet.id} in [
        m.data for m in marks
    ]
    assert engine.progress.alarms == NO_ALARMS


# --- silence -------------------------------------------------------------------------


@pytest.mark.parametrize("role", ["interstage", "bonnet"])
@pytest.mark.parametrize(
    ("flag", "why"),
    [
        (Flag.MISSING, "missing"),
        (Flag.LATE, "late"),
        (Flag.DEVICE, "device"),
        (Flag.SATURATED, "beyond_range"),
    ],
)
def test_any_pressure_channel_that_is_silent_or_stale_stops_everything(
    role: str, flag: Flag, why: str
) -> None:
    rig = rig_with(like_outlet("other", role))
    engine = Engine(plan(), rig)
    fed(engine, rig, 0.0, 5.0)
    answer(engine)
    marks = fed(engine, rig, 5.0, 30.0, flagged={"other": flag})
    assert troubles(marks) == [("channel_silent", "other")]
    assert next(m for m in marks if m.kind is MarkKind.TROUBLE).data["why"] == why
    assert asked(list(marks)) == []
    marks = fed(engine, rig, 30.0, 60.0)
    assert {"back": "other"} in [m.data for m in marks]
    assert engine.request is not None
    assert engine.request.act == "fit_blank"


def test_a_reading_that_repeats_its_time_is_no_new_one() -> None:
    """What an instrument says again is left out of a trace: nothing new comes."""
    rig = rig_with(like_outlet("other", "interstage"))
    engine = at_pressurise(rig)
    marks = fed(engine, rig, 5.0, 8.0, without=("other",))
    assert troubles(marks) == [("channel_silent", "other")]
    told = next(m for m in marks if m.kind is MarkKind.TROUBLE).data
    assert told["why"] == "nothing_new"


def test_an_instrument_that_stands_still_holds_up_no_watch_over_the_others() -> None:
    rig = simulated_rig()
    inlet, outlet = rig.channel("inlet"), rig.channel("outlet")
    assert inlet is not None
    assert outlet is not None
    engine = at_pressurise(rig)
    # The inlet's time does not go on: its samples are left out of its trace.
    marks = fed(engine, rig, 5.0, 9.0, without=("inlet",), outlet=6_000.0)
    assert troubles(marks)[0] == ("over_pressure", outlet.id)
    assert ("channel_silent", inlet.id) in troubles(marks)


def test_an_instrument_is_not_silent_for_reading_slowly() -> None:
    rig = simulated_rig()
    slow = replace(rig.instruments[0], period=parse_quantity("2 s"))
    rig = replace(rig, instruments=(slow, *rig.instruments[1:]))
    engine = Engine(plan(), rig)
    quiet = [m for at in range(0, 40, 2) for m in _one_reading(engine, rig, float(at))]
    assert troubles(quiet) == []


def _one_reading(engine: Engine, rig: Rig, at: float) -> list[Mark]:
    flags = np.zeros(1, np.uint8)
    traces = {
        c.id: Trace(c.id, np.array([at]), np.array([1.0]), flags) for c in rig.channels
    }
    return [o for o in engine.feed(traces) if isinstance(o, Mark)]


# --- opened under pressure -----------------------------------------------------------


def test_what_is_opened_under_pressure_is_said_at_once_until_the_gas_is_off() -> None:
    rig = simulated_rig()
    inlet = rig.channel("inlet")
    assert inlet is not None
    engine = Engine(plan(), rig)
    fed(engine, rig, 0.0, 5.0, inlet=40_000.0)
    out = engine.command(Declare("opened", "a fitting was tightened", "P. Quill"))
    marks = [o for o in out if isinstance(o, Mark)]
    assert [m.kind for m in marks] == [MarkKind.OPENED, MarkKind.TROUBLE]
    assert troubles(marks) == [("opened_under_pressure", inlet.id)]
    assert float(marks[1].data["value"]) == pytest.approx(40_000.0, abs=10.0)
    assert fed(engine, rig, 5.0, 10.0, inlet=40_000.0) == []
    marks = fed(engine, rig, 10.0, 13.0)
    told = {"alarm_over": "opened_under_pressure", "channel": inlet.id}
    assert told in [m.data for m in marks]
    out = engine.command(Declare("opened", "the bonnet", "P. Quill"))
    assert troubles([o for o in out if isinstance(o, Mark)]) == []


def test_an_adjuster_may_be_turned_under_pressure() -> None:
    rig = simulated_rig()
    engine = Engine(plan(), rig)
    fed(engine, rig, 0.0, 5.0, inlet=40_000.0)
    out = engine.command(Declare("adjusted", "the screw", "P. Quill"))
    assert [o.kind for o in out if isinstance(o, Mark)] == [MarkKind.ADJUSTED]


# --- heard, and restored -------------------------------------------------------------


def test_an_alarm_is_heard_by_name_and_stands_on() -> None:
    rig = rig_with(
        like_outlet("a", "interstage"), like_outlet("b", "bonnet")
    )  # both silent, one after the other
    engine = at_pressurise(rig)
    marks = fed(engine, rig, 5.0, 8.0, without=("a",))
    (alarm,) = engine.progress.alarms.sounding
    out = engine.command(Hear((("channel_silent", "a"),), "P. Quill"))
    heard = [o for o in out if isinstance(o, Mark)]
    assert [(m.kind, m.by) for m in heard] == [(MarkKind.NOTE, "P. Quill")]
    assert heard[0].data == {"heard": "channel_silent", "channel": "a"}
    assert not engine.progress.alarms.sounding
    assert engine.progress.alarms.standing == (alarm,)
    marks += heard + fed(engine, rig, 8.0, 11.0, without=("a", "b"))
    assert [each.channel for each in engine.progress.alarms.sounding] == ["b"]
    # said again, or of an alarm that does not stand: nothing
    assert engine.command(Hear((("channel_silent", "a"),), "P. Quill")) == []
    assert engine.command(Hear((("over_pressure", "a"),), "P. Quill")) == []
    folded = NO_ALARMS
    for mark in marks:
        folded = folded.after(mark)
    assert folded == engine.progress.alarms


def test_an_alarm_that_comes_back_sounds_again() -> None:
    told = {"trouble": "channel_silent", "channel": "a"}
    trouble = Mark(part=1, t_s=1.0, kind=MarkKind.TROUBLE, data=told)
    heard = Mark(
        part=1,
        t_s=2.0,
        kind=MarkKind.NOTE,
        data={"heard": "channel_silent", "channel": "a"},
        by="P. Quill",
    )
    back = Mark(part=1, t_s=3.0, kind=MarkKind.NOTE, data={"back": "a"})
    alarms = Alarms()
    for mark in (trouble, heard, back, trouble):
        alarms = alarms.after(mark)
    assert len(alarms.sounding) == 1


def test_an_engine_restored_amid_alarms_goes_on_as_if_nothing_had_been() -> None:
    rig = rig_with(
        like_outlet("b", "interstage"),
        like_outlet("c", "outlet"),
        like_outlet("a", "bonnet", overload=parse_quantity("3 kPa gauge")),
    )
    # Two over-pressures in one look, then a silence, then back to what is allowed.
    t = np.arange(0, 240) / 20.0
    high = (t >= 5.0) & (t < 6.0)
    quiet = (t >= 6.0) & (t < 9.0)
    whole = {
        c.id: Trace(
            c.id,
            t,
            np.where(high & (c.id in ("a", "c")), 6_000.0, 100.0),
            np.where(quiet & (c.id == "b"), int(Flag.MISSING), 0).astype(np.uint8),
        )
        for c in rig.channels
    }

    def fed_from(engine: Engine, since: float) -> list[Mark]:
        rest = {id: trace.between(since, 99.0) for id, trace in whole.items()}
        return [o for o in engine.feed(rest) if isinstance(o, Mark)]

    marks = fed_from(Engine(plan(), rig), -1.0)
    assert [what for what, _ in troubles(marks)] == [
        "over_pressure",
        "over_pressure",
        "channel_silent",
    ]
    assert {m.data.get("alarm_over") for m in marks} == {None, "over_pressure"}
    for at in range(len(marks)):
        done = marks[: at + 1]
        now = max(float(m.data.get(TOLD_S, m.t_s)) for m in done)
        seen = {id: trace.between(-1.0, now) for id, trace in whole.items()}
        again = Engine.restored(plan(), rig, done, seen)
        assert fed_from(again, now + 1e-3) == marks[at + 1 :], marks[at]


# --- what could hurt -----------------------------------------------------------------

COULD_HURT = (
    "fit_blank",
    "fit_regulator",
    "fit_as_received",
    "disconnect",
    "raise_inlet",
    "set_inlet",
    "fill_outlet",
    "vent_down",
    "open_to_air",
)
PLANS = [id for id in builtin_plan_ids() if id != "trace-only"]


def _asks(of: Plan, *, resumed: bool) -> list[tuple[str, Ask]]:
    return [
        (step.id, stage)
        for step in of.steps
        if step.kind in STEP_KINDS
        for stage in stages_of(step, of, resumed and finds_regulator(step))
        if isinstance(stage, Ask)
    ]


@pytest.mark.parametrize("resumed", [False, True])
@pytest.mark.parametrize("id", PLANS)
def test_what_could_hurt_goes_on_by_measured_pressure_and_a_confirmation(
    id: str, resumed: bool
) -> None:
    asks = _asks(builtin_plan(id)[0], resumed=resumed)
    hurting = [(step, ask) for step, ask in asks if ask.act in COULD_HURT]
    assert {"vent_down", "disconnect"} <= {ask.act for _, ask in hurting}
    for step, ask in hurting:
        assert ask.confirm, (step, ask.act)
        assert ask.see is not None, (step, ask.act)


@pytest.mark.parametrize("id", PLANS)
def test_whatever_opens_or_connects_is_among_them(id: str) -> None:
    for step, ask in _asks(builtin_plan(id)[0], resumed=False):
        if ask.opens:
            assert ask.act in COULD_HURT, (step, ask.act)


def test_nothing_is_disconnected_while_another_channel_shows_pressure() -> None:
    rig = rig_with(like_outlet("stage", "interstage"))
    engine = at_pressurise(rig)
    while engine.step is not None and engine.step.kind != "vent-down":
        engine.command(Skip("not now", "t"))
    answer(engine)
    marks = fed(engine, rig, 5.0, 20.0, stage=3_000.0)
    assert engine.request is not None
    assert engine.request.act == "vent_down"
    # what was said while it still showed pressure does not count
    fed(engine, rig, 20.0, 25.0)
    assert engine.request.act == "vent_down"
    answer(engine)
    marks = fed(engine, rig, 25.0, 26.0)
    assert engine.request.act == "disconnect"
    assert [m.data.get("event") for m in marks if m.kind is MarkKind.SEEN] == ["vented"]


def test_a_test_goes_back_only_to_what_sets_or_fits_and_never_from_venting() -> None:
    ours = plan()
    lockup, vent = ours.step("lockup-1"), ours.step("vent-down")
    assert lockup is not None
    assert vent is not None
    assert {s.kind for s in steps_back_to(ours, lockup)} == {"pressurise", "set"}
    assert steps_back_to(ours, vent) == ()
    assert steps_back_to(ours, ours.steps[0]) == ()
