"""A leak of test gas, told as one of the service gas: a note, never a decision."""

from __future__ import annotations

import dataclasses

import numpy as np

from records.errors import Reason
from records.gas.vapour import service_gas, service_gases
from records.jobcard import JobCard
from records.measure import STANDARD_TEMPERATURE_K, ZERO_CELSIUS_K, std_cm3_min
from records.plan import LeakRegime, Plan
from records.rig import Channel

from .estimate import Estimate
from .gas_conversion import Condenses, Conversion, converted
from .readings import Readings, absolute_offset
from .surroundings import barometer

LEAKS = ("seat_leak", "external_leak")


def in_service_gas(
    found: Estimate, readings: Readings, plan: Plan, job: JobCard
) -> Estimate:
    """Return a leak with a note of what it would pass of the service gas.

    Without a regime in the plan, or where the regulator serves the test gas, the leak
    comes back as it was. The pressures are those of the hold: before the leak the
    inlet's, behind it the outlet's (seat; of two each has what stands between on one
    side) or the air's (external, where the place is
    not known: an outlet's pressure before it would give less).
    """
    regime = plan.leak_regime
    used, serves = job.test_gas or plan.test_gas, job.regulator.gas
    if regime is None or found.id not in LEAKS or found.value is None or not serves:
        return found
    if _name(used) == _name(serves):
        return found
    note = _note(found, readings, regime, used, serves)
    evidence = found.evidence
    return dataclasses.replace(
        found, evidence=dataclasses.replace(evidence, notes=(*evidence.notes, *note))
    )


def _name(gas: str) -> str:
    return " ".join(gas.lower().split())


def _note(
    found: Estimate, readings: Readings, regime: LeakRegime, used: str, serves: str
) -> list[Reason]:
    test, service = service_gas(used), service_gas(serves)
    if test is None or service is None:
        unknown = serves if service is None else used
        known = ", ".join(service_gases())
        return [Reason.of("service_gas_unknown", gas=unknown, known=known)]
    window = found.evidence.window_s
    up, down = _either_side(found, readings)
    if window is None or up is None or down is None:
        return []
    air = barometer(readings, found.evidence.part, *window).level
    before = _absolute(readings, up, found, air)
    behind = _absolute(readings, down, found, air) if found.id == "seat_leak" else air
    if before is None or behind is None:
        return []
    model = dict(found.evidence.model)
    kelvin = model.get("gas_temperature_k", STANDARD_TEMPERATURE_K)
    made = converted(regime, test, service, before, min(behind, before), kelvin)
    if isinstance(made, Condenses):
        return [
            Reason.of(
                "service_gas_condenses",
                gas=serves,
                temperature=f"{kelvin - ZERO_CELSIUS_K:.0f} °C",
                vapour=f"{made.vapour_pa / 1e3:.0f} kPa absolute",
                pressure=f"{before / 1e3:.0f} kPa absolute",
            )
        ]
    return [_told(found, made, used, serves)]


def _either_side(
    found: Estimate, readings: Readings
) -> tuple[Channel | None, Channel | None]:
    """Return the channels before and behind what leaks; a second seat has its own."""
    inlet, outlet = readings.channel("inlet"), readings.channel("outlet")
    between = readings.channel("interstage")
    if between is None or found.id != "seat_leak":
        return inlet, outlet
    return (inlet, between) if found.channel == "interstage" else (between, outlet)


def _told(found: Estimate, made: Conversion, used: str, serves: str) -> Reason:
    assert found.value is not None
    ends = found.interval or (found.value, found.value)
    low = min(x * f for x in ends for f in (made.low, made.high))
    high = max(x * f for x in ends for f in (made.low, made.high))
    least, most = (f"{std_cm3_min(x):.3g} std cm3/min" for x in (low, high))
    if made.factor is None:
        return Reason.of(
            "in_service_gas_between",
            gas=serves,
            test_gas=used,
            low=f"{made.low:.2g}",
            high=f"{made.high:.2g}",
            least=least,
            most=most,
        )
    return Reason.of(
        "in_service_gas",
        gas=serves,
        test_gas=used,
        factor=f"{made.factor:.2f}",
        value=f"{std_cm3_min(found.value * made.factor):.3g} std cm3/min",
        low=least,
        high=most,
        regime=made.regime,
    )


def _absolute(
    readings: Readings, channel: Channel, found: Estimate, air_pa: float
) -> float | None:
    window = found.evidence.window_s
    assert window is not None
    held = readings.trace(channel, found.evidence.part).between(*window).good()
    if not len(held):
        return None
    level = float(np.median(held.value)) + absolute_offset(channel, air_pa)
    return level if level > 0.0 else None
