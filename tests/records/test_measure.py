"""Units against NIST SP 811 (2008) appendix B.8, and what a quantity must say."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from records.errors import InputError
from records.measure import (
    STD_CM3_MIN,
    UNITS,
    Kind,
    Reference,
    parse_quantity,
    to_unit,
    unit_of,
)

SP811 = "NIST SP 811 (2008), appendix B.8"

# Factors as printed there, and how many digits it prints.
FACTORS = [
    ("psi", 6.894757e3, 1e-6),
    ("bar", 1.0e5, 0.0),
    ("mbar", 1.0e2, 0.0),
    ("atm", 1.01325e5, 0.0),
    ("kgf/cm2", 9.80665e4, 0.0),
    ("inHg", 3.386389e3, 1e-6),
    ("mmHg", 1.333224e2, 1e-6),
    ("in. w.c. (4 °C)", 2.49082e2, 1e-5),
    ("in. w.c. (60 °F)", 2.4884e2, 1e-5),
    ("in. w.c. (conventional)", 2.490889e2, 1e-6),
    ("mm w.c. (conventional)", 9.80665, 0.0),
]


@pytest.mark.parametrize(("name", "factor", "digits"), FACTORS)
def test_pressure_factor_as_printed(name: str, factor: float, digits: float) -> None:
    assert UNITS[name].factor == pytest.approx(factor, rel=digits or 1e-15), SP811


def test_inches_of_water_to_the_psi_as_the_fuel_gas_trade_says() -> None:
    # common practice, no source: 27.71 in. w.c. to the psi (water at 60 °F)
    assert UNITS["psi"].factor / UNITS["in. w.c."].factor == pytest.approx(
        27.71, abs=5e-3
    )


def test_standard_cubic_centimetre_at_two_temperatures() -> None:
    # ideal gas: 1 std cm3/min (20 °C) = 101325 Pa x 1e-6 m3 / 60 s of gas at 293.15 K
    assert pytest.approx(1.68875e-3, rel=1e-9) == STD_CM3_MIN
    ratio = UNITS["std cm3/min (0 °C)"].factor / UNITS["std cm3/min"].factor
    assert ratio == pytest.approx(293.15 / 273.15, rel=1e-12)
    assert UNITS["mbar·L/s"].factor == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("text", "si", "reference"),
    [
        ("11 in. w.c. gauge", 11 * 248.84, Reference.GAUGE),
        ("0.69 kPa difference", 690.0, Reference.DIFFERENCE),
        ("1,5 bar absolute", 150_000.0, Reference.ABSOLUTE),
        ("-2e-1 kPa gauge", -200.0, Reference.GAUGE),
    ],
)
def test_pressure_is_read_with_its_reference(
    text: str, si: float, reference: Reference
) -> None:
    quantity = parse_quantity(text)
    assert quantity.value_si == pytest.approx(si)
    assert quantity.reference is reference
    assert quantity.typed == text


@pytest.mark.parametrize(
    ("text", "kind", "id"),
    [
        ("11 in. w.c.", None, "quantity_reference_missing"),
        ("10 furlong", None, "quantity_unit_unknown"),
        ("ten psi gauge", None, "quantity_unreadable"),
        ("", None, "quantity_unreadable"),
        ("30 s gauge", None, "quantity_reference_wrong"),
        ("30 s", Kind.PRESSURE, "quantity_kind_wrong"),
        ("1e999 psi gauge", None, "quantity_unreadable"),
    ],
)
def test_what_is_refused(text: str, kind: Kind | None, id: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_quantity(text, kind, "plan.toml:3")
    assert caught.value.id == id
    assert caught.value.where == "plan.toml:3"


def test_an_unknown_unit_names_the_nearest() -> None:
    with pytest.raises(InputError) as caught:
        unit_of("PSI")
    assert "psi" in caught.value.facts["near"]


@given(
    st.sampled_from(sorted(UNITS)), st.floats(-1e6, 1e6, allow_nan=False), st.booleans()
)
def test_there_and_back(name: str, value: float, as_difference: bool) -> None:
    unit = UNITS[name]
    si = value * unit.factor + (0.0 if as_difference else unit.offset)
    back = to_unit(si, unit, difference=as_difference)
    assert back == pytest.approx(value, rel=1e-9, abs=1e-6)


def test_a_temperature_step_ignores_the_zero_of_its_scale() -> None:
    assert parse_quantity("1 °C", Kind.TEMPERATURE_STEP).value_si == pytest.approx(1.0)
    assert parse_quantity("1 °C", Kind.TEMPERATURE).value_si == pytest.approx(274.15)


@pytest.mark.parametrize(
    ("written", "plain"),
    [
        ("10 psig", "10 psi gauge"),
        ("24.7 psia", "24.7 psi absolute"),
        ("2 barg", "2 bar gauge"),
        ("3 bara", "3 bar absolute"),
        ("11 inwc gauge", "11 in. w.c. gauge"),
        ("11 in WC gauge", "11 in. w.c. gauge"),
        ("11 in w.c. gauge", "11 in. w.c. gauge"),
        ("25 in-lb", "25 in-lbf"),
        ("25 inlb", "25 in-lbf"),
        ("18 ft·lbf", "18 ft-lbf"),
        ("18 ft-lb", "18 ft-lbf"),
        ("18 lb-ft", "18 ft-lbf"),
        ("3 Nm", "3 N·m"),
        ("3 N m", "3 N·m"),
        ("0,500 bar gauge", "0.5 bar gauge"),
        ("1234,567 mbar gauge", "1234.567 mbar gauge"),
        ("12,5 psi gauge", "12.5 psi gauge"),
        ("12,5000 psi gauge", "12.5 psi gauge"),
        ("1.000 psi gauge", "1 psi gauge"),
    ],
)
def test_units_as_technicians_write_them(written: str, plain: str) -> None:
    found, wanted = parse_quantity(written), parse_quantity(plain)
    assert found.value_si == pytest.approx(wanted.value_si, rel=1e-12)
    assert (found.kind, found.reference) == (wanted.kind, wanted.reference)
    assert found.typed == written


@pytest.mark.parametrize(
    ("written", "readings"),
    [
        ("1,000 psi gauge", "1000 or 1.000"),
        ("-12,500 psi gauge", "12500 or 12.500"),
        ("1,000,000 Pa gauge", "1000000"),
        ("1,234.5 psi gauge", "1234.5"),
        ("1 000 psi gauge", "1000"),
        ("1\u202f000 psi gauge", "1000"),
    ],
)
def test_thousands_are_never_taken_for_decimals(written: str, readings: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_quantity(written, Kind.PRESSURE, "c.toml:3")
    assert caught.value.id == "quantity_two_readings"
    assert caught.value.facts["readings"] == readings
    assert caught.value.where == "c.toml:3"


@pytest.mark.parametrize(
    ("written", "near"),
    [
        ("11 inH2O gauge", "in. w.c. (4 °C)"),
        ("11 in. H2O gauge", "in. w.c. (60 °F"),
        ("11 mm H2O gauge", "mm w.c."),
    ],
)
def test_an_inch_of_water_that_leaves_its_temperature_open(
    written: str, near: str
) -> None:
    with pytest.raises(InputError) as caught:
        parse_quantity(written, Kind.PRESSURE)
    assert caught.value.id == "quantity_unit_unknown"
    assert near in caught.value.facts["near"]


def test_a_reference_is_said_once() -> None:
    with pytest.raises(InputError, match="quantity_unit_unknown"):
        parse_quantity("10 psig absolute")
