"""Which pressures of a plan lie above a rating: nameplate, transducers, rig relief."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from .jobcard import JobCard
from .measure import Kind, Quantity
from .plan import Plan, Step
from .rig import Rig

Side = Literal["inlet", "outlet", "interstage"]
Of = Literal["nameplate", "transducer", "relief valve"]
_ABOVE_NAMEPLATE: dict[Side, str] = {
    "inlet": "pressure_above_rating",
    "outlet": "outlet_above_rating",
    "interstage": "interstage_above_rating",
}
_EXPECTED = ("set_pressure", "lockup_pressure", "lockup_highest")


@dataclass(frozen=True, slots=True)
class Exceeding:
    """A pressure that a step asks for, and the rating that it lies above."""

    step: str
    side: Side
    asked: Quantity
    of: Of
    rating: Quantity

    @property
    def id(self) -> str:
        """Stable id of what refuses a test for a nameplate's rating."""
        return _ABOVE_NAMEPLATE[self.side]


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
    for limit in step.limits:
        # nobody brings it there; the first of two stages may, and passes
        expected = limit.channel == "interstage" and limit.finding in _EXPECTED
        if expected and limit.max is not None and limit.max.of is None:
            yield "interstage", limit.max.quantity


def nameplates(
    job: JobCard, *, relieving: bool = False
) -> tuple[tuple[Side, Quantity], ...]:
    """Return the ratings stamped on what is tested, by the side that has to keep them.

    Of a pair the inlet is the first stage's, the outlet the second's; between them the
    pressure keeps the first one's outlet rating and the second one's inlet rating.
    While its relief is raised, the outlet keeps its own rating, where one is stamped.
    """
    first, last = job.cards[0].regulator.nameplate, job.regulator.nameplate
    outlet = last.outlet_rating if relieving else None
    stamped: list[tuple[Side, Quantity | None]] = [
        ("inlet", first.inlet_max),
        ("outlet", outlet or last.outlet_max),
    ]
    if job.upstream is not None:
        stamped += [("interstage", first.outlet_max), ("interstage", last.inlet_max)]
    return tuple((side, rating) for side, rating in stamped if rating is not None)


def with_interstage_rating(plan: Plan, job: JobCard) -> Plan:
    """Return the plan, stopped between two stages at the lowest of their ratings."""
    between = [rating for side, rating in nameplates(job) if side == "interstage"]
    own = plan.max_pressures.get("interstage")
    if not between:
        return plan
    lowest = min([*between, *([own] if own else [])], key=lambda q: q.value_si)
    return replace(plan, max_pressures={**plan.max_pressures, "interstage": lowest})


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
            if step.kind == "relief" and not job.regulator.nameplate.has_relief:
                continue  # it is left out
            plates = nameplates(job, relieving=step.kind == "relief")
            ratings += [(side, "nameplate", most) for side, most in plates]
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
    sides: tuple[Side, ...] = ("inlet", "outlet", "interstage")
    for side in sides:
        found.append((side, "relief valve", rig.relief(side)))
        found += [
            (side, "transducer", channel.overload)
            for channel in rig.channels
            if channel.role == side and channel.measure_unit.kind is Kind.PRESSURE
        ]
    return found
