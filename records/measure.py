"""Quantities: a closed list of units, and what a pressure is measured against.

Everything inside is SI: Pa, K, s, m3, Pa/s, and Pa·m3/s for a leak, referred to gas at
293.15 K. A pressure always says gauge, absolute or difference.

Factors: NIST SP 811 (2008), appendix B.8, unless a line says otherwise. An inch of
water depends on the water's temperature; the fuel-gas trade's ``in. w.c.`` is water at
60 °F (27.71 to the psi).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum

from .errors import InputError

STANDARD_TEMPERATURE_K = 293.15
STANDARD_PRESSURE_PA = 101_325.0
ZERO_CELSIUS_K = 273.15
GAS_CONSTANT = 8.314462618  # J/(mol K), exact since the SI of 2019

# One std cm3/min at 20 °C and 101.325 kPa, in Pa·m3/s of gas at 293.15 K.
STD_CM3_MIN = STANDARD_PRESSURE_PA * 1e-6 / 60.0


class Kind(StrEnum):
    """What sort of quantity it is."""

    PRESSURE = "pressure"
    RATE = "rate of pressure"
    LEAK = "leak"
    VOLUME = "volume"
    TEMPERATURE = "temperature"
    TEMPERATURE_STEP = "temperature difference"
    TIME = "time"
    RATIO = "ratio"
    FREQUENCY = "frequency"
    COUNT = "number counted"
    COMPLIANCE = "volume per pressure"
    CONDUCTANCE = "sonic conductance"
    TORQUE = "torque"


class Reference(StrEnum):
    """What a pressure is measured against."""

    GAUGE = "gauge"
    ABSOLUTE = "absolute"
    DIFFERENCE = "difference"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of measure: SI value = typed value times ``factor`` plus ``offset``."""

    name: str
    kind: Kind
    factor: float
    offset: float = 0.0


_PSI = 6894.757293168
_INCH_WATER_60F = 248.84
_PRESSURES = {
    "Pa": 1.0,
    "hPa": 100.0,
    "kPa": 1000.0,
    "MPa": 1e6,
    "mbar": 100.0,
    "bar": 1e5,
    "atm": 101_325.0,
    "psi": _PSI,
    "in. w.c.": _INCH_WATER_60F,
    "in. w.c. (4 °C)": 249.082,
    "in. w.c. (60 °F)": _INCH_WATER_60F,
    "in. w.c. (20 °C)": 248.641,  # from the density of water (IAPWS)
    "in. w.c. (conventional)": 249.0889,
    "mm w.c. (conventional)": 9.80665,
    "mmHg": 133.3224,
    "inHg": 3386.389,
    "kgf/cm2": 98_066.5,
    "oz/in2": _PSI / 16.0,
}
# A pound-force is 4.448 221 615 260 5 N; appendix B.8 prints both to seven digits.
_POUND_FORCE_N = 4.4482216152605
_TORQUES = {
    "N·m": 1.0,
    "N.m": 1.0,
    "ft-lbf": 0.3048 * _POUND_FORCE_N,
    "in-lbf": 0.0254 * _POUND_FORCE_N,
}
# As people write them; each is the unit on the right and nothing else.
_SPELLINGS = {
    **dict.fromkeys(
        ("inwc", "inWC", "in wc", "in WC", "in w.c.", "in. wc", "in. WC", "in.w.c."),
        "in. w.c.",
    ),
    **dict.fromkeys(
        ("ft·lbf", "ft.lbf", "ft lbf", "ftlbf", "ft-lb", "ft·lb", "ft lb", "ftlb"),
        "ft-lbf",
    ),
    **dict.fromkeys(("lbf·ft", "lbf-ft", "lb-ft", "lb·ft", "lb ft"), "ft-lbf"),
    **dict.fromkeys(
        ("in·lbf", "in.lbf", "in lbf", "inlbf", "in-lb", "in·lb", "in lb", "inlb"),
        "in-lbf",
    ),
    **dict.fromkeys(("lbf·in", "lbf-in", "lb-in", "lb·in", "lb in"), "in-lbf"),
    **dict.fromkeys(("Nm", "N m", "N-m"), "N·m"),
}
# With the reference in the same word: the pressure, and what it is against.
_WITH_REFERENCE = {
    "psig": ("psi", "gauge"),
    "psia": ("psi", "absolute"),
    "barg": ("bar", "gauge"),
    "bara": ("bar", "absolute"),
    "mbarg": ("mbar", "gauge"),
    "kPag": ("kPa", "gauge"),
    "kPaa": ("kPa", "absolute"),
}
# What leaves open which of several units is meant, folded, and what to choose from.
_UNCLEAR = {
    "inh2o": "in. w.c. (60 °F, as the fuel-gas trade has it), in. w.c. (4 °C), "
    "in. w.c. (conventional)",
    "mmh2o": "mm w.c. (conventional)",
    "mmwc": "mm w.c. (conventional)",
}
_TIMES = {"ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}
_VOLUMES = {"cm3": 1e-6, "mL": 1e-6, "L": 1e-3, "m3": 1.0, "in3": 16.387064e-6}


def _flows() -> list[Unit]:
    """Return units of a regulator's flow, which is a leak's quantity on a larger scale.

    A standard volume is at 101.325 kPa and the temperature named; ANR is 100 kPa and
    20 °C (ISO 8778).
    """
    sixty = (60.0 + 459.67) / 1.8
    foot = 0.3048**3
    minute, hour = 60.0, 3600.0
    rows = (
        ("std L/min", 1e-3 / minute, STANDARD_TEMPERATURE_K, STANDARD_PRESSURE_PA),
        ("std L/min (0 °C)", 1e-3 / minute, ZERO_CELSIUS_K, STANDARD_PRESSURE_PA),
        ("std m3/h", 1.0 / hour, STANDARD_TEMPERATURE_K, STANDARD_PRESSURE_PA),
        ("std m3/h (0 °C)", 1.0 / hour, ZERO_CELSIUS_K, STANDARD_PRESSURE_PA),
        ("std ft3/h (60 °F)", foot / hour, sixty, STANDARD_PRESSURE_PA),
        ("L/min (ANR)", 1e-3 / minute, STANDARD_TEMPERATURE_K, 1e5),
    )
    return [
        Unit(name, Kind.LEAK, per_s * pa * STANDARD_TEMPERATURE_K / kelvin)
        for name, per_s, kelvin, pa in rows
    ]


def _units() -> dict[str, Unit]:
    units = [Unit(n, Kind.PRESSURE, f) for n, f in _PRESSURES.items()]
    units += [
        Unit(f"{p}/{t}", Kind.RATE, f / s)
        for p, f in _PRESSURES.items()
        for t, s in _TIMES.items()
    ]
    units += [Unit(n, Kind.VOLUME, f) for n, f in _VOLUMES.items()]
    units += [Unit(n, Kind.TIME, f) for n, f in _TIMES.items()]
    units += [Unit(n, Kind.TORQUE, f) for n, f in _TORQUES.items()]
    units += [
        Unit("K", Kind.TEMPERATURE, 1.0),
        Unit("°C", Kind.TEMPERATURE, 1.0, ZERO_CELSIUS_K),
        Unit("°F", Kind.TEMPERATURE, 5.0 / 9.0, ZERO_CELSIUS_K - 32.0 * 5.0 / 9.0),
        Unit("Pa·m3/s", Kind.LEAK, 1.0),
        Unit("Pa.m3/s", Kind.LEAK, 1.0),
        Unit("mbar·L/s", Kind.LEAK, 0.1),
        Unit("mbar.L/s", Kind.LEAK, 0.1),
        Unit("std cm3/min", Kind.LEAK, STD_CM3_MIN),
        Unit("std cm3/min (20 °C)", Kind.LEAK, STD_CM3_MIN),
        Unit(
            "std cm3/min (0 °C)",
            Kind.LEAK,
            STD_CM3_MIN * STANDARD_TEMPERATURE_K / ZERO_CELSIUS_K,
        ),
        *_flows(),
        Unit("1", Kind.RATIO, 1.0),
        Unit("%", Kind.RATIO, 0.01),
        Unit("Hz", Kind.FREQUENCY, 1.0),
        *(Unit(n, Kind.COUNT, 1.0) for n in ("counted", "places", "bubbles", "times")),
        Unit("cm3/Pa", Kind.COMPLIANCE, 1e-6),
        Unit("m3/(s·Pa)", Kind.CONDUCTANCE, 1.0),
        Unit("dm3/(s·bar)", Kind.CONDUCTANCE, 1e-8),
        Unit("dm3/(s.bar)", Kind.CONDUCTANCE, 1e-8),
    ]
    named = {unit.name: unit for unit in units}
    for spelt, name in _SPELLINGS.items():
        named[spelt] = Unit(spelt, named[name].kind, named[name].factor)
    return named


UNITS = _units()
SI_UNIT = {
    Kind.PRESSURE: "Pa",
    Kind.RATE: "Pa/s",
    Kind.LEAK: "Pa·m3/s",
    Kind.VOLUME: "m3",
    Kind.TEMPERATURE: "K",
    Kind.TEMPERATURE_STEP: "K",
    Kind.TIME: "s",
    Kind.RATIO: "1",
    Kind.FREQUENCY: "Hz",
    Kind.COUNT: "counted",
    Kind.COMPLIANCE: "m3/Pa",
    Kind.CONDUCTANCE: "m3/(s·Pa)",
    Kind.TORQUE: "N·m",
}
_REFERENCES = (Reference.GAUGE, Reference.ABSOLUTE, Reference.DIFFERENCE)
# One to three digits and groups of three, as 1,000; no thousands begin with a nought.
_THOUSANDS = re.compile(
    r"\s*[+-]?([1-9]\d{0,2}(?:[, \u00a0\u202f]\d{3})+)(?![\d,])(\.\d*)?"
)
_NUMBER = re.compile(r"\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*)$")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in SI, its kind and reference, and what was typed."""

    value_si: float
    kind: Kind
    reference: Reference
    typed: str


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty, SI; ``dof`` is None when infinite."""

    value: float
    u: float
    kind: Kind
    reference: Reference
    dof: float | None = None


def unit_of(name: str, where: str = "", kind: Kind | None = None) -> Unit:
    """Return the unit of that name.

    Args:
        name: as typed.
        where: the place to name in an error.
        kind: the kind that is wanted, so that an error lists its units.

    Raises:
        InputError: ``quantity_unit_missing``; ``quantity_unit_unknown``: the facts
            list the nearest ones.
    """
    unit = UNITS.get(name.strip())
    if not name.strip():
        raise InputError("quantity_unit_missing", where=where, near=_usual(kind))
    if unit is None:
        import difflib  # only needed to help after an error

        unclear = _UNCLEAR.get("".join(re.findall(r"\w", name.lower())))
        # Rates are only near to what was meant as one.
        lower = {
            u.lower(): u
            for u, known in UNITS.items()
            if kind in (None, Kind.TEMPERATURE_STEP, known.kind)
            and ("/" in name or "/" not in u)
            and u not in _SPELLINGS
        }
        close = difflib.get_close_matches(name.strip().lower(), lower, n=4, cutoff=0.3)
        near = [lower[each] for each in close]
        raise InputError(
            "quantity_unit_unknown",
            where=where,
            unit=name.strip(),
            near=unclear or ", ".join(near) or _usual(kind),
        )
    return unit


def _usual(kind: Kind | None) -> str:
    """Return the usual units of a kind, for who named none that comes near."""
    if kind in (None, Kind.PRESSURE):
        return "psi, in. w.c., kPa, bar, mbar"
    return ", ".join([u for u, known in UNITS.items() if known.kind is kind][:5])


def parse_quantity(text: str, kind: Kind | None = None, where: str = "") -> Quantity:
    """Read ``"11 in. w.c. gauge"`` and the like.

    Args:
        text: number, unit and, for a pressure, its reference.
        kind: the kind that is wanted, or None for any.
        where: the place to name in an error.

    Returns:
        The quantity in SI.

    Raises:
        InputError: unreadable number, unknown unit, wrong kind, a pressure without
            gauge, absolute or difference, or a reference where none belongs; a comma
            that may stand between thousands.
    """
    match = _NUMBER.match(text)
    if match is None:
        raise InputError("quantity_unreadable", where=where, given=repr(text))
    _check_one_reading(text, where)
    number = float(match[1].replace(",", "."))
    rest, reference = _apart(match[2].strip())
    unit = unit_of(rest, where, kind)
    if kind is Kind.TEMPERATURE_STEP and unit.kind is Kind.TEMPERATURE:
        # A temperature difference: the zero of the scale does not enter.
        unit = Unit(unit.name, Kind.TEMPERATURE_STEP, unit.factor)
    if kind is not None and unit.kind is not kind:
        raise InputError(
            "quantity_kind_wrong",
            where=where,
            given=repr(text),
            found=unit.kind.value,
            wanted=kind.value,
        )
    if unit.kind is Kind.PRESSURE and reference is Reference.NONE:
        raise InputError("quantity_reference_missing", where=where, given=repr(text))
    if unit.kind is not Kind.PRESSURE and reference is not Reference.NONE:
        raise InputError("quantity_reference_wrong", where=where, given=repr(text))
    value = number * unit.factor + unit.offset
    if not math.isfinite(value):
        raise InputError("quantity_unreadable", where=where, given=repr(text))
    return Quantity(value, unit.kind, reference, text.strip())


def _check_one_reading(text: str, where: str) -> None:
    """Refuse a number whose comma could stand before decimals or between thousands."""
    grouped = _THOUSANDS.match(text)
    if grouped is None:
        return
    whole = re.sub(r"\D", "", grouped[1]) + (grouped[2] or "")
    readings = [whole]
    if grouped[2] is None and grouped[1].count(",") == 1 and " " not in grouped[1]:
        readings.append(grouped[1].replace(",", "."))
    raise InputError(
        "quantity_two_readings",
        where=where,
        given=repr(text),
        readings=" or ".join(readings),
    )


def _apart(typed: str) -> tuple[str, Reference]:
    """Return a unit's name without the reference that follows it, and that."""
    if typed in _WITH_REFERENCE:
        unit, reference = _WITH_REFERENCE[typed]
        return unit, Reference(reference)
    for candidate in _REFERENCES:
        if typed == candidate.value or typed.endswith(" " + candidate.value):
            return typed[: -len(candidate.value)].strip(), candidate
    return typed, Reference.NONE


def as_gauge_words(pressure: Quantity) -> str:
    """Return what an absolute pressure is as gauge, in its own unit, rounded.

    Against a standard atmosphere, 101.325 kPa: to tell a person, not to reckon with.
    A gauge pressure or a difference is returned with its value as it is.
    """
    air = STANDARD_PRESSURE_PA if pressure.reference is Reference.ABSOLUTE else 0.0
    unit = typed_unit(pressure)
    value = to_unit(pressure.value_si - air, unit)
    return f"{value:.4g} {unit.name} {Reference.GAUGE.value}"


def typed_unit(quantity: Quantity) -> Unit:
    """Return the unit that a quantity was typed in."""
    match = _NUMBER.match(quantity.typed)
    assert match is not None  # it was read by the same rule
    return unit_of(_apart(match[2].strip())[0])


def to_unit(value_si: float, unit: Unit, *, difference: bool = False) -> float:
    """Return an SI value in a unit; a difference ignores the unit's zero."""
    return (value_si - (0.0 if difference else unit.offset)) / unit.factor


def std_cm3_min(leak_si: float) -> float:
    """Return a leak of Pa·m3/s (293.15 K) in std cm3/min (20 °C, 101.325 kPa)."""
    return leak_si / STD_CM3_MIN
