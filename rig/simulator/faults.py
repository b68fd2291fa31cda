"""What each fault changes in the simulated regulator or rig.

Leaks add to the healthy ones and grow in proportion to the severity. A seat leak and a
leak at the outlet of the same severity pass the same flow while the regulator is locked
up at 11.6 in. w.c. with 10 psi gauge at its inlet.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType

from records.errors import InputError

from .regulator import Regulator
from .rigbody import RigBody

LEAK = 0.6  # std cm3/min at severity 1: four times the tightest shop default
_TEAR = 30.0
_FRICTION_N = 2.0

_Effect = Callable[[Regulator, RigBody, float], tuple[Regulator, RigBody]]


def _regulator(change: Callable[[Regulator, float], Regulator]) -> _Effect:
    return lambda regulator, rig, severity: (change(regulator, severity), rig)


def _rig(change: Callable[[RigBody, float], RigBody]) -> _Effect:
    return lambda regulator, rig, severity: (regulator, change(rig, severity))


FAULTS: Mapping[str, _Effect] = MappingProxyType(
    {
        "seat_debris": _regulator(
            lambda r, s: replace(r, seat_film=r.seat_film + LEAK * s)
        ),
        "seat_nicked": _regulator(
            lambda r, s: replace(r, seat_nick=r.seat_nick + LEAK * s)
        ),
        "stem_friction": _regulator(
            lambda r, s: replace(r, friction_n=r.friction_n + _FRICTION_N * s)
        ),
        "diaphragm_torn": _regulator(
            lambda r, s: replace(r, diaphragm=r.diaphragm + _TEAR * s)
        ),
        "diaphragm_pinhole": _regulator(
            lambda r, s: replace(r, diaphragm=r.diaphragm + LEAK * s)
        ),
        "back_cap_gasket": _regulator(
            lambda r, s: replace(r, back_cap=r.back_cap + LEAK * s)
        ),
        "bonnet_joint": _regulator(
            lambda r, s: replace(r, bonnet_joint=r.bonnet_joint + LEAK * s)
        ),
        "outlet_fitting": _regulator(
            lambda r, s: replace(r, fitting=r.fitting + LEAK * s)
        ),
        "rig_fitting": _rig(
            lambda rig, s: replace(rig, outlet_leak=rig.outlet_leak + 0.1 * s)
        ),
        "bleed_open": _rig(
            lambda rig, s: replace(rig, bleed_leak=rig.bleed_leak + 1.0 * s)
        ),
    }
)


def parsed_faults(given: Iterable[str]) -> dict[str, float]:
    """Read ``"seat_nicked:0.5"`` and the like; severity 1 unless given.

    Raises:
        InputError: ``fault_unknown`` or ``fault_severity``.
    """
    faults: dict[str, float] = {}
    for text in given:
        id, colon, number = text.partition(":")
        try:
            severity = float(number) if colon else 1.0
        except ValueError:
            raise InputError("fault_severity", where=text, given=number) from None
        faults[id.strip()] = severity
    check_faults(faults)
    return faults


def check_faults(faults: Mapping[str, float]) -> None:
    """Refuse what is not modelled.

    Raises:
        InputError: ``fault_unknown`` or ``fault_severity``.
    """
    for id, severity in faults.items():
        if id not in FAULTS:
            raise InputError("fault_unknown", given=id, known=", ".join(FAULTS))
        if not (math.isfinite(severity) and 0.0 <= severity <= 1.0):
            raise InputError("fault_severity", where=id, given=severity)


def with_faults(
    regulator: Regulator, rig: RigBody, faults: Mapping[str, float]
) -> tuple[Regulator, RigBody]:
    """Return regulator and rig with faults of stated severity, 0 to 1, worked in.

    Raises:
        InputError: ``fault_unknown`` or ``fault_severity``.
    """
    check_faults(faults)
    for id, severity in faults.items():
        regulator, rig = FAULTS[id](regulator, rig, severity)
    return regulator, rig
