"""What stands on the page: every text and drawing, ready to be set.

Nothing here decides anything: it says what run, plan and judgement say, in words.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

from analysis.cause_groups import NONE
from records.errors import Reason
from records.judgement import Finding, Judgement, Outcome, Verdict
from records.measure import UNITS, Quantity
from records.people import Proof
from records.plan import Plan
from records.run import Run

from ..display import STD_NOTE, WATER_NOTE, Shown, chance, show
from ..drawing.bar import bar_of, bar_svg, state_ink
from ..drawing.faces import covered_for
from ..drawing.inks import PAGE
from ..drawing.picture import step_numbers
from ..report import (
    because_text,
    creep_note,
    fault_text,
    rate_notes,
    reading_note,
    role_of,
    rule_texts,
    share_text,
    stops,
    why_text,
)
from ..words.sentences import label, page, page_list, page_words, reason, role_name
from .as_found import as_found_rows
from .asheld import (
    K_95,
    attempts,
    calibration_uncertainty,
    channels_used,
    repeats,
    skipped_steps,
    steps_held,
    surroundings,
)
from .beside import NOTHING, AsFoundTest, Beside
from .certificate import SCHEMA, Certificate, Title
from .paper import Letterhead, Paper
from .told import told
from .work import declared_changes, not_recorded, work_rows

BAR_WIDTH, BAR_HEIGHT = 150.0, 15.0
_SHORT = {"closing_zero_change": page}  # said shorter on the page
_NAME, _NOTE, _MOST = 48, 400, 2000  # characters
# Said elsewhere on the page, or not of interest once a certificate is made.
_SAID_ELSEWHERE = frozenset({"simulated_rig", "plan_is_draft", "attempts_repeated"})
_NAMED_FROM = 0.2  # a page names what is likely, and says no number
_BAD = (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)
_OPEN = (Outcome.INCONCLUSIVE, Outcome.NOT_MEASURED, Outcome.CONDITIONAL_PASS)
_NEGATIVE = re.compile(r"(?<!\w)-(?=\d)")


def page_data(
    made: Certificate,
    run: Run,
    plan: Plan,
    judgement: Judgement,
    beside: Beside = NOTHING,
) -> dict[str, Any]:
    """Return everything that the page shows but the trace and the code.

    Args:
        made: title, number and so on.
        run: as read from its file.
        plan: what was judged against.
        judgement: the judgement of that run against that plan.
        beside: what stands beside it.
    """
    paper = None if beside.letterhead is None else beside.letterhead.paper
    place = "" if paper is None else paper.place
    numbers = {step: str(n) for step, n in step_numbers(plan).items()}
    table, small = _findings(judgement, run, plan, numbers, _conceded(made))
    shown = [row["found"] + row["unit"] + row["limit"] for row in (*table, *small)]
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "inks": asdict(PAGE),
        "words": page_words(),
        "band": page("band") if made.simulated else "",
        "title": made.title.said,
        "subtitle": page(f"subtitle_{made.title.value.replace(' ', '_')}"),
        "letterhead": _letterhead(beside.letterhead),
        "replaces": ""
        if made.replaces is None
        else page("replaces", number=made.replaces.number, why=made.replaces.why),
        "number": made.number,
        "issued": _moment(made.issued),
        "tested": _moment(_local(run.header.started_utc_ns))
        if run.dated
        else page("not_stated"),
        "groups": [
            {"head": page("regulator"), "rows": _regulator(run, plan), "large": True},
            {"head": page("job"), "rows": _job(run), "large": False},
            {
                "head": page("test"),
                "rows": _test(run, plan, made, place),
                "large": False,
            },
        ],
        "countersign": page("countersign", role=role_name(made.countersign))
        if made.countersign
        else "",
        "remarks": _clipped(run.header.job.notes, _NOTE),
        "not_recorded": list(
            not_recorded(
                run.header.job,
                before=made.title is Title.CONDITION_REPORT,
                as_found=beside.as_found is not None,
                place=bool(place),
            )
        ),
        "verdict": _verdict(made, judgement, plan),
        "rules": _rules(judgement),
        "stops": _once([_other_version(made, run), *stops(run, plan)]),
        "why": _why(judgement, run),
        "suspects": _suspects(judgement, run),
        "findings": table,
        "bar_shape": BAR_HEIGHT / BAR_WIDTH,
        "sources": _sources(judgement),
        "small": small,
        "as_found": _as_found(beside.as_found, run, plan, judgement),
        "earlier": _earlier_tests(made),
        "held": [
            asdict(held) | {"number": numbers.get(held.step, "")}
            for held in steps_held(run, plan, judgement)
        ],
        "around": _around(run, plan),
        "volumes": _volumes(run),
        "calibrations": _calibrations(run, plan, judgement),
        "skipped": list(skipped_steps(run, plan)),
        "notes": [*_accepted(made), *_notes(judgement, run, plan)],
        "definitions": _definitions(judgement, run, plan),
        "not_shown": list(plan.not_shown) or [page("nothing_stated")],
        "no_claims": list(page_list("no_claims")),
        "own_words": _own_words(paper),
        **_next(made, run),
        "units": [
            note
            for sign, note in (("std cm3", STD_NOTE), ("in. w.c.", WATER_NOTE))
            if any(sign in text for text in shown)
        ],
        "run": made.run_id,
        "sha256": made.run_sha256,
        "key_id": made.key_id,
        "plan_sha256": page("plan_sha256", sha256=made.plan_sha256[:16]),
        "signed": page("signed", owner=made.owner),
        "software": page(
            "software",
            version=made.software,
            analysis=made.analysis_version,
            recorder=run.header.software.version,
        ),
    }
    return _fit_for_print(data)


def _fit_for_print(data: dict[str, Any]) -> dict[str, Any]:
    """Return the data with every text one that the page can show."""
    missing = False

    def clean(value: Any, key: str = "") -> Any:
        nonlocal missing
        if isinstance(value, str):
            if key in ("bar", "ink", "logo", "sha256", "key_id"):
                return value
            line = told(value, covered_for(value), _MOST)
            missing = missing or ("[U+" in line and "[U+" not in value)
            return line
        if isinstance(value, list):
            return [clean(each, key) for each in value]
        if isinstance(value, dict):
            return {name: clean(each, name) for name, each in value.items()}
        return value

    cleaned: dict[str, Any] = clean({k: v for k, v in data.items() if k != "inks"})
    cleaned["inks"] = data["inks"]
    cleaned["missing_signs"] = page("missing_signs") if missing else ""
    return cleaned


def _local(utc_ns: int) -> datetime:
    return datetime.fromtimestamp(utc_ns / 1e9, tz=UTC).astimezone()


def _moment(when: datetime) -> str:
    """Return a local time with its offset."""
    offset = when.strftime("%z")
    return f"{when:%Y-%m-%d %H:%M} {offset[:3]}:{offset[3:5]}"


def _clipped(text: str, most: int) -> str:
    line = " ".join(text.split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def _rows(*pairs: tuple[str, str]) -> list[dict[str, str]]:
    return [
        {"label": page(id), "value": _clipped(value, _NAME * 2)}
        for id, value in pairs
        if value
    ]


def _regulator(run: Run, plan: Plan) -> list[dict[str, str]]:
    regulator = run.header.job.regulator
    plate = regulator.nameplate
    stamped = []
    if plate.inlet_max is not None:
        stamped.append(page("nameplate_inlet", most=plate.inlet_max.typed))
    low, high = plate.outlet_min, plate.outlet_max
    if low is not None and high is not None:
        least, unit = low.typed.split(" ", 1)
        least = least if high.typed.endswith(f" {unit}") else low.typed
        stamped.append(page("nameplate_outlet", least=least, most=high.typed))
    elif low is not None:
        stamped.append(page("nameplate_outlet_least", least=low.typed))
    elif high is not None:
        stamped.append(page("nameplate_outlet_most", most=high.typed))
    return [
        # two regulators are told apart by it: never clipped
        {"label": page("serial"), "value": " ".join(regulator.serial.split())},
        *_rows(
            ("model", regulator.model),
            ("family", regulator.family),
            ("gas", regulator.gas),
            ("nameplate", "; ".join(stamped)),
            *work_rows(run, plan),
        ),
    ]


def _job(run: Run) -> list[dict[str, str]]:
    job = run.header.job
    unknown = page("not_stated")
    return _rows(
        ("job_number", job.id),
        ("last_service", job.last_service or unknown),
        ("purge", page("purged" if job.purged else "not_purged")),
        ("asked", job.set_pressure.typed if job.set_pressure else ""),
        ("mounting", job.mounting or unknown),
        ("technician", job.technician or run.header.by or unknown),
        ("sender", job.intake.sender if job.intake is not None else ""),
    )


def _test(run: Run, plan: Plan, made: Certificate, place: str) -> list[dict[str, str]]:
    header = run.header
    job, rig = header.job, header.rig
    test, service = job.test_gas, job.regulator.gas
    gas = test or page("not_stated")
    if test and service:
        same = test.strip().lower() == service.strip().lower()
        id = "test_gas_same" if same else "test_gas_differs"
        gas = page(id, test=test, service=service)
    draft = page("plan_draft") if plan.status == "draft" else ""
    stations = ", ".join(s.id for s in rig.stations)
    station = page("rig_is", name=rig.name or rig.id, station=stations)
    source = header.source if header.origin == "import" else ""
    return _rows(
        (
            "plan",
            page(
                "plan_is",
                title=plan.title,
                id=plan.id,
                version=plan.version,
                draft=draft,
            ),
        ),
        ("test_gas", gas),
        ("rig", "" if source else station),
        ("place_of_test", place),
        ("attempts", attempts(run, plan) if run.marks else ""),
        ("tests_of_job", _earlier(made)),
        ("recorded_by", "" if source else header.by or page("not_stated")),
        ("imported_from", source.split(" sha256 ")[0]),
        ("issued_by", _issuer(made)),
    )


def _earlier(made: Certificate) -> str:
    """Return which test of its job it is, and how many there were before it."""
    if made.earlier is None:
        return page("earlier_unknown")
    if not made.earlier:
        return page("earlier_none")
    attempts = [e for e in made.earlier if e.same_job and not e.as_received]
    return page("earlier_is", n=len(attempts) + 1, all=len(made.earlier))


def _earlier_tests(made: Certificate) -> list[str]:
    """Return each test before it with what was done then; none is left out."""
    said = []
    for each in made.earlier or ():
        verdict = page("earlier_received") if each.as_received else ""
        verdict += each.verdict
        if each.rejected:
            verdict += page("earlier_rejected")
        job = page("earlier_this_job") if each.same_job else each.job
        line = page(
            "earlier_test", day=each.day, verdict=verdict, job=job, run=each.run
        )
        if each.work:
            line += " " + page("earlier_work", work=each.work)
        elif each.verdict != Verdict.PASS.value:
            line += " " + page("earlier_no_work")
        said.append(line)
    return said


def _issuer(made: Certificate) -> str:
    """Return who issued it and how that was shown."""
    who = made.issuer
    if who.proof is Proof.PIN:
        name = _clipped(who.name, _NAME)
        return page("by_pin", name=name, role=role_name(who.role))
    return page("by_typed", name=made.by) if made.by else page("not_stated")


def _verdict(made: Certificate, judgement: Judgement, plan: Plan) -> dict[str, str]:
    verdict = judgement.verdict
    draft = verdict is Verdict.PASS and plan.status == "draft"
    word = page("verdict_draft" if draft else f"verdict_{verdict.value}")
    means = [page(f"means_{verdict.value}")]
    if draft:
        means.append(page("means_draft"))
    if any(f.outcome is Outcome.CONDITIONAL_PASS for f in judgement.findings):
        means.append(page("means_conditional"))
    if made.title is Title.CONDITION_REPORT:
        word = page("verdict_as_found", verdict=word[0].lower() + word[1:])
        means.append(page("means_as_found"))
    if verdict is Verdict.PASS:
        ink = PAGE.conforms
    elif verdict is Verdict.FAIL:
        ink = PAGE.fails
    elif verdict is Verdict.INCONCLUSIVE:
        ink = PAGE.undecided
    else:
        ink = PAGE.ink
    return {"word": word, "means": " ".join(means), "ink": ink}


def _other_version(made: Certificate, run: Run) -> str:
    """Return that the run was judged by another version than it was tested by."""
    if made.plan_sha256 == run.header.plan_sha256:
        return ""
    before = run.header.plan.version
    return page("judged_by_other", version=made.plan_version, before=before)


def _rules(judgement: Judgement) -> list[str]:
    said = rule_texts(judgement.findings)
    if said:
        said[-1] += " " + page("doubt")
    return said


def _next(made: Certificate, run: Run) -> dict[str, Any]:
    """Return what follows: the installer's list only where a regulator may go out."""
    if made.verdict is Verdict.FAIL:
        id, head = "after_fail", "what_follows"
    elif made.verdict in (Verdict.INCONCLUSIVE, Verdict.INCOMPLETE):
        id, head = "after_open", "what_follows"
    elif made.title is Title.CONDITION_REPORT:
        id, head = "after_as_found", "what_follows"
    else:
        id, head = "installers", "installer"
    gas = run.header.job.test_gas
    named = page("full_of_named", gas=gas) if gas else page("full_of")
    points = [named] if id == "installers" else []
    return {"next_head": page(head), "next": [*points, *page_list(id)]}


def _letterhead(letterhead: Letterhead | None) -> dict[str, Any] | None:
    if letterhead is None:
        return None
    paper, logo = letterhead.paper, letterhead.logo
    return {
        "name": paper.name,
        "address": list(paper.address),
        "format": letterhead.format,
        "logo": logo.decode() if letterhead.format == "svg" else list(logo),
    }


def _own_words(paper: Paper | None) -> dict[str, Any] | None:
    """Return the shop's own paragraphs under its own name."""
    if paper is None or not paper.wording:
        return None
    return {
        "head": page("own_words", name=paper.name),
        "texts": [
            each.text
            + (each.evidence and f" ({page('evidence', evidence=each.evidence)})")
            for each in paper.wording
        ],
    }


def _as_found(
    before: AsFoundTest | None, run: Run, plan: Plan, judgement: Judgement
) -> dict[str, Any] | None:
    """Return the findings as found beside those as left, and of which run."""
    if before is None:
        return None
    header = before.run.header
    sealed = page("as_found_sealed")
    if not before.own_key:
        sealed = page("as_found_sealed_other", key=before.run.key_id[:16])
    return {
        "rows": as_found_rows(before, run, plan, judgement),
        "said": page(
            "as_found_run",
            run=before.run.id,
            sha256=before.run.sha256,
            tested=_moment(_local(header.started_utc_ns)),
            plan=page(
                "plan_is",
                title=before.plan.title,
                id=before.plan.id,
                version=before.plan.version,
                draft=page("plan_draft") if before.plan.status == "draft" else "",
            ),
            verdict=before.judgement.verdict.value,
            sealed=sealed,
        ),
    }


def _name(finding: Finding, judgement: Judgement) -> str:
    same = [
        f.channel
        for f in judgement.findings
        if f.id == finding.id and f.step == finding.step
    ]
    name = _SHORT.get(finding.id, label)(finding.id)
    return f"{name}, {finding.channel}" if len(set(same)) > 1 else name


def _why(judgement: Judgement, run: Run) -> list[str]:
    """Return why findings do not pass: each reason once, with the findings it is of."""
    found: dict[str, list[str]] = {}
    for kinds in (_BAD, _OPEN):
        for finding in judgement.findings:
            if finding.outcome in kinds and (finding.limit or finding.required):
                said = why_text(finding)
                name = f"{_name(finding, judgement)} ({finding.step})"
                found.setdefault(said, []).append(name)
    return [f"{', '.join(names)}: {said}" for said, names in found.items() if said]


def _suspects(judgement: Judgement, run: Run) -> list[dict[str, str]]:
    told = {(f.id, f.step) for f in judgement.findings if f.outcome in (*_BAD, *_OPEN)}

    def new(why: Reason) -> bool:
        facts = dict(why.facts)
        return (facts.get("finding", ""), facts.get("step", "")) not in told

    return [
        {
            "group": _listed(fault_text(id) for id in suspect.fault_group),
            "because": " ".join(
                because_text(b, run.header.rig) for b in suspect.because if new(b)
            ),
            "look": ", ".join(p.replace("_", " ") for p in suspect.look_at),
        }
        for suspect in judgement.suspects
        if suspect.fault_group != (NONE,)
        and (suspect.probability is None or suspect.probability >= _NAMED_FROM)
    ]


def _listed(sentences: Iterable[str]) -> str:
    """Return sentences as one: only the first begins with a capital letter."""
    said = [s.removesuffix(".") for s in sentences]
    return "; ".join(s if n == 0 else s[:1].lower() + s[1:] for n, s in enumerate(said))


def _sources(judgement: Judgement) -> list[dict[str, str]]:
    given = dict.fromkeys(f.limit.source for f in judgement.findings if f.limit)
    return [{"mark": _mark(n), "source": source} for n, source in enumerate(given)]


def _mark(number: int) -> str:
    letters = "abcdefghijklmnopqrstuvwxyz"
    return letters[number] if number < len(letters) else f"z{number}"


def _findings(
    judgement: Judgement,
    run: Run,
    plan: Plan,
    numbers: dict[str, str],
    accepted: Collection[tuple[str, str, str]],
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return the table's rows, and those that are listed small."""
    marks = {s["source"]: s["mark"] for s in _sources(judgement)}
    limited = any(f.limit for f in judgement.findings)
    table: list[dict[str, Any]] = []
    small: list[dict[str, Any]] = []
    for finding in judgement.findings:
        if limited and finding.kind.beside and finding.limit is None:
            continue
        row = _row(finding, judgement, run, plan, marks)
        row["number"] = numbers.get(finding.step, "")
        if (finding.step, finding.id, finding.channel) in accepted:
            row["outcome"] = page("conceded", outcome=row["outcome"])
        if finding.limit is not None or finding.required or not limited:
            row["first"] = not table or table[-1]["step"] != row["step"]
            table.append(row)
        else:
            small.append(row)
    return table, small


def _row(
    finding: Finding,
    judgement: Judgement,
    run: Run,
    plan: Plan,
    marks: dict[str, str],
) -> dict[str, Any]:
    shown = show(finding, plan, role_of(finding, run.header.rig))
    bar = bar_of(finding)
    outcome = finding.outcome.value
    if finding.limit is not None and not finding.required:
        outcome = page("information", outcome=outcome)
    return {
        "step": finding.step,
        "name": _name(finding, judgement),
        "bar": bar_svg(bar, PAGE, BAR_WIDTH, BAR_HEIGHT),
        "found": _minus(shown.found) or page("not_measured"),
        "unit": shown.whole_unit if shown.value or finding.limit else "",
        "note": shown.note,
        "limit": _minus(_limit(finding, shown)),
        "mark": marks.get(finding.limit.source, "") if finding.limit else "",
        "conforms": chance(finding.p_conform),
        "outcome": outcome,
        "ink": state_ink(bar.state, PAGE),
    }


def _conceded(made: Certificate) -> set[tuple[str, str, str]]:
    """Return step, id and channel of each fail that was accepted; it stays one."""
    found = [note.facts["finding"] for note in made.concessions]
    return {(each["step"], each["id"], each["channel"]) for each in found}


def _accepted(made: Certificate) -> list[str]:
    """Return concessions and a second judgement, in words."""
    said = [
        page(
            "concession",
            finding=note.facts["finding"]["label"],
            step=note.facts["finding"]["step"],
            by=note.by,
            why=note.facts["why"],
            agreed=note.facts["agreed_by"],
            until=note.facts["until"],
        )
        for note in made.concessions
    ]
    before = made.before
    if before is not None and before.confirmed is not None:
        said.append(
            page(
                "judged_again",
                version=made.plan_version,
                before=before.plan_version,
                by=before.confirmed.by,
                why=before.confirmed.facts["why"],
            )
        )
    return said


def _limit(finding: Finding, shown: Shown) -> str:
    """Return a limit in the words of :func:`show`; a symmetrical one is shorter."""
    limit = finding.limit
    if limit is None:
        return ""
    share = share_text(limit)
    tail = f" ({share})" if share else ""
    if limit.min is not None and limit.max is not None and limit.min == -limit.max:
        most = _short(shown.limit.rpartition(" to ")[2])
        return page("within", most=most) + tail
    return " ".join(_short(word) for word in shown.limit.split(" ")) + tail


def _short(number: str) -> str:
    """Return a limit's number without zeros that it does not need."""
    return number.rstrip("0").rstrip(".") if "." in number else number


def _minus(text: str) -> str:
    """Return a number's text with true minus signs."""
    return text.replace("-", "−")


def _around(run: Run, plan: Plan) -> str:
    known = surroundings(run, plan)
    said = [
        f"{page(role)} {known.get(role, page('not_measured'))}"
        for role in ("ambient", "gas_temperature")
    ]
    return "; ".join(said)


def _volumes(run: Run) -> list[str]:
    traits = run.header.rig.traits
    if traits is None:
        return []
    return [
        page(
            "volume",
            role=role,
            volume=v.volume.typed,
            u=_expanded(v.u),
            allowance=v.allowance.typed,
        )
        for role, v in traits.volumes.items()
    ]


def _expanded(u: Quantity) -> str:
    """Return the expanded uncertainty (k = 2) of a standard one, in its own unit."""
    unit = UNITS[u.typed.strip().split(" ", 1)[1]]
    return f"{K_95 * u.value_si / unit.factor:.4g} {unit.name}"


def _calibrations(run: Run, plan: Plan, judgement: Judgement) -> list[dict[str, str]]:
    rows = []
    for channel in channels_used(run, judgement):
        calibration = channel.calibration
        if calibration is None:
            record, how = page("no_record"), page("no_record_how")
        else:
            record = page(
                "record_is",
                id=_clipped(calibration.id, _NAME),
                made=calibration.date.isoformat(),
                due=calibration.due.isoformat(),
            )
            how = page(
                "record_how",
                standard=_clipped(calibration.standard, _NAME),
                uncertainty=calibration_uncertainty(channel, plan),
            )
        rows.append({"channel": channel.id, "record": record, "how": how})
    return rows


def _notes(judgement: Judgement, run: Run, plan: Plan) -> list[str]:
    notes = [
        *(reason(w) for w in judgement.warnings if w.id not in _SAID_ELSEWHERE),
        *repeats(run, plan),
        *declared_changes(run),
    ]
    for step, words in rate_notes(judgement, run, plan):
        notes.append(f"{step}: {words}")
    return _once(notes)


def _definitions(judgement: Judgement, run: Run, plan: Plan) -> list[str]:
    said = []
    for finding in judgement.findings:
        if finding.measured is not None:
            said.append(reading_note(finding, run))
            said.append(creep_note(finding, run, plan))
    return _once(said)


def _once(sentences: Iterable[str]) -> list[str]:
    return [_NEGATIVE.sub(_minus("-"), s) for s in dict.fromkeys(sentences) if s]
