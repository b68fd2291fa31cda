"""Sweeps and the finding of a volume, led on the simulated rig from end to end."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analysis.judge import judge
from proofstand.procedure.engine import Engine, Skip, prepared_plan, stages_of
from proofstand.procedure.leaves import inlet_before, leans_on_lockup, locked_before
from proofstand.serving import load_sim, open_rig, served_rig_text
from proofstand.simulated import demo_job
from records.errors import InputError
from records.judgement import Finding, Outcome
from records.planfile import parse_plan
from records.run import Mark, MarkKind, Run
from rig.rigfile import parse_rig
from rig.simulator.families import FAMILIES
from rig.simulator.rigtext import rig_text

from .led import LOCKUP, ended, led, marked, plan_text
from .test_engine import answer, check_restored, feed, replay

INLETS = """
[[steps]]
id = "inlets"
kind = "inlet-sweep"
hold = "8 s"
inlets = ["10 psi gauge", "7 psi gauge", "5 psi gauge", "7 psi gauge", "10 psi gauge"]
"""
FLOWS = """
[[steps]]
id = "flows"
kind = "flow-sweep"
inlet = "10 psi gauge"
hold = "8 s"
flows = ["2 std L/min", "4 std L/min", "8 std L/min", "2 std L/min", "8 std L/min"]
set_flow = "2 std L/min"
rated_flow = "8 std L/min"

[[steps.limits]]
finding = "closure_coefficient"
max = "30 %"
source = "shop default"
"""
VOLUME = """
[[steps]]
id = "volume"
kind = "find-volume"
hold = "15 s"
repeats = 3
added = "0.3 cm3"
u_added = "0.003 cm3"
"""
TIGHT = """
[[steps]]
id = "body-hold"
kind = "body-hold"
hold = "20 s"
"""
SECOND = LOCKUP.replace("lockup-1", "lockup-2").replace("10 psi", "5 psi")


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    steps = INLETS + FLOWS + LOCKUP + SECOND + VOLUME + TIGHT
    return led(tmp_path_factory.mktemp("led"), steps)


def finding(run: Run, step: str, id: str) -> Finding:
    return next(f for f in judge(run).findings if (f.step, f.id) == (step, id))


def value(found: Finding) -> float:
    assert found.measured is not None
    return found.measured.value


def test_every_step_is_done(run: Run) -> None:
    assert set(ended(run).values()) == {"done"}


def test_the_same_trace_gives_the_same_marks_however_it_arrives(run: Run) -> None:
    cuts = {m.t_s for m in run.marks if m.kind is MarkKind.CONFIRMED}
    assert replay(run, sorted(cuts)) == list(run.marks)


def test_an_engine_restored_in_a_sweep_goes_on_as_if_nothing_had_been(
    run: Run,
) -> None:
    check_restored(run, every=23, first=40)


def test_an_inlet_sweep_reads_each_pressure_in_turn_both_ways(run: Run) -> None:
    asked = marked(run, "inlets", MarkKind.ASKED)
    aims = [m.data["aim"] for m in asked if m.data["act"] == "set_inlet"]
    assert aims == [f"{p} psi gauge" for p in (10, 7, 5, 7, 10)]
    assert len(marked(run, "inlets", MarkKind.HOLD_END)) == 5
    confirmed = marked(run, "inlets", MarkKind.CONFIRMED)
    assert len(confirmed) == 5  # an inlet is never moved on the trace's word alone
    hysteresis = finding(run, "inlets", "hysteresis")
    assert hysteresis.interval is not None
    assert hysteresis.interval[1] < 3.0


def test_a_sweep_finds_the_effect_that_two_lockups_find(run: Run) -> None:
    swept = finding(run, "inlets", "supply_pressure_effect")
    locked = finding(run, "lockup-2", "supply_pressure_effect")
    assert swept.measured is not None
    assert locked.measured is not None
    apart = abs(swept.measured.value - locked.measured.value)
    assert apart < 4.0 * (swept.measured.u**2 + locked.measured.u**2) ** 0.5
    assert swept.measured.value > 50.0 * swept.measured.u


def test_a_flow_sweep_reads_each_flow_and_stops_it_where_a_finding_wants_that(
    run: Run,
) -> None:
    seen = marked(run, "flows", MarkKind.SEEN)
    flows = [float(m.data["flow"]) for m in seen if "flow" in m.data]
    litre = 101.325 / 60.0
    assert flows == pytest.approx([q * litre for q in (2, 4, 8, 2, 8)], rel=0.03)
    assert seen[-1].data["event"] == "shut_off"
    assert 5.0 < value(finding(run, "flows", "droop")) < 40.0
    closure = finding(run, "flows", "closure_coefficient")
    assert closure.outcome is Outcome.PASS
    assert 0.03 < value(closure) < 0.1
    for id in ("accuracy_class", "lockup_class", "hysteresis"):
        assert finding(run, "flows", id).measured is not None


def test_strokes_are_seen_one_by_one_and_give_the_volume(run: Run) -> None:
    added = [m for m in marked(run, "volume", MarkKind.SEEN)]
    assert [m.data["event"] for m in added] == ["added"] * 3
    assert not marked(run, "volume", MarkKind.CONFIRMED)
    assert run.truth is not None
    found = finding(run, "volume", "outlet_volume")
    assert found.measured is not None
    off = found.measured.value - run.truth["outlet_volume_locked_up"]
    assert abs(off) < 4.0 * found.measured.u
    assert found.measured.u < 0.1 * found.measured.value


def test_a_stroke_that_would_come_near_the_limit_is_not_asked(tmp_path: Path) -> None:
    run = led(tmp_path, LOCKUP + VOLUME.replace('"0.3 cm3"', '"1 cm3"'))
    assert ended(run)["volume"] == "no_room"
    assert not [m for m in run.marks if m.kind is MarkKind.TROUBLE]
    assert 1 <= len(marked(run, "volume", MarkKind.SEEN)) < 3
    told = {why.id for why in finding(run, "volume", "outlet_volume").why}
    assert "additions_unseen" in told


def test_a_leak_that_feeds_for_a_time_is_confirmed(tmp_path: Path) -> None:
    leak = VOLUME.replace('"0.3 cm3"', '"0.6 std cm3/min"').replace(
        '"0.003 cm3"', '"0.006 std cm3/min"\nadding = "30 s"'
    )
    run = led(tmp_path, LOCKUP + leak.replace("repeats = 3", "repeats = 2"))
    assert ended(run)["volume"] == "done"
    assert len(marked(run, "volume", MarkKind.CONFIRMED)) == 2
    found = finding(run, "volume", "outlet_volume")
    assert run.truth is not None
    assert found.measured is not None
    true = run.truth["outlet_volume_locked_up"]
    assert abs(found.measured.value - true) < 4.0 * found.measured.u


def test_a_flow_that_can_t_be_reached_is_left_out_and_the_test_goes_on(
    tmp_path: Path,
) -> None:
    most = FAMILIES["second-stage"].flow_span / (101.325 / 60.0)
    beyond = FLOWS.replace("8 std L/min", f"{most * 0.95:.0f} std L/min")
    run = led(tmp_path, beyond + LOCKUP)
    how = ended(run)
    assert how["flows"] == "not_reached"
    assert how["lockup-1"] == how["closing-zero"] == "done"
    assert finding(run, "flows", "closure_coefficient").outcome is Outcome.NOT_MEASURED


def test_a_flow_sweep_without_a_flow_channel_is_refused() -> None:
    plan = prepared_plan(parse_plan(plan_text(FLOWS), "p.toml"), demo_job())
    blind = parse_rig(rig_text("127.0.0.1", 502, 1.0), "rig")
    with pytest.raises(InputError, match="rig_channel_missing") as caught:
        Engine(plan, blind)
    assert caught.value.facts["role"] == "flow"
    Engine(plan, parse_rig(rig_text("127.0.0.1", 502, 1.0, flow_meter=True), "rig"))


@pytest.mark.serial
@pytest.mark.parametrize("said", ["flow_meter = true\n", ""])
def test_a_served_rig_has_a_flow_meter_where_its_file_says_so(
    tmp_path: Path, said: str
) -> None:
    sim = tmp_path / "sim.toml"
    sim.write_text(f'format = "proofstand.sim/1"\n{said}')
    with open_rig(load_sim(sim)) as served:
        rig = parse_rig(served_rig_text(served), "rig")
    roles = {channel.role for channel in rig.channels}
    assert ("flow" in roles) == bool(said)


def test_what_a_step_finds_follows_from_those_before_it() -> None:
    text = plan_text(LOCKUP + INLETS + VOLUME + TIGHT)
    plan = parse_plan(text, "p.toml")
    volume, tight = plan.step("volume"), plan.step("body-hold")
    assert volume is not None
    assert tight is not None
    assert not locked_before(volume, plan)  # a sweep leaves the valve open
    assert leans_on_lockup(tight, plan)
    level = inlet_before(volume, plan)
    assert level is not None
    assert level.typed == "10 psi gauge"
    swept = replace(plan, steps=tuple(s for s in plan.steps if s.id != "volume"))
    assert not leans_on_lockup(tight, swept)
    acts = [getattr(s, "act", "") for s in stages_of(tight, swept)]
    assert acts[:3] == ["open_bleed", "close_bleed", "isolate_inlet"]


def test_a_hold_does_not_lean_on_a_lockup_that_was_skipped(tmp_path: Path) -> None:

    plan = prepared_plan(parse_plan(plan_text(LOCKUP + TIGHT), "p"), demo_job())
    engine = Engine(plan, parse_rig(rig_text("127.0.0.1", 502, 1.0), "rig"))
    feed(engine, 0.0, 1.0)
    while engine.step is not None and engine.step.id != "lockup-1":
        engine.command(Skip("try", "t"))
    out = engine.command(Skip("no time", "t"))
    told = {m.step: m.data.get("why") for m in out if isinstance(m, Mark)}
    assert told["body-hold"] == "not_locked_up"
    assert engine.step is not None
    assert engine.step.id == "vent-down"
    answer(engine)
