"""Fits the table of gases, records/gas/table.py, to a library of gas properties.

Needs CoolProp (in the ``dev`` extra), whose equations of state are those of the
literature, cited by that library. With ``--check`` it says whether the table is what a
fit gives today.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import minimize_scalar

OUT = Path(__file__).parent.parent / "records" / "gas" / "table.py"
SCALE_K = 300.0
HIGHEST_K = 450.0
ROOM_K = 293.15
DENSE = 20e5  # above this highest pressure more powers of density are fitted

# Name, name in the library, lowest temperature, highest absolute pressure.
GASES = (
    ("nitrogen", "Nitrogen", 200.0, 230e5),
    ("air", "Air", 200.0, 230e5),
    ("oxygen", "Oxygen", 200.0, 230e5),
    ("argon", "Argon", 210.0, 230e5),
    ("helium", "Helium", 150.0, 230e5),
    ("methane", "Methane", 240.0, 60e5),
    ("propane", "n-Propane", 270.0, 3e5),
    ("carbon dioxide", "CarbonDioxide", 250.0, 12e5),
)
POWERS, TEMPERATURE_POWERS = 6, 5

HEAD = '''"""Gases as coefficients; made by `python docs/make_gases.py`, not by hand.

Fitted to the equations of state of CoolProp (MIT licence; Bell and others, Ind. Eng.
Chem. Res. 53, 2498, 2014), which cites each gas's own source.
"""

from __future__ import annotations

from typing import TypedDict


class Row(TypedDict):
    """One gas; see records.gas.facts for what each number is."""

    molar_mass: float
    lowest_k: float
    highest_k: float
    highest_pa: float
    viscosity: float
    viscosity_power: float
    density_scale: float
    residual: tuple[tuple[float, ...], ...]
    heat: tuple[float, ...]
    throat: tuple[float, float]


ROWS: dict[str, Row] = {
'''


def fitted(fluid: str, lowest_k: float, highest_pa: float) -> dict[str, Any]:
    """Return the numbers of one gas."""
    import CoolProp
    from CoolProp import CoolProp as library  # noqa: N813

    state = CoolProp.AbstractState("HEOS", fluid)
    molar = state.molar_mass()
    r = state.gas_constant() / molar
    pressures = np.linspace(0.2e5, highest_pa, 20)
    if highest_pa > DENSE:
        pressures = np.concatenate(
            [np.linspace(1e5, 20e5, 8), np.linspace(20e5, highest_pa, 25)]
        )
    rows = []
    for t in np.linspace(lowest_k, HIGHEST_K, 26):
        for p in pressures:
            state.update(CoolProp.PT_INPUTS, p, t)
            if state.phase() in (library.iphase_liquid, library.iphase_twophase):
                continue
            d = state.rhomass()
            rest = state.hmolar_residual() / (state.gas_constant() * t)
            curve = (state.cvmass() - (state.cp0mass() - r)) / r
            rows.append((t, d, p / (d * r * t), rest, curve))
    t, d, z, rest, curve = np.array(rows).T
    scale = float(f"{max(d):.6g}")
    x, tau = d / scale, SCALE_K / t
    powers = POWERS if highest_pa > DENSE else 3
    terms = [(i, j) for i in range(1, powers + 1) for j in range(TEMPERATURE_POWERS)]
    in_z = np.stack([i * x**i * tau**j for i, j in terms], 1)
    in_rest = np.stack([(i + j) * x**i * tau**j for i, j in terms], 1)
    in_curve = np.stack([-j * (j - 1) * x**i * tau**j for i, j in terms], 1)
    weight = 1.0 / (2e-5 + 1e-3 * np.abs(z - 1.0))
    left = np.concatenate(
        [
            in_z * weight[:, None],
            in_rest * 0.3 * weight[:, None],
            in_curve * 0.03 * weight[:, None],
        ]
    )
    right = np.concatenate(
        [(z - 1.0) * weight, rest * 0.3 * weight, curve * 0.03 * weight]
    )
    size = np.linalg.norm(left, axis=0)
    found = np.linalg.lstsq(left / size, right, rcond=1e-13)[0] / size
    residual = np.zeros((POWERS, TEMPERATURE_POWERS))
    for (i, j), n in zip(terms, found, strict=True):
        residual[i - 1, j] = n

    temperatures = np.linspace(lowest_k, HIGHEST_K, 60)
    ideal, thick = [], []
    for t0 in temperatures:
        state.update(CoolProp.PT_INPUTS, 1e3, t0)
        ideal.append(state.cp0mass() / r)
        thick.append(state.viscosity())
    heat = np.polynomial.polynomial.polyfit(temperatures / SCALE_K, ideal, 3)
    power = np.polyfit(np.log(temperatures / ROOM_K), np.log(thick), 1)[0]
    state.update(CoolProp.PT_INPUTS, 1e3, ROOM_K)
    return {
        "molar_mass": molar,
        "lowest_k": lowest_k,
        "highest_k": HIGHEST_K,
        "highest_pa": highest_pa,
        "viscosity": float(f"{state.viscosity():.5g}"),
        "viscosity_power": float(f"{power:.4g}"),
        "density_scale": scale,
        "residual": tuple(tuple(float(f"{n:.10g}") for n in row) for row in residual),
        "heat": tuple(float(f"{n:.8g}") for n in heat),
        "throat": _throat(
            state, CoolProp.PT_INPUTS, CoolProp.PSmass_INPUTS, highest_pa
        ),
    }


def _throat(state: Any, pt: Any, ps: Any, highest_pa: float) -> tuple[float, float]:
    """Return how the largest isentropic flow grows beyond the ideal gas's."""
    excess, pressures = [], np.linspace(0.02, 0.95, 9) * highest_pa
    r = state.gas_constant() / state.molar_mass()

    def largest(p0: float) -> float:
        state.update(pt, p0, ROOM_K)
        s, h0 = state.smass(), state.hmass()

        def flux(share: float) -> float:
            state.update(ps, share * p0, s)
            fall = max(h0 - state.hmass(), 0.0)
            return float(-state.rhomass() * np.sqrt(2.0 * fall))

        best = minimize_scalar(flux, bounds=(0.3, 0.75), method="bounded")
        return float(-best.fun / p0 * np.sqrt(r * ROOM_K))

    plain = largest(1e3)
    for p0 in pressures:
        excess.append(largest(float(p0)) / plain - 1.0)
    left = np.stack([pressures, pressures**2], 1)
    first, second = np.linalg.lstsq(left, np.array(excess), rcond=None)[0]
    return float(f"{first:.5g}"), float(f"{second:.5g}")


def table() -> str:
    """Return the text of the table."""
    lines = [HEAD]
    for name, fluid, lowest_k, highest_pa in GASES:
        lines.append(f'    "{name}": {{\n')
        for key, value in fitted(fluid, lowest_k, highest_pa).items():
            if key == "residual":
                lines.append('        "residual": (\n')
                for row in value:
                    lines.append("            (\n")
                    lines += [f"                {n!r},\n" for n in row]
                    lines.append("            ),\n")
                lines.append("        ),\n")
            elif isinstance(value, tuple):
                inside = ", ".join(repr(n) for n in value)
                lines.append(f'        "{key}": ({inside}),\n')
            else:
                lines.append(f'        "{key}": {value!r},\n')
        lines.append("    },\n")
    return "".join([*lines, "}\n"])


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="change nothing")
    text = table()
    if parser.parse_args().check:
        same = text == OUT.read_text("utf-8")
        print("as fitted" if same else "differs from a fit of today")
        sys.exit(0 if same else 1)
    OUT.write_text(text, encoding="utf-8")
