"""The outlet's volume from gas put into it, on traces of closed formulas."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from analysis.find_volume import settled_steps
from analysis.judge import judge
from records.errors import Reason
from records.judgement import Finding, Outcome
from records.measure import STD_CM3_MIN, parse_quantity
from records.plan import Plan, Step
from records.run import Mark, MarkKind, Run, Samples
from tests.analysis.closed_form import AIR_PA, GAS_K, Fault, Setting, run

VOLUME = 118e-6  # what acts on the outlet of the closed formulas
STROKE = 0.5e-6
FIRST_S, EVERY_S, TAKES_S = 30.0, 40.0, 3.0


def with_step(plan: Plan, **changes: object) -> Plan:
    step = Step(
        id="volume",
        kind="find-volume",
        hold=parse_quantity("30 s"),
        added=parse_quantity("0.5 cm3"),
        u_added=parse_quantity("0.003 cm3"),
        repeats=3,
    )
    step = dataclasses.replace(step, **changes)  # type: ignore[arg-type]
    at = next(i for i, s in enumerate(plan.steps) if s.id == "creep-hold")
    return dataclasses.replace(
        plan, steps=(*plan.steps[: at - 1], step, *plan.steps[at - 1 :])
    )


def with_strokes(
    source: Run, count: int = 3, *, seed: int = 5, heat: float = 0.3, creep: float = 0.0
) -> Run:
    """Return the run with a stretch put behind it in which gas was added."""
    samples = source.samples[(1, "logger")]
    start = float(samples.t_ns[-1]) * 1e-9 + 0.05
    t = np.arange(0.0, FIRST_S + EVERY_S * count + 10.0, 0.05)
    rng = np.random.default_rng(seed)
    step = STROKE * AIR_PA / VOLUME  # the gas is as warm as the syringe
    outlet = 2957.0 + creep * t
    for k in range(count):
        end = FIRST_S + k * EVERY_S + TAKES_S
        share = np.clip((t - end + TAKES_S) / TAKES_S, 0.0, 1.0)
        warm = heat * np.exp(-np.maximum(t - end, 0.0) / 4.0)
        outlet = outlet + step * share * (1.0 + warm)
    raw = np.column_stack(
        [
            np.full(t.size, 68_947.6) + 10.0 * rng.standard_normal(t.size),
            np.round((outlet + 0.8 * rng.standard_normal(t.size)) / 0.2) * 0.2,
            np.full(t.size, AIR_PA) + 3.0 * rng.standard_normal(t.size),
            np.full(t.size, GAS_K) + 0.01 * rng.standard_normal(t.size),
        ]
    )
    marks = [Mark(part=1, t_s=start, kind=MarkKind.STEP_BEGIN, step="volume")]
    for k in range(count):
        begin = start + FIRST_S + k * EVERY_S
        marks += [
            Mark(
                part=1,
                t_s=begin,
                kind=MarkKind.ASKED,
                step="volume",
                data={"act": "add_gas"},
            ),
            Mark(
                part=1,
                t_s=begin + TAKES_S,
                kind=MarkKind.SEEN,
                step="volume",
                data={"event": "added"},
            ),
        ]
    end = start + float(t[-1])
    marks.append(Mark(part=1, t_s=end, kind=MarkKind.STEP_END, step="volume"))
    times = np.round((start + t) * 1e9).astype(np.int64)
    joined = Samples(
        t_ns=np.concatenate([samples.t_ns, times]),
        raw=np.concatenate([samples.raw, raw]),
        flags=np.concatenate([samples.flags, np.zeros(raw.shape, np.uint8)]),
    )
    return dataclasses.replace(
        source, marks=(*source.marks, *marks), samples={(1, "logger"): joined}
    )


def the(found: tuple[Finding, ...], id: str) -> Finding:
    (one,) = (f for f in found if f.id == id)
    return one


def test_the_volume_that_acts_is_found_and_used() -> None:
    plain = run(Fault(seat=0.1), Setting())
    plan = with_step(plain.header.plan)
    volume = the(judge(with_strokes(plain), plan).findings, "outlet_volume")
    assert volume.measured is not None
    assert volume.interval is not None
    assert volume.interval[0] <= VOLUME <= volume.interval[1]
    assert volume.measured.u < 0.03 * VOLUME
    assert volume.outcome is Outcome.NO_LIMIT
    assert {line.source for line in volume.budget} >= {"added", "barometer_level"}

    found = judge(with_strokes(plain), plan).findings
    seat, before = (the(f, "seat_leak") for f in (found, judge(plain, plan).findings))
    external = the(found, "external_leak")
    for leak in (seat, external):
        assert dict(leak.evidence.model)["volume_outlet"] == volume.measured.value
        assert "volume_found" in {note.id for note in leak.evidence.notes}
        assert "allowance_outlet" not in {line.source for line in leak.budget}
    assert "allowance_outlet" in {line.source for line in before.budget}
    assert seat.interval is not None
    assert seat.interval[0] <= 0.1 * STD_CM3_MIN <= seat.interval[1]
    # the rig alone is blanked: no diaphragm is on it
    rig = the(found, "rig_leak")
    assert "volume_found" not in {note.id for note in rig.evidence.notes}


def test_a_mark_that_says_how_much_goes_before_the_plan() -> None:
    plain = run()
    plan = with_step(plain.header.plan, added=parse_quantity("5 cm3"))
    told = with_strokes(plain)
    marks = tuple(
        dataclasses.replace(m, data={**m.data, "amount": "0.5 cm3"})
        if m.data.get("event") == "added"
        else m
        for m in told.marks
    )
    volume = the(
        judge(dataclasses.replace(told, marks=marks), plan).findings, "outlet_volume"
    )
    assert volume.interval is not None
    assert volume.interval[0] <= VOLUME <= volume.interval[1]


def test_a_reference_leak_for_a_time_does_as_well() -> None:
    plain = run()
    amount = STROKE * AIR_PA * 293.15 / GAS_K  # Pa·m3 at 293.15 K
    plan = with_step(
        plain.header.plan,
        added=parse_quantity(f"{amount / 20.0!r} Pa·m3/s"),
        u_added=parse_quantity(f"{0.005 * amount / 20.0!r} Pa·m3/s"),
        adding=parse_quantity("20 s"),
    )
    volume = the(judge(with_strokes(plain), plan).findings, "outlet_volume")
    assert volume.interval is not None
    assert volume.interval[0] <= VOLUME <= volume.interval[1]


def test_fewer_than_planned_are_doubted_and_not_used() -> None:
    plain = run()
    plan = with_step(plain.header.plan)
    found = judge(with_strokes(plain, 2), plan).findings
    volume = the(found, "outlet_volume")
    assert "additions_unseen" in {why.id for why in volume.why}
    seat = the(found, "seat_leak")
    assert "volume_found" not in {note.id for note in seat.evidence.notes}


def test_gas_that_was_never_added_gives_no_volume() -> None:
    plain = run()
    flat = with_strokes(plain)
    samples = flat.samples[(1, "logger")]
    raw = np.array(samples.raw)
    late = samples.t_ns > plain.samples[(1, "logger")].t_ns[-1]
    rng = np.random.default_rng(3)
    raw[late, 1] = 2957.0 + 0.8 * rng.standard_normal(int(late.sum()))
    only = Samples(t_ns=samples.t_ns, raw=raw, flags=samples.flags)
    flat = dataclasses.replace(flat, samples={(1, "logger"): only})
    volume = the(judge(flat, with_step(plain.header.plan)).findings, "outlet_volume")
    assert volume.outcome is Outcome.NOT_MEASURED
    assert {why.id for why in volume.why} == {"additions_unseen"}


def test_steps_hold_what_was_put_in() -> None:
    """Forty traces of other noise, settling and creep; intervals of 95 %."""
    missed = 0
    for seed in range(40):
        rng = np.random.default_rng([11, seed])
        t = np.arange(0.0, 110.0, 0.05)
        tau, size = float(rng.uniform(1.0, 8.0)), 400.0
        y = 2957.0 + 0.02 * t
        for end in (33.0, 73.0):
            on = t >= end
            y = y + size * on * (1.0 + 0.3 * np.exp(-np.maximum(t - end, 0.0) / tau))
        y = y + 1.0 * rng.standard_normal(t.size)
        found = settled_steps(t, y, [(30.0, 33.2), (70.0, 73.2)], tau_max_s=30.0)
        assert not isinstance(found, Reason)
        miss = np.abs(found.size - size) > 1.96 * found.u
        missed += int(miss.sum())
        assert np.all(found.u < 6.0)
    assert missed <= 9  # of 80; the chance of more is 1 %


def test_too_few_readings_are_said() -> None:
    t = np.arange(0.0, 20.0, 1.0)
    found = settled_steps(t, np.zeros(20), [(3.0, 5.0)], tau_max_s=30.0)
    assert isinstance(found, Reason)
    assert math.isclose(float(dict(found.facts)["found"]), 3.0)


@pytest.mark.parametrize("drop", ["added", "u_added"])
def test_a_plan_says_how_much_is_put_in(drop: str) -> None:
    from records.errors import InputError
    from records.planfile import builtin_plan, parse_plan

    _, text = builtin_plan("low-pressure")
    keys = {"added": '"0.5 cm3"', "u_added": '"0.01 cm3"'}
    said = "\n".join(f"{k} = {v}" for k, v in keys.items() if k != drop)
    step = f'[[steps]]\nid = "volume"\nkind = "find-volume"\nhold = "30 s"\n{said}\n\n'
    where = text.index('[[steps]]\nid = "lockup-3"')
    with pytest.raises(InputError, match="key_missing") as caught:
        parse_plan(text[:where] + step + text[where:], "p.toml")
    assert caught.value.facts["key"] == f"steps.volume.{drop}"


def test_a_plan_with_it_can_be_led() -> None:
    from proofstand.procedure.engine import check_led
    from records.planfile import builtin_plan

    plan, _ = builtin_plan("low-pressure")
    check_led(plan)
    check_led(with_step(plan))
