"""How numbers are shown: one function for screen, command line and paper.

Every number carries its unit and reference; a finding also its uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from records.judgement import Finding, FindingKind
from records.measure import SI_UNIT, UNITS, Kind, Reference, Unit, to_unit
from records.plan import Plan

from .words.sentences import page, reason

_KEY_OF_KIND = {Kind.LEAK: "leak", Kind.TIME: "time", Kind.RATE: "rate"}
STD_NOTE = "std cm3/min: at 20 °C and 101.325 kPa"
WATER_NOTE = "in. w.c.: water at 60 °F, 27.71 to the psi"
SKEW_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Shown:
    """A finding as text.

    Attributes:
        skew: the value does not lie in the middle of its interval, so that value and
            half a width would mislead.
        note: what has to stand beside the interval wherever it is shown, or "".
    """

    value: str
    uncertainty: str
    interval: str
    limit: str
    unit: str
    reference: str
    skew: bool = False
    note: str = ""

    @property
    def found(self) -> str:
        """Value and expanded uncertainty, or interval where it is skew; "" without."""
        if not self.value:
            return ""
        if self.skew:
            return f"{self.value} ({self.interval})"
        return f"{self.value} ± {self.uncertainty}"

    @property
    def whole_unit(self) -> str:
        """The unit with its reference."""
        return f"{self.unit} {self.reference}".rstrip()

    @property
    def line(self) -> str:
        """Value, expanded uncertainty, unit, reference and note in one line."""
        if not self.value:
            return "not measured"
        note = f", {self.note}" if self.note else ""
        return f"{self.found} {self.whole_unit}{note}"


MOST_SHOWN = 200  # characters of a text from somebody else's file


def plain(text: str) -> str:
    """Return a text from a file as one line that does nothing to a terminal."""
    shown = "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)
    return shown if len(shown) <= MOST_SHOWN else shown[: MOST_SHOWN - 1] + "…"


def unit_for(plan: Plan, kind: Kind, role: str) -> Unit:
    """Return the unit in which to show a quantity of a kind on a channel of a role."""
    display = plan.display
    if kind is Kind.PRESSURE:
        name = display.get(role) or display.get("pressure", "kPa")
    elif kind is Kind.TEMPERATURE:
        name = display.get("gas_temperature", "°C")
    elif kind is Kind.VOLUME:
        name = display.get("volume", "cm3")
    elif kind in _KEY_OF_KIND:
        name = display.get(_KEY_OF_KIND[kind], SI_UNIT[kind])
    elif kind is Kind.RATIO:
        name = display.get("ratio", "%")
    else:
        name = SI_UNIT[kind]
    return UNITS[name]


def digits_for(u: float) -> int:
    """Return the decimals that show an uncertainty with two significant digits."""
    if not math.isfinite(u) or u <= 0.0:
        return 3
    return max(0, min(9, 1 - math.floor(math.log10(u))))


def is_skew(value: float, low: float, high: float) -> bool:
    """Tell whether a value lies so far off its interval's middle that ± misleads."""
    return abs(value - 0.5 * (low + high)) > SKEW_SHARE * (high - low)


def number(value: float, decimals: int) -> str:
    """Return a number with fixed decimals and a true minus sign left to fonts."""
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def chance(p: float | None) -> str:
    """Return a probability of conformity as text, "" where none is known."""
    if p is None:
        return ""
    if p >= 0.9995:
        return "> 99.9 %"
    return "< 0.1 %" if p < 0.0005 else f"{100.0 * p:.1f} %"


def reference_word(reference: Reference) -> str:
    """Return the reference as it stands behind a unit, or ""."""
    return "" if reference is Reference.NONE else reference.value


def value_text(value_si: float, kind: Kind, reference: Reference, unit: Unit) -> str:
    """Return one reading as text, with unit and reference."""
    decimals = {"in. w.c.": 2, "psi": 2, "kPa": 2, "°C": 1, "bar": 3}.get(unit.name, 3)
    shown = number(to_unit(value_si, unit, difference=_is_step(kind)), decimals)
    word = reference_word(reference)
    return f"{shown} {unit.name}" + (f" {word}" if word else "")


def _is_step(kind: Kind) -> bool:
    return kind is Kind.TEMPERATURE_STEP


def _class(finding: Finding) -> str:
    """Return the class that a plan's list gives a finding, in words, or ""."""
    told = [n for n in finding.evidence.notes if n.id.startswith("class_")]
    return " ".join(reason(n) for n in told)


def show(finding: Finding, plan: Plan, role: str) -> Shown:
    """Return a finding as text in the plan's units.

    Args:
        finding: what was found.
        plan: says the units.
        role: role of the finding's channel, "" where it has none.
    """
    kind: FindingKind = finding.kind
    unit = unit_for(plan, kind.kind, role or kind.channel or "outlet")
    word = reference_word(kind.reference)

    def text(value: float, decimals: int) -> str:
        return number(to_unit(value, unit), decimals)

    decimals = 3
    value = uncertainty = interval = ""
    skew = False
    if finding.interval is not None and finding.measured is not None:
        low, high = finding.interval
        half = 0.5 * (high - low) / unit.factor
        decimals = 0 if kind.kind is Kind.COUNT else digits_for(half)
        value = text(finding.measured.value, decimals)
        uncertainty = number(half, decimals)
        skew = is_skew(finding.measured.value, low, high)
        interval = f"{text(low, decimals)} to {text(high, decimals)}"
    limit = ""
    if finding.limit is not None:
        low_end, high_end = finding.limit.min, finding.limit.max
        fine = unit.factor > 1e-4 or kind.kind is Kind.LEAK
        enough = max(decimals, 3 if fine and kind.kind is not Kind.COUNT else 0)
        if low_end is not None and high_end is not None:
            limit = f"{text(low_end, enough)} to {text(high_end, enough)}"
        elif high_end is not None:
            limit = f"at most {text(high_end, enough)}"
        elif low_end is not None:
            limit = f"at least {text(low_end, enough)}"
    note = page("noise_only") if finding.noise_only else _class(finding)
    return Shown(value, uncertainty, interval, limit, unit.name, word, skew, note)


def as_judged(finding: Mapping[str, Any]) -> Shown:
    """Return a finding of a kept judgement as text, as it was shown then.

    Args:
        finding: as the judgement's JSON has it.
    """
    shown, value, interval = (
        finding["display"],
        finding["value"],
        finding["interval"],
    )
    return Shown(
        value=str(shown["value"] or ""),
        uncertainty=str(shown["uncertainty"] or ""),
        interval=str(shown["interval"] or ""),
        limit="",
        unit=str(shown["unit"]),
        reference="" if shown["reference"] == "none" else str(shown["reference"]),
        skew=interval is not None and is_skew(float(value), *interval),
        note=str(shown["note"] or ""),
    )
