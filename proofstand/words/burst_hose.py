"""What to do when a hose bursts, for the gas and the pressure that are on the rig.

Common practice, no source; the emergency rules of the place come before it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from records.gas.names import Hazard, gas_named, hazard_of
from records.measure import Quantity

from .sentences import hose_list, hose_words

# From here on a jet of gas gets through skin. Common practice, no source.
CUTS_PA = 7e5


@dataclass(frozen=True, slots=True)
class BurstHose:
    """The page: what is on the rig, what to do in that order, what comes before it."""

    head: str
    here: str
    do: tuple[str, ...]
    last: str


def burst_hose(gas: str = "", most: Quantity | None = None) -> BurstHose:
    """Return what to do.

    Args:
        gas: that is in the hoses, "" where nothing is known of it: then what goes for
            any gas that a bench may hold.
        most: highest pressure that the test brings about, gauge, or None.
    """
    do = list(hose_list("common"))
    if most is None or most.value_si >= CUTS_PA:
        do.append(hose_words("high"))
    named = gas_named(gas)
    called = (
        f"{named[0].upper()}{named[1:]}" if named else "Nitrogen, as any inert gas,"
    )
    do += [hose_words(id, gas=called) for id in _of_gas(named)]
    here = ""
    if named and most is not None:
        here = hose_words("pressure", gas=named, most=most.typed)
    elif named:
        here = hose_words("gas_only", gas=named)
    return BurstHose(hose_words("head"), here, tuple(do), hose_words("last"))


_OF_HAZARD: Mapping[Hazard, tuple[str, ...]] = {
    "inert": ("inert",),
    "air": ("air",),
    "fuel": ("fuel", "inert"),
    "oxidiser": ("oxygen",),
    "unknown": ("inert", "other"),
}


def _of_gas(gas: str) -> tuple[str, ...]:
    return _OF_HAZARD[hazard_of(gas)] if gas else ("inert", "oxygen", "fuel")
