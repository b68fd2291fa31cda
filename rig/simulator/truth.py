"""What is true of the simulated rig, kept with a run to compare findings with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from records.measure import STANDARD_PRESSURE_PA, STD_CM3_MIN

from .families import Family
from .regulator import Regulator
from .rigbody import RigBody, Surroundings
from .transducers import Transducer


def inlet_volume(rig: RigBody, inlet_gauge: float, air_pa: float) -> float:
    """Return dn/dP times R T of the inlet side, m3: the volume that acts."""
    rigid = rig.inlet_m3 + rig.inlet_give * inlet_gauge
    return rigid + (inlet_gauge + air_pa) * rig.inlet_give


def outlet_volume(
    rig: RigBody, regulator: Regulator | None, outlet_gauge: float, air_pa: float
) -> float:
    """Return the volume that acts on the outlet side, m3, regulator locked up or none.

    The diaphragm is taken as free to move; friction may hold it over small changes.
    """
    give = rig.outlet_give
    if regulator is not None:
        give += regulator.give_m3_per_pa
    rigid = rig.outlet_m3 + rig.outlet_give * outlet_gauge
    return rigid + (outlet_gauge + air_pa) * give


def interstage_volume(regulator: Regulator, gauge: float, air_pa: float) -> float:
    """Return the volume that acts between two stages, m3, the first one locked up."""
    assert regulator.first is not None
    give = regulator.interstage_give + regulator.first.give_m3_per_pa
    rigid = regulator.interstage_m3 + regulator.interstage_give * gauge
    return rigid + (gauge + air_pa) * give


def truth_of(
    seed: int,
    faults: Mapping[str, float],
    family: Family,
    regulator: Regulator,
    rig: RigBody,
    surroundings: Surroundings,
    transducers: Sequence[Transducer],
) -> dict[str, Any]:
    """Return the true parameters of a simulated rig, SI unless the key says so."""
    air = surroundings.air_pa
    leaks = {
        "seat": regulator.seat_leak,
        "tear": regulator.tear,
        "relief_seat": regulator.relief_seat,
        "outlet_fitting": regulator.fitting,
        "diaphragm": regulator.diaphragm,
        "bonnet_joint": regulator.bonnet_joint,
        "back_cap": regulator.back_cap,
        "body_joint": regulator.body_joint,
        "rig_outlet": rig.outlet_leak,
        "rig_inlet": rig.inlet_leak,
        "bleed": rig.bleed_leak,
    }
    between: dict[str, Any] = {}
    if regulator.first is not None:
        leaks |= {
            "first_seat": regulator.first.seat_leak,
            "interstage": regulator.first_leak,
        }
        stated = regulator.interstage_reference_pa
        gauge = stated - STANDARD_PRESSURE_PA
        between = {
            "interstage_volume": interstage_volume(regulator, gauge, air),
            "interstage_volume_rigid": regulator.interstage_m3,
            "interstage_leaks_hold_at_pa_absolute": stated,
        }
    outlet_gauge = regulator.outlet_reference_pa - STANDARD_PRESSURE_PA
    inlet_gauge = regulator.inlet_reference_pa - STANDARD_PRESSURE_PA
    return {
        "seed": seed,
        "family": family.id,
        "gas": rig.gas,
        "faults": dict(faults),
        "leaks_std_cm3_min": leaks,
        "leaks": {name: leak * STD_CM3_MIN for name, leak in leaks.items()},
        "leaks_hold_at": {
            "inlet_pa_absolute": regulator.inlet_reference_pa,
            "outlet_pa_absolute": regulator.outlet_reference_pa,
            "air_pa_absolute": STANDARD_PRESSURE_PA,
        },
        "outlet_volume_locked_up": outlet_volume(rig, regulator, outlet_gauge, air),
        "outlet_volume_blank": outlet_volume(rig, None, outlet_gauge, air),
        "outlet_volume_rigid": rig.outlet_m3,
        "inlet_volume": inlet_volume(rig, inlet_gauge, air),
        "inlet_volume_rigid": rig.inlet_m3,
        **between,
        "friction_n": regulator.friction_n,
        "diaphragm_m2": regulator.diaphragm_m2,
        "gas_tau_s": rig.gas_tau_s,
        "zero_error": {t.make.role: t.zero_error for t in transducers},
        "span_error": {t.make.role: t.span_error for t in transducers},
    }
