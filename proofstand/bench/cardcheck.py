"""What a job card says against a test: rules that stop it, and rules that warn.

Pure: card, plan, rig, day and names come in, notes go out. What the card leaves open is
not taken as good; a rule that has nothing to look at says nothing.
"""

from __future__ import annotations

import datetime
import difflib
import itertools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

from records.errors import CARD_IDS, RefusedError
from records.gas.names import (
    OXIDISERS,
    TOXIC,
    gas_named,
    gases_in,
    hazard_of,
    is_known,
    is_oxidiser,
    nearest_gas,
)
from records.inspection import BROKEN, RESULTS_OF, Point
from records.jobcard import FAMILIES, Disposition, JobCard
from records.materials import (
    MUST_REPLACE,
    SOURCE,
    Grade,
    lubricant_doubt,
    seal_doubt,
)
from records.measure import Kind
from records.people import People
from records.plan import Plan
from records.ratings import Exceeding, above_ratings
from records.rebuild import Rebuild, same_part
from records.rig import Rig
from records.worklimits import DEFAULT, WorkLimit, WorkLimits, years_after

from ..words.sentences import material_words

_WEAR_POINTS: tuple[Point, ...] = (
    "diaphragm",
    "back cap gasket",
    "body",
    "bonnet",
    "vent",
)
_SIGNS: tuple[Point, ...] = (
    "corrosion",
    "foreign matter",
    "leak at bonnet",
    "leak at connections",
)
# Nothing on a regulator of a bench is turned harder (common practice, no source).
_MOST_TORQUE_NM = 500.0
# Families that each plan of ours is written for; a shop's own is for whom it says.
_FAMILIES_OF: Mapping[str, tuple[str, ...]] = {
    "low-pressure": ("second-stage",),
    "first-stage": ("first-stage",),
    "pair": ("second-stage", "first-stage"),
    "line": ("line",),
    "cylinder": ("cylinder-1",),
    "cylinder-flow": ("cylinder-1", "cylinder-2"),
    "cylinder-two-stage": ("cylinder-2",),
    "oxygen": ("oxygen", "cylinder-1", "cylinder-2"),
    "service": ("service",),
    "service-classes": ("service",),
}


@dataclass(frozen=True, slots=True)
class CardNote:
    """What one rule says of a card.

    Attributes:
        id: stable, see ``records.errors``. grade: ``stop`` or ``warn``.
        where: the table of the card, the rig or the plan that it is about.
        facts: what its sentence names.
    """

    id: str
    grade: Grade
    where: str
    facts: tuple[tuple[str, str], ...] = ()

    @property
    def stops(self) -> bool:
        """Whether no test may begin."""
        return self.grade == "stop"

    def refusal(self, at: str = "") -> RefusedError:
        """Return it as the error that refuses a test; ``at``: the card or its file."""
        where = f"{at}: {self.where}" if at and self.where else at or self.where
        return RefusedError(self.id, where=where, **dict(self.facts))


def _stop(id: str, where: str, **facts: object) -> CardNote:
    return _note(id, "stop", where, facts)


def _warn(id: str, where: str, **facts: object) -> CardNote:
    return _note(id, "warn", where, facts)


def _note(id: str, grade: Grade, where: str, facts: dict[str, object]) -> CardNote:
    if id not in CARD_IDS:
        raise ValueError(f"no rule of the card has the id {id!r}")
    return CardNote(id, grade, where, tuple((k, str(v)) for k, v in facts.items()))


@dataclass(frozen=True, slots=True)
class _Asked:
    """All that the rules look at."""

    job: JobCard
    plan: Plan | None
    rig: Rig | None
    today: datetime.date
    by: str
    people: People | None
    label: str
    limits: WorkLimits | None = None

    @property
    def gas(self) -> str:
        return self.job.regulator.gas

    @property
    def oxidising(self) -> bool:
        """Rules of oxygen hold: by gas, by family, or by what the plan is for."""
        by_plan = self.plan is not None and self.plan.for_oxygen
        return by_plan or self.job.regulator.oxidising

    @property
    def gases(self) -> tuple[str, ...]:
        """The service gas; oxygen too where its rules hold whatever gas is named."""
        if self.oxidising and not is_oxidiser(self.gas):
            return (self.gas, "oxygen")
        return (self.gas,)

    @property
    def as_found(self) -> bool:
        return self.plan is not None and self.plan.as_found

    @property
    def told(self) -> bool:
        """The card has tables of the work, and is no bare one of earlier days."""
        job = self.job
        return any(
            each is not None
            for each in (job.intake, job.inspection, job.as_found, job.rebuild)
        ) or bool(job.disposition)


def card_check(
    job: JobCard,
    plan: Plan | None = None,
    rig: Rig | None = None,
    today: datetime.date | None = None,
    *,
    by: str = "",
    people: People | None = None,
    label: str = "",
    limits: WorkLimits | None = None,
) -> tuple[CardNote, ...]:
    """Return what speaks against a test by this card, stops first.

    Args:
        job: the card, as in its file.
        plan: of the test; rules about it are left out where None.
        rig: of the test, as the station sees it; likewise.
        today: the day of the test; rules about dates are left out where None.
        by: who does the test; else the card's technician.
        people: the shop's list, or None where there is none.
        label: what was scanned from the regulator's label, or "".
        limits: the shop's of age, rebuilds and rubber, or None where it has none.
    """
    day = datetime.date.min if today is None else today
    narrowed, notes = _of_label(job, label)
    person = by or job.technician
    asked = _Asked(narrowed, plan, rig, day, person, people, label, limits)
    for rule in _RULES:
        notes += rule(asked)
    notes += _of_upstream(asked)
    return tuple(sorted(notes, key=lambda note: not note.stops))


def _of_upstream(asked: _Asked) -> Iterator[CardNote]:
    """Give what speaks against the other regulator of a pair, by its own card."""
    job = asked.job
    if job.upstream is None:
        return
    own = replace(asked, job=job.upstream, label="")
    for rule in _RULES:
        if rule in (_ratings, _calibrations):
            continue  # told of both together already
        for note in rule(own):
            where = f"{job.upstream_card}: {note.where}".removesuffix(": ")
            yield replace(note, where=where)


def _of_label(job: JobCard, label: str) -> tuple[JobCard, list[CardNote]]:
    """Return the card of the regulator that is on the bench."""
    known = ", ".join(job.known_serials)
    if not label.strip():
        if len(job.known_serials) > 1:
            return job, [_stop("label_wanted", "serials", known=known)]
        return job, []
    serial = job.serial_of(label)
    if serial is None:
        return job, [
            _stop(
                "label_differs",
                "regulator",
                given=label.strip(),
                card=job.id,
                known=known,
            )
        ]
    return (job.of_serial(serial) if job.serials else job), []


# --- intake --------------------------------------------------------------------------


def _intake(asked: _Asked) -> Iterator[CardNote]:
    job = asked.job
    if not job.purged:
        yield _stop("no_purge_statement", "purged")
    intake = job.intake
    if intake and intake.serial_unreadable and not intake.shop_number:
        yield _stop("shop_number_missing", "intake")
    tagged = intake is not None and intake.serial_unreadable
    if not job.regulator.serial.strip() and not tagged:
        yield _stop("serial_missing", "regulator")
    rebuild = job.rebuild
    if asked.as_found and rebuild is not None and (rebuild.parts or rebuild.torques):
        yield _stop("as_found_too_late", "rebuild")


def _test_gas(asked: _Asked) -> Iterator[CardNote]:
    """Say what speaks against the card's test gas, and the plan's where it differs."""
    job, plan = asked.job, asked.plan
    stated = {"test_gas": job.test_gas}
    if plan is not None and gas_named(plan.test_gas) != gas_named(job.test_gas):
        stated["plan"] = plan.test_gas
    for where, gas in stated.items():
        hazard, reason = hazard_of(gas), job.test_gas_reason.strip()
        if gas.strip() and not is_known(gas):
            grade = _warn if reason else _stop
            yield grade("test_gas_unknown", where, gas=gas.strip(), near=_near(gas))
        elif hazard != "inert" and not reason:
            # dry air is common on a bench; it is no gas for oxygen parts
            plain = hazard == "air" and not asked.oxidising
            grade = _warn if plain else _stop
            yield grade("test_gas_not_inert", where, gas=gas.strip() or "not stated")
        if hazard == "fuel":
            yield _warn("test_gas_burns", where, gas=gas)
        elif hazard == "oxidiser":
            yield _warn("test_gas_feeds_fire", where, gas=gas)
    if job.test_gas.strip() and "plan" in stated:
        yield _warn(
            "test_gas_differs", "test_gas", gas=job.test_gas, plan=stated["plan"]
        )


def _near(gas: str) -> str:
    return _meant(nearest_gas(gas))


def _meant(near: str) -> str:
    return f"Perhaps {near} is meant." if near else "Nothing known comes near it."


def _toxic(asked: _Asked) -> Iterator[CardNote]:
    """Stop what is named toxic anywhere: what is stated of a purge is not enough."""
    job = asked.job
    named = {"test_gas": job.test_gas, "regulator": asked.gas}
    if asked.plan is not None:
        named["plan"] = asked.plan.test_gas
    for where, gas in named.items():
        if gas_named(gas) in TOXIC:
            yield _stop("gas_toxic", where, gas=gas.strip())
    for gas in gases_in(job.last_service):
        if gas in TOXIC:
            yield _stop("gas_toxic", "last_service", gas=gas)


def _service_gas(asked: _Asked) -> Iterator[CardNote]:
    """Say where rules of gas and family have nothing to look at, or are at odds."""
    regulator = asked.job.regulator
    gas, family = regulator.gas.strip(), regulator.family.strip()
    if not gas:
        yield _warn("gas_not_told", "regulator")
    elif not is_known(gas):
        near = nearest_gas(gas)
        grave = near in OXIDISERS or near in TOXIC
        grade = _stop if grave else _warn
        yield grade("gas_unknown", "regulator", gas=gas, near=_near(gas))
    elif is_oxidiser(family) and not is_oxidiser(gas):
        yield _stop("gas_not_of_family", "regulator", gas=gas, family=family)
    if family and family not in FAMILIES:
        close = difflib.get_close_matches(family.lower(), FAMILIES, n=1)
        yield _warn(
            "card_family_unknown",
            "regulator",
            family=family,
            near=_meant(close[0] if close else ""),
            known=", ".join(FAMILIES),
        )


def _plan_and_family(asked: _Asked) -> Iterator[CardNote]:
    """Say where a plan of ours is for another family than the card's."""
    plan, family = asked.plan, asked.job.regulator.family.strip()
    meant = _FAMILIES_OF.get(plan.id, ()) if plan is not None else ()
    if plan is not None and meant and family in FAMILIES and family not in meant:
        yield _warn(
            "plan_of_another_family",
            "plan",
            plan=plan.id,
            wanted=" or ".join(meant),
            family=family,
        )


def _dates_ahead(asked: _Asked) -> Iterator[CardNote]:
    """Say which days of the card are still to come."""
    if asked.today == datetime.date.min:
        return
    job = asked.job
    made = job.intake.made if job.intake else None
    if made is not None and made > asked.today:
        yield _stop("made_ahead", "intake", made=made.isoformat())
    ahead = [
        f"{name} {day.isoformat()}"
        for name, day in _days(job)
        if day is not None and day > asked.today
    ]
    if ahead:
        yield _warn("date_ahead", "", what=", ".join(ahead))


def _days(job: JobCard) -> Iterator[tuple[str, datetime.date | None]]:
    intake, inspection, rebuild = job.intake, job.inspection, job.rebuild
    if intake is not None:
        yield "intake.received", intake.received
        yield "intake.stated_on", intake.stated_on
    if inspection is not None:
        yield "inspection.date", inspection.date
    if rebuild is not None:
        yield "rebuild.date", rebuild.date
        yield "rebuild.cured", rebuild.cured
        if rebuild.cleaning is not None:
            yield "rebuild.cleaning.date", rebuild.cleaning.date
    for each in job.disposition:
        yield "disposition.date", each.date


def _sections(asked: _Asked) -> Iterator[CardNote]:
    if not asked.told:
        return
    job = asked.job
    lacking = [
        name
        for name, there in (
            ("intake", job.intake),
            ("inspection", job.inspection),
            ("as_found", job.as_found),
            ("rebuild", job.rebuild or asked.as_found),
        )
        if not there
    ]
    found = job.as_found
    if found is not None and not found.done and not found.skipped.strip():
        lacking.append("as_found.skipped, why it was not done")
    if found is not None and found.done and not found.run.strip():
        lacking.append("as_found.run, the run that it was done in")
    if job.purged and job.intake is not None and not job.intake.stated_by.strip():
        lacking.append("intake.stated_by, who states that it was purged")
    inspection = job.inspection
    if inspection is not None:
        unseen = [p for p in RESULTS_OF if inspection.result(p) is None]
        if unseen:
            lacking.append("inspection of " + ", ".join(unseen))
    if lacking:
        yield _warn("section_missing", "", what="; ".join(lacking))


# --- inspection and rebuild ----------------------------------------------------------


def _inspection(asked: _Asked) -> Iterator[CardNote]:
    inspection = asked.job.inspection
    if inspection is None:
        return

    def kept(point: Point) -> bool:
        part = asked.job.rebuild.part(point) if asked.job.rebuild else None
        return part is None or part.done == "reused"

    for point in _SIGNS:
        if inspection.result(point) == "heavy":
            yield _warn("inspection_found", "inspection", what=point, result="heavy")
    if asked.as_found and inspection.forbids_pressure:
        # no pressure is put on it: the test as received is skipped, and says why
        points = ", ".join(inspection.forbids_pressure)
        yield _warn("as_found_without_pressure", "inspection", what=points)
        return
    seat = inspection.result("body seat")
    if seat in (*BROKEN, "worn") and kept("body seat"):
        grade = _warn if seat == "worn" else _stop
        yield grade("body_seat_damaged", "inspection", result=seat)
    for point in _WEAR_POINTS:
        result = inspection.result(point)
        if result in BROKEN and kept(point):
            yield _stop("damaged_part_kept", "inspection", part=point, result=result)
    if inspection.result("shipping plugs") == "in place":
        yield _stop("shipping_plug_left", "inspection")


def _parts(asked: _Asked) -> Iterator[CardNote]:
    rebuild = asked.job.rebuild
    if rebuild is None:
        return
    family = asked.job.regulator.family
    wanted: dict[str, str] = {}
    for name in rebuild.kit_replaces:
        wanted.setdefault(name, "the kit's list on the card")
    for name in MUST_REPLACE.get(family, ()):
        if not any(same_part(name, known) for known in wanted):
            wanted[name] = f"the rule for family {family}; {SOURCE}"
    for name, rule in wanted.items():
        part = rebuild.part(name)
        if part is None:
            yield _warn("part_not_told", "rebuild.parts", part=name, rule=rule)
        elif part.done == "reused":
            yield _stop("part_must_be_replaced", "rebuild.parts", part=name, rule=rule)
    for part in rebuild.parts:
        if part.done == "reused" and not part.inspected:
            yield _warn("reused_not_inspected", "rebuild.parts", part=part.name)
        elif part.done == "replaced" and not (part.lot or rebuild.lot):
            yield _warn("lot_missing", "rebuild.parts", part=part.name)


def _materials(asked: _Asked) -> Iterator[CardNote]:
    rebuild = asked.job.rebuild
    if rebuild is None:
        return
    for part, gas in itertools.product(rebuild.parts, asked.gases):
        doubt = seal_doubt(part.material or "", gas)
        if doubt is not None:
            grade = _stop if doubt.grade == "stop" else _warn
            yield grade(
                "seal_not_suited",
                "rebuild.parts",
                part=part.name,
                material=doubt.material,
                gas=gas,
                why=material_words(doubt.why),
                source=SOURCE,
            )
    for used, gas in itertools.product(rebuild.lubricants, asked.gases):
        doubt = lubricant_doubt(used.kind, gas)
        if doubt is not None:
            grade = _stop if doubt.grade == "stop" else _warn
            yield grade(
                "lubricant_not_suited",
                "rebuild.lubricants",
                name=used.name,
                kind=used.kind,
                gas=gas,
                why=material_words(doubt.why),
                source=SOURCE,
            )


def _dates_of_the_work(asked: _Asked) -> Iterator[CardNote]:
    rebuild = asked.job.rebuild
    if rebuild is None:
        return
    fitted = rebuild.date or asked.today
    if rebuild.keep_until is not None and rebuild.keep_until < fitted:
        yield _stop(
            "kit_out_of_date",
            "rebuild",
            kit=rebuild.kit or "kit",
            until=rebuild.keep_until.isoformat(),
            fitted=fitted.isoformat(),
        )
    yield from _wrenches(rebuild, fitted)


def _ages(asked: _Asked) -> Iterator[CardNote]:
    """Yield what speaks against a rebuild: age, rebuilds before, old rubber."""
    if asked.as_found or asked.today == datetime.date.min:
        return
    family, intake, rebuild = (
        asked.job.regulator.family,
        asked.job.intake,
        asked.job.rebuild,
    )
    own = asked.limits.of(family) if asked.limits else None
    limit, grade = (own, _stop) if own is not None else (DEFAULT, _warn)
    if intake is not None:
        yield from _age_at_intake(asked, limit, own is not None)
        before = intake.rebuilds
        if limit.most_rebuilds is not None and before is not None:
            if before + 1 > limit.most_rebuilds:
                yield grade(
                    "rebuilt_too_often",
                    "intake",
                    before=before,
                    most=limit.most_rebuilds,
                    source=limit.source or "no source stated",
                )
    if rebuild is not None and rebuild.cured and limit.rubber_years is not None:
        until = years_after(rebuild.cured, limit.rubber_years)
        fitted = rebuild.date or asked.today
        if until < fitted:
            yield grade(
                "rubber_too_old",
                "rebuild",
                cured=rebuild.cured.isoformat(),
                fitted=fitted.isoformat(),
                years=limit.rubber_years,
                source=limit.source or "no source stated",
            )


def _age_at_intake(asked: _Asked, limit: WorkLimit, own: bool) -> Iterator[CardNote]:
    intake = asked.job.intake
    if intake is None or limit.most_years is None:
        return
    if intake.made is None:
        if own or intake.date_code:
            code = intake.date_code or "not recorded"
            yield _warn("age_unknown", "intake", code=code, years=limit.most_years)
        return
    if years_after(intake.made, limit.most_years) < asked.today:
        yield (_stop if own else _warn)(
            "regulator_too_old",
            "intake",
            made=intake.made.isoformat(),
            years=limit.most_years,
            source=limit.source or "no source stated",
        )


def _wrenches(rebuild: Rebuild, used: datetime.date) -> Iterator[CardNote]:
    for torque in rebuild.torques:
        told = {"what": torque.what, "torque": torque.torque.typed}
        if torque.torque.value_si > _MOST_TORQUE_NM:
            yield _warn("torque_unlikely", "rebuild.torques", **told)
        if not torque.wrench:
            yield _warn("wrench_unknown", "rebuild.torques", **told)
        elif torque.wrench_due is not None and torque.wrench_due < used:
            yield _warn(
                "wrench_overdue",
                "rebuild.torques",
                what=torque.what,
                wrench=torque.wrench,
                due=torque.wrench_due.isoformat(),
                used=used.isoformat(),
            )


# --- oxygen, rig, people -------------------------------------------------------------


def _oxygen(asked: _Asked) -> Iterator[CardNote]:
    if not asked.oxidising:
        return
    rebuild, gas = asked.job.rebuild, asked.gases[-1]
    cleaned = rebuild is not None and rebuild.cleaning and rebuild.cleaning.told
    if not asked.as_found and not cleaned:
        yield _stop("oxygen_not_cleaned", "rebuild.cleaning", gas=gas)
    rig = asked.rig
    if rig is None or rig.simulated:  # no gas is on a simulated rig
        return
    if asked.as_found != rig.receiving:
        kind = "receiving" if asked.as_found else "clean"
        other = "receiving" if rig.receiving else "clean"
        yield _stop("oxygen_on_wrong_rig", rig.id, rig=rig.id, wanted=kind, other=other)
    if asked.as_found:
        return
    if rig.clean is None:
        yield _stop("rig_not_clean", rig.id, rig=rig.id, state="nothing says so")
    elif rig.clean.until < asked.today:
        state = f"it was declared until {rig.clean.until.isoformat()}"
        yield _stop("rig_not_clean", rig.id, rig=rig.id, state=state)
    elif rig.clean.date > asked.today > datetime.date.min:
        state = f"it is declared from {rig.clean.date.isoformat()} only"
        yield _stop("rig_not_clean", rig.id, rig=rig.id, state=state)


def _calibrations(asked: _Asked) -> Iterator[CardNote]:
    rig = asked.rig
    if rig is None:
        return
    for channel in rig.channels:
        if channel.measure_unit.kind is not Kind.PRESSURE:
            continue
        record = channel.calibration
        if record is None:
            yield _warn("channel_not_calibrated", rig.id, channel=channel.id)
        elif record.due < asked.today:
            # a simulated rig measures nothing that a paper could be wrong about
            grade = _warn if rig.simulated else _stop
            yield grade(
                "calibration_overdue",
                rig.id,
                channel=channel.id,
                due=record.due.isoformat(),
            )


def _people(asked: _Asked) -> Iterator[CardNote]:
    people, gas = asked.people, asked.gases[-1]
    if people is None:
        if asked.oxidising and not (asked.rig is not None and asked.rig.simulated):
            yield _warn("people_not_listed", "", gas=gas)
        return
    rebuild = asked.job.rebuild
    for name, work in (
        (asked.by, "test"),
        (rebuild.by if rebuild is not None else asked.by, "rebuild"),
    ):
        if work == "rebuild" and (rebuild is None or name == asked.by):
            continue
        if not name.strip():
            yield _stop("person_not_named", "technician", gas=gas, work=work)
        else:
            for each in asked.gases:
                if not people.may(name, each):
                    facts = {"name": name, "gas": each, "work": work}
                    yield _stop("person_not_authorised", "people", **facts)


def _ratings(asked: _Asked) -> Iterator[CardNote]:
    if asked.plan is None:
        return
    seen: set[tuple[str, str]] = set()
    for found in above_ratings(asked.plan, asked.job, asked.rig):
        # one note for each rating: the first step that goes beyond it
        if (found.side, found.of) not in seen:
            seen.add((found.side, found.of))
            yield _above(found)


def _above(found: Exceeding) -> CardNote:
    told = {
        "step": found.step,
        "asked": found.asked.typed,
        "rating": found.rating.typed,
    }
    if found.of != "nameplate":
        return _stop(
            "rig_rating_exceeded", "plan", side=found.side, of=found.of, **told
        )
    return _stop(found.id, "plan", **told)


# --- how it ends ---------------------------------------------------------------------


def _disposition(asked: _Asked) -> Iterator[CardNote]:
    if not asked.job.disposition:
        return
    last = asked.job.disposition[-1]
    if last.ending in ("scrapped", "returned unrepaired", "returned to service"):
        grade = _warn if last.ending == "returned to service" else _stop
        yield grade("job_ended", "disposition", ending=last.ending)
    elif last.ending == "on hold":
        yield _warn("job_on_hold", "disposition", why=last.note or "no reason given")
    lacking = _lacking(last, asked.oxidising)
    if lacking:
        yield _warn(
            "disposition_incomplete",
            "disposition",
            ending=last.ending,
            what=", ".join(lacking),
        )


def _lacking(last: Disposition, oxidising: bool) -> list[str]:
    lacking = [name for name in ("by", "date") if not getattr(last, name)]
    if last.ending == "scrapped" and not last.how:
        lacking.append("how (how it was made unusable)")
    if last.ending == "returned to service":
        if not last.adjuster_seal:
            lacking.append("adjuster_seal")
        if oxidising and not last.bag_seal:
            lacking.append("bag_seal (capped and bagged)")
    return lacking


_RULES: tuple[Callable[[_Asked], Iterator[CardNote]], ...] = (
    _intake,
    _toxic,
    _test_gas,
    _service_gas,
    _plan_and_family,
    _ratings,
    _inspection,
    _parts,
    _materials,
    _dates_ahead,
    _dates_of_the_work,
    _ages,
    _oxygen,
    _calibrations,
    _people,
    _disposition,
    _sections,
)
