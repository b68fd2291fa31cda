"""The cheapest check that would tell apart what a test leaves open.

Ids of checks; their words, and the cautions that belong to each, stand elsewhere.
Which check tells which causes apart is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from .cause_groups import NONE

_OF_FIRST = "first:"
# Tells the members of one group apart.
WITHIN: Mapping[str, str] = MappingProxyType(
    {
        "inside": "open_seat",
        "outside": "solution_by_place",
        "closing": "from_both_sides",
        "spring": "set_again",
        "hunting": "larger_volume",
        "relief": "tube_at_vent",
        "thirst": "flow_at_rated",
        "rig": "blanks_and_solution",
        "supply": "inlet_alone",
        "zero": "zero_twice",
        "stuck": "swap_transducers",
        NONE: "once_more",
    }
)
# Tells two groups apart.
BETWEEN: Mapping[frozenset[str], str] = MappingProxyType(
    {
        frozenset(pair): check
        for check, pairs in {
            "isolate_and_hold": [("inside", "outside"), ("first:inside", "outside")],
            "half_the_inlet": [
                ("inside", "closing"),
                ("inside", "supply"),
                ("first:inside", "first:closing"),
            ],
            "between_alone": [("inside", "first:inside"), ("closing", "first:closing")],
            "from_both_sides": [("closing", "spring"), ("closing", "relief")],
            "larger_volume": [("closing", "hunting"), ("hunting", "supply")],
            "set_again": [("spring", "zero"), ("spring", "inside")],
            "tube_at_vent": [("outside", "relief"), ("inside", "relief")],
            "flow_at_rated": [("spring", "thirst"), ("thirst", "closing")],
            "blanks_and_solution": [("outside", "rig"), ("inside", "rig")],
            "inlet_alone": [
                ("supply", "rig"),
                ("supply", "outside"),
                ("supply", "closing"),
                ("supply", "thirst"),
                ("supply", "stuck"),
            ],
            "swap_transducers": [
                ("stuck", "closing"),
                ("stuck", "inside"),
                ("stuck", "outside"),
                ("stuck", "zero"),
            ],
            "reference_gauge": [
                ("zero", "inside"),
                ("zero", "outside"),
                ("zero", "closing"),
                ("zero", "rig"),
            ],
        }.items()
        for pair in pairs
    }
)
CHECKS = frozenset({*WITHIN.values(), *BETWEEN.values()})


def checks(group: str, others: Iterable[str]) -> tuple[str, ...]:
    """Return the checks that part a group from the others, then its own members.

    Args:
        group: id of a group; several that the test can't part are joined by ``+``.
        others: ids of the groups that are named beside it, the likeliest first.
    """
    own = group.split("+")
    rest = [id for other in others for id in other.split("+")]
    pairs = [(a, b) for i, a in enumerate(own) for b in own[i + 1 :]]
    pairs += [(a, b) for b in rest for a in own]
    found = [BETWEEN[p] for a, b in pairs if (p := frozenset((a, b))) in BETWEEN]
    found += [WITHIN[id.removeprefix(_OF_FIRST)] for id in own]
    return tuple(dict.fromkeys(found))
