"""Vapour pressures and further gases; made by `python docs/make_vapours.py`.

Fitted to the equations of state of CoolProp (MIT licence; Bell and others, Ind. Eng.
Chem. Res. 53, 2498, 2014), which cites each gas's own source.
"""

from __future__ import annotations

LOWEST_K = 230.0
# Tc (K), pc (Pa), and a, b, c, d of Wagner's
VAPOURS: dict[str, tuple[float, ...]] = {
    "propane": (
        369.89,
        4251165.0,
        -6.75231,
        1.511395,
        -1.506589,
        -2.236119,
    ),
    "butane": (
        425.125,
        3796000.0,
        -7.077412,
        1.767351,
        -1.966163,
        -2.332234,
    ),
    "isobutane": (
        407.81,
        3629000.0,
        -6.871959,
        1.453201,
        -1.579857,
        -2.87587,
    ),
    "propylene": (
        364.211,
        4554993.0,
        -6.707107,
        1.466118,
        -1.415567,
        -2.566889,
    ),
    "ethane": (
        305.322,
        4872200.0,
        -6.481327,
        1.429267,
        -1.210859,
        -1.053929,
    ),
    "ammonia": (
        405.56,
        11363390.0,
        -7.254691,
        1.48575,
        -1.729997,
        -2.635969,
    ),
    "carbon dioxide": (
        304.1282,
        7377298.0,
        -7.027536,
        1.534222,
        -2.282753,
        -1.997485,
    ),
}
# kg/mol, Pa s at 293.15 K, power of T, cp/cv
OTHERS: dict[str, tuple[float, ...]] = {
    "butane": (
        0.0581222,
        7.30467e-06,
        0.984785,
        1.09352,
    ),
    "isobutane": (
        0.0581222,
        7.39777e-06,
        0.96017,
        1.0956,
    ),
    "propylene": (
        0.0420797,
        8.42157e-06,
        1.01475,
        1.15032,
    ),
    "ethane": (
        0.030069,
        9.1853e-06,
        0.937637,
        1.19087,
    ),
    "ammonia": (
        0.0170305,
        9.93994e-06,
        1.059,
        1.30693,
    ),
    "hydrogen": (
        0.00201588,
        8.79619e-06,
        0.692235,
        1.40594,
    ),
}
