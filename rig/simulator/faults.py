"""What each fault changes in the simulated regulator, its rig or its transducers.

Leaks add to the healthy ones and grow in proportion to the severity. A seat leak and a
leak at the outlet of the same severity pass the same flow while the regulator is locked
up at the pressures that its family's leaks are stated for.

Of two stages ``first:seat_nicked`` is the first one's; what leaks of it to the air
leaks from between them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from types import MappingProxyType

from records.errors import InputError
from records.faults import OF_FIRST

from .families import SECOND_STAGE, Family
from .regulator import Regulator, Stage, stage_of
from .rigbody import RigBody
from .transducers import SOUND, Ailment

_TEAR = 50.0  # a torn diaphragm passes so many times what any other leak does
_OPEN_BLEED = 1.7
_RIG_FITTING = 0.17
_STICKS_AT_S = 240.0  # rig time: well under way


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What a fault can be in.

    Attributes:
        family: the regulator's. regulator, rig: as they are.
        ailments: of transducers, by channel role.
    """

    family: Family
    regulator: Regulator
    rig: RigBody
    ailments: Mapping[str, Ailment] = field(default_factory=dict)


_Effect = Callable[[Subject, float], Subject]


def _regulator(change: Callable[[Regulator, Family, float], Regulator]) -> _Effect:
    return lambda it, severity: replace(
        it, regulator=change(it.regulator, it.family, severity)
    )


def _rig(change: Callable[[RigBody, Family, float], RigBody]) -> _Effect:
    return lambda it, severity: replace(it, rig=change(it.rig, it.family, severity))


def _outlet(change: Callable[[Ailment, Family, float], Ailment]) -> _Effect:
    def worked(it: Subject, severity: float) -> Subject:
        ailment = change(it.ailments.get("outlet", SOUND), it.family, severity)
        return replace(it, ailments={**it.ailments, "outlet": ailment})

    return worked


def _by_powers(least: float, severity: float) -> float:
    """Return 1 without a fault and ``least`` at its worst, by equal factors between."""
    return math.pow(least, severity)


def _worn(r: Regulator, _: Family, s: float) -> Regulator:
    # A disc that is swollen, hard or marked touches early and has to be pressed harder.
    return replace(
        r,
        contact_m=r.contact_m * (1.0 + s),
        seat_n_per_m=r.seat_n_per_m * (1.0 + 2.0 * s),
    )


def _hunts(r: Regulator, _: Family, s: float) -> Regulator:
    return replace(
        r,
        sense_lag_s=r.sense_lag_s + 0.12 * s,
        stem_lag_s=r.stem_lag_s + 0.12 * s,
    )


def _slackens(r: Regulator, f: Family, s: float) -> Regulator:
    force = r.diaphragm_m2 * f.outlet_gauge
    return replace(
        r,
        slackens_n_per_s=r.slackens_n_per_s + 2.5e-4 * s * force,
        slackens_most_n=r.slackens_most_n + 0.25 * s * force,
    )


def _strainer(r: Regulator, f: Family, s: float) -> Regulator:
    free = 20.0 * f.rig.supply
    return replace(r, strainer=free * _by_powers(2.5e-3, s))


def _low_relief(r: Regulator, f: Family, s: float) -> Regulator:
    if r.relief_over_pa is None:
        raise InputError("fault_not_fitted", given="relief_low", family=f.id)
    # at its worst it opens below the lockup pressure
    lowest = 0.02 * f.outlet_gauge
    return replace(
        r,
        relief_over_pa=r.relief_over_pa + s * (lowest - r.relief_over_pa),
        relief_blowdown_pa=(1.0 - s) * r.relief_blowdown_pa,
    )


def _weeping_relief(r: Regulator, f: Family, s: float) -> Regulator:
    if r.relief_over_pa is None:
        raise InputError("fault_not_fitted", given="relief_weeping", family=f.id)
    return replace(r, relief_seat=r.relief_seat + f.fault_leak * s)


FAULTS: Mapping[str, _Effect] = MappingProxyType(
    {
        "seat_debris": _regulator(
            lambda r, f, s: replace(r, seat_film=r.seat_film + f.fault_leak * s)
        ),
        "seat_nicked": _regulator(
            lambda r, f, s: replace(r, seat_nick=r.seat_nick + f.fault_leak * s)
        ),
        "seat_worn": _regulator(_worn),
        "stem_friction": _regulator(
            lambda r, f, s: replace(r, friction_n=r.friction_n + f.fault_friction_n * s)
        ),
        "diaphragm_torn": _regulator(
            lambda r, f, s: replace(r, tear=r.tear + _TEAR * f.fault_leak * s)
        ),
        "diaphragm_pinhole": _regulator(
            lambda r, f, s: replace(r, diaphragm=r.diaphragm + f.fault_leak * s)
        ),
        "back_cap_gasket": _regulator(
            lambda r, f, s: replace(r, back_cap=r.back_cap + f.fault_leak * s)
        ),
        "bonnet_joint": _regulator(
            lambda r, f, s: replace(r, bonnet_joint=r.bonnet_joint + f.fault_leak * s)
        ),
        "outlet_fitting": _regulator(
            lambda r, f, s: replace(r, fitting=r.fitting + f.fault_leak * s)
        ),
        "spring_soft": _regulator(
            lambda r, _, s: replace(r, spring_n_per_m=r.spring_n_per_m * (1 - 0.4 * s))
        ),
        "spring_stiff": _regulator(
            lambda r, _, s: replace(r, spring_n_per_m=r.spring_n_per_m * (1 + 0.8 * s))
        ),
        "spring_relaxed": _regulator(_slackens),
        "vent_blocked": _regulator(
            lambda r, _, s: replace(r, vent_m2=r.vent_m2 * _by_powers(1e-6, s))
        ),
        "strainer_clogged": _regulator(_strainer),
        "orifice_small": _regulator(
            lambda r, _, s: replace(r, bore_m=r.bore_m * (1.0 - 0.7 * s))
        ),
        "relief_weeping": _regulator(_weeping_relief),
        "relief_low": _regulator(_low_relief),
        "hunting": _regulator(_hunts),
        "supply_starved": _rig(
            lambda b, _, s: replace(b, supply=b.supply * _by_powers(5e-3, s))
        ),
        "supply_creeping": _rig(
            lambda b, f, s: replace(
                b,
                supply_creep=b.supply_creep + 2e-4 * s * f.inlet_gauge,
                supply_creep_most=b.supply_creep_most + 0.3 * s * f.inlet_gauge,
            )
        ),
        "rig_fitting": _rig(
            lambda b, f, s: replace(
                b, outlet_leak=b.outlet_leak + _RIG_FITTING * f.fault_leak * s
            )
        ),
        "bleed_open": _rig(
            lambda b, f, s: replace(
                b, bleed_leak=b.bleed_leak + _OPEN_BLEED * f.fault_leak * s
            )
        ),
        "zero_drift": _outlet(
            lambda a, f, s: replace(a, drift=a.drift + 1e-6 * s * f.outlet_span)
        ),
        "span_error": _outlet(lambda a, _, s: replace(a, span=a.span - 0.02 * s)),
        "transducer_stuck": _outlet(
            lambda a, _, s: replace(a, sticks_at_s=_STICKS_AT_S / s)
        ),
        "line_water": _outlet(
            lambda a, f, s: replace(
                a,
                lag_s=a.lag_s + 1.5 * s,
                head=a.head + 30.0 * s,
                head_at=0.1 * f.outlet_gauge,
            )
        ),
    }
)


# What a first stage can have: it has no bonnet of its own to stop up, and no relief.
_OF_A_STAGE = frozenset(
    {
        *("seat_debris", "seat_nicked", "seat_worn", "stem_friction", "hunting"),
        *("diaphragm_torn", "diaphragm_pinhole", "back_cap_gasket", "bonnet_joint"),
        *("outlet_fitting", "spring_soft", "spring_stiff", "spring_relaxed"),
        *("strainer_clogged", "orifice_small"),
    }
)


def parsed_faults(given: Iterable[str]) -> dict[str, float]:
    """Read ``"seat_nicked:0.5"`` and the like; severity 1 unless given.

    Raises:
        InputError: ``fault_unknown`` or ``fault_severity``.
    """
    faults: dict[str, float] = {}
    for text in given:
        stage, body = "", text
        if text.strip().startswith(OF_FIRST):
            stage, body = OF_FIRST, text.strip().removeprefix(OF_FIRST)
        id, colon, number = (part.strip() for part in body.partition(":"))
        id = stage + id
        try:
            severity = float(number) if colon else 1.0
        except ValueError:
            given = number or "missing"
            raise InputError("fault_severity", where=text, given=given) from None
        if id in faults:
            raise InputError(
                "value_wrong", key="--fault", given=text, right="each fault once"
            )
        faults[id] = severity
    check_faults(faults)
    return faults


def check_faults(faults: Mapping[str, float]) -> None:
    """Refuse what is not modelled.

    Raises:
        InputError: ``fault_unknown`` or ``fault_severity``.
    """
    for id, severity in faults.items():
        if id.removeprefix(OF_FIRST) not in FAULTS:
            given = id or "(nothing)"
            raise InputError("fault_unknown", given=given, known=", ".join(FAULTS))
        if not (math.isfinite(severity) and 0.0 <= severity <= 1.0):
            raise InputError("fault_severity", where=id, given=severity)


def with_faults(subject: Subject, faults: Mapping[str, float]) -> Subject:
    """Return a subject with faults of stated severity, 0 to 1, worked in.

    Raises:
        InputError: ``fault_unknown``, ``fault_severity``; ``fault_not_fitted``: the
            family lacks the part.
    """
    check_faults(faults)
    for id, severity in faults.items():
        if severity > 0.0 and id.startswith(OF_FIRST):
            subject = _with_first_fault(subject, id, severity)
        elif severity > 0.0:
            subject = FAULTS[id](subject, severity)
    return subject


def _with_first_fault(subject: Subject, id: str, severity: float) -> Subject:
    """Return a subject with a fault of its first stage worked in."""
    alone, first = subject.family.first, subject.regulator.first
    fault = id.removeprefix(OF_FIRST)
    if alone is None or first is None or fault not in _OF_A_STAGE:
        raise InputError("fault_not_fitted", given=id, family=subject.family.id)
    tight = Regulator(**{f.name: getattr(first, f.name) for f in fields(Stage)})
    worked = FAULTS[fault](
        Subject(family=alone, regulator=tight, rig=alone.rig), severity
    )
    return replace(
        subject,
        regulator=replace(
            subject.regulator,
            first=stage_of(worked.regulator),
            first_leak=subject.regulator.first_leak + worked.regulator.outlet_leaks,
        ),
    )


def healthy(
    family: Family = SECOND_STAGE,
    regulator: Regulator | None = None,
    rig: RigBody | None = None,
) -> Subject:
    """Return a family's regulator and rig without a fault, as drawn unless given."""
    return Subject(
        family=family,
        regulator=regulator or family.regulator,
        rig=rig or family.rig,
    )
