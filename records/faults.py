"""The catalogue of faults: plain sentence, where to look, and which plan reveals it.

A group is what the same two pressures can't tell apart; what separates its members is
a look, leak solution, another inlet pressure or a flow. Signs and groups are common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

# Plans that were tried with faults at their worst, and the family that each is for.
TRIED = {
    "low-pressure": "second-stage",
    "first-stage": "first-stage",
    "line": "line",
    "service": "service",
    "cylinder": "cylinder-1",
    "cylinder-two-stage": "cylinder-2",
    "oxygen": "oxygen",
    "pair": "pair",
}
# Before the id of a fault that is in the first of two stages.
OF_FIRST = "first:"
_EVERY = tuple(TRIED)
_LOW = ("low-pressure", "first-stage", "line", "service")  # no cylinder's pressure
_LEAKS_OUT = (*_LOW, "pair")
_FUEL = ("low-pressure", "first-stage", "line")
# The same, tried in the first of two stages.
_IN_FIRST = {
    "pair": ("seat_nicked", "stem_friction", "diaphragm_pinhole", "spring_relaxed"),
}
_SEAT = ("seat_nicked", "seat_debris", "seat_worn")
_CLOSING = ("stem_friction", "seat_worn")
_OUTSIDE = (
    "outlet_fitting",
    "diaphragm_torn",
    "diaphragm_pinhole",
    "bonnet_joint",
    "back_cap_gasket",
    "relief_weeping",
    "relief_low",
)
_RIG = ("rig_fitting", "bleed_open")  # what the blank shows before the test
_SPRING = ("spring_soft", "spring_stiff", "spring_relaxed")
_THIRST = ("strainer_clogged", "orifice_small")
_SUPPLY = ("supply_starved", "supply_creeping")


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultEntry:
    """One fault.

    Attributes:
        id: stable id. sentence: what it is, in plain words.
        look_at: where to look, or what to do to see it.
        group: ids of the faults that give the same trace, itself among them.
        plans: ids of the plans that reveal it.
        first_plans: ids of those that reveal it in the first of two stages.
        check: what would reveal it where no plan here can, or "".
    """

    id: str
    sentence: str
    look_at: str
    group: tuple[str, ...]
    plans: tuple[str, ...] = ()
    check: str = ""
    first_plans: tuple[str, ...] = ()

    @property
    def revealed(self) -> bool:
        """Whether any plan here reveals it."""
        return bool(self.plans)


def _entry(
    id: str,
    sentence: str,
    look_at: str,
    group: tuple[str, ...] = (),
    plans: tuple[str, ...] = _EVERY,
) -> FaultEntry:
    return FaultEntry(
        id=id,
        sentence=sentence,
        look_at=look_at,
        group=group or (id,),
        plans=plans,
    )


def _unseen(
    id: str, sentence: str, look_at: str, check: str, group: tuple[str, ...] = ()
) -> FaultEntry:
    return FaultEntry(
        id=id,
        sentence=sentence,
        look_at=look_at,
        group=group or (id,),
        check=check,
    )


_ENTRIES = (
    _entry(
        "seat_debris",
        "Dirt on the seat keeps it from sealing.",
        "Seat, disc and strainer: clean them, look for what came through.",
        _SEAT,
    ),
    _entry(
        "seat_nicked",
        "The seat or its disc is nicked.",
        "Seat ring and disc under a lens, for a cut or an imprint.",
        _SEAT,
    ),
    _entry(
        "seat_worn",
        "The seat disc is worn, swollen or hard, or marked by the seat.",
        "Disc under a lens: a deep ring, swelling, a hard face; replace it.",
        _CLOSING,
        plans=_FUEL,
    ),
    _entry(
        "stem_friction",
        "The stem sticks in its guide.",
        "Stem and guide: dry or swollen O-ring, bent stem, dirt, wrong lubricant.",
        _CLOSING,
    ),
    _entry(
        "diaphragm_torn",
        "The diaphragm is torn.",
        "Diaphragm, its plates and centre fastener; gas at the bonnet vent.",
        _OUTSIDE,
        plans=_LEAKS_OUT,
    ),
    _entry(
        "diaphragm_pinhole",
        "The diaphragm has a pinhole.",
        "Leak solution or a bubble tube at the open bonnet vent.",
        _OUTSIDE,
        plans=_LEAKS_OUT,
    ),
    _entry(
        "back_cap_gasket",
        "The gasket of the back cap leaks.",
        "Leak solution round the back cap; gasket and its faces.",
        _OUTSIDE,
        plans=_LEAKS_OUT,
    ),
    _entry(
        "bonnet_joint",
        "The joint between body and bonnet leaks.",
        "Leak solution round the bonnet flange; screws, their sequence, the bead.",
        _OUTSIDE,
        plans=_LEAKS_OUT,
    ),
    _entry(
        "outlet_fitting",
        "The joint at the regulator's outlet leaks.",
        "Leak solution at the outlet joint; thread, seal, nut.",
        _OUTSIDE,
        plans=_LEAKS_OUT,
    ),
    _entry(
        "relief_weeping",
        "The internal relief's seat weeps.",
        "Bubble tube at the open bonnet vent; relief seat and its spring.",
        _OUTSIDE,
        plans=("low-pressure", "service"),
    ),
    _entry(
        "relief_low",
        "The internal relief opens too early.",
        "Bubble tube at the open bonnet vent, outlet locked up; its spring.",
        _OUTSIDE,
        plans=("low-pressure", "service"),
    ),
    _unseen(
        "spring_soft",
        "The main spring is too soft for this regulator.",
        "Spring against the parts list: colour, wire, length, number of turns.",
        "The outlet's fall from a small flow to the rated flow.",
        _SPRING,
    ),
    _unseen(
        "spring_stiff",
        "The main spring is too stiff for this regulator.",
        "Spring against the parts list: colour, wire, length, number of turns.",
        "The outlet's fall from a small flow to the rated flow.",
        _SPRING,
    ),
    _unseen(
        "spring_relaxed",
        "The spring gives way or the lock nut is loose: the setting goes down.",
        "Lock nut and adjuster; spring length against a new one.",
        "Read the set pressure again after the lockups.",
        _SPRING,
    ),
    _unseen(
        "vent_blocked",
        "The bonnet vent is blocked.",
        "Vent screen: insects, paint, ice, a shipping plug left in.",
        "Look through the vent, or feel for air at it while the outlet is exercised.",
    ),
    _unseen(
        "strainer_clogged",
        "The inlet strainer is clogged.",
        "Strainer and inlet port.",
        "Raise the flow to the rated one and see whether the outlet holds.",
        _THIRST,
    ),
    _unseen(
        "orifice_small",
        "The orifice is smaller than it should be.",
        "Orifice size against the parts list.",
        "Raise the flow to the rated one and see whether the outlet holds.",
        _THIRST,
    ),
    _entry(
        "hunting",
        "The outlet hunts: it swings to and fro.",
        "Vent and damping, stem guide, the volume behind the outlet.",
    ),
    _entry(
        "supply_starved",
        "The rig's supply can't keep the inlet up.",
        "Supply valve, its regulator and filter, the hose to the rig.",
        _SUPPLY,
    ),
    _entry(
        "supply_creeping",
        "The rig's supply creeps up.",
        "The supply's own regulator: its seat.",
        _SUPPLY,
        plans=_FUEL,
    ),
    _entry(
        "zero_drift",
        "The zero of the outlet's transducer drifts.",
        "Transducer: warm-up, temperature, overload; compare it with a reference.",
        plans=_FUEL,
    ),
    _unseen(
        "span_error",
        "The span of the outlet's transducer is off.",
        "Transducer and its calibration record.",
        "Compare it with a reference gauge under pressure: proofstand rig calibrate.",
        ("span_error", "line_water"),
    ),
    _entry(
        "transducer_stuck",
        "The outlet's transducer says the same for ever.",
        "Transducer, its cable, its input.",
    ),
    _unseen(
        "line_water",
        "There is water in the line to the outlet's transducer.",
        "Drain the line; lead it upwards from the tapping.",
        "Compare it with a reference gauge under pressure, at the outlet itself.",
        ("span_error", "line_water"),
    ),
    _entry(
        "rig_fitting",
        "A fitting of the rig leaks on the outlet side.",
        "Rig with the blank fitted: leak solution at hoses and fittings.",
        _RIG,
        plans=_LOW,
    ),
    _entry(
        "bleed_open",
        "The bleed valve does not shut.",
        "Bleed valve: a tube from its outlet into water shows bubbles when shut.",
        _RIG,
        plans=_LOW,
    ),
)
CATALOGUE: dict[str, FaultEntry] = {
    entry.id: replace(
        entry,
        first_plans=tuple(p for p, ids in _IN_FIRST.items() if entry.id in ids),
    )
    for entry in _ENTRIES
}


def revealed_by(plan: str, *, first: bool = False) -> tuple[FaultEntry, ...]:
    """Return the faults that a plan reveals at their worst.

    Args:
        plan: its id.
        first: those in the first of two stages.
    """
    if first:
        return tuple(e for e in CATALOGUE.values() if plan in e.first_plans)
    return tuple(e for e in CATALOGUE.values() if plan in e.plans)
