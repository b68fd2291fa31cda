"""A job card as a page of text, to read and to lay beside the regulator."""

from __future__ import annotations

import datetime
from collections.abc import Iterable

from records.gas.names import hazard_of
from records.inspection import RESULTS_OF, Inspection
from records.jobcard import Disposition, Intake, JobCard
from records.measure import Quantity
from records.rebuild import Part, Rebuild, Torque

from .display import number, plain
from .words.sentences import card_words

_WIDTH = 22


def card_page(job: JobCard) -> str:
    """Return the page; what the card leaves open is said to be so."""
    regulator, plate = job.regulator, job.regulator.nameplate
    lines = [
        plain(f"Job {job.id}"),
        card_words("replacement"),
        "",
        *_rows(
            (
                ("serial", regulator.serial),
                ("of a batch of", ", ".join(job.serials)),
                ("as a pair behind", _pair(job)),
                ("model", regulator.model),
                ("family", regulator.family),
                ("service gas", regulator.gas),
                (
                    "nameplate inlet",
                    plate.inlet_max and f"at most {_q(plate.inlet_max)}",
                ),
                ("nameplate outlet", _ends(plate.outlet_min, plate.outlet_max)),
                ("outlet side may see", _q(plate.outlet_rating)),
                ("relief", plate.relief),
                ("set pressure asked", _q(job.set_pressure)),
                ("test gas", job.test_gas),
                ("because", job.test_gas_reason),
                ("beware", _beware(job.test_gas)),
                ("mounting", job.mounting),
                ("technician", job.technician),
            )
        ),
    ]
    lines += _intake(job)
    lines += _inspection(job.inspection)
    lines += _as_found(job)
    lines += _rebuild(job.rebuild)
    lines += _dispositions(job.disposition)
    if job.notes:
        lines += ["", "Notes", f"  {plain(job.notes)}"]
    return "\n".join(line.rstrip() for line in lines)


def _pair(job: JobCard) -> str:
    first = job.upstream
    serial = "" if first is None else f"serial {first.regulator.serial}, "
    return f"{serial}card {job.upstream_card}" if job.upstream_card else ""


def _rows(rows: Iterable[tuple[str, object]]) -> list[str]:
    return [
        f"  {name:{_WIDTH}}{plain(_text(value))}"
        for name, value in rows
        if _text(value)
    ]


def _text(value: object) -> str:
    if value is None or value is False:
        return ""
    if isinstance(value, datetime.date):
        return value.isoformat()
    return str(value)


def _beware(gas: str) -> str:
    """Return what a test gas does that is not inert."""
    hazard = hazard_of(gas)
    return "" if hazard == "inert" or not gas.strip() else card_words(f"gas_{hazard}")


def _q(quantity: Quantity | None) -> str:
    return "" if quantity is None else quantity.typed


def _ends(low: Quantity | None, high: Quantity | None) -> str:
    if low is not None and high is not None:
        return f"{low.typed} to {high.typed}"
    if high is not None:
        return f"at most {high.typed}"
    return f"at least {low.typed}" if low is not None else ""


def _signed(by: str, date: datetime.date | None) -> str:
    return ", ".join(text for text in (by, _text(date)) if text)


def _of(serial: str) -> str:
    return f" (serial {serial})" if serial else ""


def _intake(job: JobCard) -> list[str]:
    intake = job.intake or Intake()
    stated = _signed(intake.stated_by, intake.stated_on)
    purged = "sender states: purged, not toxic or corrosive"
    shop = "can't be read"
    if intake.shop_number:
        shop += f"; shop number {intake.shop_number}"
    return [
        "",
        "Intake",
        *_rows(
            (
                ("sender", intake.sender),
                ("reason", intake.reason),
                ("received", _signed(intake.by, intake.received)),
                ("serial", shop if intake.serial_unreadable else ""),
                ("date code", intake.date_code),
                ("made on", intake.made),
                ("rebuilt before", _times(intake.rebuilds)),
                ("last service", job.last_service or "not stated"),
                (
                    "purge",
                    purged + (f" ({stated})" if stated else "")
                    if job.purged
                    else "NO STATEMENT: no pressure is applied",
                ),
            )
        ),
    ]


def _times(rebuilds: int | None) -> str:
    return "" if rebuilds is None else f"{rebuilds} times"


def _inspection(inspection: Inspection | None) -> list[str]:
    lines = ["", "Inspection, before any pressure"]
    if inspection is None:
        return [*lines, "  not recorded"]
    lines += _rows((("by", _signed(inspection.by, inspection.date)),))
    for point in RESULTS_OF:
        seen = [each for each in inspection.points if each.point == point]
        if not seen:
            lines += _rows(((point, "not recorded"),))
        for each in seen:
            note = f"; {each.note}" if each.note else ""
            lines += _rows(((point, f"{each.result}{note}{_of(each.serial)}"),))
    return lines


def _as_found(job: JobCard) -> list[str]:
    found = job.as_found
    told = "not recorded"
    if found is not None:
        told = (
            f"done, run {found.run or 'not named'}"
            if found.done
            else f"skipped: {found.skipped or 'no reason given'}"
        )
    return ["", "Tested as found", f"  {plain(told)}"]


def _rebuild(rebuild: Rebuild | None) -> list[str]:
    lines = ["", "Rebuild"]
    if rebuild is None:
        return [*lines, "  not recorded"]
    kit = rebuild.kit + (f", lot {rebuild.lot}" if rebuild.lot else "")
    lines += _rows(
        (
            ("by", _signed(rebuild.by, rebuild.date)),
            ("kit", kit),
            ("kit replaces", ", ".join(rebuild.kit_replaces)),
            ("rubber good until", rebuild.keep_until),
            ("rubber cured on", rebuild.cured),
        )
    )
    lines += [line for part in rebuild.parts for line in _part(part)]
    for used in rebuild.lubricants:
        lot = f", lot {used.lot}" if used.lot else ""
        where = f", on {used.where}" if used.where else ""
        lines += _rows((("lubricant", f"{used.name} ({used.kind}){lot}{where}"),))
    lines += [line for torque in rebuild.torques for line in _torque(torque)]
    if rebuild.cleaning is not None:
        done = rebuild.cleaning
        said = _signed(done.by, done.date)
        lines += _rows((("oxygen cleaning", f"{done.how or 'how: not said'}; {said}"),))
        lines += [f"  {'':{_WIDTH}}{card_words('not_shown_clean')}"]
    return lines


def _part(part: Part) -> list[str]:
    if part.done == "replaced":
        told = ", ".join(
            text
            for text in (
                "replaced",
                part.kit and f"kit {part.kit}",
                part.lot and f"lot {part.lot}",
            )
            if text
        )
    else:
        told = "reused, " + (
            "inspected" if part.inspected else "NOT said to be inspected"
        )
    material = f", {part.material}" if part.material else ""
    note = f"; {part.note}" if part.note else ""
    return _rows(((part.name, f"{told}{material}{note}{_of(part.serial)}"),))


def torque_words(torque: Quantity) -> str:
    """Return a torque as typed, with N·m beside it where that was not typed."""
    si = f"{number(torque.value_si, 2)} N·m"
    typed_si = torque.typed.replace(".m", "·m").endswith("N·m")
    return torque.typed if typed_si else f"{torque.typed} ({si})"


def _torque(torque: Torque) -> list[str]:
    due = f", due {torque.wrench_due.isoformat()}" if torque.wrench_due else ""
    told = torque_words(torque.torque)
    told += f", {torque.sequence}" if torque.sequence else ""
    told += (
        f"; wrench {torque.wrench}{due}" if torque.wrench else "; wrench not recorded"
    )
    note = f"; {torque.note}" if torque.note else ""
    return _rows((("torque", f"{torque.what}: {told}{note}{_of(torque.serial)}"),))


def _dispositions(found: tuple[Disposition, ...]) -> list[str]:
    lines = ["", "Disposition"]
    if not found:
        return [*lines, "  open"]
    for each in found:
        said = _signed(each.by, each.date)
        more = "".join(
            f"; {text}"
            for text in (
                each.how,
                each.adjuster_seal and f"adjuster seal {each.adjuster_seal}",
                each.bag_seal and f"bag seal {each.bag_seal}",
                each.note,
            )
            if text
        )
        lines += _rows(((each.ending, f"{said}{more}{_of(each.serial)}"),))
    return lines
