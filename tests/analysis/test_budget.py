"""Budgets against worked examples."""

from __future__ import annotations

import functools
import math

import GTC
import numpy as np
import pytest
import uncertainties
from uncertainties import ufloat

from analysis.budget import (
    combine,
    correlated_sets,
    correlation,
    coverage_factor,
    form_factor,
    shares,
)
from analysis.judge import judge
from records.judgement import BudgetLine, Finding, Shape
from records.runfile import open_run
from sample_runs.rebuild import SAMPLES

SAMPLE = {sample.name: sample.file for sample in SAMPLES}
NAMES = ["second-stage-good", "second-stage-pinhole", "cylinder-good"]
# Their interval is value and half a width; the others have the fit's own.
SYMMETRIC = {
    "zero_offset",
    "closing_zero_change",
    "set_pressure",
    "lockup_pressure",
    "lockup_rise",
}


@functools.cache
def findings(name: str) -> tuple[Finding, ...]:
    return tuple(f for f in judge(open_run(SAMPLE[name])).findings if f.budget)


def test_welch_satterthwaite_of_a_bench_budget() -> None:
    """Source of the formula: JCGM 100:2008 (GUM), G.4.1; numbers in psi, by hand."""
    lines = [
        BudgetLine(source="reference", u=0.020),
        BudgetLine(source="fit", u=0.015, dof=8),
        BudgetLine(source="mean of five", u=0.030 / math.sqrt(5.0), dof=4, type="A"),
        BudgetLine(source="resolution", u=0.01 / math.sqrt(12.0)),
        BudgetLine(source="temperature", u=0.025 / math.sqrt(3.0), dof=50),
    ]
    found = combine(lines)
    assert found.u == pytest.approx(0.03196352, rel=1e-6)
    assert found.dof == pytest.approx(68.2394, rel=1e-5)
    assert coverage_factor(found.dof, 0.9545) == pytest.approx(2.037439, rel=1e-4)
    assert found.expanded(0.9545) == pytest.approx(0.0651237, rel=1e-4)


@pytest.mark.parametrize(
    ("dof", "k"),
    [
        *((1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (8, 2.37)),
        *((10, 2.28), (16, 2.17), (20, 2.13), (50, 2.05)),
    ],
)
def test_published_coverage_factors(dof: float, k: float) -> None:
    """Source: JCGM 100:2008 (GUM), table G.2, 95.45 %."""
    assert coverage_factor(dof, 0.9545) == pytest.approx(k, abs=0.006)


def test_end_gauge_of_the_gum() -> None:
    """Source: JCGM 100:2008, H.1 (inputs from memory): 32 nm, 16 degrees of freedom."""
    lines = [
        BudgetLine(source="standard", u=25.0, dof=18),
        BudgetLine(source="difference", u=9.7, dof=25.6),
        BudgetLine(source="expansion", u=2.900, dof=50),
        BudgetLine(source="temperature", u=16.675, dof=2),
    ]
    found = combine(lines)
    assert found.u == pytest.approx(31.71, rel=5e-3)
    assert found.dof == pytest.approx(16.7, abs=0.2)
    assert coverage_factor(found.dof, 0.99) == pytest.approx(2.9208, rel=1e-4)
    # H.1.6: U99 is 93 nm
    assert round(found.expanded(0.99)) == 93


def test_the_rounded_u_of_the_end_gauge_would_give_other_degrees_of_freedom() -> None:
    """32 nm in the formula in place of 31.71 nm: 17.47, not 16.7 (JCGM 100, H.1)."""
    parts = ((25.0, 18), (9.7, 25.6), (2.900, 50), (16.675, 2))
    printed = ((25.0, 18), (9.7, 25.6), (2.9, 50), (16.6, 2))
    weighted = sum(u**4 / dof for u, dof in printed)
    assert 32.0**4 / weighted == pytest.approx(17.47, abs=0.01)
    found = combine([BudgetLine(source=str(u), u=u, dof=dof) for u, dof in parts])
    assert found.dof == pytest.approx(16.656, abs=0.02)  # GTC


@pytest.mark.parametrize(
    ("of", "value", "u"),
    [("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)],
)
def test_correlated_inputs_of_the_gum(of: str, value: float, u: float) -> None:
    """Source: JCGM 100:2008, H.2, tables H.2 and H.3 (figures from memory), ohm."""
    volt, ampere, phase = 4.9990, 19.6610e-3, 1.04446
    z = volt / ampere
    cos, sin = math.cos(phase), math.sin(phase)
    measurand, by_volt, by_ampere, by_phase = {
        "R": (z * cos, cos / ampere, -z * cos / ampere, -z * sin),
        "X": (z * sin, sin / ampere, -z * sin / ampere, z * cos),
        "Z": (z, 1.0 / ampere, -z / ampere, 0.0),
    }[of]
    lines = [
        BudgetLine(
            source="V",
            u=0.0032,
            sensitivity=by_volt,
            correlated=(("I", -0.36), ("phi", 0.86)),
        ),
        BudgetLine(
            source="I", u=0.0095e-3, sensitivity=by_ampere, correlated=(("phi", -0.65),)
        ),
        BudgetLine(source="phi", u=0.00075, sensitivity=by_phase),
    ]
    assert measurand == pytest.approx(value, abs=6e-3)
    # the inputs are printed with two digits
    assert combine(lines).u == pytest.approx(u, rel=2e-2)


def test_a_thermometer_s_line_of_the_gum() -> None:
    """Source: JCGM 100:2008, H.3 (from memory): correction at 30 °C, u 0.0041 °C."""
    lines = [
        BudgetLine(source="y1", u=0.0029, correlated=(("y2", -0.930),)),
        BudgetLine(source="y2", u=0.00067, sensitivity=30.0 - 20.0),
    ]
    assert combine(lines).u == pytest.approx(0.0041, abs=1e-4)


def test_one_group_adds_with_its_signs() -> None:
    same = [
        BudgetLine(source="a", u=3.0, group="gauge"),
        BudgetLine(source="b", u=3.0, sensitivity=-1.0, group="gauge"),
    ]
    apart = [BudgetLine(source="a", u=3.0), BudgetLine(source="b", u=4.0)]
    assert combine(same).u == 0.0
    assert combine(apart).u == pytest.approx(5.0)
    assert combine([]).dof is None


# --- correlated inputs ---------------------------------------------------------------

# JCGM 100:2008, H.2, table H.2 (from memory; its means and the printed results agree):
# five simultaneous readings of voltage (V), current (mA) and phase (rad).
VOLT = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERE = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1e3
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def impedance_lines(sensitivities: tuple[float, float, float]) -> list[BudgetLine]:
    """Return the three correlated inputs of H.2 with their sensitivities."""
    r = np.corrcoef([VOLT, AMPERE, PHASE])
    u = [float(np.std(each, ddof=1)) / 5.0**0.5 for each in (VOLT, AMPERE, PHASE)]
    bound = [(), (("V", r[0, 1]),), (("V", r[0, 2]), ("I", r[1, 2]))]
    return [
        BudgetLine(source=s, u=ui, sensitivity=c, dof=4, type="A", correlated=b)
        for s, ui, c, b in zip(("V", "I", "phi"), u, sensitivities, bound, strict=True)
    ]


def test_resistance_reactance_and_impedance_of_the_gum() -> None:
    """R 127.732(71), X 219.847(295), Z 254.260(236) ohm, and against GTC.

    Source: JCGM 100:2008, H.2.4, table H.3.
    """
    v, i, phi = (float(np.mean(each)) for each in (VOLT, AMPERE, PHASE))
    z, cos, sin = v / i, math.cos(phi), math.sin(phi)
    ours = {
        "R": (z * cos, impedance_lines((cos / i, -z * cos / i, -z * sin))),
        "X": (z * sin, impedance_lines((sin / i, -z * sin / i, z * cos))),
        "Z": (z, impedance_lines((1.0 / i, -z / i, 0.0))),
    }
    inputs = impedance_lines((1.0, 1.0, 1.0))
    g = GTC.multiple_ureal([v, i, phi], [line.u for line in inputs], 4)
    for k in range(3):
        for j in range(k):
            GTC.set_correlation(correlation(inputs[k], inputs[j]), g[k], g[j])
    theirs = {
        "R": g[0] / g[1] * GTC.cos(g[2]),
        "X": g[0] / g[1] * GTC.sin(g[2]),
        "Z": g[0] / g[1],
    }
    printed = {"R": (127.732, 0.071), "X": (219.847, 0.295), "Z": (254.260, 0.236)}
    for name, (value, lines) in ours.items():
        found = combine(lines)
        assert round(value, 3) == printed[name][0]
        # the guide goes on from rounded u and r: a unit of its last digit
        assert found.u == pytest.approx(printed[name][1], abs=0.001)
        assert value == pytest.approx(theirs[name].x, rel=1e-12)
        assert found.u == pytest.approx(theirs[name].u, rel=1e-9)
        # readings taken together are one component: 4 degrees of freedom, as in H.2
        assert found.dof == pytest.approx(4.0)
        assert theirs[name].df == pytest.approx(4.0)
        assert sum(shares(lines)) == pytest.approx(1.0)


def test_coefficients_that_can_t_be_true_are_refused() -> None:
    a = BudgetLine(source="a", u=1.0, correlated=(("b", 1.5),))
    b = BudgetLine(source="b", u=1.0)
    with pytest.raises(ValueError, match=r"coefficient of correlation of 1\.5"):
        combine([a, b])
    three = [
        BudgetLine(source="a", u=1.0, correlated=(("b", -1.0), ("c", -1.0))),
        BudgetLine(source="b", u=1.0, correlated=(("c", -1.0),)),
        BudgetLine(source="c", u=1.0),
    ]
    with pytest.raises(ValueError, match="can't all be true"):
        combine(three)


# --- form of the interval ------------------------------------------------------------


@pytest.mark.parametrize("share", [0.2, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 1.0])
def test_a_rectangle_in_a_budget_by_monte_carlo(share: float) -> None:
    """Against random numbers (JCGM 101:2008, 7): within 0.4 %."""
    rng = np.random.default_rng(7)
    even = share * math.sqrt(3.0) * rng.uniform(-1.0, 1.0, 400_000)
    both = even + math.sqrt(1.0 - share**2) * rng.standard_normal(400_000)
    drawn = float(np.quantile(np.abs(both), 0.95)) / 1.959964
    assert form_factor(share) == pytest.approx(drawn, rel=4e-3)


@pytest.mark.parametrize("u", [0.2, 0.5])
def test_a_rectangle_beside_a_line_of_two_degrees_covers(u: float) -> None:
    """Intervals from an estimated u hold the truth 95 times in 100, or more."""
    rng = np.random.default_rng(3)
    known = BudgetLine(source="a", u=1.0, shape=Shape.RECTANGULAR)
    runs, inside = 3000, 0
    for _ in range(runs):
        estimated = u * math.sqrt(rng.chisquare(2) / 2.0)
        found = combine([known, BudgetLine(source="b", u=estimated, dof=2)])
        error = math.sqrt(3.0) * rng.uniform(-1.0, 1.0) + u * rng.standard_normal()
        inside += abs(error) < found.expanded()
    # less three standard deviations of a share of that many
    assert inside / runs > 0.95 - 3.0 * math.sqrt(0.95 * 0.05 / runs)


def test_a_rectangle_alone_has_the_published_factor() -> None:
    """Source: EA-4/02 M:2013, S9.14: k 1.65 for 95 %, one rectangle that rules."""
    line = BudgetLine(source="a", u=1.0, shape=Shape.RECTANGULAR)
    assert combine([line]).factor(0.95) == pytest.approx(1.65, abs=0.005)


# --- budgets of real findings --------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_budgets_of_findings_are_those_of_another_program(name: str) -> None:
    """Against GTC: the same inputs give the same u and degrees of freedom."""
    compared = 0
    for finding in findings(name):
        total = GTC.constant(0.0)
        for members in correlated_sets(finding.budget):
            dof = [line.dof for line in members if line.dof is not None]
            cause = GTC.ureal(0.0, 1.0, min(dof, default=math.inf))
            for line in members:
                total = total + line.u * line.sensitivity * cause
        found = combine(finding.budget)
        where = (name, finding.step, finding.id)
        assert finding.measured is not None
        assert finding.measured.u == pytest.approx(total.u, rel=1e-9), where
        assert found.u == pytest.approx(total.u, rel=1e-9), where
        assert finding.measured.dof == found.dof, where
        if found.dof is None:
            assert total.df > 0.99e6, where
        else:
            assert found.dof == pytest.approx(total.df, rel=1e-6), where
        compared += 1
    assert compared >= 15


@pytest.mark.parametrize("name", NAMES)
def test_a_symmetric_interval_is_k_times_u(name: str) -> None:
    seen = set()
    for finding in findings(name):
        if finding.id not in SYMMETRIC:
            continue
        assert finding.measured is not None
        assert finding.interval is not None
        low, high = finding.interval
        found = combine(finding.budget)
        where = (name, finding.step, finding.id)
        k = found.factor()
        assert k <= coverage_factor(finding.measured.dof) * (1.0 + 1e-12), where
        if found.rectangular < 0.5:
            assert k == pytest.approx(coverage_factor(found.dof)), where
        assert 0.5 * (high - low) == pytest.approx(k * finding.measured.u), where
        assert 0.5 * (high + low) == pytest.approx(finding.measured.value), where
        assert finding.measured.dof == found.dof, where
        seen.add(finding.id)
    assert seen == SYMMETRIC


@pytest.mark.parametrize("name", NAMES)
def test_a_bound_lies_whole_outside_the_interval_without_it(name: str) -> None:
    """A one-sided term has no spread of its own: it is added to its side, whole.

    So for every value between nothing and the bound each end errs as seldom as without.
    """
    for finding in findings(name):
        bounds = [x for x in finding.budget if x.shape is Shape.ONE_SIDED]
        if not bounds:
            continue
        assert finding.interval is not None
        assert finding.measured is not None
        (bound,) = bounds
        assert bound.value is not None
        low, high = finding.interval
        side = {
            "outlet_loss": high - finding.measured.value,
            "rig_leak": finding.measured.value - low,
        }
        assert side[bound.source] > bound.value
        assert bound.u == pytest.approx(bound.value / math.sqrt(12.0))


# --- sensitivities -------------------------------------------------------------------


def test_sensitivities_of_a_seat_leak_are_its_derivatives() -> None:
    """Against ``uncertainties``: leak = (V dP/dt + V' (dB/dt - dP/dT dT/dt)) dn/dP.

    V acts on pressure, V' holds the gas: what hoses and diaphragm give is not in it.
    """
    (leak,) = [f for f in findings("second-stage-pinhole") if f.id == "seat_leak"]
    model = dict(leak.evidence.model)
    lines = {line.source: line for line in leak.budget}
    volume = lines["volume_outlet"].value
    assert volume is not None
    traits = open_run(SAMPLE["second-stage-pinhole"]).header.rig.traits
    assert traits is not None
    rigid = traits.volumes["outlet"].volume.value_si
    assert volume > 1.2 * rigid
    rate, air = ufloat(model["rate"], 1.0), ufloat(model["barometer_slope"], 1.0)
    warming = ufloat(model["gas_temperature_slope"], 1.0)
    holds, gives = ufloat(rigid, 1.0), ufloat(volume - rigid, 1.0)
    gas_k = model["gas_temperature_k"]
    per_kelvin = model["warming_pa_per_k"] * volume / rigid
    # near 1 bar both are those of an ideal gas, to a few thousandths
    assert per_kelvin == pytest.approx(model["absolute_pa"] / gas_k, rel=4e-3)
    assert model["amount_slope"] == pytest.approx(293.15 / gas_k, rel=2e-3)
    found = rate * (holds + gives) + (air - per_kelvin * warming) * holds
    found = found * model["amount_slope"]
    assert leak.measured is not None
    assert leak.measured.value == pytest.approx(found.nominal_value, rel=1e-9)
    for source, variable in (
        ("slope", rate),
        ("barometer", air),
        ("gas_temperature", warming),
        ("volume_outlet", holds),
        ("allowance_outlet", gives),
    ):
        derivative = found.derivatives[variable]
        assert lines[source].sensitivity == pytest.approx(derivative, rel=1e-9), source


def test_sensitivities_of_a_lockup_rise_are_its_derivatives() -> None:
    """Against ``uncertainties``: two levels of one transducer, o + (1 + g) x + e."""
    rise = next(f for f in findings("second-stage-good") if f.id == "lockup_rise")
    assert rise.measured is not None
    flowing = dict(rise.evidence.model)["flowing"]
    locked = ufloat(flowing + rise.measured.value, 1.0)
    before = ufloat(flowing, 1.0)
    zero, gain = ufloat(0.0, 1.0), ufloat(0.0, 1.0)
    form, form_before = ufloat(0.0, 1.0), ufloat(0.0, 1.0)
    found = (zero + (1.0 + gain) * locked + form) - (
        zero + (1.0 + gain) * before + form_before
    )
    assert isinstance(found, uncertainties.UFloat | uncertainties.core.AffineScalarFunc)
    by = found.derivatives
    lines = rise.budget
    told = {source: [x for x in lines if x.source == source] for source in (
        "noise", "noise_flowing", "calibration_offset", "calibration_gain",
        "calibration_linearity",
    )}  # fmt: skip
    assert told["noise"][0].sensitivity == by[locked]
    assert told["noise_flowing"][0].sensitivity == by[before]
    zeros = told["calibration_offset"]
    assert [x.sensitivity for x in zeros] == [1.0, -1.0]
    assert correlation(*zeros) == 1.0
    assert combine(zeros).u == by[zero] == 0.0
    assert told["calibration_gain"][0].sensitivity == pytest.approx(by[gain])
    both = math.hypot(by[form], by[form_before])
    assert told["calibration_linearity"][0].sensitivity == pytest.approx(both)
