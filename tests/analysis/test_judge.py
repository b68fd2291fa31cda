"""Whole runs of closed formulas: healthy, each fault, and strange data."""

from __future__ import annotations

import dataclasses
import datetime
import functools
import math

import numpy as np
import pytest

from analysis.diagnosis import suspects
from analysis.judge import judge
from records.errors import Reason
from records.judgement import Finding, Judgement, Outcome, Verdict
from records.measure import STD_CM3_MIN, parse_quantity
from records.planfile import builtin_plan
from records.run import Mark, MarkKind, Run, Samples
from tests.analysis.closed_form import (
    SET_PA,
    Array,
    Fault,
    Setting,
    rig,
    run,
)
from tests.analysis.published import chamber


@functools.cache
def judged(fault: Fault) -> Judgement:
    return judge(run(fault))


def the(judgement: Judgement, id: str, step: str = "", channel: str = "") -> Finding:
    (found,) = (
        f
        for f in judgement.findings
        if f.id == id and step in ("", f.step) and channel in ("", f.channel)
    )
    return found


def reasons(finding: Finding) -> set[str]:
    return {reason.id for reason in finding.why}


def holds_true(finding: Finding, true: float) -> bool:
    assert finding.interval is not None
    return finding.interval[0] <= true <= finding.interval[1]


def test_a_healthy_regulator_passes() -> None:
    found = judged(Fault())
    assert found.verdict is Verdict.PASS
    assert found.suspects == ()
    assert holds_true(the(found, "set_pressure"), SET_PA)
    assert holds_true(the(found, "lockup_rise", "lockup-1"), 238.0)
    for id in ("rig_leak", "external_leak", "seat_leak"):
        assert holds_true(the(found, id), 0.0)
    assert {w.id for w in found.warnings} == {
        "simulated_rig",
        "run_unsigned",
        "plan_is_draft",
    }
    steps = {f.step for f in found.findings}
    assert "set-rough" not in steps  # a trial gives no finding


def test_every_number_is_finite_and_has_a_budget() -> None:
    for fault in (Fault(), Fault(outside=5.0), Fault(seat=5.0)):
        for f in judged(fault).findings:
            if f.measured is None:
                assert f.outcome is Outcome.NOT_MEASURED
                continue
            assert f.interval is not None
            numbers = [f.measured.value, f.measured.u, *f.interval]
            assert all(map(math.isfinite, numbers)), f
            assert f.interval[0] <= f.measured.value <= f.interval[1]
            assert f.budget
            assert f.evidence.window_s is not None


def test_a_seat_that_leaks_fails_as_a_seat() -> None:
    found = judged(Fault(seat=0.5))
    assert found.verdict is Verdict.FAIL
    leak = the(found, "seat_leak")
    assert leak.outcome is Outcome.FAIL
    assert holds_true(leak, 0.5 * STD_CM3_MIN)
    assert [s.fault_group[0] for s in found.suspects] == ["seat_debris"]
    assert (found.suspects[0].probability or 0.0) > 0.9


def test_a_seat_leak_that_stops_the_test_still_fails() -> None:
    found = judged(Fault(seat=2.0))
    leak = the(found, "seat_leak")
    assert "over_pressure" in {note.id for note in leak.evidence.notes}
    assert leak.outcome is Outcome.FAIL
    assert holds_true(leak, 2.0 * STD_CM3_MIN)


@pytest.mark.parametrize("leak", [0.5, 5.0, 50.0, 400.0])
def test_an_outlet_that_leaks_fails_as_an_outlet(leak: float) -> None:
    found = judged(Fault(outside=leak))
    assert found.verdict is Verdict.FAIL
    external = the(found, "external_leak")
    assert external.outcome is Outcome.FAIL
    if leak <= 5.0:
        assert holds_true(external, leak * STD_CM3_MIN)
    assert found.suspects[0].fault_group[0] == "outlet_fitting"
    assert the(found, "seat_leak").outcome is not Outcome.FAIL


@pytest.mark.parametrize("leak", [0.14, 0.5, 5.0, 30.0])
def test_a_seat_and_an_outlet_that_leak_alike_do_not_pass(leak: float) -> None:
    """The outlet's loss makes the creep hold a flat line; it must not pass."""
    found = judged(Fault(seat=leak, outside=leak))
    assert abs(the(found, "creep_rate").measured.value) < 0.05  # type: ignore[union-attr]
    seat = the(found, "seat_leak")
    assert seat.outcome is Outcome.INCONCLUSIVE
    assert reasons(seat) & {"outlet_leak_could_hide_it", "outlet_not_shown_tight"}
    assert found.verdict is not Verdict.PASS


def test_a_seat_passes_only_with_the_outlet_shown_tight() -> None:
    plan, _ = builtin_plan("low-pressure")
    without = dataclasses.replace(
        plan, steps=tuple(s for s in plan.steps if s.kind != "body-hold")
    )
    seat = the(judge(run(), without), "seat_leak")
    assert seat.outcome is Outcome.INCONCLUSIVE
    assert "outlet_not_shown_tight" in reasons(seat)
    # a fail needs no such proof
    failed = the(judge(run(Fault(seat=0.5)), without), "seat_leak")
    assert failed.outcome is Outcome.FAIL


def test_a_step_that_a_person_skipped_is_told() -> None:
    done = run()
    own = [m for m in done.marks if m.step == "exercise"]
    skipped = dataclasses.replace(
        own[0], kind=MarkKind.STEP_SKIP, by="P. Quill", data={"why": "no time"}
    )
    marks = tuple(m for m in done.marks if m not in own[1:])
    marks = tuple(skipped if m is own[0] else m for m in marks)
    told = judge(dataclasses.replace(done, marks=marks)).warnings
    assert [dict(w.facts) for w in told if w.id == "step_skipped"] == [
        {"step": "exercise", "by": "P. Quill", "why": "no time"}
    ]
    assert not [w for w in judge(done).warnings if w.id == "step_skipped"]


def test_a_hold_that_was_not_shown_isolated_passes_nothing_and_still_fails() -> None:
    found = judge(run(Fault(), Setting(drawn_off_s=0.0)))
    leak = the(found, "external_leak")
    assert leak.outcome is Outcome.INCONCLUSIVE
    assert reasons(leak) == {"isolation_not_shown"}
    assert "outlet_not_shown_tight" in reasons(the(found, "seat_leak"))
    assert found.verdict is Verdict.INCONCLUSIVE
    leaks = judge(run(Fault(outside=0.5), Setting(drawn_off_s=0.0)))
    assert the(leaks, "external_leak").outcome is Outcome.FAIL


def test_a_large_rise_without_creep_fails_as_friction() -> None:
    found = judged(Fault(rise_pa=700.0))
    assert the(found, "lockup_rise", "lockup-1").outcome is Outcome.FAIL
    assert the(found, "seat_leak").outcome is Outcome.PASS
    assert [s.fault_group for s in found.suspects] == [("stem_friction", "seat_worn")]


def test_a_leaking_rig_decides_nothing() -> None:
    found = judged(Fault(rig=0.5))
    assert found.verdict is Verdict.INCONCLUSIVE
    for id in ("rig_leak", "external_leak", "seat_leak"):
        assert the(found, id).outcome is Outcome.INCONCLUSIVE
        assert "rig_leak_above_gate" in reasons(the(found, id))


def test_a_zero_that_moved_decides_nothing() -> None:
    found = judged(Fault(zero_moved_pa=30.0))
    assert found.verdict is Verdict.INCONCLUSIVE
    with_limit = [f for f in found.findings if f.limit and f.id != "zero_offset"]
    assert all("zero_moved" in reasons(f) for f in with_limit)
    assert [s.fault_group for s in found.suspects] == [("zero_drift",)]
    # the fault is of the outlet's transducer: an inlet that moved names it not
    other = Reason.of("zero_moved", channel="inlet")
    moved = [dataclasses.replace(f, why=(other,)) for f in found.findings]
    assert all(s.fault_group != ("zero_drift",) for s in suspects(moved))


def test_an_inlet_that_sags_decides_nothing() -> None:
    found = judged(Fault(inlet_sag=0.05))
    assert "inlet_not_steady" in reasons(the(found, "seat_leak"))
    assert found.verdict is Verdict.INCONCLUSIVE
    groups = [s.fault_group for s in found.suspects]
    assert ("supply_starved", "supply_creeping") in groups


def test_the_same_run_gives_the_same_judgement() -> None:
    assert judge(run(Fault(seat=0.1))) == judge(run(Fault(seat=0.1)))


def test_sampling_at_another_rate_finds_the_same() -> None:
    slow = judge(run(Fault(seat=0.5), Setting(rate_hz=10.0)))
    assert the(slow, "seat_leak").outcome is Outcome.FAIL
    assert holds_true(the(slow, "seat_leak"), 0.5 * STD_CM3_MIN)


def test_leak_intervals_hold_the_truth() -> None:
    """Twelve runs of other noise and other faults; each interval is for 95 %."""
    missed = 0
    for seed in range(12):
        true = 0.05 * (seed % 3)
        found = judge(run(Fault(seat=true), Setting(seed=100 + seed)))
        missed += not holds_true(the(found, "seat_leak"), true * STD_CM3_MIN)
        missed += not holds_true(the(found, "external_leak"), 0.0)
    assert missed <= 4  # of 24; the chance of more is 0.6 %


# --- what can be wrong with a record -------------------------------------------------


def with_raw(source: Run, change: object) -> Run:
    samples = source.samples[(1, "logger")]
    raw = np.array(samples.raw)
    flags = np.array(samples.flags)
    assert callable(change)
    change(raw, flags)
    return dataclasses.replace(
        source,
        samples={(1, "logger"): Samples(t_ns=samples.t_ns, raw=raw, flags=flags)},
    )


def all_nan(raw: Array, _: Array) -> None:
    raw[:] = np.nan


def constant(raw: Array, _: Array) -> None:
    raw[:] = 100.0


def far_off(raw: Array, _: Array) -> None:
    raw += 1e9


def infinite(raw: Array, _: Array) -> None:
    raw[::7, 1] = np.inf


def saturated(_: Array, flags: Array) -> None:
    flags[:, 1] = 4


@pytest.mark.parametrize("change", [all_nan, constant, far_off, infinite, saturated])
def test_strange_samples_give_reasons_and_no_pass(change: object) -> None:
    found = judge(with_raw(run(), change))
    assert found.verdict is not Verdict.PASS
    limited = [f for f in found.findings if f.required]
    assert limited
    assert all(f.why for f in limited)


def test_a_run_without_samples_or_marks_is_incomplete() -> None:
    whole = run()
    empty = Samples(
        t_ns=np.empty(0, np.int64),
        raw=np.empty((0, 4)),
        flags=np.empty((0, 4), np.uint8),
    )
    one = whole.samples[(1, "logger")]
    single = Samples(t_ns=one.t_ns[:1], raw=one.raw[:1], flags=one.flags[:1])
    for samples in (empty, single):
        bare = dataclasses.replace(whole, samples={(1, "logger"): samples})
        assert judge(bare).verdict is Verdict.INCOMPLETE
    assert judge(dataclasses.replace(whole, marks=())).verdict is Verdict.INCOMPLETE
    assert judge(dataclasses.replace(whole, samples={})).verdict is Verdict.INCOMPLETE
    lost = dataclasses.replace(whole, samples={}, parts=())
    assert judge(lost).verdict is Verdict.INCOMPLETE


def test_a_run_that_broke_off_is_incomplete() -> None:
    whole = run()
    cut = [m for m in whole.marks if m.t_s < 250.0]
    found = judge(dataclasses.replace(whole, marks=tuple(cut)))
    assert found.verdict is Verdict.INCOMPLETE
    assert the(found, "seat_leak").outcome is Outcome.NOT_MEASURED
    assert "step_not_done" in reasons(the(found, "seat_leak"))


def test_an_attempt_that_was_repeated_is_void_and_told() -> None:
    whole = run()
    marks = list(whole.marks)
    at = next(i for i, m in enumerate(marks) if m.step == "set")
    time = marks[at].t_s
    extra = [
        Mark(part=1, t_s=time - 2.0, kind=MarkKind.STEP_BEGIN, step="set"),
        Mark(part=1, t_s=time - 1.0, kind=MarkKind.STEP_REPEAT, step="set"),
    ]
    found = judge(dataclasses.replace(whole, marks=(*marks[:at], *extra, *marks[at:])))
    assert found.verdict is Verdict.PASS
    assert "attempts_repeated" in {w.id for w in found.warnings}


def test_a_channel_without_calibration_decides_nothing() -> None:
    bare = rig()
    bare = dataclasses.replace(
        bare,
        channels=tuple(
            dataclasses.replace(c, calibration=None) if c.role == "outlet" else c
            for c in bare.channels
        ),
    )
    found = judge(run(rig_used=bare))
    assert the(found, "set_pressure").outcome is Outcome.INCONCLUSIVE
    assert "no_calibration" in reasons(the(found, "set_pressure"))
    assert "no_calibration" in {w.id for w in found.warnings}


@pytest.mark.parametrize("role", ["inlet", "outlet"])
def test_every_limit_on_a_channel_without_calibration_is_inconclusive(
    role: str,
) -> None:
    bare = rig()
    channels = tuple(
        dataclasses.replace(c, calibration=None) if c.role == role else c
        for c in bare.channels
    )
    found = judge(run(rig_used=dataclasses.replace(bare, channels=channels)))
    on_it = [f for f in found.findings if f.channel in (role, "")]
    measured = [f for f in on_it if f.measured is not None]
    assert len([f for f in measured if f.limit is not None]) >= 1
    for finding in measured:
        assert "no_calibration" in reasons(finding), finding.id
        if finding.limit is not None:
            assert finding.outcome is Outcome.INCONCLUSIVE, finding.id
    others = [f for f in found.findings if f not in on_it]
    assert all("no_calibration" not in reasons(f) for f in others)


def with_outlet(**change: object) -> Run:
    """Return the run of a rig whose outlet has another calibration."""
    whole = rig()
    channels = tuple(
        dataclasses.replace(
            c,
            calibration=dataclasses.replace(c.calibration, **change),  # type: ignore[arg-type]
        )
        if c.role == "outlet" and c.calibration is not None
        else c
        for c in whole.channels
    )
    return run(rig_used=dataclasses.replace(whole, channels=channels))


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"terms": ()}, "no_calibration"),
        (
            {"date": datetime.date(2200, 1, 1), "due": datetime.date(2201, 1, 1)},
            "calibration_later",
        ),
        (
            {
                "range": (
                    parse_quantity("0 Pa gauge"),
                    parse_quantity("400 Pa gauge"),
                )
            },
            "outside_calibration",
        ),
    ],
)
def test_a_calibration_that_says_nothing_of_the_reading_decides_nothing(
    change: dict[str, object], reason: str
) -> None:
    found = judge(with_outlet(**change))
    setting = the(found, "set_pressure")
    assert setting.outcome is Outcome.INCONCLUSIVE
    assert reason in reasons(setting)
    assert found.verdict is not Verdict.PASS


def test_a_calibration_over_the_range_that_was_read_decides() -> None:
    ends = parse_quantity("0 Pa gauge"), parse_quantity("5000 Pa gauge")
    found = judge(with_outlet(range=ends))
    plain = judge(run())
    assert [f.outcome for f in found.findings] == [f.outcome for f in plain.findings]


def test_with_an_expired_calibration_the_run_goes_on_and_every_finding_says_so() -> (
    None
):
    in_date = judge(run())
    old = rig()
    outlet = old.channel("outlet")
    assert outlet is not None
    assert outlet.calibration is not None
    due = datetime.date(1999, 12, 31)
    late = dataclasses.replace(outlet.calibration, date=due, due=due)
    channels = tuple(
        dataclasses.replace(c, calibration=late) if c.role == "outlet" else c
        for c in old.channels
    )
    found = judge(run(rig_used=dataclasses.replace(old, channels=channels)))
    assert [f.outcome for f in found.findings] == [f.outcome for f in in_date.findings]
    assert "calibration_expired" in {w.id for w in found.warnings}
    for finding in found.findings:
        if finding.measured is None:
            continue
        says = "calibration_expired" in reasons(finding)
        assert says == (finding.channel in ("outlet", "")), finding.id


def test_without_volumes_a_leak_is_not_measured() -> None:
    found = judge(run(rig_used=rig(traits=False)))
    for id in ("seat_leak", "external_leak"):
        assert the(found, id).outcome is Outcome.NOT_MEASURED
        assert "no_volume" in reasons(the(found, id))
    assert found.verdict is Verdict.INCOMPLETE


def test_a_recorded_trace_without_limits() -> None:
    """The chamber's trace: origin and licence in ``tests/published/README.md``."""
    plan, _ = builtin_plan("trace-only")
    held = chamber()
    whole = run()
    outlet = whole.header.rig.channels[1]
    only = dataclasses.replace(
        whole.header.rig,
        simulated=False,
        channels=(dataclasses.replace(outlet, unit="bar gauge", calibration=None),),
        traits=None,
    )
    imported = dataclasses.replace(
        whole,
        header=dataclasses.replace(whole.header, plan=plan, rig=only),
        marks=(),
        samples={
            (1, "logger"): Samples(
                t_ns=np.round(held.t_s * 1e9).astype(np.int64),
                raw=held.value[:, None] / 1e5,
                flags=held.flags[:, None],
            )
        },
    )
    found = judge(imported)
    assert found.verdict is Verdict.NO_LIMIT
    (rate,) = found.findings
    assert (rate.id, rate.step) == ("pressure_decay_rate", "hold-1")
    assert rate.outcome is Outcome.NO_LIMIT
    model = dict(rate.evidence.model)
    assert model["mean_slope"] == pytest.approx(-23.494, abs=model["u_mean_slope"])
    assert rate.interval is not None
    told = {"tail_inseparable", "tail_rising_or_creep", "hold_too_short"}
    assert rate.interval[1] < 0.0 or reasons(rate) & told


def test_an_outlet_volume_that_is_larger_makes_its_leak_larger() -> None:
    """The seat's leak scales with the volume; the rate does not."""
    whole = run(Fault(seat=0.1))
    traits = whole.header.rig.traits
    assert traits is not None
    outlet = dataclasses.replace(
        traits.volumes["outlet"],
        volume=parse_quantity("200 cm3"),
        u=parse_quantity("4 cm3"),
        allowance=parse_quantity("120 cm3"),
    )
    volumes = {**traits.volumes, "outlet": outlet}
    twice = dataclasses.replace(
        whole.header.rig, traits=dataclasses.replace(traits, volumes=volumes)
    )
    doubled = judge(
        dataclasses.replace(whole, header=dataclasses.replace(whole.header, rig=twice))
    )
    ours = judge(whole)
    one, two = (the(j, "seat_leak").measured for j in (ours, doubled))
    assert one is not None
    assert two is not None
    assert two.value == pytest.approx(2.0 * one.value, rel=1e-9)
    rates = [the(j, "creep_rate").measured for j in (ours, doubled)]
    assert rates[0] == rates[1]


def test_the_order_of_the_channels_changes_nothing() -> None:
    whole = run(Fault(seat=0.1))
    samples = whole.samples[(1, "logger")]
    turned = dataclasses.replace(
        whole.header.rig, channels=whole.header.rig.channels[::-1]
    )
    other = dataclasses.replace(
        whole,
        header=dataclasses.replace(whole.header, rig=turned),
        samples={
            (1, "logger"): Samples(
                t_ns=samples.t_ns, raw=samples.raw[:, ::-1], flags=samples.flags
            )
        },
    )
    for id in ("rig_leak", "external_leak", "seat_leak", "creep_total"):
        assert the(judge(other), id).interval == the(judge(whole), id).interval


def test_creep_hold_tells_its_total_and_what_it_could_have_seen() -> None:
    found = judged(Fault(seat=0.1))
    total = the(found, "creep_total")
    # 0.1 std cm3/min into 118 cm3 for the 31/32 of 200 s, and what the settling leaves
    model = dict(total.evidence.model)
    rise = 0.1 * STD_CM3_MIN / 118e-6 * 294.0 / 293.15 * model["between_s"]
    assert total.measured is not None
    assert total.measured.value == pytest.approx(rise, rel=0.3)
    assert model["total_without_settling"] == pytest.approx(
        rise, abs=3.0 * model["u_total_without_settling"]
    )
    for id in ("rig_leak", "external_leak", "seat_leak"):
        notes = {note.id: dict(note.facts) for note in the(found, id).evidence.notes}
        assert "std cm3/min" in notes["smallest_leak"]["smallest"]


def test_a_gas_that_we_do_not_know_is_said() -> None:
    whole = run()
    plan = dataclasses.replace(whole.header.plan, test_gas="something else")
    header = dataclasses.replace(whole.header, plan=plan)
    low = judge(dataclasses.replace(whole, header=header))
    # at such pressures the ideal gas is good enough
    assert the(low, "external_leak").outcome is Outcome.PASS
