"""Flow of gas against figures of standards and closed forms."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.simulator.gasflow import (
    LAMINAR_RATIO,
    NITROGEN,
    REFERENCE_DENSITY,
    Leak,
    LeakForm,
    critical_flow_factor,
    critical_ratio,
    iso6358_flow,
    mass_flow,
    nozzle_flow,
    opening_conductance,
    orifice,
)

C = 2.0e-8  # 2.0 dm3/(s bar)
B = 0.35
P1 = 700e3


def litres_min_anr(kg_s: float) -> float:
    return kg_s / REFERENCE_DENSITY * 60e3


@pytest.mark.parametrize(
    ("downstream_pa", "temperature_k", "wanted", "tolerance"),
    [
        # ISO 6358: q = C p1 rho0 sqrt(T0 / T1) when p2 / p1 <= b, rho0 = 1.185 kg/m3,
        # T0 = 293.15 K; below choking times sqrt(1 - ((p2/p1 - b) / (1 - b))^2).
        (101_325.0, 293.15, 840.00, 1e-9),
        (600e3, 293.15, 525.4246, 1e-6),
        (101_325.0, 303.15, 826.0293, 1e-6),
    ],
)
def test_iso_6358(
    downstream_pa: float, temperature_k: float, wanted: float, tolerance: float
) -> None:
    flow = iso6358_flow(C, B, P1, downstream_pa, temperature_k)
    assert litres_min_anr(flow) == pytest.approx(wanted, rel=tolerance)


def test_iso_6358_choked_mass_flow() -> None:
    assert iso6358_flow(C, B, P1, 101_325.0, 293.15) == pytest.approx(
        0.016590, rel=1e-9
    )


def test_iso_6358_subsonic_factor() -> None:
    factor = iso6358_flow(C, B, P1, 600e3, 293.15) / iso6358_flow(
        C, B, P1, 0.1e3, 293.15
    )
    assert factor == pytest.approx(0.62550547, rel=1e-6)


def test_nozzle_constants() -> None:
    # ISO 9300, ideal gas: C* = sqrt(gamma (2 / (gamma + 1))^((gamma + 1)/(gamma - 1))).
    assert critical_flow_factor(1.4) == pytest.approx(0.684731, rel=1e-6)
    assert critical_flow_factor(5.0 / 3.0) == pytest.approx(0.726184, rel=1e-6)
    assert critical_ratio(1.4) == pytest.approx(0.528282, rel=1e-6)


def test_choked_nozzle_of_nitrogen() -> None:
    # 1.000 mm, Cd 0.95, 801.325 kPa absolute, 20 °C: 1.39209 g/s by ISO 9300's
    # formula with the C* of real nitrogen there, 0.68679 (CoolProp); ideal 0.684731.
    area = math.pi / 4.0 * 1e-6
    flow = nozzle_flow(area, 0.95, 801_325.0, 101_325.0, 293.15)
    real = flow * 0.68679 / 0.684731
    assert real * 1e3 == pytest.approx(1.39209, rel=2e-3)
    assert opening_conductance(area, 0.95) * 801_325.0 == pytest.approx(flow, rel=1e-12)


def test_the_ellipse_stays_close_to_the_nozzle() -> None:
    # The plant uses ISO 6358's ellipse with the nozzle's b; isentropic flow in full.
    k = opening_conductance(1e-6, 0.8)
    for ratio in (0.3, 0.55, 0.6, 0.7, 0.8, 0.9, 0.97, 0.99):
        full = nozzle_flow(1e-6, 0.8, 170e3, ratio * 170e3, 293.15)
        ellipse = k * orifice(170e3, ratio * 170e3, critical_ratio())[0]
        assert ellipse == pytest.approx(full, rel=0.012), ratio


def test_no_nozzle_flow_backwards() -> None:
    assert nozzle_flow(1e-6, 0.8, 100e3, 100e3, 293.15) == 0.0
    assert nozzle_flow(1e-6, 0.8, 100e3, 120e3, 293.15) == 0.0


pressures = st.floats(80e3, 300e3)


@given(p1=pressures, p2=pressures)
def test_orifice_has_no_favourite_direction(p1: float, p2: float) -> None:
    there = orifice(p1, p2, 0.5)
    back = orifice(p2, p1, 0.5)
    assert there[0] == -back[0]
    if p1 != p2:
        assert (there[1], there[2]) == (-back[2], -back[1])


@given(p1=pressures, p2=pressures)
def test_orifice_slopes(p1: float, p2: float) -> None:
    ratio = min(p1, p2) / max(p1, p2)
    if min(abs(ratio - edge) for edge in (0.5, LAMINAR_RATIO, 1.0)) < 1e-4:
        return  # a slope has no one value at an edge between two laws
    h = 1e-2
    _, slope1, slope2 = orifice(p1, p2, 0.5)
    by_1 = (orifice(p1 + h, p2, 0.5)[0] - orifice(p1 - h, p2, 0.5)[0]) / (2 * h)
    by_2 = (orifice(p1, p2 + h, 0.5)[0] - orifice(p1, p2 - h, 0.5)[0]) / (2 * h)
    assert slope1 == pytest.approx(by_1, rel=1e-3, abs=1e-4)
    assert slope2 == pytest.approx(by_2, rel=1e-3, abs=1e-4)


@pytest.mark.parametrize("edge", [0.5, LAMINAR_RATIO, 1.0])
def test_orifice_has_no_steps(edge: float) -> None:
    at = 200e3 * edge
    below = orifice(200e3, at * (1.0 - 1e-12), 0.5)[0]
    above = orifice(200e3, at * (1.0 + 1e-12), 0.5)[0]
    assert below == pytest.approx(above, rel=1e-6, abs=1e-2)


def test_standard_flow_as_mass() -> None:
    # 1 std cm3/min at 20 °C and 101.325 kPa is 1.6888e-3 Pa m3/s at 293.15 K; density
    # of nitrogen there 1.16483 kg/m3 (CoolProp), its Z 0.99976.
    assert mass_flow(101_325.0 * 1e-6 / 60.0) == pytest.approx(
        1.16483e-6 / 60.0, rel=5e-4
    )


@pytest.mark.parametrize("form", list(LeakForm))
def test_a_leak_has_its_flow_where_it_was_stated(form: LeakForm) -> None:
    leak = Leak.of(0.6, 170_272.6, 104_211.5, form)
    flow = leak.flow(170_272.6, 104_211.5)
    leak_si = flow * NITROGEN.gas_constant * 293.15
    assert leak_si / (101_325.0 * 1e-6 / 60.0) == pytest.approx(0.6, rel=1e-12)
    assert leak.flow(104_211.5, 170_272.6) == pytest.approx(-flow, rel=1e-12)


def test_forms_of_a_leak_differ_in_how_they_follow_pressure() -> None:
    inlet, outlet, lower = 170e3, 104e3, 136e3
    film = Leak.of(1.0, inlet, outlet, LeakForm.LAMINAR)
    nick = Leak.of(1.0, inlet, outlet, LeakForm.ORIFICE)
    full = mass_flow(101_325.0 * 1e-6 / 60.0)
    squares = (lower**2 - outlet**2) / (inlet**2 - outlet**2)
    assert film.flow(lower, outlet) == pytest.approx(squares * full, rel=1e-12)
    assert nick.flow(lower, outlet) > film.flow(lower, outlet)
