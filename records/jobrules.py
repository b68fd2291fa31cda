"""What no job card may say, whatever the test: looked at when its file is read."""

from __future__ import annotations

from collections.abc import Callable

from .errors import InputError
from .inspection import RESULTS_OF, Inspected
from .jobcard import Disposition, JobCard
from .measure import Quantity, Reference, as_gauge_words
from .rebuild import Part, Torque

Place = Callable[..., str]


def check_card(job: JobCard, place: Place) -> None:
    """Refuse what can't be of any regulator.

    Args:
        job: parsed.
        place: returns ``file:line`` of the nth line that begins as told.

    Raises:
        InputError: ``job_not_gauge``, ``value_wrong``.
    """
    _check_counts(job, place)
    _check_gauge(job, place)
    _check_set_pressure(job, place)
    _check_rating(job, place)
    _check_points(job, place)
    _check_torques(job, place)
    _check_serials(job, place)


def _check_counts(job: JobCard, place: Place) -> None:
    """Refuse a count below nothing."""
    intake = job.intake
    if intake is not None and intake.rebuilds is not None and intake.rebuilds < 0:
        raise InputError(
            "value_wrong",
            where=place("rebuilds="),
            key="intake.rebuilds",
            given=intake.rebuilds,
            right="0 or more",
        )


def _check_gauge(job: JobCard, place: Place) -> None:
    """Refuse ratings and a set pressure that are not against the air outside.

    An absolute one taken as gauge would let in an atmosphere more than is stamped.
    """
    plate = job.regulator.nameplate
    stated: dict[str, Quantity | None] = {
        "regulator.nameplate.inlet_max": plate.inlet_max,
        "regulator.nameplate.outlet_min": plate.outlet_min,
        "regulator.nameplate.outlet_max": plate.outlet_max,
        "regulator.nameplate.outlet_rating": plate.outlet_rating,
        "set_pressure": job.set_pressure,
    }
    for key, found in stated.items():
        if found is None:
            continue
        at = place(f"{key.rsplit('.', 1)[-1]}=")
        if found.reference is not Reference.GAUGE:
            raise InputError(
                "job_not_gauge",
                where=at,
                key=key,
                given=found.typed,
                gauge=as_gauge_words(found),
            )
        lowest = key.endswith("outlet_min") and found.value_si == 0.0
        if found.value_si <= 0.0 and not lowest:
            raise InputError(
                "value_wrong",
                where=at,
                key=key,
                given=found.typed,
                right="a pressure above zero",
            )
    low, high = plate.outlet_min, plate.outlet_max
    if low is not None and high is not None and low.value_si > high.value_si:
        raise InputError(
            "value_wrong",
            where=place("outlet_min="),
            key="regulator.nameplate.outlet_min",
            given=low.typed,
            right=f"at most outlet_max, {high.typed}",
        )


def _check_rating(job: JobCard, place: Place) -> None:
    """Refuse an outlet side that may see less than it may be set to."""
    plate = job.regulator.nameplate
    rating, most = plate.outlet_rating, plate.outlet_max
    if rating is None:
        return
    if most is not None and rating.value_si < most.value_si:
        raise InputError(
            "value_wrong",
            where=place("outlet_rating="),
            key="regulator.nameplate.outlet_rating",
            given=rating.typed,
            right=f"at least outlet_max, {most.typed}",
        )


def _check_set_pressure(job: JobCard, place: Place) -> None:
    asked = job.set_pressure
    if asked is None:
        return
    right = ""
    plate = job.regulator.nameplate
    low, high = plate.outlet_min, plate.outlet_max
    if (low is not None and asked.value_si < low.value_si) or (
        high is not None and asked.value_si > high.value_si
    ):
        ends = [q.typed for q in (low, high) if q is not None]
        right = f"within the nameplate's outlet, {' to '.join(ends)}"
    if right:
        raise InputError(
            "value_wrong",
            where=place("set_pressure="),
            key="set_pressure",
            given=asked.typed,
            right=right,
        )


def _check_points(job: JobCard, place: Place) -> None:
    points = job.inspection.points if job.inspection else ()
    for i, each in enumerate(points):
        known = RESULTS_OF[each.point]
        if each.result not in known:
            raise InputError(
                "value_wrong",
                where=place("[[inspection.points]]", i),
                key=f"result of {each.point}",
                given=each.result,
                right=", ".join(known),
            )


def _check_torques(job: JobCard, place: Place) -> None:
    torques = job.rebuild.torques if job.rebuild else ()
    for i, each in enumerate(torques):
        if each.torque.value_si <= 0.0:
            raise InputError(
                "value_wrong",
                where=place("[[rebuild.torques]]", i),
                key=f"torque of {each.what}",
                given=each.torque.typed,
                right="a torque above zero, as 18 ft-lbf",
            )


def _check_serials(job: JobCard, place: Place) -> None:
    """Refuse a batch that lists another's, and what is told of one not on the card."""
    serials = job.serials
    twice = sorted({s for s in serials if serials.count(s) > 1})
    own = not serials or job.regulator.serial in serials
    if twice or "" in serials or not own:
        raise InputError(
            "value_wrong",
            where=place("serials="),
            key="serials",
            given=", ".join(serials),
            right="each once, the regulator's own among them",
        )
    known = (*job.known_serials, job.regulator.serial)
    tables: dict[str, tuple[Inspected | Part | Torque | Disposition, ...]] = {
        "[[inspection.points]]": job.inspection.points if job.inspection else (),
        "[[rebuild.parts]]": job.rebuild.parts if job.rebuild else (),
        "[[rebuild.torques]]": job.rebuild.torques if job.rebuild else (),
        "[[disposition]]": job.disposition,
    }
    for table, entries in tables.items():
        for i, entry in enumerate(entries):
            if entry.serial and entry.serial not in known:
                raise InputError(
                    "value_wrong",
                    where=place(table, i),
                    key="serial",
                    given=entry.serial,
                    right="one of " + ", ".join(dict.fromkeys(known)),
                )
