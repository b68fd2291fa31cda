"""What gases are called, and what kind each is: one name each, however it is written.

The kinds say roughly what a gas does to people and fire. Common practice, no source;
a gas that is not named here is not thereby harmless.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Literal

# They burn what air does not: cleaned parts and suited lubricants only.
OXIDISERS = frozenset({"oxygen", "nitrous oxide"})
FUELS = frozenset(
    {"propane", "butane", "isobutane", "propylene", "natural gas", "methane", "LPG"}
)
# What burns in air, the fuels of the trade among them.
FLAMMABLE = FUELS | {"hydrogen", "acetylene", "ethylene", "ethane", "butene"}
# Not for an open bench, whatever was purged.
TOXIC = frozenset(
    {
        *("ammonia", "arsine", "boron trifluoride", "carbon monoxide", "chlorine"),
        *("diborane", "ethylene oxide", "fluorine", "germane", "hydrogen bromide"),
        *("hydrogen chloride", "hydrogen cyanide", "hydrogen fluoride"),
        *("hydrogen sulfide", "nitric oxide", "nitrogen dioxide", "ozone"),
        *("phosgene", "phosphine", "silane", "sulfur dioxide"),
    }
)
INERT = frozenset({"nitrogen", "argon", "helium", "carbon dioxide"})
AIR = "air"
# What else burns; the lists of seals and lubricants say nothing of it.
_BURN = frozenset({"hydrogen", "ethane", "ethylene", "acetylene", "carbon monoxide"})
NAMES = frozenset({*OXIDISERS, *FLAMMABLE, *TOXIC, *INERT, AIR})
Hazard = Literal["inert", "air", "fuel", "oxidiser", "unknown"]

# What else is written for them: formulas, words of the trade, other spellings.
_ALSO: Mapping[str, tuple[str, ...]] = {
    "nitrogen": ("N2", "GN2", "oxygen-free nitrogen", "OFN"),
    "argon": ("Ar",),
    "helium": ("He",),
    "carbon dioxide": ("CO2",),
    "oxygen": (
        *("O2", "GOX", "LOX", "dioxygen", "oxy", "oxigen", "oxygène", "oxygene"),
        *("nitrox", "heliox", "carbogen"),  # mixtures that feed a fire as it does
    ),
    "nitrous oxide": ("N2O", "nitrous", "laughing gas", "dinitrogen monoxide"),
    "propane": ("C3H8", "R-290"),
    "propylene": ("C3H6", "propene"),
    "butane": ("C4H10", "n-butane"),
    "isobutane": ("i-butane", "R-600a"),
    "LPG": ("LP gas", "LP", "liquefied petroleum gas", "liquid petroleum gas"),
    "natural gas": ("NG", "CNG", "LNG"),
    "methane": ("CH4", "biomethane"),
    "hydrogen": ("H2",),
    "acetylene": ("C2H2", "ethyne"),
    "ethylene": ("C2H4", "ethene"),
    "ethane": ("C2H6",),
    "ammonia": ("NH3", "R-717"),
    "carbon monoxide": ("CO",),
    "chlorine": ("Cl2",),
    "fluorine": ("F2",),
    "hydrogen chloride": ("HCl",),
    "hydrogen cyanide": ("HCN",),
    "hydrogen fluoride": ("HF",),
    "hydrogen sulfide": ("H2S", "hydrogen sulphide"),
    "nitric oxide": ("NO",),
    "nitrogen dioxide": ("NO2",),
    "ozone": ("O3",),
    "phosphine": ("PH3",),
    "arsine": ("AsH3",),
    "silane": ("SiH4",),
    "sulfur dioxide": ("SO2", "sulphur dioxide"),
}
# Said of a gas, and no gas themselves: grades, states, where it comes from.
_GRADES = frozenset(
    {
        *("medical", "industrial", "technical", "commercial", "compressed", "dry"),
        *("pure", "purity", "high", "ultra", "grade", "gas", "gaseous", "liquid"),
        *("vapour", "vapor", "cylinder", "bottled", "bottle", "welding", "research"),
        *("instrument", "shop", "workshop", "plant", "breathing", "synthetic", "zero"),
        *("clean", "filtered", "oil", "free", "food", "uhp", "mix", "mixture", "and"),
        *("with", "in", "percent", "ppm", "vol", "hd", "house", "line"),
    }
)
_BETWEEN = re.compile(r"[^\w.]+|_+")
_NUMBER = re.compile(r"[a-z]?\d+(?:\.\d+)?")
_MOST_WORDS = 4


def gas_named(text: str) -> str:
    """Return a gas's name as these lists have it; what they don't know, in lower case.

    Of a mixture the gravest part counts: a toxic one, one that feeds a fire, one that
    burns. What is unknown counts before air and inert gases.
    """
    return _named(text)


@lru_cache(maxsize=256)
def _named(text: str) -> str:
    plain = _plain(text)
    if plain in _BY_WORDS:
        return _BY_WORDS[plain]
    found, left = _read(plain)
    for kind in (TOXIC, OXIDISERS, FLAMMABLE):
        gravest = [name for name in found if name in kind]
        if gravest:
            return gravest[0]
    if not found or left:
        return " ".join(text.split()).lower()
    return AIR if AIR in found else found[0]


def gases_in(text: str) -> tuple[str, ...]:
    """Return the gases that a free text speaks of.

    A formula without a number, as ``He``, could be any word and is passed over.
    """
    found = []
    for name, words in _parts(_plain(text)):
        short = len(words) < 4 and not any(sign.isdigit() for sign in words)
        if name and (not short or name == AIR):
            found.append(name)
    return tuple(dict.fromkeys(found))


def is_known(gas: str) -> bool:
    """Tell whether these lists know a gas."""
    return gas_named(gas) in NAMES


def nearest_gas(gas: str) -> str:
    """Return the name that comes nearest to one that is not known, or ""."""
    near = difflib.get_close_matches(_plain(gas), _BY_WORDS, n=1, cutoff=0.75)
    return _BY_WORDS[near[0]] if near else ""


def is_oxidiser(gas: str) -> bool:
    """Tell whether a gas is oxygen, or burns things as oxygen does."""
    return gas_named(gas) in OXIDISERS


def hazard_of(gas: str) -> Hazard:
    """Return what a gas does to people and fire, roughly; "unknown" is no clearance."""
    name = gas_named(gas)
    if name in OXIDISERS:
        return "oxidiser"
    if name in FUELS or name in _BURN:
        return "fuel"
    if name in INERT:
        return "inert"
    return "air" if name == AIR else "unknown"


def _plain(text: str) -> str:
    """Return the words of a name alone, a formula's small digits as plain ones."""
    folded = unicodedata.normalize("NFKC", text).casefold()
    words = (word.strip(".") for word in _BETWEEN.split(folded))
    return " ".join(word for word in words if word)


def _read(plain: str) -> tuple[list[str], list[str]]:
    """Return the gases named in words, and the words that say nothing known."""
    parts = list(_parts(plain))
    found = [name for name, _ in parts if name]
    left = [
        words
        for name, words in parts
        if not name and words not in _GRADES and _NUMBER.fullmatch(words) is None
    ]
    return found, left


def _parts(plain: str) -> Iterator[tuple[str, str]]:
    """Give each gas with the words that name it, and each other word with ""."""
    words = plain.split()
    while words:
        for count in range(min(_MOST_WORDS, len(words)), 0, -1):
            tried = " ".join(words[:count])
            name = _BY_WORDS.get(tried, "")
            if name or count == 1:
                yield name, tried
                words = words[count:]
                break


_BY_WORDS: Mapping[str, str] = {
    **{_plain(name): name for name in NAMES},
    **{_plain(also): name for name, more in _ALSO.items() for also in more},
}
