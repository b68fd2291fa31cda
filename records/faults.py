"""The catalogue of faults: plain sentence, where to look, and which plan reveals it.

A group is what the same two pressures can't tell apart; what separates its members is
a look, leak solution, another inlet pressure or a flow.
"""

from __future__ import annotations

from dataclasses import dataclass

_SEAT = ("seat_nicked", "seat_debris")
_OUTSIDE = (
    "outlet_fitting",
    "diaphragm_torn",
    "diaphragm_pinhole",
    "bonnet_joint",
    "back_cap_gasket",
)
_RIG = ("rig_fitting", "bleed_open")  # what the blank shows before the test


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultEntry:
    """One fault.

    Attributes:
        id: stable id. sentence: what it is, in plain words.
        look_at: where to look, or what to do to see it.
        group: ids of the faults that give the same trace, itself among them.
        plan: id of the plan that reveals it, or "".
        revealed: whether any plan here reveals it.
    """

    id: str
    sentence: str
    look_at: str
    group: tuple[str, ...]
    plan: str = ""
    revealed: bool = False


def _entry(
    id: str, sentence: str, look_at: str, group: tuple[str, ...] = ()
) -> FaultEntry:
    return FaultEntry(
        id=id,
        sentence=sentence,
        look_at=look_at,
        group=group or (id,),
        plan="low-pressure",
        revealed=True,
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
        "stem_friction",
        "The stem sticks in its guide.",
        "Stem and guide: dry or swollen O-ring, bent stem, dirt, wrong lubricant.",
    ),
    _entry(
        "diaphragm_torn",
        "The diaphragm is torn.",
        "Diaphragm, its plates and centre fastener; gas at the bonnet vent.",
        _OUTSIDE,
    ),
    _entry(
        "diaphragm_pinhole",
        "The diaphragm has a pinhole.",
        "Leak solution or a bubble tube at the open bonnet vent.",
        _OUTSIDE,
    ),
    _entry(
        "back_cap_gasket",
        "The gasket of the back cap leaks.",
        "Leak solution round the back cap; gasket and its faces.",
        _OUTSIDE,
    ),
    _entry(
        "bonnet_joint",
        "The joint between body and bonnet leaks.",
        "Leak solution round the bonnet flange; screws, their sequence, the bead.",
        _OUTSIDE,
    ),
    _entry(
        "outlet_fitting",
        "The joint at the regulator's outlet leaks.",
        "Leak solution at the outlet joint; thread, seal, nut.",
        _OUTSIDE,
    ),
    _entry(
        "rig_fitting",
        "A fitting of the rig leaks on the outlet side.",
        "Rig with the blank fitted: leak solution at hoses and fittings.",
        _RIG,
    ),
    _entry(
        "bleed_open",
        "The bleed valve does not shut.",
        "Bleed valve: a tube from its outlet into water shows bubbles when shut.",
        _RIG,
    ),
)
CATALOGUE: dict[str, FaultEntry] = {entry.id: entry for entry in _ENTRIES}
