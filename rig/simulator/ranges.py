"""What a simulated regulator and its rig may be made of; all else is refused.

Wide enough for anything that stands on a bench, narrow enough that the gas has a
solution: no empty volume, no wall without heat, no leak that flows backwards.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from records.errors import InputError
from records.gas.facts import GASES

from .regulator import Regulator, Stage
from .rigbody import RigBody, Surroundings, Valves

Range = tuple[float, float]

_LEAK: Range = (0.0, 1e5)  # std cm3/min
_VOLUME: Range = (1e-7, 1.0)  # m3
_GIVE: Range = (0.0, 1e-7)  # m3/Pa
_CONDUCTANCE: Range = (0.0, 1e-3)  # kg/(s Pa)
_ABSOLUTE: Range = (1e3, 1e8)  # Pa
_SHARE: Range = (0.0, 1.0)
_TAU: Range = (1e-6, 1e15)  # s; without end: no heat passes
_HEAT: Range = (1e-2, 1e15)  # J/K; without end: it keeps its temperature
_LAG: Range = (0.0, 60.0)

STAGE: Mapping[str, Range] = {
    "spring_n_per_m": (1.0, 1e8),
    "stem_spring_n": (0.0, 1e5),
    "diaphragm_m2": (1e-6, 1.0),
    "push_m2": (-1e-2, 1e-2),
    "seat_n_per_m": (1.0, 1e9),
    "contact_m": (0.0, 1e-2),
    "bore_m": (1e-5, 0.2),
    "discharge": (0.01, 1.0),
    "strainer": _CONDUCTANCE,
    "travel_m": (1e-6, 0.1),
    "friction_n": (0.0, 1e4),
    "sense_lag_s": _LAG,
    "stem_lag_s": _LAG,
    "slackens_n_per_s": (0.0, 1e4),
    "slackens_most_n": (0.0, 1e6),
    "seat_nick": _LEAK,
    "seat_film": _LEAK,
}
REGULATOR: Mapping[str, Range] = {
    **STAGE,
    "first_screw_m": (0.0, 0.1),
    "interstage_m3": _VOLUME,
    "interstage_give": _GIVE,
    "fitting": _LEAK,
    "diaphragm": _LEAK,
    "relief_seat": _LEAK,
    "tear": _LEAK,
    "bonnet_joint": _LEAK,
    "back_cap": _LEAK,
    "body_joint": _LEAK,
    "first_leak": _LEAK,
    "bonnet_m3": _VOLUME,
    "vent_m2": (0.0, 1e-2),
    "relief_over_pa": (0.0, 1e8),
    "relief_m2": (0.0, 1e-2),
    "relief_blowdown_pa": (0.0, 1e8),
    "body_heat": _HEAT,
    "body_tau_s": _TAU,
    "body_share": _SHARE,
    "exchange": _SHARE,
    "inlet_reference_pa": _ABSOLUTE,
    "interstage_reference_pa": _ABSOLUTE,
    "outlet_reference_pa": _ABSOLUTE,
}
RIG: Mapping[str, Range] = {
    "inlet_m3": _VOLUME,
    "outlet_m3": _VOLUME,
    "inlet_give": _GIVE,
    "outlet_give": _GIVE,
    "supply": _CONDUCTANCE,
    "vent": _CONDUCTANCE,
    "bleed": _CONDUCTANCE,
    "fill": _CONDUCTANCE,
    "fill_pa": (0.0, 1e8),
    "relief_pa": (0.0, 1e8),
    "relief": _CONDUCTANCE,
    "to_air": _CONDUCTANCE,
    "supply_creep": (0.0, 1e7),
    "supply_creep_most": (0.0, 1e8),
    "gas_tau_s": _TAU,
    "dense_pa": _ABSOLUTE,
    "inlet_dense_pa": _ABSOLUTE,
    "wall_heat": _HEAT,
    "wall_tau_s": _TAU,
    "inlet_leak": _LEAK,
    "outlet_leak": _LEAK,
    "bleed_leak": _LEAK,
    "standard_leak": _LEAK,
    "standard_pa": (100.0, 1e8),
}
SURROUNDINGS: Mapping[str, Range] = {
    "air_pa": (3e4, 1.2e5),
    "air_drift": (-10.0, 10.0),
    "air_swing": (0.0, 5e3),
    "air_phase": (-10.0, 10.0),
    "room_k": (230.0, 340.0),
    "room_drift": (-0.1, 0.1),
    "room_swing": (0.0, 20.0),
    "room_phase": (-10.0, 10.0),
}
_VALVES: Mapping[str, Range] = {
    "supply_pa_gauge": (0.0, 1e8),
    "inlet": _SHARE,
    "vent_inlet": _SHARE,
    "bleed": _SHARE,
    "fill": _SHARE,
    "screw_m": (0.0, 0.1),
    "fixture": (0.0, 2.0),
    "syringe": _SHARE,
    "standard": _SHARE,
}
_STEP: Range = (1e-6, 0.1)  # s


def check_stage(stage: Stage, what: str = "regulator.first") -> None:
    """Refuse a stage that can't be.

    Raises:
        InputError: ``value_wrong``, with the range that is allowed.
    """
    _check(stage, what, STAGE)


def check_plant(
    regulator: Regulator, rig: RigBody, surroundings: Surroundings, step_s: float
) -> None:
    """Refuse what no gas could flow through.

    Raises:
        InputError: ``value_wrong``, with the range that is allowed, or with the gases
            that are known.
    """
    _check(regulator, "regulator", REGULATOR)
    if regulator.first is not None:
        check_stage(regulator.first)
    _check(rig, "rig", RIG)
    _check(surroundings, "surroundings", SURROUNDINGS)
    _within("step_s", step_s, _STEP)
    if rig.gas not in GASES:
        raise InputError(
            "value_wrong", key="rig.gas", given=rig.gas, right=", ".join(GASES)
        )
    # Leaks are stated where the gas is driven: towards the outside, not the other way.
    outlet = regulator.outlet_reference_pa
    for key, given, low in (
        ("regulator.outlet_reference_pa", outlet, 101_425.0),
        ("regulator.inlet_reference_pa", regulator.inlet_reference_pa, outlet + 100.0),
    ):
        _within(key, given, (low, _ABSOLUTE[1]))


def check_valves(valves: Valves) -> None:
    """Refuse positions that no hand can bring about.

    Raises:
        InputError: ``value_wrong``, with the range that is allowed.
    """
    _check(valves, "valves", _VALVES)
    if not float(valves.fixture).is_integer():
        raise InputError(
            "value_wrong", key="valves.fixture", given=valves.fixture, right="0, 1 or 2"
        )


def _check(what: object, name: str, ranges: Mapping[str, Range]) -> None:
    for field, allowed in ranges.items():
        given = getattr(what, field)
        if given is not None:
            _within(f"{name}.{field}", given, allowed)


def _within(key: str, given: float, allowed: Range) -> None:
    low, high = allowed
    if not (math.isfinite(given) and low <= given <= high):
        raise InputError(
            "value_wrong", key=key, given=f"{given:g}", right=f"{low:g} to {high:g}"
        )
