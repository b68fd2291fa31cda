"""Flow sweeps: droop, coefficients, classes, and that nothing is claimed without flow.

ISO 2503 (R, i, 60 s, 2 p2 + 1 bar) and EN 334 (AC, SG, their lists): from memory.
"""

from __future__ import annotations

import dataclasses
import functools

import pytest
from fluids.compressible import P_critical_flow
from hypothesis import given
from hypothesis import strategies as st

from analysis.flow import class_of
from analysis.judge import judge
from analysis.orifice import (
    against_air,
    critical_flow_factor,
    nozzle_flux,
    orifice_flow,
    subsonic_share,
)
from records.gas.facts import GASES
from records.judgement import Finding, Judgement, Outcome
from records.measure import UNITS, parse_quantity
from records.rig import Orifice
from records.run import Run
from tests.analysis.closed_form import AIR_PA, GAS_K, SET_PA, rig
from tests.analysis.sweeps import (
    FLOW_SWEEP,
    L_MIN,
    flow_run,
    inlet_run,
    notes,
    plan_of,
    with_classes,
)
from tests.analysis.test_judge import holds_true, reasons, the

KNOWN_BY_FLOW = ("droop", "closure_coefficient", "accuracy_class", "lockup_class")


@functools.cache
def judged(**given: float) -> Judgement:
    return judge(flow_run(**given))  # type: ignore[arg-type]


def value(finding: Finding) -> float:
    assert finding.measured is not None, finding.why
    return finding.measured.value


def orifice(id: str = "N-1", size: str = "2.0 dm3/(s·bar)", b: float = 0.35) -> Orifice:
    return Orifice(
        id=id,
        conductance=parse_quantity(size),
        u=parse_quantity("1 %"),
        critical_ratio=b,
        record="C-0204",
    )


def through(o: Orifice, gas: str, p1: float, p2: float, kelvin: float) -> float:
    return orifice_flow(o, GASES[gas], (p1, 0.0), (p2, 0.0), (kelvin, 0.0)).flow


# --- what a sweep gives ---------------------------------------------------------------


def test_droop_is_the_fall_from_set_flow_to_rated_flow() -> None:
    found = the(judged(), "droop", "sweep")
    assert holds_true(found, 240.0)
    assert value(found) == pytest.approx(240.0, abs=1.5)
    model = dict(found.evidence.model)
    assert model["rated_flow"] == pytest.approx(10.0 * L_MIN)
    sources = {line.source for line in found.budget}
    assert "calibration_offset" not in sources
    assert "calibration_gain" in sources


@pytest.mark.parametrize("gap", [0.0, 25.0])
def test_hysteresis_over_the_flow(gap: float) -> None:
    found = the(judge(flow_run(gap_pa=gap)), "hysteresis", "sweep")
    assert holds_true(found, gap)


def test_the_closure_coefficient_is_read_60_s_after_the_flow_was_stopped() -> None:
    """R = (p4 - p2)/p2; 5.00 to 5.85 bar is 0.17 (ISO 2503, from memory)."""
    p2 = SET_PA - 240.0
    found = the(judge(flow_run(rise_pa=0.17 * p2)), "closure_coefficient", "sweep")
    assert holds_true(found, 0.17)
    model = dict(found.evidence.model)
    assert model["p4"] == pytest.approx(1.17 * p2, abs=2.0)
    sources = {line.source for line in found.budget}
    assert "calibration_gain" not in sources  # multiplies p4 and p2 alike
    assert (5.85 - 5.00) / 5.00 == pytest.approx(0.17, abs=1e-12)


@pytest.mark.parametrize("closed", [0.0, 30.0, 55.0])
def test_without_60_s_of_closed_flow_there_is_no_coefficient(closed: float) -> None:
    found = judge(flow_run(closed_s=closed))
    for id in ("closure_coefficient", "lockup_class"):
        assert reasons(the(found, id, "sweep")) == {"closure_not_seen"}
    assert the(found, "droop").measured is not None


def test_no_coefficient_from_a_flow_that_is_not_the_definition_s() -> None:
    found = judge(flow_run(last_flow=6.0))
    closure = the(found, "closure_coefficient", "sweep")
    assert reasons(closure) == {"flow_not_reached"}
    low = judge(flow_run(flows=(2.0, 4.0, 6.0, 4.0, 2.0), last_flow=None))
    for id in KNOWN_BY_FLOW:
        (why,) = the(low, id, "sweep").why
        assert why.id == "flow_not_reached"
        assert dict(why.facts)["wanted"] == "10 std L/min"
        assert "6" in dict(why.facts)["found"]


def test_without_a_known_flow_nothing_of_it_is_measured() -> None:
    found = judge(flow_run(metered=False))
    for id in (*KNOWN_BY_FLOW, "hysteresis"):
        finding = the(found, id, "sweep")
        assert finding.outcome is Outcome.NOT_MEASURED
        assert reasons(finding) == {"flow_unknown"}


def test_an_inlet_that_sags_over_the_sweep_decides_nothing() -> None:
    found = judge(flow_run(sag_pa=600.0))
    assert "inlet_not_steady" in reasons(the(found, "droop", "sweep"))


def test_a_sweep_of_one_reading_says_so() -> None:
    found = judge(flow_run(flows=(2.0,), last_flow=None))
    assert reasons(the(found, "droop", "sweep")) == {"points_too_few"}


# --- classes --------------------------------------------------------------------------


def test_the_worked_example_of_the_classes() -> None:
    """300 mbar set, 288.6: -3.8 %, AC 5; lockup 327: +9 %, SG 10 (from memory)."""
    plan = with_classes("1 2.5 5 10 20 30", "2.5 5 10 20 30 50", "1 mbar difference")
    # SET_PA stands for 300 mbar
    slope = -0.038 * SET_PA / 8.0
    rise = (0.038 + 0.09) * SET_PA
    found = judge(flow_run(slope=slope, rise_pa=rise, plan=plan))
    accuracy, lockup = (the(found, x) for x in ("accuracy_class", "lockup_class"))
    assert value(accuracy) == pytest.approx(-0.038, abs=1e-3)
    assert value(lockup) == pytest.approx(0.09, abs=1e-3)
    said = [dict(f.evidence.notes[0].facts) for f in (accuracy, lockup)]
    assert [(each["name"], each["end"]) for each in said] == [("AC", "5"), ("SG", "10")]
    assert {each["source"] for each in said} == {"from memory of EN 334, not checked"}


def ends(text: str) -> tuple[object, ...]:
    return tuple(parse_quantity(f"{n} %") for n in text.split())


@pytest.mark.parametrize(
    ("share", "end"),
    [
        (0.05, 0.05),
        (-0.05, 0.05),
        ((315.0 - 300.0) / 300.0, 0.05),
        (0.05001, 0.10),
        (0.0, 0.01),
        (0.31, None),
    ],
)
def test_exactly_five_per_cent_is_class_five(share: float, end: float | None) -> None:
    listed = ends("1 2.5 5 10 20 30")
    found = class_of(share, 30e3, listed, None)  # type: ignore[arg-type]
    assert (None if found is None else found.value_si) == end


def test_no_class_is_narrower_than_the_floor() -> None:
    floor = parse_quantity("1 mbar difference")
    listed = ends("1 2.5 5")
    found = class_of(0.04, 2000.0, listed, floor)  # type: ignore[arg-type]
    assert found is not None
    assert found.value_si == 0.01  # 80 Pa of 2 kPa lie inside 1 mbar


def test_lists_of_another_standard_sort_by_that_list() -> None:
    plan = with_classes("7 15", "15 25")
    found = judge(flow_run(plan=plan))
    assert dict(the(found, "accuracy_class").evidence.notes[0].facts)["end"] == "15"


def test_without_a_list_there_is_a_value_and_no_class() -> None:
    found = judged()
    assert notes(found, "accuracy_class") == {"class_list_missing"}
    assert value(the(found, "accuracy_class")) == pytest.approx(
        -240.0 / SET_PA, abs=1e-3
    )


def test_beyond_the_list_and_near_its_end_are_said() -> None:
    assert notes(
        judge(flow_run(plan=with_classes("1 2", "1 2"))), "accuracy_class"
    ) == {"class_beyond_list"}
    edge = 100.0 * 240.0 / SET_PA
    near = judge(flow_run(plan=with_classes(f"{edge + 0.05:.3f} 20", "50")))
    assert "class_uncertain" in notes(near, "accuracy_class")


def test_a_class_is_shown_beside_its_value_and_claims_nothing() -> None:
    from proofstand.display import show

    plan = with_classes("1 2.5 5 10", "2.5 5 10")
    found = the(judge(flow_run(plan=plan)), "accuracy_class")
    shown = show(found, plan, "outlet")
    assert shown.unit == "%"
    assert "AC 10" in shown.note
    assert "on this unit" in shown.note
    assert "complies" not in shown.note


@given(st.floats(-0.4, 0.4), st.floats(0.5, 2.0))
def test_a_wider_deviation_never_gets_a_narrower_class(a: float, k: float) -> None:
    listed = ends("1 2.5 5 10 20 30")
    one = class_of(a, 30e3, listed, None)  # type: ignore[arg-type]
    other = class_of(a * max(k, 1.0), 30e3, listed, None)  # type: ignore[arg-type]
    if other is not None:
        assert one is not None
        assert one.value_si <= other.value_si


# --- irregularity ---------------------------------------------------------------------


def test_irregularity_needs_a_flow_and_the_definition_s_inlet() -> None:
    assert "irregularity_coefficient" not in {
        f.id for f in judge(inlet_run(1e-3)).findings
    }
    found = judge(_rated(inlet_run(1e-3)))
    assert reasons(the(found, "irregularity_coefficient")) == {"flow_unknown"}
    metered = _with_flow(_rated(inlet_run(1e-3)))
    found = judge(metered)
    # an inlet of 2 p2 + 1 bar is one that a low-pressure unit never sees
    assert reasons(the(found, "irregularity_coefficient")) == {"inlet_not_as_defined"}


def test_irregularity_takes_the_extreme_of_largest_size_and_its_sign() -> None:
    """p5 from 4.35 to 5.10 bar with p2 5.00 is -0.13 (ISO 2503, from memory)."""
    found = judge(_scaled(_with_flow(_rated(inlet_run(0.0)))))
    finding = the(found, "irregularity_coefficient")
    assert value(finding) == pytest.approx(-0.13, abs=2e-3)
    assert holds_true(finding, -0.13)


def _rated(made: Run) -> Run:
    steps = tuple(
        dataclasses.replace(
            s,
            set_flow=parse_quantity("1 std L/min"),
            rated_flow=parse_quantity("6 std L/min"),
        )
        if s.id == "sweep"
        else s
        for s in made.header.plan.steps
    )
    plan = dataclasses.replace(made.header.plan, steps=steps)
    return dataclasses.replace(made, header=dataclasses.replace(made.header, plan=plan))


def _with_flow(made: Run) -> Run:
    import numpy as np

    from tests.analysis.sweeps import _metered

    n = made.samples[(1, "logger")].raw.shape[0]
    return _metered(made, np.full(n, 6.0), 1)


def _scaled(made: Run) -> Run:
    """Return the run as a cylinder unit's: 5 bar, up to 5.10, down to 4.35, on."""
    samples = made.samples[(1, "logger")]
    raw = samples.raw.copy()
    t = samples.t_ns / 1e9
    points = [
        m.t_s for m in made.marks if m.step == "sweep" and m.kind.value == "hold_end"
    ]
    outlet = 5.0e5 + 0.0 * t
    middle = (t > points[0] + 1.0) & (t < points[1])
    outlet[middle] = 5.10e5
    outlet[t >= points[1]] = 4.35e5
    raw[:, 1] += outlet - SET_PA
    low = raw[:, 0] < 40e3
    raw[low & (t > points[1]) & (t < points[3]), 0] += 11e5 - 34473.8
    raw[:, 0] += (t < points[1] + 2.0) * 150e5
    raw[(t > points[3] - 16.0), 0] += 150e5
    wide = tuple(
        dataclasses.replace(
            c, span=(parse_quantity("-1 bar gauge"), parse_quantity("250 bar gauge"))
        )
        if c.role in ("inlet", "outlet")
        else c
        for c in made.header.rig.channels
    )
    used = dataclasses.replace(made.header.rig, channels=wide)
    return dataclasses.replace(
        made,
        header=dataclasses.replace(made.header, rig=used),
        samples={(1, "logger"): dataclasses.replace(samples, raw=raw)},
    )


# --- a calibrated orifice -------------------------------------------------------------


@pytest.mark.parametrize(
    ("p2", "kelvin", "anr"),
    [
        (101_325.0, 293.15, 840.0),
        (6e5, 293.15, 525.4246),
        (101_325.0, 303.15, 826.0293),
    ],
)
def test_the_worked_examples_of_a_sonic_conductance(
    p2: float, kelvin: float, anr: float
) -> None:
    """ISO 6358: C 2.0 dm3/(s bar), b 0.35, 7 bar absolute (secondary texts)."""
    flow = through(orifice(), "air", 7e5, p2, kelvin)
    assert flow / UNITS["L/min (ANR)"].factor == pytest.approx(anr, rel=1e-6)
    # 0.016590 kg/s of the reference air, 1.185 kg/m3 (from memory)
    if anr == 840.0:
        assert flow / 1e5 * 1.185 == pytest.approx(0.016590, rel=1e-4)


def test_the_flow_goes_to_zero_and_never_grows_with_the_pressure_behind() -> None:
    shares = [subsonic_share(r, 0.35) for r in (0.0, 0.35, 0.5, 0.8, 0.99, 1.0, 1.2)]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] == shares[1] == 1.0
    assert shares[-2:] == [0.0, 0.0]
    assert subsonic_share(6.0 / 7.0, 0.35) == pytest.approx(0.62550547, rel=1e-7)


def test_critical_flow_factors_of_ideal_gases() -> None:
    """The definition of ISO 9300, ideal: 0.684731 at 1.4, 0.726184 at 5/3."""
    assert critical_flow_factor(1.4) == pytest.approx(0.684731, abs=1e-6)
    assert critical_flow_factor(5.0 / 3.0) == pytest.approx(0.726184, abs=1e-6)


def test_a_nozzle_s_flow() -> None:
    """1 mm, discharge 0.95, nitrogen at 801.325 kPa absolute, 20 °C: 1.39209 g/s."""
    import math

    area = math.pi / 4.0 * 1e-6
    flux = nozzle_flux(GASES["nitrogen"], 801_325.0, 101_325.0, 293.15)
    assert 0.95 * area * flux == pytest.approx(1.39209e-3, rel=2e-3)


@pytest.mark.parametrize("gas", ["nitrogen", "helium", "methane"])
def test_a_throat_chokes_where_the_library_fluids_has_it(gas: str) -> None:
    """The library fluids (MIT licence): critical pressure of an isentropic flow."""
    it, up = GASES[gas], 3e5
    critical = P_critical_flow(P=up, k=it.gamma)
    choked = nozzle_flux(it, up, 0.5 * critical, 293.15)
    assert nozzle_flux(it, up, 0.999 * critical, 293.15) == pytest.approx(choked)
    # just above it the flow falls off, but for the real gas's own share
    assert nozzle_flux(it, up, 1.2 * critical, 293.15) < choked
    assert nozzle_flux(it, up, up, 293.15) == 0.0


def test_another_gas_than_air_passes_as_its_molar_mass_and_factor_say() -> None:
    """Nitrogen over air 1/0.98357, helium over nitrogen 2.80465 (CoolProp)."""
    assert against_air(GASES["nitrogen"], 2e5) == pytest.approx(1 / 0.98357, rel=2e-3)
    ratio = against_air(GASES["helium"], 2e5) / against_air(GASES["nitrogen"], 2e5)
    assert ratio == pytest.approx(2.80465, rel=2e-3)
    assert against_air(GASES["air"], 2e5) == 1.0


def test_the_uncertainty_of_an_orifice_s_flow_is_that_of_its_formula() -> None:
    o, gas = orifice(), GASES["nitrogen"]
    for p2 in (1e5, 2.5e5):
        at = ((3e5, 900.0), (p2, 300.0), (294.0, 1.5))
        found = orifice_flow(o, gas, *at)
        shares = {x.source: x.u * x.sensitivity for x in found.lines}
        for n, source in enumerate(
            ("pressure_before", "pressure_behind", "temperature")
        ):
            moved = [list(pair) for pair in at]
            moved[n][0] += 1e-4 * at[n][1]
            other = orifice_flow(o, gas, *(tuple(x) for x in moved))  # type: ignore[arg-type]
            assert shares[source] == pytest.approx(
                1e4 * (other.flow - found.flow), rel=1e-2, abs=1e-9 * found.flow
            )
        assert shares["conductance"] == pytest.approx(0.01 * found.flow)
        assert found.choked is (p2 == 1e5)


def test_calibrated_orifices_make_the_flow_known() -> None:
    """One orifice per flow, sized to pass that flow at the outlet's pressure."""
    flows = (2.0, 6.0, 10.0, 6.0, 2.0, 10.0)
    made = {}
    for rate in set(flows):
        outlet = SET_PA - 30.0 * (rate - 2.0) + AIR_PA
        unit = through(
            orifice(size="1.0 dm3/(s·bar)"), "nitrogen", outlet, AIR_PA, GAS_K
        )
        size = rate * L_MIN / unit
        made[rate] = orifice(f"N-{rate:g}".replace(".", "_"), f"{size!r} dm3/(s·bar)")
    run = flow_run(metered=False, orifice=tuple(made[rate] for rate in flows))
    found = the(judge(run), "droop", "sweep")
    assert holds_true(found, 240.0)
    # a flow known to some per cent through a small pressure makes the droop less sure
    assert found.measured is not None
    assert found.measured.u > 0.5


def test_an_orifice_that_the_rig_does_not_know_shows_no_flow() -> None:
    run = flow_run(metered=False, orifice=tuple(orifice(f"N-{n}") for n in range(6)))
    bare = dataclasses.replace(run.header.rig, orifices=())
    run = dataclasses.replace(run, header=dataclasses.replace(run.header, rig=bare))
    assert reasons(the(judge(run), "droop", "sweep")) == {"flow_unknown"}


def test_the_plan_s_sweep_is_as_it_was_typed() -> None:
    step = plan_of(FLOW_SWEEP).step("sweep")
    assert step is not None
    assert [q.value_si for q in step.flows] == pytest.approx(
        [2.0 * L_MIN, 6.0 * L_MIN, 10.0 * L_MIN]
    )
    assert rig().orifices == ()
