"""The engine: what it decides depends on samples and answers, never on the blocks."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from proofstand.procedure.engine import (
    STEP_KINDS,
    Abandon,
    Acknowledge,
    Engine,
    Repeat,
    Skip,
    prepared_plan,
)
from proofstand.runs import load_job
from proofstand.simulated import JOB_TEXT, demo_job
from records.errors import InputError, RefusedError
from records.jobcard import Nameplate
from records.measure import parse_quantity
from records.plan import Plan
from records.planfile import builtin_plan, parse_plan
from records.rig import Rig
from records.run import ACTS, Mark, MarkKind, Request, Run
from records.runfile import open_run
from records.trace import Trace
from rig.rigfile import parse_rig
from rig.simulator.rigtext import rig_text

from .conftest import RunOf


def replay(run: Run, cuts: list[float]) -> list[Mark]:
    """Feed a stored run to a new engine, cut at given times; answer as then."""
    rig, plan = run.header.rig, run.header.plan
    engine = Engine(plan, rig)
    traces = {c.id: run.trace(c, 1) for c in rig.channels}
    answers = [m for m in run.marks if m.kind is MarkKind.CONFIRMED]
    marks: list[Mark] = []
    start = -1.0
    for stop in [*cuts, 1e9]:
        part = {id: t.between(start, stop) for id, t in traces.items()}
        marks += [o for o in engine.feed(part) if isinstance(o, Mark)]
        for answer in [a for a in answers if start < a.t_s <= stop]:
            command = Acknowledge(answer.data["request"], answer.by)
            marks += [o for o in engine.command(command) if isinstance(o, Mark)]
        start = stop + 1e-9
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


def test_what_could_hurt_is_never_begun_from_the_trace_alone() -> None:
    # Connecting, disconnecting, opening a vent, raising the inlet: a measured pressure
    # and a confirmation, both.
    for step in plan().steps:
        for stage in STEP_KINDS[step.kind](step, plan()):
            if getattr(stage, "act", "") in (
                "fit_blank",
                "fit_regulator",
                "disconnect",
                "raise_inlet",
                "set_inlet",
                "vent_down",
                "open_to_air",
                "fill_outlet",
            ):
                assert stage.confirm, (step.id, stage.act)  # type: ignore[union-attr]
                assert stage.see is not None, (step.id, stage.act)  # type: ignore[union-attr]


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


def answer(engine: Engine) -> None:
    request = engine.request
    assert request is not None
    engine.command(Acknowledge(request.id, "t"))


def test_nothing_is_connected_while_there_is_pressure() -> None:
    engine = Engine(plan(), simulated_rig())
    out = feed(engine, 0.0, 30.0, inlet=50_000.0)
    assert asked(out) == ["open_to_air"]
    assert feed(engine, 30.0, 35.0) == []  # at zero, and nobody has said so yet
    answer(engine)
    out = feed(engine, 35.0, 60.0)
    assert asked(out) == ["fit_blank"]
    # Confirmed, but the inlet reads pressure: the next request does not come.
    assert feed(engine, 60.0, 63.0, inlet=5_000.0) == []
    answer(engine)
    assert asked(feed(engine, 63.0, 80.0, inlet=5_000.0)) == []
    assert asked(feed(engine, 80.0, 90.0)) == ["raise_inlet"]


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
    assert engine.ended == "abandoned"
    assert feed(engine, 5.0, 20.0) == []


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
