"""Which pressures of a plan lie above a rating: nameplate, transducers, rig relief."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from .jobcard import JobCard
from .measure import Kind, Quantity
from .plan import Plan, Step
from .rig import Rig

Side = Literal["inlet", "outlet"]
Of = Literal["nameplate", "transducer", "relief valve"]


@dataclass(frozen=True, slots=True)
class Exceeding:
    """A pressure that a step asks for, and the rating that it lies above."""

    step: str
    side: Side
    asked: Quantity
    of: Of
    rating: Quantity


def asked_of(step: Step, job: JobCard | None) -> Iterator[tuple[Side, Quantity]]:
    """Give the pressures that a step brings each side to, gauge."""
    for pressure in (*step.stages, *step.inlets, step.inlet):
        if pressure is not None:
            yield "inlet", pressure
    target = step.target
    if step.target_from_job and job is not None:
        target = job.set_pressure
    for pressure in (step.outlet, target):
        if pressure is not None:
            yield "outlet", pressure


_BLANKED = ("rig-hold", "reference-leak")  # no regulator is on then


def above_ratings(
    plan: Plan, job: JobCard | None, rig: Rig | None = None
) -> tuple[Exceeding, ...]:
    """Return what lies above a rating, at most one for each side and rating of a step.

    Args:
        plan: as in its file, or prepared.
        job: its nameplate, and the set pressure where the plan takes that; None where
            the nameplate is not looked at.
        rig: as the station sees it; None where its ratings are not looked at.
    """
    found: list[Exceeding] = []
    for step in plan.steps:
        ratings: list[tuple[Side, Of, Quantity | None]] = []
        if job is not None and step.kind not in _BLANKED:
            plate = job.regulator.nameplate
            outlet = plate.outlet_max
            if step.kind == "relief":
                if not plate.has_relief:
                    continue  # it is left out
                outlet = plate.outlet_rating or outlet
            ratings += [
                ("inlet", "nameplate", plate.inlet_max),
                ("outlet", "nameplate", outlet),
            ]
        ratings += _of_rig(rig)
        for side, of, rating in ratings:
            above = [
                asked
                for where, asked in asked_of(step, job)
                if where == side and rating and asked.value_si > rating.value_si
            ]
            if above and rating is not None:
                highest = max(above, key=lambda q: q.value_si)
                found.append(Exceeding(step.id, side, highest, of, rating))
    return tuple(found)


def _of_rig(rig: Rig | None) -> list[tuple[Side, Of, Quantity | None]]:
    if rig is None:
        return []
    found: list[tuple[Side, Of, Quantity | None]] = []
    sides: tuple[Side, ...] = ("inlet", "outlet")
    for side in sides:
        found.append((side, "relief valve", rig.relief(side)))
        found += [
            (side, "transducer", channel.overload)
            for channel in rig.channels
            if channel.role == side and channel.measure_unit.kind is Kind.PRESSURE
        ]
    return found
