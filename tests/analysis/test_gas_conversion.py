"""Pressure-decay leak rates against worked examples.

A to D: the ideal-gas balance that ASTM E2930 and EN 13184 describe, worked by hand
(q = V T0/dt (P1/T1 - P2/T2)). E: US regulation 40 CFR 1065.644, vacuum-decay leak rate.
"""

from __future__ import annotations

import pytest

from analysis.gas_conversion import (
    loss_rate,
    moles,
    rate_of_pressure,
    std_flow,
)
from records.measure import std_cm3_min

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
