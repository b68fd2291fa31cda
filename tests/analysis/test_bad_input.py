"""Damaged and strange records through the front door: a named reason, never a pass."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.judge import judge
from proofstand.commands.main import main
from records.errors import EXIT_INCOMPLETE, EXIT_INCONCLUSIVE, EXIT_INPUT
from records.judgement import Finding, Judgement, Outcome, Verdict
from records.run import Mark, MarkKind, Run, RunState, Samples
from records.runfile import write_run
from tests.analysis.closed_form import Array, Setting, run

Flags = NDArray[np.uint8]
Times = NDArray[np.int64]
Damage = Callable[[Array, Flags, Times], None]
_PASSES = (Outcome.PASS, Outcome.CONDITIONAL_PASS)
INLET, OUTLET = 0, 1


@functools.cache
def healthy() -> Run:
    return run(setting=Setting(rate_hz=10.0))


@functools.cache
def seconds() -> Array:
    return np.asarray(healthy().samples[(1, "logger")].t_ns * 1e-9)


def hold(step: str) -> tuple[float, float]:
    kinds = (MarkKind.HOLD_BEGIN, MarkKind.HOLD_END)
    begin, end = (m.t_s for m in healthy().marks if m.step == step and m.kind in kinds)
    return begin, end


def inside(step: str, first: float = 0.0, last: float = 1.0) -> NDArray[np.bool_]:
    begin, end = hold(step)
    t = seconds()
    width = end - begin
    return np.asarray((t >= begin + first * width) & (t <= begin + last * width))


def damaged(change: Damage) -> Run:
    sound = healthy().samples[(1, "logger")]
    raw, flags = np.array(sound.raw), np.array(sound.flags)
    times = np.array(sound.t_ns)
    change(raw, flags, times)
    return dataclasses.replace(
        healthy(), samples={(1, "logger"): Samples(times, raw, flags)}
    )


def the(found: Judgement, step: str, id: str) -> Finding:
    return next(f for f in found.findings if (f.step, f.id) == (step, id))


def reasons(finding: Finding) -> set[str]:
    return {why.id for why in finding.why}


def test_the_record_is_sound_before_it_is_damaged() -> None:
    assert judge(healthy()).verdict is Verdict.PASS


# --- one by one: what is done to the record, and how the creep hold then stands -------


def none(raw: Array, _: Flags, __: Times) -> None:
    raw[:] = np.nan


def constant(raw: Array, _: Flags, __: Times) -> None:
    raw[:] = 2_737.0


def dead_outlet(raw: Array, _: Flags, __: Times) -> None:
    raw[:, OUTLET] = 2_900.0


def one_time(_: Array, __: Flags, times: Times) -> None:
    times[:] = times[0]


def turned_back(_: Array, __: Flags, times: Times) -> None:
    times[:] = times[::-1].copy()


def set_back(_: Array, __: Flags, times: Times) -> None:
    late = seconds() > np.mean(hold("creep-hold"))
    times[late] -= np.int64(60e9)


def far_off(raw: Array, _: Flags, __: Times) -> None:
    raw += 1e9


def swapped(raw: Array, _: Flags, __: Times) -> None:
    raw[:, [INLET, OUTLET]] = raw[:, [OUTLET, INLET]]


def vented(raw: Array, _: Flags, __: Times) -> None:
    late = inside("creep-hold", 0.5)
    since = seconds()[late] - seconds()[late][0]
    raw[late, OUTLET] *= np.exp(-since)
    raw[late, OUTLET] += np.round(
        np.random.default_rng(3).normal(0, 0.8, late.sum()), 1
    )


def dipped(raw: Array, _: Flags, __: Times) -> None:
    out = inside("creep-hold", 0.4, 0.6)
    raw[out, OUTLET] = np.round(np.random.default_rng(4).normal(0, 0.8, out.sum()), 1)


def sawing(raw: Array, _: Flags, __: Times) -> None:
    held = inside("creep-hold")
    since = seconds()[held] - seconds()[held][0]
    raw[held, OUTLET] += np.round(30.0 * (since % 20.0) / 20.0, 1)


def cut_off(raw: Array, _: Flags, __: Times) -> None:
    held = inside("creep-hold")
    top = np.median(raw[held, OUTLET])
    raw[held, OUTLET] = np.minimum(raw[held, OUTLET], top)


def still(raw: Array, _: Flags, __: Times) -> None:
    raw[inside("creep-hold", 0.3, 0.5), OUTLET] = 2_960.0


def stepped(raw: Array, _: Flags, __: Times) -> None:
    held = inside("body-hold") | inside("creep-hold")
    raw[held, OUTLET] = np.round(raw[held, OUTLET] / 20.0) * 20.0


def gone(raw: Array, flags: Flags, __: Times) -> None:
    lost = inside("creep-hold", 0.4, 0.44)
    raw[lost], flags[lost] = np.nan, 1


def spiky(raw: Array, _: Flags, __: Times) -> None:
    at = np.flatnonzero(inside("creep-hold"))[::12]
    raw[at, OUTLET] += 500.0


def humming(raw: Array, _: Flags, __: Times) -> None:
    held = inside("creep-hold")
    raw[held, OUTLET] += 4.0 * np.sin(2.0 * np.pi * seconds()[held] / 12.0)


def sagging(raw: Array, _: Flags, __: Times) -> None:
    held = inside("creep-hold")
    raw[held, INLET] *= np.linspace(1.0, 0.93, held.sum())


@pytest.mark.parametrize(
    ("damage", "why"),
    [
        (none, {"too_few_samples", "samples_bad"}),
        (constant, {"samples_stuck"}),
        (dead_outlet, {"samples_stuck"}),
        (one_time, {"too_few_samples"}),
        (turned_back, {"time_not_rising", "too_few_samples"}),
        (set_back, {"time_not_rising"}),
        (far_off, {"zero_not_established", "inlet_off_plan"}),
        (swapped, {"inlet_not_steady", "inlet_off_plan"}),
        (vented, {"vented_in_hold"}),
        (dipped, {"moved_in_hold", "vented_in_hold"}),
        (sawing, {"moved_in_hold"}),
        (cut_off, {"samples_clipped"}),
        (still, {"samples_stuck"}),
        (gone, {"gap_in_window"}),
        (spiky, {"samples_bad"}),
        (humming, {"periodic_residual"}),
        (sagging, {"inlet_not_steady"}),
    ],
)
def test_the_creep_hold_names_what_is_wrong(damage: Damage, why: set[str]) -> None:
    found = judge(damaged(damage))
    assert found.verdict is not Verdict.PASS
    for id in ("seat_leak", "creep_rate"):
        leak = the(found, "creep-hold", id)
        assert leak.outcome not in _PASSES
        assert reasons(leak) & why, (id, leak.why)


def test_steps_that_hide_the_noise_decide_no_leak() -> None:
    found = judge(damaged(stepped))
    assert found.verdict is not Verdict.PASS
    for step, id in (("body-hold", "external_leak"), ("creep-hold", "seat_leak")):
        leak = the(found, step, id)
        assert leak.outcome not in _PASSES
        assert "resolution_too_coarse" in reasons(leak), leak.why


def test_steps_coarser_than_declared_decide_no_level() -> None:
    def coarse(raw: Array, _: Flags, __: Times) -> None:
        held = inside("set")
        raw[held, OUTLET] = np.round(raw[held, OUTLET] / 5.0) * 5.0

    found = judge(damaged(coarse))
    level = the(found, "set", "set_pressure")
    assert level.outcome is Outcome.INCONCLUSIVE
    assert "steps_coarser" in reasons(level), level.why
    told = next(dict(why.facts) for why in level.why if why.id == "steps_coarser")
    assert told["step"] == "5 Pa difference"


@pytest.mark.parametrize(
    ("step", "id"), [("rig-hold", "rig_leak"), ("body-hold", "external_leak")]
)
def test_gas_that_comes_in_hides_a_leak_and_passes_nothing(step: str, id: str) -> None:
    """A leaking isolating valve makes the trapped inlet rise (common practice)."""

    def fed(raw: Array, _: Flags, __: Times) -> None:
        held = inside(step)
        since = seconds()[held] - seconds()[held][0]
        raw[held, INLET] += 2.0 * since

    found = judge(damaged(fed))
    assert found.verdict is not Verdict.PASS
    assert the(found, step, id).outcome is Outcome.INCONCLUSIVE
    assert "gas_gained_in_hold" in reasons(the(found, step, id))
    for other in ("external_leak", "seat_leak"):
        leak = next(f for f in found.findings if f.id == other)
        assert leak.outcome not in _PASSES, other


def test_what_was_left_out_is_told_by_class() -> None:
    def few(raw: Array, flags: Flags, _: Times) -> None:
        at = np.flatnonzero(inside("creep-hold", 0.2))
        raw[at[10], OUTLET] += 400.0
        raw[at[50:53], OUTLET], flags[at[50:53], OUTLET] = np.nan, 1

    found = judge(damaged(few))
    assert found.verdict is Verdict.PASS
    notes = the(found, "creep-hold", "seat_leak").evidence.notes
    (told,) = (note for note in notes if note.id == "samples_left_out")
    counts = dict(told.facts)
    assert (counts["missing"], counts["jump"], counts["stuck"]) == ("3", "1", "0")


@pytest.mark.parametrize("count", [0, 1, 7])
def test_a_record_of_few_samples_gives_reasons(count: int) -> None:
    sound = healthy().samples[(1, "logger")]
    few = Samples(sound.t_ns[:count], sound.raw[:count], sound.flags[:count])
    found = judge(dataclasses.replace(healthy(), samples={(1, "logger"): few}))
    assert found.verdict is Verdict.INCOMPLETE
    for finding in found.findings:
        assert finding.outcome is Outcome.NOT_MEASURED
        assert finding.why


@pytest.mark.parametrize("role", ["inlet", "outlet"])
def test_a_channel_that_is_not_there_is_named(role: str) -> None:
    whole = healthy()
    used = whole.header.rig
    channels = tuple(
        dataclasses.replace(c, role="spare") if c.role == role else c
        for c in used.channels
    )
    header = dataclasses.replace(
        whole.header, rig=dataclasses.replace(used, channels=channels)
    )
    found = judge(dataclasses.replace(whole, header=header))
    assert found.verdict not in (Verdict.PASS, Verdict.FAIL)
    leak = the(found, "body-hold", "external_leak")
    assert reasons(leak) & {"channel_missing"}


@pytest.mark.parametrize("held_s", [0.02, 0.3, 2.0, 7.0])
def test_a_hold_shorter_than_a_block_is_too_short(held_s: float) -> None:
    whole = healthy()
    begin, _ = hold("body-hold")
    marks: list[Mark] = [
        dataclasses.replace(m, t_s=begin + held_s)
        if m.step == "body-hold" and m.kind in (MarkKind.HOLD_END, MarkKind.STEP_END)
        else m
        for m in whole.marks
    ]
    found = judge(dataclasses.replace(whole, marks=tuple(marks)))
    leak = the(found, "body-hold", "external_leak")
    assert leak.outcome not in _PASSES
    assert reasons(leak) & {"too_few_samples", "hold_too_short", "across_limit"}
    assert found.verdict is not Verdict.PASS


@pytest.mark.parametrize("wrong", [np.inf, -np.inf, np.nan, -1e6, 1e12])
def test_a_mark_at_a_senseless_time_gives_a_reason(wrong: float) -> None:
    whole = healthy()
    marks = [
        dataclasses.replace(m, t_s=wrong)
        if m.step == "creep-hold" and m.kind is MarkKind.HOLD_BEGIN
        else m
        for m in whole.marks
    ]
    found = judge(dataclasses.replace(whole, marks=tuple(marks)))
    assert the(found, "creep-hold", "seat_leak").outcome not in _PASSES


# --- the command ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("damage", "code"),
    [
        (none, EXIT_INCOMPLETE),
        (one_time, EXIT_INCOMPLETE),
        (vented, EXIT_INCONCLUSIVE),
        (cut_off, EXIT_INCONCLUSIVE),
    ],
)
def test_the_command_says_why_and_exits_so(
    damage: Damage,
    code: int,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = tmp_path / "run.h5"
    write_run(dataclasses.replace(damaged(damage), state=RunState.CLOSED), out)
    assert main(["judge", str(out)]) == code
    assert main(["judge", str(out), "--why", "seat_leak"]) == code
    told = capsys.readouterr()
    assert "seat" in told.out.lower()
    assert "Traceback" not in told.out + told.err


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", EXIT_INPUT),
        ("time [s];outlet [bar gauge]\n", EXIT_INPUT),
        ("time [s];outlet [bar gauge]\n0;1.0\n", EXIT_INPUT),
    ],
)
def test_a_log_that_holds_nothing_is_refused(
    text: str, code: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text, "utf-8")
    assert main(["import", str(log), "--out", str(tmp_path / "run.h5")]) == code
    assert "Traceback" not in capsys.readouterr().err


# --- at random -----------------------------------------------------------------------


@st.composite
def damages(draw: st.DrawFn) -> tuple[str, float, float, int, float]:
    kind = draw(
        st.sampled_from(["nan", "inf", "still", "noise", "zero", "flag", "huge", "cut"])
    )
    first = draw(st.floats(0.0, 0.7))
    width = draw(st.floats(0.15, 0.3))
    column = draw(st.sampled_from([INLET, OUTLET]))
    return kind, first, width, column, draw(st.floats(0.1, 1.0))


@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
@given(damages(), st.sampled_from(["creep-hold", "body-hold", "rig-hold"]))
def test_no_damage_of_a_hold_passes_or_raises(
    damage: tuple[str, float, float, int, float], step: str
) -> None:
    """A sixth or more of a hold is spoiled in one of its two pressures."""
    kind, first, width, column, size = damage

    def spoil(raw: Array, flags: Flags, _: Times) -> None:
        where = inside(step, first, first + width)
        level = float(np.median(raw[inside(step), column]))
        if kind in ("nan", "inf"):
            raw[where, column] = np.nan if kind == "nan" else np.inf
        elif kind == "still":
            raw[where, column] = raw[where, column][0]
        elif kind == "noise":
            picks = np.random.default_rng(1)
            raw[where, column] += picks.normal(0.0, size * level, where.sum())
        elif kind == "zero":
            raw[where, column] = 0.0
        elif kind == "flag":
            flags[where, column] = 8
        elif kind == "huge":
            raw[where, column] = 1e300 * size
        else:
            held = raw[inside(step), column]
            top = np.percentile(held, 100.0 * (1.0 - 0.5 * size))
            raw[inside(step), column] = np.minimum(held, top)

    assert judge(damaged(spoil)).verdict is not Verdict.PASS
