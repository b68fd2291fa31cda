"""Relief: the outlet where the vent turned, on traces of closed formulas."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import pytest

from analysis.marks import Performance
from analysis.readings import Readings
from analysis.relief import REACTION_S, relief_findings
from analysis.vent import began, ceased, discharge_level
from records.judgement import Evidence
from records.measure import STD_CM3_MIN, parse_quantity
from records.plan import Step
from records.rig import Channel
from records.run import Part, Run, Samples
from records.trace import Flag, Trace
from tests.analysis.closed_form import rig, run

START, SHUT, END = 20.0, 100.0, 130.0
RATE, LOCKUP, OPENS, SHUTS = 20.0, 1800.0, 3300.0, 3180.0
OPENED_S = START + (OPENS - LOCKUP) / RATE
PUSHED = 0.15 * STD_CM3_MIN  # by the diaphragm, per Pa/s


@dataclass(frozen=True)
class Vent:
    role: str
    let_out: float  # SI, while it discharges
    noise: float
    weep: float = 0.0
    pushed: float = PUSHED


METER = Vent("vent_flow", 12.0 * STD_CM3_MIN, 0.05 * STD_CM3_MIN)
BONNET = Vent("bonnet", 8.0, 0.3, pushed=0.01)


def channel(vent: Vent) -> Channel:
    plain = next(c for c in rig().channels if c.role == "outlet")
    unit = "Pa gauge" if vent.role == "bonnet" else "std cm3/min"
    step = "0.1 Pa difference" if vent.role == "bonnet" else "0.02 std cm3/min"
    return dataclasses.replace(
        plain,
        id=vent.role,
        role=vent.role,
        unit=unit,
        resolution=parse_quantity(step),
        calibration=None,
    )


def times() -> np.ndarray:
    return np.arange(0.0, END, 0.05)


def outlet_of(t: np.ndarray, *, opens: bool = True, pops: bool = True) -> np.ndarray:
    y = LOCKUP + RATE * np.clip(t - START, 0.0, SHUT - START)
    if opens:
        level = SHUTS if pops else OPENS
        y = np.where(t > OPENED_S, level, y)
    return y


def vent_of(t: np.ndarray, vent: Vent, *, opens: bool = True) -> np.ndarray:
    stops = OPENED_S if opens else SHUT
    y = np.where((t > START) & (t <= stops), vent.pushed * RATE, 0.0) + vent.weep
    if opens:
        y = y + np.where((t > OPENED_S) & (t <= SHUT), vent.let_out, 0.0)
    return y


def made(
    vent: Vent | None, *, opens: bool = True, pops: bool = True, seed: int = 1
) -> Readings:
    """Return readings of a run whose outlet was raised from ``START`` on."""
    t = times()
    rng = np.random.default_rng(seed)
    outlet = outlet_of(t, opens=opens, pops=pops) + 0.8 * rng.standard_normal(t.size)
    plain = run()
    channels = list(plain.header.rig.channels)
    columns = {c.role: np.zeros(t.size) for c in channels}
    columns["outlet"] = np.round(outlet / 0.2) * 0.2
    if vent is not None:
        channels.append(dataclasses.replace(channel(vent), instrument="logger"))
        noise = vent.noise * rng.standard_normal(t.size)
        read = vent_of(t, vent, opens=opens) + noise
        unit = channels[-1].measure_unit
        columns[vent.role] = (read - unit.offset) / unit.factor
    rig_ = dataclasses.replace(plain.header.rig, channels=tuple(channels))
    order = [c.role for c in rig_.columns("logger")]
    samples = Samples(
        t_ns=np.round(t * 1e9).astype(np.int64),
        raw=np.column_stack([columns[role] for role in order]),
        flags=np.zeros((t.size, len(order)), np.uint8),
    )
    header = dataclasses.replace(plain.header, rig=rig_)
    part = dataclasses.replace(plain.parts[0])
    assert isinstance(part, Part)
    whole = dataclasses.replace(
        plain, header=header, marks=(), samples={(1, "logger"): samples}
    )
    assert isinstance(whole, Run)
    return Readings(whole)


STEP = Step(
    id="relief",
    kind="relief",
    hold=parse_quantity("20 s"),
    outlet=parse_quantity("4000 Pa gauge"),
)


def done(**changes: object) -> Performance:
    plain = Performance(
        step=STEP,
        part=1,
        begin_s=5.0,
        end_s=END - 1.0,
        hold=(SHUT + 2.0, END - 1.0),
        how="done",
        asked=(("raise_outlet", START - 1.0), ("shut_source", SHUT - 1.0)),
        seen=(),
        attempts=1,
    )
    return dataclasses.replace(plain, **changes)  # type: ignore[arg-type]


def read(readings: Readings, performed: Performance):  # type: ignore[no-untyped-def]
    outlet = readings.channel("outlet")
    assert outlet is not None
    return relief_findings(readings, outlet, performed)


@pytest.mark.parametrize("vent", [METER, BONNET], ids=["flow", "bonnet"])
@pytest.mark.parametrize("pops", [True, False])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_vent_s_reading_tells_when(vent: Vent, pops: bool, seed: int) -> None:
    opening, reseat = read(made(vent, pops=pops, seed=seed), done())
    assert opening.trouble == reseat.trouble == ()
    assert opening.value == pytest.approx(OPENS, abs=max(3.0 * opening.u, 1.0))
    level = SHUTS if pops else OPENS
    assert reseat.value == pytest.approx(level, abs=max(3.0 * reseat.u, 1.0))
    model = dict(opening.evidence.model)
    assert model["vent_from_s"] <= OPENED_S <= model["vent_to_s"]
    assert model["outlet_rate"] == pytest.approx(RATE, rel=0.02)
    # the outlet that parts from its line says the moment better than the vent
    line = next(x for x in opening.lines if x.source == "vent_time")
    assert line.u < 0.15
    assert abs(line.sensitivity) == pytest.approx(RATE, rel=0.02)


@pytest.mark.parametrize("late_s", [0.1, 0.7, 1.9])
def test_a_person_tells_within_a_stated_time(late_s: float) -> None:
    said = (
        ("raise_outlet", OPENED_S + late_s, "P. Quill"),
        ("shut_source", SHUT + late_s, "P. Quill"),
    )
    opening, reseat = read(made(None), done(confirmed=said))
    assert opening.value == pytest.approx(OPENS, abs=3.0 * opening.u)
    assert reseat.value == pytest.approx(SHUTS, abs=3.0 * reseat.u)
    assert {n.id for n in opening.evidence.notes} == {"vent_told_by_person"}


def test_where_the_outlet_says_nothing_the_rate_times_the_moment_is_left() -> None:
    # a small relief: the outlet rises on as before
    said = (("raise_outlet", OPENED_S + 1.0, "P. Quill"),)
    opening, _ = read(made(None, opens=False), done(confirmed=said))
    line = next(x for x in opening.lines if x.source == "vent_time")
    assert line.u == pytest.approx((REACTION_S + 0.25) / 12.0**0.5, rel=0.15)
    assert opening.u > 0.9 * RATE * (REACTION_S + 0.25) / 12.0**0.5
    assert opening.interval is not None
    assert opening.interval[0] < OPENS < opening.interval[1]


def test_a_weep_and_what_the_diaphragm_pushes_out_are_no_discharge() -> None:
    weeping = dataclasses.replace(METER, weep=2.0 * STD_CM3_MIN)
    opening, _ = read(made(weeping), done())
    assert opening.value == pytest.approx(OPENS, abs=3.0 * opening.u)
    shut, _ = read(made(weeping, opens=False), done())
    assert shut.bound == "lower"
    assert {d.id for d in shut.doubt} == {"relief_not_opened"}


def test_never_opened_is_a_bound_and_says_how_far_it_was_raised() -> None:
    opening, reseat = read(made(METER, opens=False), done())
    top = LOCKUP + RATE * (SHUT - 1.0 - START)
    assert opening.value == pytest.approx(top, abs=1.5 * RATE)
    assert opening.value < top
    assert opening.bound == "lower"
    assert reseat.value is None


def test_a_vent_that_blows_on_is_a_bound_from_above() -> None:
    t = times()
    readings = made(METER)
    vent = readings.channel("vent_flow")
    assert vent is not None
    trace = readings.trace(vent, 1)
    # beyond its span, and flagged so
    blows = np.where(t > OPENED_S, METER.let_out, trace.value)
    flags = np.where(t > OPENED_S, Flag.SATURATED, 0).astype(np.uint8)
    readings._traces[("vent_flow", 1)] = Trace("vent_flow", t, blows, flags)
    opening, reseat = read(readings, done())
    assert opening.value == pytest.approx(OPENS, abs=3.0 * opening.u)
    assert reseat.bound == "upper"
    assert {d.id for d in reseat.doubt} == {"relief_not_reseated"}
    assert reseat.value == pytest.approx(SHUTS, abs=1.0)


def test_a_bonnet_under_pressure_has_no_open_vent() -> None:
    high = dataclasses.replace(BONNET, let_out=120.0)
    opening, _ = read(made(high), done())
    assert {r.id for r in opening.trouble} == {"vent_not_open"}


def test_a_person_whom_the_reading_at_the_vent_gainsays_decides_nothing() -> None:
    said = (("raise_outlet", 60.0, "P. Quill"),)
    opening, _ = read(made(METER, opens=False), done(confirmed=said))
    assert {r.id for r in opening.trouble} == {"vent_shows_nothing"}


def test_a_step_that_never_raised_the_outlet_finds_nothing() -> None:
    for found in read(made(METER), done(asked=())):
        assert found.value is None
        assert found.missing is not None
        assert found.missing.id == "step_not_done"
        assert found.evidence == Evidence()


# --- the vent's reading itself -------------------------------------------------------


def trace(t: np.ndarray, y: np.ndarray) -> Trace:
    return Trace("x", t, y, np.zeros(t.size, np.uint8))


def test_a_source_that_is_opened_is_no_discharge_and_one_in_steps_neither() -> None:
    t = times()
    rate = np.where(t < START, 0.0, np.where(t < 45.0, 8.0, 24.0))
    rate = np.where((t > 60.0) & (t < 65.0), 0.0, rate)
    outlet = LOCKUP + np.cumsum(rate) * 0.05
    rng = np.random.default_rng(3)
    # the meter follows late
    lag = np.exp(-np.arange(0.0, 2.0, 0.05) / 0.3)
    late = np.convolve(rate, lag / lag.sum())[: t.size]
    flow = PUSHED * late + METER.noise * rng.standard_normal(t.size)
    outlet += 0.8 * rng.standard_normal(t.size)
    level = discharge_level(channel(METER), flow[t < START])
    assert level is not None
    assert began(trace(t, flow), trace(t, outlet), START, level, 0.0) is None


def test_a_relief_that_opens_at_once_is_seen_at_once() -> None:
    t = times()
    flow = np.where(t > START, METER.let_out, 0.0)
    outlet = np.full(t.size, LOCKUP)
    rng = np.random.default_rng(4)
    outlet = outlet + 0.8 * rng.standard_normal(t.size)
    at = began(trace(t, flow), trace(t, outlet), START, 1.0 * STD_CM3_MIN, 0.0)
    assert at == pytest.approx(START, abs=1.0)


def test_ceased_wants_it_to_stay_so() -> None:
    t = times()
    flow = np.where((t > 40.0) & (t < 40.6), 0.0, METER.let_out)
    assert ceased(trace(t, flow), STD_CM3_MIN) is None
    flow = np.where(t > 80.0, 0.0, flow)
    assert ceased(trace(t, flow), STD_CM3_MIN) == pytest.approx(80.5, abs=0.5)


def test_too_few_readings_tell_nothing() -> None:
    few = trace(np.arange(3.0), np.zeros(3))
    assert discharge_level(channel(METER), np.zeros(3)) is None
    assert began(few, few, 0.0, 1.0, 0.0) is None
    assert ceased(few, 1.0) is None
