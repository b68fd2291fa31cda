"""Groups of causes, how often each is met, and what each sign says of them.

A group is what the channels of a plan can't tell apart. How often a group is met among
regulators that do not pass is a shop default, to be replaced by the shop's own count. A
weight says by how much (natural logarithm of the odds) a sign at its full strength
speaks for a group; those under ``FITTED`` were fitted once to simulated tests by
``python -m benchmarks.diagnosis_fit`` and rounded to a quarter (a sign that none of
them showed keeps the usual weight), those under ``BY_HAND`` are common practice, no
source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

NONE = "none_of_these"
# What a sign says before any test of it was seen: it multiplies odds by some fifty.
USUAL_WEIGHT = 4.0
_FIRST = "first:"


@dataclass(frozen=True, slots=True)
class Group:
    """Causes that show alike.

    Attributes:
        id: name in the table. faults: ids of the catalogue.
        look_at: where to look, the cheapest look first.
        met: how often it is met, in a hundred regulators that do not pass.
        of_rig: it lies in the rig and not in the regulator.
    """

    id: str
    faults: tuple[str, ...]
    look_at: tuple[str, ...]
    met: float
    of_rig: bool = False


_OUTSIDE = (
    "outlet_fitting",
    "bonnet_joint",
    "back_cap_gasket",
    "diaphragm_pinhole",
    "diaphragm_torn",
    "relief_weeping",
    "relief_low",
)
_OUTSIDE_LOOK = ("outlet_joint", "bonnet_joint", "back_cap", "bonnet_vent", "diaphragm")
_INSIDE = ("seat_debris", "seat_nicked", "seat_worn")
_INSIDE_LOOK = ("seat", "orifice")
_SPRING = ("spring_relaxed", "spring_soft", "spring_stiff")
# Of a first stage: it has no relief of its own here.
OUTSIDE_OF_FIRST = _OUTSIDE[:5]

GROUPS: tuple[Group, ...] = (
    Group("inside", _INSIDE, _INSIDE_LOOK, 30.0),
    Group("outside", _OUTSIDE, _OUTSIDE_LOOK, 20.0),
    Group("closing", ("stem_friction", "seat_worn"), ("stem", "seat"), 16.0),
    Group("spring", _SPRING, ("adjuster_lock", "spring"), 8.0),
    Group("hunting", ("hunting",), ("bonnet_vent", "stem"), 4.0),
    Group("relief", ("relief_low",), ("relief_spring", "bonnet_vent"), 2.0),
    Group(
        "thirst", ("strainer_clogged", "orifice_small"), ("strainer", "orifice"), 2.0
    ),
    Group(
        "rig",
        ("rig_fitting", "bleed_open"),
        ("rig_fittings", "bleed_valve"),
        6.0,
        of_rig=True,
    ),
    Group(
        "supply",
        ("supply_starved", "supply_creeping"),
        ("supply_valve",),
        4.0,
        of_rig=True,
    ),
    Group("zero", ("zero_drift",), ("transducer",), 2.0, of_rig=True),
    Group("stuck", ("transducer_stuck",), ("transducer",), 1.0, of_rig=True),
)
# How often it is none of them.
NONE_MET = 5.0
# Of two stages these groups are there twice; what leaks outward leaks from either.
_TWICE = ("inside", "closing", "spring")
FIRST_GROUPS: tuple[Group, ...] = tuple(
    Group(
        _FIRST + group.id,
        tuple(_FIRST + fault for fault in group.faults),
        ("first_stage", *group.look_at),
        group.met,
    )
    for group in GROUPS
    if group.id in _TWICE
)
# What a sign says of groups. The largest of each line stands at the group that the sign
# is of, so that more of a sign never makes that group less likely.
BY_HAND: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        "bubbles_seen": {"outside": 5.0},
        "external_leak_open": {"outside": 2.0},
        "seat_leak_open": {"inside": 2.0},
        "zero_far_off": {"stuck": 6.0},
        "outlet_followed_inlet": {"inside": 4.0},
        "closes_too_high": {"closing": 4.0, "inside": 3.0},
        "not_twice_alike": {"closing": 4.0},
        "falls_in_flow": {"thirst": 5.5, "spring": 3.0},
        "unexplained": {NONE: 4.0},
    }
)
FITTED: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        "external_leak_fails": {"outside": 4.75},
        "external_leak_doubted": {"outside": 4.0},
        "never_locks_up": {"outside": 4.0},
        "seat_leak_fails": {"inside": 5.25},
        "went_on_rising": {"inside": 4.0},
        "outlet_loss_hides_it": {"outside": 4.0, "inside": 4.0},
        "lockup_too_high": {"closing": 5.0, "inside": 0.5},
        "moved_by_jerks": {"closing": 4.5, "hunting": 0.5},
        "set_pressure_off": {"spring": 4.75, "closing": 1.0},
        "relief_too_early": {"relief": 4.0},
        "outlet_swings": {"hunting": 6.0, "closing": 1.0},
        "rig_leak_over_gate": {"rig": 5.5},
        "inlet_not_held": {"supply": 6.0, "stuck": 2.25},
        "zero_moved": {"zero": 6.0},
        "reading_still": {"stuck": 7.0},
    }
)
WEIGHTS: Mapping[str, Mapping[str, float]] = MappingProxyType({**BY_HAND, **FITTED})
