"""Amounts of trapped gas against a library of gas properties and worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.real_gas import GasLaw, gas_law
from records.gas.facts import GASES
from records.measure import GAS_CONSTANT, STANDARD_TEMPERATURE_K, std_cm3_min

IDEAL = GasLaw("none that we know", None)
LIBRARY = {
    "nitrogen": "Nitrogen",
    "air": "Air",
    "oxygen": "Oxygen",
    "argon": "Argon",
    "helium": "Helium",
}


@pytest.mark.parametrize(
    ("bar", "slope", "mbar"),
    [(20.0, 1.007, 7.15), (100.0, 0.972, 42.0), (201.0, 0.818, 96.8)],
)
def test_nitrogen_at_high_pressure(bar: float, slope: float, mbar: float) -> None:
    """Density per pressure over ideal, and the pressure change of 0.1 K at 20 °C.

    Computed with CoolProp 8.0.0 (library-computed, not from a table).
    """
    law = gas_law("nitrogen")
    assert law.slope(bar * 1e5, 293.15) == pytest.approx(slope, abs=6e-4)
    assert 0.1 * law.warming(bar * 1e5, 293.15) / 100.0 == pytest.approx(mbar, rel=1e-3)


@pytest.mark.parametrize("name", sorted(LIBRARY))
@pytest.mark.parametrize("kelvin", [273.15, 293.15, 313.15])
def test_amounts_are_those_of_a_library(name: str, kelvin: float) -> None:
    """CoolProp (MIT licence), its own equations of state; ours is fitted to them."""
    library = pytest.importorskip("CoolProp.CoolProp")
    law, fluid = gas_law(name), LIBRARY[name]
    for bar in (1.0, 5.0, 20.0, 60.0, 150.0, 220.0):
        p = bar * 1e5
        density = library.PropsSI("Dmolar", "P", p, "T", kelvin, fluid)
        amount = density * GAS_CONSTANT * STANDARD_TEMPERATURE_K
        assert float(law.amount(p, kelvin)) == pytest.approx(amount, rel=1e-3)
        slope = library.PropsSI("d(Dmolar)/d(P)|T", "P", p, "T", kelvin, fluid)
        per = slope * GAS_CONSTANT * STANDARD_TEMPERATURE_K
        assert law.slope(p, kelvin) == pytest.approx(per, rel=3e-3)
        warming = library.PropsSI("d(P)/d(T)|Dmolar", "P", p, "T", kelvin, fluid)
        assert law.warming(p, kelvin) == pytest.approx(warming, rel=3e-3)


@pytest.mark.parametrize("name", sorted(GASES))
def test_derivatives_are_those_of_the_amount(name: str) -> None:
    law = gas_law(name)
    assert law.gas is not None
    p, k = 0.7 * law.gas.highest_pa, 295.0
    rise = float(law.amount(p + 50.0, k) - law.amount(p - 50.0, k)) / 100.0
    assert law.slope(p, k) == pytest.approx(rise, rel=1e-6)
    # at an even amount: dP/dT = -(dn/dT) / (dn/dP)
    fall = float(law.amount(p, k + 0.01) - law.amount(p, k - 0.01)) / 0.02
    assert law.warming(p, k) == pytest.approx(-fall / rise, rel=1e-5)


def test_there_is_no_jump_at_any_pressure() -> None:
    law = gas_law("nitrogen")
    p = np.linspace(1e3, 260e5, 5200)
    amount = law.amount(p, 293.15)
    bend = np.abs(np.diff(amount, n=2))
    assert np.all(np.diff(amount) > 0.0)
    # a jump of a ten thousandth of the amount would show
    assert float(bend.max()) < 1e-5 * float(amount[-1])
    low = law.amount(p[:400], 293.15) / p[:400]
    assert np.all(np.abs(low - 1.0) < 0.007)  # below 20 bar the ideal gas is close


def test_what_is_not_known_is_said() -> None:
    assert gas_law("nitrogen").doubt(200e5, 293.15) is None
    for law, pascal in ((gas_law("nitrogen"), 300e5), (IDEAL, 30e5)):
        why = law.doubt(pascal, 293.15)
        assert why is not None
        assert why.id == "gas_law_unknown"
    assert IDEAL.doubt(3e5, 293.15) is None


# --- worked examples of pressure decay; the ideal gas is what they are for -----------


def lost(
    volume: float, first: tuple[float, float], second: tuple[float, float], s: float
) -> float:
    """Return Pa·m3/s at 293.15 K between two readings, absolute Pa and K."""
    return volume * float(IDEAL.amount(*first) - IDEAL.amount(*second)) / s


def test_a_even_temperature() -> None:
    """By hand: 700 Pa of 500 cm3 in 300 s."""
    q = lost(500e-6, (700_000.0, 293.15), (699_300.0, 293.15), 300.0)
    assert q == pytest.approx(1.1666667e-3, rel=1e-6)
    assert q / (GAS_CONSTANT * STANDARD_TEMPERATURE_K) == pytest.approx(
        4.78655e-7, rel=1e-5
    )
    assert std_cm3_min(q) == pytest.approx(0.690846, rel=1e-5)


def test_b_a_tenth_of_a_kelvin_cooler() -> None:
    """By hand: a third of the drop was heat."""
    q = lost(500e-6, (700_000.0, 293.15), (699_300.0, 293.05), 300.0)
    assert q == pytest.approx(7.68953e-4, rel=1e-5)
    assert std_cm3_min(q) == pytest.approx(0.455339, rel=1e-5)


def test_c_a_gauge_that_rises_while_the_barometer_falls() -> None:
    """By hand: 150 Pa up on the gauge, 225 Pa down outside."""
    first, second = 100_000.0 + 101_325.0, 100_150.0 + 101_100.0
    q = lost(1e-3, (first, 293.15), (second, 293.15), 1800.0)
    assert q == pytest.approx(4.16667e-5, rel=1e-5)
    assert std_cm3_min(q) == pytest.approx(0.0246731, rel=1e-5)


def test_d_a_seat_leak_as_a_rise() -> None:
    """By hand: half an inch of water (conventional) in a minute on 50 cm3."""
    rise = 0.5 * 249.0889
    q = -lost(50e-6, (104_000.0, 293.15), (104_000.0 + rise, 293.15), 60.0)
    assert std_cm3_min(q) == pytest.approx(0.0614579, rel=1e-5)


def test_e_example_of_a_regulation() -> None:
    """40 CFR 1065.644: 2.000 L, 25.300 to 50.600 kPa in 70 s; 0.00030 mol/s there."""
    q = -lost(2e-3, (25_300.0, 293.15), (50_600.0, 293.15), 70.0)
    mol_s = q / (GAS_CONSTANT * STANDARD_TEMPERATURE_K)
    assert mol_s == pytest.approx(2.965705e-4, rel=1e-5)
    assert round(mol_s, 5) == 0.00030


def test_f_factor_of_a_standard() -> None:
    """GOST R 55206-2012, annex D: 11.85e-3 V (cm3) times mbar in 5 min, cm3/h.

    The text prints kPa; only mbar gives the factor (12 / 1013.25).
    """
    q = lost(100e-6, (102_000.0, 293.15), (101_600.0, 293.15), 300.0)
    assert 60.0 * std_cm3_min(q) == pytest.approx(11.85e-3 * 100.0 * 4.0, rel=1e-3)


def test_g_corrected_for_temperature() -> None:
    """UFGS 15195N: (P1 + 101.32)(T2 + 273)/(T1 + 273) - 101.32 kPa gauge."""
    corrected = (350.0 + 101.32) * (18.0 + 273.0) / (22.0 + 273.0) - 101.32
    assert corrected == pytest.approx(343.8804, rel=1e-6)
    # at that pressure nothing was lost, by our amounts as by theirs
    first = (1000.0 * (350.0 + 101.32), 22.0 + 273.0)
    second = (1000.0 * (corrected + 101.32), 18.0 + 273.0)
    assert lost(1.0, first, second, 1.0) == pytest.approx(0.0, abs=1e-6)
