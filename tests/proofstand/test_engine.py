"""The engine: what it decides depends on samples and answers, never on the blocks."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.judge import judge
from proofstand.procedure.engine import (
    STEP_KINDS,
    Abandon,
    Acknowledge,
    Declare,
    Engine,
    Repeat,
    Skip,
    prepared_plan,
)
from proofstand.procedure.progress import LAPSED, STANDS, TOLD_S, TOO_EARLY
from proofstand.simulated import JOB_TEXT, demo_job
from proofstand.words.sentences import action
from records.errors import InputError, RefusedError
from records.jobcard import Nameplate
from records.jobfile import load_job
from records.judgement import Outcome
from records.measure import parse_quantity
from records.plan import Plan, Step
from records.planfile import builtin_plan, parse_plan
from records.rig import Rig
from records.run import ACTS, Mark, MarkKind, Request, Run
from records.runfile import open_run
from records.trace import Trace
from rig.rigfile import parse_rig
from rig.simulator.rigtext import rig_text

from .conftest import RunOf
from .led import plan_text


def replay(run: Run, cuts: list[float]) -> list[Mark]:
    """Feed a stored run to a new engine, cut at given times; answer as then."""
    rig, plan = run.header.rig, run.header.plan
    engine = Engine(plan, rig)
    traces = {c.id: run.trace(c, 1) for c in rig.channels}
    answers = [m for m in run.marks if m.kind is MarkKind.CONFIRMED]
    marks: list[Mark] = []
    start = -1.0
    for stop in [*cuts, 1e9]:
        # a cut takes what lies within a microsecond of its ends
        part = {id: t.between(start, stop + 1e-9) for id, t in traces.items()}
        marks += [o for o in engine.feed(part) if isinstance(o, Mark)]
        for answer in [a for a in answers if start < a.t_s <= stop]:
            command = Acknowledge(answer.data["request"], answer.by)
            marks += [o for o in engine.command(command) if isinstance(o, Mark)]
        start = stop + 2.1e-6
    return marks


@pytest.mark.parametrize("most", [0.05, 0.4, 2.0])
def test_replaying_a_run_in_other_blocks_gives_the_same_marks(
    run_of: RunOf, most: float
) -> None:
    run = open_run(run_of())
    picks = random.Random(f"blocks {most}")
    # Answers fall on the moments at which they were given, so those stay cuts.
    cuts = {m.t_s for m in run.marks if m.kind is MarkKind.CONFIRMED}
    t = 0.0
    last = max(m.t_s for m in run.marks)
    while t < last:
        t += picks.uniform(0.2 * most, most)
        cuts.add(t)
    got = replay(run, sorted(cuts))
    assert got == list(run.marks)


def _told_s(mark: Mark) -> float:
    return float(mark.data.get(TOLD_S, mark.t_s))


def _continued(run: Run, at: int, until_s: float) -> list[Mark]:
    """Restore an engine at a mark and play the run on from there, up to a time."""
    rig, plan = run.header.rig, run.header.plan
    done, now = run.marks[: at + 1], max(map(_told_s, run.marks[: at + 1]))
    traces = {c.id: run.trace(c, 1) for c in rig.channels}
    seen = {id: t.between(-1.0, now + 1e-9) for id, t in traces.items()}
    engine = Engine.restored(plan, rig, done, seen)
    answers = [m for m in run.marks[at + 1 :] if m.kind is MarkKind.CONFIRMED]
    marks: list[Mark] = []
    start = now + 2.1e-6
    cuts = sorted({a.t_s for a in answers if a.t_s <= until_s})
    for stop in [*cuts, until_s]:
        # a cut takes what lies within a microsecond of its ends
        part = {id: t.between(start, stop + 1e-9) for id, t in traces.items()}
        marks += [o for o in engine.feed(part) if isinstance(o, Mark)]
        for answer in [a for a in answers if a.t_s == stop]:
            command = Acknowledge(answer.data["request"], answer.by)
            marks += [o for o in engine.command(command) if isinstance(o, Mark)]
        start = max(start, stop + 2.1e-6)
    return marks


def check_restored(run: Run, every: int, first: int = 0) -> None:
    last = max(m.t_s for m in run.marks) + 1.0
    for at in range(first, len(run.marks), every):
        after = list(run.marks[at + 1 :])
        whole = at % (8 * every) == first
        few = run.marks[min(at + 4, len(run.marks) - 1)]
        until = last if whole else _told_s(few) + 0.5
        got = _continued(run, at, until)
        assert got == after[: len(got)], run.marks[at]
        assert len(got) == len(after) if whole else len(got) >= min(3, len(after))


def test_an_engine_restored_at_a_mark_goes_on_as_if_nothing_had_been(
    run_of: RunOf,
) -> None:
    check_restored(open_run(run_of()), every=9, first=4)


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["", "seat_nicked:0.6"])
def test_an_engine_restored_at_every_mark(run_of: RunOf, fault: str) -> None:
    check_restored(open_run(run_of(*filter(None, [fault]))), every=1)


def test_where_a_test_stands_is_the_fold_of_its_marks() -> None:
    engine = Engine(plan(), simulated_rig())
    marks = [o for o in feed(engine, 0.0, 5.0) if isinstance(o, Mark)]
    answer_marks = engine.command(Acknowledge("zero.1", "P. Quill"))
    marks += [o for o in answer_marks if isinstance(o, Mark)]
    marks += [o for o in feed(engine, 5.0, 16.0) if isinstance(o, Mark)]
    marks += [
        o for o in feed(engine, 16.0, 17.0, outlet=6_000.0) if isinstance(o, Mark)
    ]
    assert Engine.restored(plan(), simulated_rig(), marks).progress == engine.progress
    assert engine.over_pressure


def interrupted(*levels: dict[str, float]) -> tuple[Engine, list[Mark]]:
    """Lead a test by flat pressures until it is cut off; give a new engine."""
    engine = Engine(plan(), simulated_rig())
    marks: list[Mark] = []
    t = 0.0
    for level in levels:
        marks += [o for o in feed(engine, t, t + 20.0, **level) if isinstance(o, Mark)]
        request = engine.request
        if request is not None:
            said = engine.command(Acknowledge(request.id, "t"))
            marks += [o for o in said if isinstance(o, Mark)]
        t += 20.0
    return Engine.restored(plan(), simulated_rig(), marks), marks


def test_a_new_part_begins_the_step_that_was_on_again() -> None:
    engine, marks = interrupted({}, {})
    assert marks[-1].step == "rig-hold"
    out = engine.resume(2)
    assert asked(out) == ["vent_down"]  # gas may stand on what is to be fitted
    told = [o for o in out if isinstance(o, Mark)]
    assert {m.part for m in told} == {2}
    assert told[0].data == {"part": "2", "step": "rig-hold"}
    assert told[1].kind is MarkKind.STEP_REPEAT
    assert told[1].data["why"] == "interrupted"
    assert asked(feed(engine, 0.0, 10.0)) == []  # a person has to confirm it again


def resumed_in(step: str, *, over: bool = False) -> tuple[Engine, list[object]]:
    """Return an engine in a new part of a test that was cut off in a step."""
    ours = plan()
    marks: list[Mark] = []
    for each in ours.steps:
        kinds = [MarkKind.STEP_BEGIN, MarkKind.STEP_END]
        if each.id == step and not over:
            kinds.pop()
        for kind in kinds:
            data = {"how": "done"} if kind is MarkKind.STEP_END else {"attempt": "1"}
            mark = Mark(
                part=1, t_s=1.0 * len(marks), kind=kind, step=each.id, data=data
            )
            marks.append(mark)
        if each.id == step:
            break
    engine = Engine.restored(ours, simulated_rig(), marks)
    return engine, list(engine.resume(2))


@pytest.mark.parametrize(
    ("step", "over", "again"),
    [
        ("creep-hold", False, "lockup-3"),
        ("body-hold", False, "lockup-3"),
        ("lockup-3", True, "lockup-3"),  # what leans on it has not been done
        ("lockup-1", False, "lockup-1"),
        ("set", False, "set"),
        ("pressurise", False, "pressurise"),
        ("vent-down", False, "vent-down"),
    ],
)
def test_a_hold_begins_again_with_the_lockup_that_it_leans_on(
    step: str, over: bool, again: str
) -> None:
    engine, _ = resumed_in(step, over=over)
    assert engine.step is not None
    lockups = [s.id for s in plan().steps if s.kind == "lockup"]
    wanted = lockups[-1] if again == "lockup-3" else again
    assert engine.step.id == wanted


def test_zero_and_state_are_looked_at_before_pressure_comes_back() -> None:
    engine, out = resumed_in("set")
    assert asked(out) == ["open_to_air"]
    answer(engine)
    # the outlet reads 90 Pa: vented well enough, but further off than its zero may be
    assert asked(feed(engine, 0.0, 20.0, outlet=90.0)) == []
    assert asked(feed(engine, 20.0, 30.0)) == ["close_bleed"]
    assert engine.request is not None
    assert "Shut the inlet vent" in action(engine.request)[0]
    answer(engine)
    out = feed(engine, 30.0, 33.0)
    assert asked(out) == ["raise_inlet"]
    inlet = next(s.inlet for s in plan().steps if s.kind == "pressurise")
    assert engine.request is not None
    assert engine.request.aim == inlet
    assert notes(answer(engine)) == [TOO_EARLY]  # said, but not so
    assert inlet is not None
    assert asked(feed(engine, 33.0, 40.0, inlet=inlet.value_si)) == []
    answer(engine)
    assert asked(feed(engine, 40.0, 41.0, inlet=inlet.value_si)) == ["set_outlet"]


def test_after_an_over_pressure_a_new_part_only_vents() -> None:
    engine = Engine(plan(), simulated_rig())
    marks = [o for o in feed(engine, 0.0, 15.0) if isinstance(o, Mark)]
    out = feed(engine, 15.0, 16.0, outlet=6_000.0)
    marks += [o for o in out if isinstance(o, Mark)]
    cut = next(i for i, m in enumerate(marks) if m.kind is MarkKind.TROUBLE) + 1
    for upto in (cut, cut + 1, len(marks)):
        again = Engine.restored(plan(), simulated_rig(), marks[:upto])
        assert asked(again.resume(2)) == ["vent_down"], upto


def test_the_rig_s_relief_setting_is_watched_when_it_is_the_lowest() -> None:
    text = rig_text("127.0.0.1", 502, 1.0).replace(
        'id = "station-1"\n', 'id = "station-1"\nrelief = { outlet = "4 kPa gauge" }\n'
    )
    engine = Engine(plan(), parse_rig(text, "rig"))
    feed(engine, 0.0, 15.0)
    out = feed(engine, 15.0, 16.0, outlet=4_100.0)
    told = [o for o in out if isinstance(o, Mark) and o.kind is MarkKind.TROUBLE]
    assert [m.data["trouble"] for m in told] == ["over_pressure"]
    assert float(told[0].data["limit"]) == 4_000.0
    with pytest.raises(InputError, match="relief valve"):
        Engine(plan(), parse_rig(text.replace('"4 kPa', '"2 kPa'), "rig"))


@pytest.mark.parametrize("kind", ["absolute", "sealed gauge"])
def test_a_plan_that_reads_zero_at_vent_wants_gauge_channels(kind: str) -> None:
    rig = simulated_rig()
    changed = {"absolute": {"unit": "Pa absolute"}, "sealed gauge": {"kind": kind}}
    channels = tuple(
        replace(c, **changed[kind]) if c.role == "outlet" else c  # type: ignore[arg-type]
        for c in rig.channels
    )
    with pytest.raises(InputError, match="rig_channel_kind") as caught:
        Engine(plan(), replace(rig, channels=channels))
    assert caught.value.facts["kind"] == kind


def simulated_rig() -> Rig:
    return parse_rig(rig_text("127.0.0.1", 502, 1.0), "rig")


def plan() -> Plan:
    return prepared_plan(builtin_plan("low-pressure")[0], demo_job())


def test_every_kind_of_step_has_stages_and_every_act_has_a_name() -> None:
    from records.plan import StepKind

    kinds = set(StepKind.__args__)  # type: ignore[attr-defined]
    assert kinds == set(STEP_KINDS)
    for step in plan().steps:
        for stage in STEP_KINDS[step.kind](step, plan()):
            if hasattr(stage, "act"):
                assert stage.act in ACTS


@pytest.mark.parametrize("id", ["cylinder", "oxygen"])
def test_a_high_inlet_is_never_raised_in_one_go(id: str) -> None:
    read = builtin_plan(id)[0]
    at = 0.0
    for step in read.steps:
        for stage in STEP_KINDS[step.kind](step, read):
            act = getattr(stage, "act", "")
            if act in ("open_to_air", "fit_regulator", "vent_down"):
                at = 0.0
            elif act in ("raise_inlet", "set_inlet"):
                aim = stage.aim  # type: ignore[union-attr]
                assert aim is not None
                assert aim.value_si - at <= 71e5, (step.id, aim.typed)
                at = aim.value_si


def feed(engine: Engine, start: float, stop: float, **levels: float) -> list[object]:
    """Feed flat pressures, Pa gauge by role, at 20 Hz, with a little noise."""
    t = np.arange(round(start * 20), round(stop * 20)) / 20.0
    noise = np.random.default_rng(int(start * 20) + 1).standard_normal(t.size)
    out: list[object] = []
    traces = {}
    for channel in simulated_rig().channels:
        level = levels.get(
            channel.role, 101_000.0 if channel.role == "ambient" else 0.0
        )
        values = level + noise * {"inlet": 8.0, "outlet": 0.8}.get(channel.role, 1.0)
        traces[channel.id] = Trace(channel.id, t, values, np.zeros(t.size, np.uint8))
    out += engine.feed(traces)
    return out


def asked(out: Sequence[object]) -> list[str]:
    return [o.act for o in out if isinstance(o, Request)]


def answer(engine: Engine) -> list[object]:
    request = engine.request
    assert request is not None
    return [*engine.command(Acknowledge(request.id, "t"))]


def test_nothing_is_connected_while_there_is_pressure() -> None:
    engine = Engine(plan(), simulated_rig())
    out = feed(engine, 0.0, 30.0, inlet=50_000.0)
    assert asked(out) == ["open_to_air"]
    assert feed(engine, 30.0, 35.0) == []  # at zero, and nobody has said so yet
    answer(engine)
    out = feed(engine, 35.0, 60.0)
    assert asked(out) == ["fit_blank"]
    # Confirmed while the inlet reads pressure: that is no word, then or later.
    assert feed(engine, 60.0, 63.0, inlet=5_000.0) == []
    assert notes(answer(engine)) == [TOO_EARLY]
    assert feed(engine, 63.0, 80.0, inlet=5_000.0) == []
    out = feed(engine, 80.0, 90.0)
    assert (asked(out), notes(out)) == ([], [STANDS])
    assert notes(answer(engine)) == []
    assert asked(feed(engine, 90.0, 91.0)) == ["raise_inlet"]


def notes(out: Sequence[object]) -> list[str]:
    """Return what notes of waiting tell."""
    known = (TOO_EARLY, LAPSED, STANDS)
    return [n for o in out if isinstance(o, Mark) for n in known if n in o.data]


def test_a_word_before_the_pressure_stands_is_no_confirmation() -> None:
    engine, t = led_to("raise_inlet")
    request = engine.request
    assert request is not None
    assert request.aim is not None
    aim = request.aim.value_si
    out = answer(engine)
    assert notes(out) == [TOO_EARLY]
    told = next(o for o in out if isinstance(o, Mark))
    assert (told.by, told.data["act"]) == ("t", "raise_inlet")
    assert abs(float(told.data["value"])) < 100.0
    assert asked(out) == ["raise_inlet"]  # asked for again
    out = feed(engine, t, t + 30.0, inlet=aim)
    assert (asked(out), notes(out)) == ([], [STANDS])
    assert feed(engine, t + 30.0, t + 300.0, inlet=aim) == []
    assert notes(answer(engine)) == []
    out = feed(engine, t + 300.0, t + 301.0, inlet=aim)
    assert asked(out)
    assert engine.request is not None
    assert engine.request.id != request.id


def test_a_pressure_that_does_not_stay_wants_another_word() -> None:
    engine, t = led_to("raise_inlet")
    request = engine.request
    assert request is not None
    assert request.aim is not None
    aim = request.aim.value_si
    feed(engine, t, t + 1.2, inlet=aim)
    assert notes(answer(engine)) == []  # it reads so; seen to stand it is not yet
    out = feed(engine, t + 1.2, t + 4.0, inlet=0.5 * aim)
    assert notes(out)[0] == LAPSED
    assert asked(out) == ["raise_inlet"]
    assert asked(feed(engine, t + 4.0, t + 20.0, inlet=aim)) == []
    answer(engine)
    assert asked(feed(engine, t + 20.0, t + 21.0, inlet=aim))


def led_to(act: str) -> tuple[Engine, float]:
    """Return an engine that asks for an act, no pressure before, and up to when."""
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 5.0)
    t = 5.0
    while engine.request is None or engine.request.act != act:
        if engine.request is not None and engine.request.confirm:
            answer(engine)
        feed(engine, t, t + 1.0)
        t += 1.0
        assert t < 120.0
    return engine, t


def test_an_answer_to_an_old_request_is_passed_over() -> None:
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 5.0)
    answer(engine)
    feed(engine, 5.0, 20.0)
    assert engine.command(Acknowledge("zero.1", "t")) == []
    assert engine.command(Acknowledge("no-such.9", "t")) == []


def test_over_pressure_ends_the_test_but_not_the_venting() -> None:
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 15.0)
    out = feed(engine, 15.0, 16.0, outlet=6_000.0)
    troubles = [o for o in out if isinstance(o, Mark) and o.kind is MarkKind.TROUBLE]
    assert len(troubles) == 1
    assert troubles[0].data["trouble"] == "over_pressure"
    assert asked(out) == ["vent_down"]
    skipped = [o for o in out if isinstance(o, Mark) and o.kind is MarkKind.STEP_SKIP]
    assert {m.step for m in skipped} >= {"pressurise", "set", "lockup-1", "body-hold"}


def test_skip_repeat_abandon_are_marked_with_who_and_why() -> None:
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 5.0)
    out = engine.command(Repeat("hand slipped", "P. Quill"))
    again = [o for o in out if isinstance(o, Mark) and o.kind is MarkKind.STEP_REPEAT]
    assert again[0].by == "P. Quill"
    assert again[0].data["why"] == "hand slipped"
    out = engine.command(Skip("no blanks here", "P. Quill"))
    assert asked(out) == ["fit_blank"]
    out = engine.command(Abandon("power", "P. Quill"))
    assert asked(out) == ["vent_down"]
    assert engine.ended == ""
    skipped = [o for o in out if isinstance(o, Mark) and o.kind is MarkKind.STEP_SKIP]
    assert {m.data["why"] for m in skipped} == {"abandoned"}
    assert {m.step for m in skipped} >= {"pressurise", "set", "lockup-1", "body-hold"}
    assert engine.command(Abandon("at once", "P. Quill"))
    assert engine.ended == "abandoned"
    assert feed(engine, 5.0, 20.0) == []


def test_a_test_ended_before_any_pressure_is_over_at_once() -> None:
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 1.0)
    engine.command(Abandon("wrong card", "P. Quill"))
    assert engine.ended == "abandoned"


def test_a_test_that_was_ended_is_abandoned_once_the_gas_is_off() -> None:
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 5.0)
    engine.command(Skip("no blanks here", "P. Quill"))
    engine.command(Abandon("power", "P. Quill"))
    out: list[Any] = []
    for second in range(5, 90):
        out += feed(engine, float(second), second + 1.0)
        request = engine.request
        if request is not None and request.confirm:
            out += engine.command(Acknowledge(request.id, "P. Quill"))
    assert engine.ended == "abandoned"
    assert asked(out) == ["disconnect", "open_to_air"]


def test_a_rig_without_an_outlet_channel_is_refused() -> None:
    text = rig_text("127.0.0.1", 502, 1.0).replace('role = "outlet"', 'role = "bonnet"')
    with pytest.raises(InputError, match="rig_channel_missing"):
        Engine(plan(), parse_rig(text, "rig"))


def test_a_plan_that_takes_the_set_pressure_from_a_card_without_one() -> None:
    text = builtin_plan("low-pressure")[1].replace(
        'target = "11.0 in. w.c. gauge"', 'target = "job"'
    )
    wanting = parse_plan(text, "p.toml")
    assert prepared_plan(wanting, demo_job()).step("set") is not None
    with pytest.raises(InputError, match="job_target_missing"):
        prepared_plan(wanting, replace(demo_job(), set_pressure=None))


def test_a_rig_left_under_pressure_is_never_called_done() -> None:
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 15.0)
    feed(engine, 15.0, 16.0, outlet=6_000.0)  # over-pressure: on to vent-down
    out = feed(engine, 16.0, 900.0, inlet=60_000.0, outlet=2_800.0)
    assert asked(out) == []
    assert engine.ended == ""
    assert engine.request is not None
    assert engine.request.act == "vent_down"


def test_nobody_there_is_no_reason_to_go_on() -> None:
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 5.0)
    answer(engine)
    assert asked(feed(engine, 5.0, 900.0)) == ["fit_blank"]
    assert engine.request is not None
    assert engine.request.act == "fit_blank"


def test_a_silent_pressure_channel_stops_everything_and_is_told() -> None:
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 5.0)
    answer(engine)
    out = feed(engine, 5.0, 10.0, outlet=float("nan"))
    troubles = [o for o in out if isinstance(o, Mark) and o.kind is MarkKind.TROUBLE]
    assert [m.data["trouble"] for m in troubles] == ["channel_silent"]
    assert asked(feed(engine, 10.0, 60.0, outlet=float("nan"))) == []
    out = feed(engine, 60.0, 63.0)
    assert any(isinstance(o, Mark) and "back" in o.data for o in out)


def test_a_silent_barometer_does_not_blind_the_watch_over_pressure() -> None:
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 5.0)
    rig = simulated_rig()
    outlet = rig.channel("outlet")
    inlet = rig.channel("inlet")
    assert outlet is not None
    assert inlet is not None
    t = np.arange(100, 140) / 20.0
    flags = np.zeros(t.size, np.uint8)
    out = engine.feed(
        {
            outlet.id: Trace(outlet.id, t, np.full(t.size, 9_000.0), flags),
            inlet.id: Trace(inlet.id, t, np.full(t.size, 10.0), flags),
        }
    )
    marks = [o for o in out if isinstance(o, Mark) and o.kind is MarkKind.TROUBLE]
    assert [m.data["trouble"] for m in marks] == ["over_pressure"]


def test_without_a_purge_statement_no_pressure_is_applied() -> None:
    with pytest.raises(RefusedError, match="no_purge_statement"):
        prepared_plan(plan(), replace(demo_job(), purged=False))


def test_a_step_that_can_only_be_judged_is_refused_before_anything(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from proofstand.procedure import engine

    fewer = {k: v for k, v in STEP_KINDS.items() if k != "creep-hold"}
    monkeypatch.setattr(engine, "STEP_KINDS", fewer)
    with pytest.raises(RefusedError, match="plan_step_not_led") as caught:
        prepared_plan(plan(), demo_job())
    assert caught.value.facts == {"step": "creep-hold", "kind": "creep-hold"}


def test_the_nameplate_is_not_exceeded() -> None:
    low = Nameplate(inlet_max=parse_quantity("5 psi gauge"))
    job = demo_job()
    small = replace(job, regulator=replace(job.regulator, nameplate=low))
    with pytest.raises(RefusedError, match="pressure_above_rating"):
        prepared_plan(plan(), small)


def test_a_plan_that_would_damage_a_transducer_is_refused() -> None:
    text = rig_text("127.0.0.1", 502, 1.0)
    assert 'overload = "400 kPa gauge"' in text
    weak = text.replace('"200 kPa gauge"', '"50 kPa gauge"')
    weak = weak.replace('overload = "400 kPa gauge"', 'overload = "60 kPa gauge"')
    with pytest.raises(InputError, match="overload of inlet"):
        Engine(plan(), parse_rig(weak, "rig"))


def test_the_pressures_of_a_sweep_are_held_against_the_ratings_too() -> None:
    text = rig_text("127.0.0.1", 502, 1.0)
    whole = plan()
    high = (parse_quantity("10 psi gauge"), parse_quantity("90 psi gauge"))
    sweep = Step(
        id="inlets", kind="inlet-sweep", hold=parse_quantity("8 s"), inlets=high
    )
    swept = replace(whole, steps=(*whole.steps, sweep))
    with pytest.raises(InputError, match="overload of inlet"):
        Engine(swept, parse_rig(text, "rig"))
    job = demo_job()
    plate = Nameplate(inlet_max=parse_quantity("20 psi gauge"))
    stamped = replace(job, regulator=replace(job.regulator, nameplate=plate))
    with pytest.raises(RefusedError, match="pressure_above_rating") as caught:
        prepared_plan(swept, stamped)
    assert caught.value.facts["asked"] == "90 psi gauge"


@pytest.mark.parametrize("asked", ["0 in. w.c. gauge", "-11 in. w.c. gauge"])
def test_a_card_that_asks_for_no_pressure_is_refused(
    tmp_path: Path, asked: str
) -> None:
    card = tmp_path / "job.toml"
    card.write_text(JOB_TEXT.replace("11.0 in. w.c. gauge", asked, 1))
    with pytest.raises(InputError) as caught:
        load_job(card)
    assert (caught.value.id, caught.value.facts["key"]) == (
        "value_wrong",
        "set_pressure",
    )
    assert caught.value.facts["given"] == asked


LEAKING = "seat_nicked:0.6"


def _holds_ended(run: Run) -> dict[str, Mark]:
    return {
        m.step: m
        for m in run.marks
        if m.kind is MarkKind.HOLD_END and m.data.get("why") == "enough_to_fail"
    }


def test_a_hold_ends_at_the_look_that_is_enough_to_fail(run_of: RunOf) -> None:
    run = open_run(run_of(LEAKING))
    ended = _holds_ended(run)
    assert "creep-hold" in ended
    told = ended["creep-hold"].data
    begin = next(
        m for m in run.marks if m.step == "creep-hold" and m.kind is MarkKind.HOLD_BEGIN
    )
    held = ended["creep-hold"].t_s - begin.t_s
    assert 0.0 <= held - float(told["after_s"]) < 0.25 + 1e-9
    assert held < 180.0
    assert float(told["one_in"]) >= float(told["one_in_all"]) >= 40.0
    over = next(
        m for m in run.marks if m.step == "creep-hold" and m.kind is MarkKind.STEP_END
    )
    assert over.data["how"] == "ended_early"
    seat = next(f for f in judge(run).findings if f.id == "seat_leak")
    assert seat.outcome is Outcome.FAIL
    notes = {n.id for n in seat.evidence.notes}
    assert {"hold_ended_early", "enough_to_fail"} <= notes


def test_a_healthy_regulator_s_holds_run_their_time(run_of: RunOf) -> None:
    assert not _holds_ended(open_run(run_of()))


@pytest.mark.parametrize("most", [0.7, 90.0])
def test_the_same_trace_ends_a_hold_at_the_same_look_however_it_arrives(
    run_of: RunOf, most: float
) -> None:
    run = open_run(run_of(LEAKING))
    picks = random.Random(f"blocks {most}")
    cuts = {m.t_s for m in run.marks if m.kind is MarkKind.CONFIRMED}
    t, last = 0.0, max(m.t_s for m in run.marks)
    while t < last:
        t += picks.uniform(0.2 * most, most)
        cuts.add(t)
    assert replay(run, sorted(cuts)) == list(run.marks)


def test_a_plan_without_early_fail_holds_its_time(run_of: RunOf) -> None:
    run = open_run(run_of(LEAKING))
    plan = replace(run.header.plan, early_fail=False)
    header = replace(run.header, plan=plan)
    # up to where the recorded test went on to the next step
    over = next(
        m for m in run.marks if m.step == "creep-hold" and m.kind is MarkKind.STEP_END
    )
    marks = replay(replace(run, header=header), [over.t_s])
    assert not [m for m in marks if m.data.get("why") == "enough_to_fail"]


def test_an_oxygen_regulator_never_passes_early() -> None:
    least = parse_quantity("60 s")
    bold = replace(plan(), early_pass=True, early_pass_after=least)
    job = demo_job()
    assert prepared_plan(bold, job).early_pass
    propane = job.regulator
    for of_oxygen in (
        replace(propane, gas="oxygen"),
        replace(propane, gas="O2, medical"),
        replace(propane, family="oxygen"),
    ):
        oxygen = replace(job, regulator=of_oxygen)
        assert not prepared_plan(bold, oxygen).early_pass


def at_set(outlet: float = 0.0) -> tuple[Engine, float]:
    """Return an engine that asks for the set pressure, the outlet at rest."""
    short = prepared_plan(parse_plan(plan_text(""), "p"), demo_job())
    engine = Engine(short, simulated_rig())
    feed(engine, 0.0, 1.0)
    while engine.step is not None and engine.step.id != "set":
        engine.command(Skip("try", "t"))
    feed(engine, 1.0, 31.0, inlet=68_950.0, outlet=outlet)
    return engine, 31.0


def ends(out: Sequence[object]) -> list[str]:
    kind = MarkKind.STEP_END
    return [o.data["how"] for o in out if isinstance(o, Mark) and o.kind is kind]


def hints(out: Sequence[object]) -> list[str]:
    return [o.data["hint"] for o in out if isinstance(o, Mark) and "hint" in o.data]


def test_an_outlet_that_never_answers_is_said_and_ends_no_test() -> None:
    engine, t = at_set()
    out = feed(engine, t, t + 60.0, inlet=68_950.0)
    assert hints(out) == ["outlet_still"]
    assert asked(out) == ["set_outlet"]  # asked for again
    out = feed(engine, t + 60.0, t + 900.0, inlet=68_950.0)
    assert (hints(out), ends(out)) == (["outlet_still"], [])


def test_who_comes_back_after_an_hour_has_the_whole_time_to_set() -> None:
    engine, t = at_set(500.0)
    out = feed(engine, t, t + 1800.0, inlet=68_950.0, outlet=500.0)
    assert ends(out) == []
    t += 1800.0
    for level in (1500.0, 2200.0, 2600.0):  # turned on and on, never in the band
        out = feed(engine, t, t + 40.0, inlet=68_950.0, outlet=level)
        assert ends(out) == []
        t += 40.0
    out = feed(engine, t, t + 10.0, inlet=68_950.0, outlet=2737.0)
    assert [o.act for o in out if isinstance(o, Request)] == ["lock_nut"]


def test_who_turns_and_turns_and_never_gets_there_is_given_up() -> None:
    engine, t = at_set(500.0)
    out: list[object] = []
    for turn in range(10):
        level = 1500.0 + 400.0 * (turn % 2)
        out += feed(engine, t, t + 30.0, inlet=68_950.0, outlet=level)
        t += 30.0
    assert ends(out)[:1] == ["timed_out"]
    assert hints(out) == []


def test_what_was_opened_as_it_came_is_found_no_more_and_ends_the_test() -> None:
    as_found = prepared_plan(builtin_plan("as-found")[0], demo_job())
    engine = Engine(as_found, simulated_rig())
    feed(engine, 0.0, 1.0)
    while engine.step is not None and engine.step.kind != "as-received":
        engine.command(Skip("try", "t"))
    feed(engine, 1.0, 11.0, inlet=20_000.0)
    out = engine.command(Declare("opened", "a joint tightened", "t"))
    assert asked(out) == ["vent_down"]
    assert ends(out) == ["opened"]
    skipped = [o for o in out if isinstance(o, Mark) and o.kind is MarkKind.STEP_SKIP]
    assert {m.data["why"] for m in skipped} == {"opened"}


def test_while_the_gas_of_another_step_comes_off_no_first_pressure_is_watched() -> None:
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 1.0)
    while engine.step is not None and engine.step.id != "lockup-1":
        engine.command(Skip("try", "t"))
    feed(engine, 1.0, 11.0, inlet=68_950.0, outlet=2_880.0)
    said = engine.command(Declare("opened", "bonnet screw", "t"))
    assert asked(said) == ["vent_down"]
    out = feed(engine, 11.0, 41.0, inlet=68_950.0, outlet=2_880.0)
    assert asked(out) == []
    assert not engine.over_pressure
    assert notes(answer(engine)) == [TOO_EARLY]
    assert asked(feed(engine, 41.0, 61.0)) == []
    answer(engine)
    assert asked(feed(engine, 61.0, 62.0)) == ["fit_regulator"]
    # where it is raised from nothing the plan's first outlet is watched
    feed(engine, 62.0, 63.0, outlet=2_880.0)
    assert engine.over_pressure


def test_a_valve_that_was_turned_and_left_without_effect_is_given_up() -> None:
    engine = Engine(plan(), simulated_rig())
    feed(engine, 0.0, 1.0)
    while engine.step is not None and engine.step.id != "exercise":
        engine.command(Skip("try", "t"))
    out = feed(engine, 1.0, 400.0, inlet=68_950.0, outlet=2_740.0)
    assert (hints(out), ends(out)) == (["nothing_seen"] * 2, [])
    feed(engine, 400.0, 405.0, inlet=68_950.0, outlet=2_000.0)
    out = feed(engine, 405.0, 560.0, inlet=68_950.0, outlet=2_740.0)
    assert ends(out) == []
    out = feed(engine, 560.0, 640.0, inlet=68_950.0, outlet=2_740.0)
    assert ends(out)[:1] == ["timed_out"]
