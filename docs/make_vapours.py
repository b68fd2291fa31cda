"""Fits the table of vapours, records/gas/vapour_table.py, to a library.

Needs CoolProp (in the ``dev`` extra). The form is Wagner's (1973), as its 2.5-5 kind:
ln(p / pc) = (a x + b x**1.5 + c x**2.5 + d x**5) Tc / T with x = 1 - T / Tc.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

OUT = Path(__file__).parent.parent / "records" / "gas" / "vapour_table.py"
LOWEST_K = 230.0
ROOM_K = 293.15
POWERS = (1.0, 1.5, 2.5, 5.0)
# Gases that condense at a pressure and temperature that a bench or a service may see.
CONDENSING = (
    ("propane", "n-Propane"),
    ("butane", "n-Butane"),
    ("isobutane", "IsoButane"),
    ("propylene", "Propylene"),
    ("ethane", "Ethane"),
    ("ammonia", "Ammonia"),
    ("carbon dioxide", "CarbonDioxide"),
)
# Service gases that are no test gas: only what a leak's conversion needs.
OTHERS = (
    ("butane", "n-Butane"),
    ("isobutane", "IsoButane"),
    ("propylene", "Propylene"),
    ("ethane", "Ethane"),
    ("ammonia", "Ammonia"),
    ("hydrogen", "Hydrogen"),
)

HEAD = '''"""Vapour pressures and further gases; made by `python docs/make_vapours.py`.

Fitted to the equations of state of CoolProp (MIT licence; Bell and others, Ind. Eng.
Chem. Res. 53, 2498, 2014), which cites each gas's own source.
"""

from __future__ import annotations

'''


def vapour(fluid: str) -> tuple[float, ...]:
    """Return critical temperature, critical pressure and the four coefficients."""
    from CoolProp.CoolProp import PropsSI

    critical_k, critical_pa = PropsSI("Tcrit", fluid), PropsSI("Pcrit", fluid)
    t = np.linspace(LOWEST_K, 0.999 * critical_k, 60)
    p = np.array([PropsSI("P", "T", each, "Q", 1, fluid) for each in t])
    x = 1.0 - t / critical_k
    left = np.stack([x**power for power in POWERS], 1) * (critical_k / t)[:, None]
    found = np.linalg.lstsq(left, np.log(p / critical_pa), rcond=None)[0]
    numbers = (critical_k, critical_pa, *found)
    return tuple(float(f"{n:.7g}") for n in numbers)


def facts(fluid: str) -> tuple[float, ...]:
    """Return molar mass, viscosity, its power in temperature, and ratio of heats."""
    from CoolProp.CoolProp import PropsSI

    t = np.linspace(250.0, 350.0, 21)
    thick = [PropsSI("V", "T", each, "P", 1e3, fluid) for each in t]
    power = np.polyfit(np.log(t / ROOM_K), np.log(thick), 1)[0]
    molar = PropsSI("M", fluid)
    cp0 = PropsSI("CP0MOLAR", "T", ROOM_K, "P", 1e3, fluid)
    gamma = cp0 / (cp0 - 8.314462618)
    at_room = PropsSI("V", "T", ROOM_K, "P", 1e3, fluid)
    return tuple(float(f"{n:.6g}") for n in (molar, at_room, power, gamma))


def table() -> str:
    """Return the text of the table."""
    lines = [HEAD, f"LOWEST_K = {LOWEST_K!r}\n"]
    for name, what, rows, made in (
        ("VAPOURS", "Tc (K), pc (Pa), and a, b, c, d of Wagner's", CONDENSING, vapour),
        ("OTHERS", "kg/mol, Pa s at 293.15 K, power of T, cp/cv", OTHERS, facts),
    ):
        lines.append(f"# {what}\n{name}: dict[str, tuple[float, ...]] = {{\n")
        for gas, fluid in rows:
            lines.append(f'    "{gas}": (\n')
            lines += [f"        {n!r},\n" for n in made(fluid)]
            lines.append("    ),\n")
        lines.append("}\n")
    return "".join(lines)


if __name__ == "__main__":
    OUT.write_text(table(), encoding="utf-8")
