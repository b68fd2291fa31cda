"""Pressure-decay leak rates, and leaks of another gas, against worked examples.

A to D: the ideal-gas balance that ASTM E2930 and EN 13184 describe, worked by hand
(q = V T0/dt (P1/T1 - P2/T2)). E: US regulation 40 CFR 1065.644, vacuum-decay leak rate.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.gas_conversion import (
    REGIMES,
    Condenses,
    Conversion,
    converted,
    loss_rate,
    moles,
    rate_of_pressure,
    regime_ratio,
    std_flow,
)
from analysis.judge import judge
from records.gas.vapour import ServiceGas, service_gas, service_gases, vapour_pressure
from records.gas.vapour_table import VAPOURS
from records.judgement import Judgement
from records.measure import std_cm3_min
from records.plan import LeakRegime
from records.run import Run
from tests.analysis.closed_form import Fault, run
from tests.analysis.test_judge import the

T0 = 293.15


def cm3_min(m3_s: float) -> float:
    return m3_s * 60e6


def test_a_isothermal() -> None:
    q = loss_rate((700_000.0, T0), (699_300.0, T0), 500e-6, 300.0)
    assert q == pytest.approx(1.1666667e-3, rel=1e-6)
    assert moles(q) == pytest.approx(4.78655e-7, rel=1e-5)
    assert std_cm3_min(q) == pytest.approx(0.690846, rel=1e-5)
    for kelvin, expected in ((273.15, 0.643714), (288.15, 0.679063)):
        assert cm3_min(std_flow(q, kelvin)) == pytest.approx(expected, rel=1e-5)
    sixty_fahrenheit = (60.0 + 459.67) / 1.8
    assert cm3_min(std_flow(q, sixty_fahrenheit)) == pytest.approx(0.680372, rel=1e-5)


def test_b_gas_that_cooled_by_a_tenth_of_a_kelvin() -> None:
    q = loss_rate((700_000.0, T0), (699_300.0, 293.05), 500e-6, 300.0)
    assert q == pytest.approx(7.68953e-4, rel=1e-5)
    assert std_cm3_min(q) == pytest.approx(0.455339, rel=1e-5)


def test_c_gauge_that_rises_while_the_barometer_falls() -> None:
    before, after = 100_000.0 + 101_325.0, 100_150.0 + 101_100.0
    q = loss_rate((before, T0), (after, T0), 1e-3, 1800.0)
    assert q == pytest.approx(4.16667e-5, rel=1e-5)
    assert std_cm3_min(q) == pytest.approx(0.0246731, rel=1e-5)


def test_d_seat_leak_as_a_rise() -> None:
    rise = 0.5 * 249.08891  # conventional inch of water
    q = -loss_rate((0.0, T0), (rise, T0), 50e-6, 60.0)
    assert std_cm3_min(q) == pytest.approx(0.0614579, rel=1e-5)
    assert rate_of_pressure(q, 50e-6) == pytest.approx(rise / 60.0)


def test_e_vacuum_decay_of_a_regulation() -> None:
    q = -loss_rate((25_300.0, T0), (50_600.0, T0), 2e-3, 70.0)
    assert moles(q, 8.314472) == pytest.approx(2.965705e-4, rel=1e-5)


# --- the same leak with another gas --------------------------------------------------

FLUIDS = {
    "air": "Air",
    "oxygen": "Oxygen",
    "argon": "Argon",
    "helium": "Helium",
    "methane": "Methane",
    "propane": "n-Propane",
    "carbon dioxide": "CarbonDioxide",
    "butane": "n-Butane",
    "isobutane": "IsoButane",
    "propylene": "Propylene",
    "ethane": "Ethane",
    "ammonia": "Ammonia",
    "hydrogen": "Hydrogen",
    "nitrogen": "Nitrogen",
}


@pytest.fixture(scope="module")
def props() -> Any:
    from CoolProp.CoolProp import PropsSI  # takes seconds

    return PropsSI


def gas(name: str) -> ServiceGas:
    found = service_gas(name)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("name", "orifice", "molecular", "laminar"),
    [
        ("air", 0.98357, 0.98343, 0.96524),
        ("oxygen", 0.93468, 0.93566, 0.86683),
        ("argon", 0.88832, 0.83741, 0.78779),
        ("helium", 2.80465, 2.64553, 0.89577),
        ("methane", 1.29016, 1.32143, 1.59218),
        ("propane", 0.74054, 0.79705, 2.19352),
        ("carbon dioxide", 0.77652, 0.79783, 1.19749),
    ],
)
def test_ratios_to_nitrogen(
    name: str, orifice: float, molecular: float, laminar: float
) -> None:
    """Computed apart from this program with CoolProp's viscosities and ratios of heats
    at 20 °C and 1 atm; propane's and carbon dioxide's are of the real gas there."""
    wanted = {"orifice": orifice, "molecular": molecular, "laminar": laminar}
    for regime, ratio in wanted.items():
        found = regime_ratio(regime, gas("nitrogen"), gas(name), 8e5, 1e5)
        assert found == pytest.approx(ratio, rel=4e-3), regime


@pytest.mark.parametrize("name", sorted(FLUIDS))
@pytest.mark.parametrize("kelvin", [263.15, 293.15, 318.15])
def test_the_facts_are_those_of_coolprop(props: Any, name: str, kelvin: float) -> None:
    """CoolProp (MIT licence): viscosity at low pressure, density of the dilute gas."""
    found, fluid = gas(name), FLUIDS[name]
    viscosity = props("V", "T", kelvin, "P", 2e3, fluid)
    assert found.viscosity_at(kelvin) == pytest.approx(viscosity, rel=6e-3)
    density = props("D", "T", kelvin, "P", 2e3, fluid)
    ideal = 2e3 * found.molar_mass / (8.314462618 * kelvin)
    assert ideal == pytest.approx(density, rel=1e-3)


def test_every_gas_is_among_them() -> None:
    assert set(service_gases()) == set(FLUIDS)
    assert service_gas("Carbon  Dioxide") == service_gas("carbon dioxide")
    assert service_gas("natural gas") is None


@pytest.mark.parametrize("name", sorted(VAPOURS))
def test_vapour_pressures_are_those_of_coolprop(props: Any, name: str) -> None:
    fluid = FLUIDS[name]
    critical = props("Tcrit", fluid)
    for kelvin in np.linspace(235.0, min(340.0, 0.995 * critical), 12):
        found = vapour_pressure(name, float(kelvin))
        wanted = props("P", "T", kelvin, "Q", 1, fluid)
        assert found == pytest.approx(wanted, rel=2e-3)
    assert vapour_pressure(name, critical + 0.1) is None


def test_propane_and_carbon_dioxide_at_20_degrees() -> None:
    """836.46 and 5729.1 kPa absolute (CoolProp 8.0.0)."""
    assert vapour_pressure("propane", T0) == pytest.approx(836.46e3, rel=1e-3)
    assert vapour_pressure("carbon dioxide", T0) == pytest.approx(5729.1e3, rel=1e-3)
    assert vapour_pressure("nitrogen", T0) is None


def test_the_factor_differs_threefold_so_an_unknown_regime_has_no_single_one() -> None:
    made = converted("unknown", gas("nitrogen"), gas("propane"), 170e3, 101e3)
    assert isinstance(made, Conversion)
    assert made.factor is None
    assert made.high / made.low > 2.8
    for regime in REGIMES:
        one = converted(regime, gas("nitrogen"), gas("propane"), 170e3, 101e3)
        assert isinstance(one, Conversion)
        assert one.factor is not None
        assert made.low <= one.low < one.factor < one.high <= made.high
        assert one.u > 0.0


def test_the_same_gas_is_converted_by_one_exactly() -> None:
    for regime in REGIMES:
        made = converted(regime, gas("nitrogen"), gas("nitrogen"), 170e3, 101e3)
        assert isinstance(made, Conversion)
        assert (made.factor, made.low, made.high, made.u) == (1.0, 1.0, 1.0, 0.0)


def test_a_gas_that_would_be_liquid_is_not_converted() -> None:
    for upstream, gone in ((700e3, False), (800e3, True), (20e6, True)):
        made = converted("laminar", gas("nitrogen"), gas("propane"), upstream, 1e5)
        assert isinstance(made, Condenses) is gone
    cold = converted("laminar", gas("nitrogen"), gas("butane"), 170e3, 101e3, 263.15)
    assert isinstance(cold, Condenses)
    with pytest.raises(ValueError, match="turbid"):
        converted("turbid", gas("nitrogen"), gas("propane"), 170e3, 101e3)


@given(
    st.sampled_from(REGIMES),
    st.sampled_from(sorted(FLUIDS)),
    st.sampled_from(sorted(FLUIDS)),
    st.floats(1.05, 50.0),
    st.floats(0.1, 10.0),
)
def test_there_and_back_is_one_and_pressures_scale_out(
    regime: str, one: str, other: str, ratio: float, scale: float
) -> None:
    a, b, behind = gas(one), gas(other), 1e5
    there = regime_ratio(regime, a, b, ratio * behind, behind)
    back = regime_ratio(regime, b, a, ratio * behind, behind)
    assert there * back == pytest.approx(1.0, rel=1e-9)
    again = regime_ratio(regime, a, b, scale * ratio * behind, scale * behind)
    assert again == pytest.approx(there, rel=1e-9)
    assert there > 0.0


def test_equal_pressures_pass_nothing_and_still_have_a_ratio() -> None:
    found = regime_ratio("orifice", gas("nitrogen"), gas("helium"), 1e5, 1e5)
    assert found == pytest.approx(math.sqrt(28.01348 / 4.002602), rel=1e-5)


# --- in a judgement ------------------------------------------------------------------


def told(regime: LeakRegime | None, service: str = "propane", **more: Any) -> Judgement:
    whole = run(Fault(seat=0.5))
    header = whole.header
    regulator = dataclasses.replace(header.job.regulator, gas=service)
    job = dataclasses.replace(header.job, regulator=regulator)
    plan = dataclasses.replace(header.plan, leak_regime=regime)
    whole = dataclasses.replace(
        whole, header=dataclasses.replace(header, job=job, plan=plan)
    )
    return judge(_hotter(whole, **more))


def _hotter(whole: Run, inlet_pa: float = 0.0) -> Run:
    samples = whole.samples[(1, "logger")]
    raw = samples.raw.copy()
    raw[:, 0] += inlet_pa
    return dataclasses.replace(
        whole, samples={(1, "logger"): dataclasses.replace(samples, raw=raw)}
    )


def leak_notes(found: Judgement, id: str = "seat_leak") -> dict[str, dict[str, str]]:
    return {n.id: dict(n.facts) for n in the(found, id).evidence.notes}


def test_a_leak_is_told_in_service_gas_where_the_plan_states_how_it_flows() -> None:
    plain, stated = told(None), told("laminar")
    assert not {"in_service_gas", "in_service_gas_between"} & set(leak_notes(plain))
    facts = leak_notes(stated)["in_service_gas"]
    assert facts["factor"] == "2.19"
    leak = the(stated, "seat_leak")
    assert leak.measured is not None
    value = float(facts["value"].split()[0])
    assert value == pytest.approx(2.19 * std_cm3_min(leak.measured.value), rel=1e-2)
    # it decides nothing
    assert stated.verdict is plain.verdict
    assert leak.outcome is the(plain, "seat_leak").outcome
    assert leak.interval == the(plain, "seat_leak").interval
    assert "in_service_gas" in leak_notes(stated, "external_leak")


def test_an_unknown_regime_is_told_as_a_range() -> None:
    facts = leak_notes(told("unknown"))["in_service_gas_between"]
    assert float(facts["low"]) < 0.75
    assert float(facts["high"]) > 2.1
    assert "value" not in facts


def test_the_test_gas_itself_and_an_unknown_gas() -> None:
    assert not {"in_service_gas"} & set(leak_notes(told("laminar", "Nitrogen")))
    facts = leak_notes(told("laminar", "town gas"))["service_gas_unknown"]
    assert facts["gas"] == "town gas"
    assert "propane" in facts["known"]


def test_a_service_gas_that_would_condense_is_warned_of() -> None:
    found = told("laminar", "butane", inlet_pa=60e3)  # 230 kPa absolute; 208 at 20 °C
    assert "service_gas_condenses" in leak_notes(found)
    assert "service_gas_condenses" in {w.id for w in found.warnings}
    assert "in_service_gas" not in leak_notes(found)
