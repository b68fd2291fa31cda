"""A judgement as JSON (schema ``proofstand.judgements/1``) and as a table of text."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from analysis.cause_groups import NONE
from analysis.deciding import WHAT_DECIDES
from records.errors import (
    EXIT_DONE,
    EXIT_FAIL,
    EXIT_INCOMPLETE,
    EXIT_INCONCLUSIVE,
    Reason,
    Trouble,
)
from records.faults import CATALOGUE, OF_FIRST
from records.judgement import (
    BudgetLine,
    Finding,
    Judgement,
    Outcome,
    ResolvedLimit,
    Verdict,
)
from records.measure import SI_UNIT, Kind
from records.plan import ZERO_UNCERTAINTY, Plan
from records.rig import Rig
from records.run import Mark, MarkKind, Run
from records.tomlfile import to_jsonable

from .display import (
    STD_NOTE,
    WATER_NOTE,
    chance,
    digits_for,
    number,
    show,
    unit_for,
    value_text,
)
from .words.sentences import check_words, fault, label, odds_words, page, reason

SCHEMA = "proofstand.judgements/1"
TROUBLE_SCHEMA = "proofstand.trouble/1"
EXIT_OF_VERDICT = {
    Verdict.PASS: EXIT_DONE,
    Verdict.FAIL: EXIT_FAIL,
    Verdict.INCONCLUSIVE: EXIT_INCONCLUSIVE,
    Verdict.INCOMPLETE: EXIT_INCOMPLETE,
    Verdict.NO_LIMIT: EXIT_INCOMPLETE,
}
# Several runs: the first of these that occurs.
EXIT_ORDER = (70, 5, 2, 4, 6, 10, 11, 12, 0)
MOST_SURE = 0.99  # a model of this kind claims no more
_SHARE = re.compile(r"(?:min|max) -?([\d.]+ %) of ([a-z_]+)")
_SHARE_OF = {"set_pressure": "share_set", ZERO_UNCERTAINTY: "share_zero"}
_SAW = {"outlet": "saw_outlet", "inlet": "saw_inlet"}


def combined_exit(codes: Sequence[int]) -> int:
    """Return the exit code for several runs."""
    return next((code for code in EXIT_ORDER if code in codes), 0)


def role_of(finding: Finding, rig: Rig) -> str:
    """Return the role of a finding's channel, or ""."""
    channel = rig.channel_by_id(finding.channel)
    if channel is not None:
        return channel.role
    return finding.channel if rig.channel(finding.channel) is not None else ""


def judgement_json(judgement: Judgement, run: Run, plan: Plan) -> dict[str, Any]:
    """Return one judgement as the schema has it; no NaN, null where not measured."""
    header = run.header
    # only where there are any, so that others stay as they always were
    moved = {"boundaries": to_jsonable(run.moved)} if run.moved else {}
    return {
        "run": {
            "id": judgement.run_id,
            "sha256": judgement.run_sha256 or None,
            "state": judgement.run_state,
        },
        "regulator": to_jsonable(header.job.regulator),
        "plan": {
            "id": judgement.plan_id,
            "version": judgement.plan_version,
            "sha256": judgement.plan_sha256,
        },
        "verdict": judgement.verdict.value,
        "findings": [_finding(f, plan, header.rig) for f in judgement.findings],
        "suspects": [
            {
                "fault_group": list(s.fault_group),
                "probability": s.probability,
                "because": [because_text(b, header.rig) for b in s.because],
                "look_at": list(s.look_at),
                "separate_by": [_check(id) for id in s.separate_by],
            }
            for s in judgement.suspects
        ],
        "warnings": [{"id": w.id, "message": reason(w)} for w in judgement.warnings],
        "analysis_version": judgement.analysis_version,
        "by": judgement.by,
        "supersedes": judgement.supersedes,
        **moved,
    }


def _check(id: str) -> dict[str, str]:
    do, caution = check_words(id)
    return {"check": id, "do": do, "caution": caution}


def without_odds(judgement: Judgement) -> Judgement:
    """Return a judgement as it may stand on a page: no cause has odds there."""
    bare = (replace(s, probability=None, separate_by=()) for s in judgement.suspects)
    return replace(judgement, suspects=tuple(bare))


def odds_text(probability: float | None) -> str:
    """Return how likely a group of causes is, rounded as it deserves."""
    if probability is None:
        return odds_words("none")
    if probability >= MOST_SURE:
        return odds_words("over", p=f"{100.0 * MOST_SURE:g} %")
    return odds_words("about", p=f"{100.0 * probability:.0f} %")


def why_text(finding: Finding) -> str:
    """Return why a finding is as it is, and what would decide it where it is open."""
    told = [*finding.why]
    told += [note for note in finding.evidence.notes if note.id in WHAT_DECIDES]
    return said_once(told)


def said_once(told: Iterable[Reason]) -> str:
    """Return reasons as sentences, each once: two channels may give the same one."""
    return " ".join(dict.fromkeys(reason(w) for w in told))


def rule_texts(findings: Iterable[Finding]) -> list[str]:
    """Return the decision rules of findings that have a limit, in plain words."""
    rules = dict.fromkeys((f.rule, f.risk) for f in findings if f.limit is not None)
    return [rule_text(rule, risk) for rule, risk in rules]


def rule_text(rule: str, risk: float | None) -> str:
    """Return a decision rule in plain words, with its source."""
    shown = "" if risk is None else f"{100.0 * risk:g} %"
    return page(f"rule_{rule}", risk=shown)


def because_text(why: Reason, rig: Rig) -> str:
    """Return why a group is suspected, in words that name the finding."""
    facts = dict(why.facts)
    if "finding" not in facts:
        return reason(why)
    step = f", step {facts['step']}" if facts.get("step") else ""
    return f"{label(facts['finding'])}{step}: {reason(why)}"


def fault_text(id: str) -> str:
    """Return a fault as a person would say it."""
    entry = CATALOGUE.get(id.removeprefix(OF_FIRST))
    said = entry.sentence if entry is not None else fault(id)
    if not id.startswith(OF_FIRST):
        return said
    return page("of_first_stage", fault=said[0].lower() + said[1:])


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _finding(finding: Finding, plan: Plan, rig: Rig) -> dict[str, Any]:
    kind = finding.kind
    shown = show(finding, plan, role_of(finding, rig))
    measured, limit = finding.measured, finding.limit
    return {
        "id": finding.id,
        "step": finding.step,
        "channel": finding.channel,
        "required": finding.required,
        "label": label(finding.id),
        "value": _finite(measured.value) if measured else None,
        "unit": SI_UNIT[kind.kind],
        "reference": kind.reference.value,
        "standard_uncertainty": _finite(measured.u) if measured else None,
        "dof": _finite(measured.dof) if measured else None,
        "dof_infinite": bool(measured and measured.dof is None),
        "coverage": 0.95,
        "interval": list(finding.interval) if finding.interval else None,
        "noise_only": finding.noise_only,
        "limit": None
        if limit is None
        else {"min": limit.min, "max": limit.max, "source": limit.source},
        "rule": finding.rule,
        "risk": finding.risk,
        "p_conform": _finite(finding.p_conform),
        "outcome": finding.outcome.value,
        "why": said_once(finding.why),
        "why_ids": [w.id for w in finding.why],
        "evidence": {
            "part": finding.evidence.part,
            "window_s": list(finding.evidence.window_s)
            if finding.evidence.window_s
            else None,
            "used": finding.evidence.used,
            "dropped": finding.evidence.dropped,
            "model": {name: _finite(value) for name, value in finding.evidence.model},
            "notes": [reason(n) for n in finding.evidence.notes],
        },
        "budget": [_budget(line) for line in finding.budget],
        "display": {
            "value": shown.value or None,
            "uncertainty": shown.uncertainty or None,
            "interval": shown.interval or None,
            "note": shown.note or None,
            "limit": shown.limit or None,
            "unit": shown.unit,
            "reference": shown.reference or "none",
        },
    }


def _budget(line: BudgetLine) -> dict[str, Any]:
    return {
        "source": line.source,
        "value": _finite(line.value),
        "u": _finite(line.u),
        "sensitivity": _finite(line.sensitivity),
        "dof": _finite(line.dof),
        "type": line.type,
        "group": line.group or None,
    }


def judgements_json(judgements: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return the document that ``judge --json`` prints."""
    return {"schema": SCHEMA, "judgements": list(judgements)}


def trouble_json(trouble: Trouble) -> dict[str, Any]:
    """Return an error as ``--json`` prints it."""
    return {
        "schema": TROUBLE_SCHEMA,
        "id": trouble.id,
        "what": trouble.what,
        "where": trouble.where,
        "do": trouble.do,
    }


def rate_notes(judgement: Judgement, run: Run, plan: Plan) -> list[tuple[str, str]]:
    """Return what has to be said beside rates that no volume turns into a leak.

    Returns:
        The step's id and the sentences, for each such finding.
    """
    said = []
    for finding in judgement.findings:
        if finding.id != "pressure_decay_rate":
            continue
        told = [*finding.why, *finding.evidence.notes]
        words = [reason(w) for w in told if w.id != "no_limit"]
        mean = dict(finding.evidence.model).get("mean_slope")
        if mean is not None:
            unit = unit_for(plan, finding.kind.kind, role_of(finding, run.header.rig))
            slope = f"{mean / unit.factor:.4g} {unit.name}"
            words.append(page("mean_slope", slope=slope))
        if words:
            said.append((finding.step, " ".join(dict.fromkeys(words))))
    return said


def share_text(limit: ResolvedLimit) -> str:
    """Return what a limit is a share of, as ``15 % of set``, or ""."""
    shares = dict.fromkeys(_SHARE.findall(limit.typed))
    said = []
    for size, id in shares:
        of = page(_SHARE_OF[id]) if id in _SHARE_OF else label(id).lower()
        said.append(of if size == "100 %" else page("share", share=size, of=of))
    return ", ".join(said)


def stops(run: Run, plan: Plan) -> list[str]:
    """Return where the test was stopped for over-pressure, or a step was given up.

    An over-pressure stop is told with the pressure that stood there, for whoever has
    the regulator next: the diaphragm or the inlet side saw it.
    """
    said = []
    for mark in run.marks:
        if mark.kind is MarkKind.TROUBLE:
            told = over_pressure(mark, run, plan)
            if told is not None:
                venting = mark.data.get("while") == "venting"
                note = "over_pressure_venting_note" if venting else "over_pressure_note"
                said.append(page(note, step=mark.step, **told))
                said[-1] += " " + page(_SAW.get(told["role"], "saw_other"), **told)
        elif mark.kind is MarkKind.STEP_END and mark.data.get("how") == "timed_out":
            said.append(page("given_up_note", step=mark.step))
        elif mark.kind is MarkKind.STEP_END and mark.data.get("how") == "rig_leaks":
            said.append(page("rig_leaks_note", step=mark.step))
        elif mark.kind is MarkKind.STEP_END and mark.data.get("how") == "opened":
            said.append(page("opened_note", step=mark.step))
    return said


def over_pressure(mark: Mark, run: Run, plan: Plan) -> dict[str, str] | None:
    """Return channel, role, limit and value of an over-pressure mark, as text.

    Returns:
        None for any other mark. ``reached`` is the highest good reading from the mark
        to the end of its part, or the mark's own where that is higher: a valve takes a
        moment.
    """
    channel = run.header.rig.channel_by_id(mark.data.get("channel", ""))
    if mark.data.get("trouble") != "over_pressure" or channel is None:
        return None
    trace = run.trace(channel, mark.part).good()
    after = trace.value[trace.t_s >= mark.t_s]
    value = _number(mark.data.get("value", ""))
    limit = _number(mark.data.get("limit", ""))
    read = [value, float(after.max()) if after.size else math.nan]
    highest = max((each for each in read if math.isfinite(each)), default=math.nan)
    unit = unit_for(plan, Kind.PRESSURE, channel.role)

    def text(pressure: float) -> str:
        if not math.isfinite(pressure):
            return page("not_told")
        return value_text(pressure, Kind.PRESSURE, channel.reference, unit)

    return {
        "channel": channel.id,
        "role": channel.role,
        "limit": text(limit),
        "value": text(value),
        "reached": text(highest),
    }


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def reading_note(finding: Finding, run: Run) -> str:
    """Return when a lockup was read, against what and at what flow, or ""."""
    after = dict(finding.evidence.model).get("read_after_s")
    if after is None or finding.id not in ("lockup_pressure", "lockup_rise"):
        return ""
    known = run.header.rig.channel("flow") is not None
    flow = page("flow_recorded" if known else "flow_not_measured")
    return page("lockup_read", seconds=f"{after:g}", flow=flow)


def creep_note(finding: Finding, run: Run, plan: Plan) -> str:
    """Return what a creep rate is a rate of, beside the plain slope, or ""."""
    slope = dict(finding.evidence.model).get("mean_slope")
    if finding.id != "creep_rate" or finding.measured is None or slope is None:
        return ""
    return page("creep_is", slope=rate_text(slope, finding, run, plan))


def creep_corrections(finding: Finding, run: Run, plan: Plan) -> list[str]:
    """Return by how much a creep rate was corrected, and for what; for ``--why``."""
    model = dict(finding.evidence.model)
    needed = ("rate", "gas_temperature_slope", "warming_pa_per_k")
    if (
        finding.id != "creep_rate"
        or finding.measured is None
        or any(name not in model for name in needed)
    ):
        return []
    warming = model["gas_temperature_slope"]
    gas = -model["warming_pa_per_k"] * warming
    # of the rigid part of the volume, as the finding has it; none where absolute
    air = finding.measured.value - model["rate"] - gas
    return [
        page("corrected_air", rate=rate_text(air, finding, run, plan)),
        page(
            "corrected_gas",
            rate=rate_text(gas, finding, run, plan),
            slope=f"{warming * 3600.0:.2f} K/h",
        ),
    ]


def rate_text(value_si: float, finding: Finding, run: Run, plan: Plan) -> str:
    """Return a rate in a finding's unit, to a digit more than its uncertainty shows."""
    unit = unit_for(plan, finding.kind.kind, role_of(finding, run.header.rig))
    if finding.interval is None:
        return f"{value_si / unit.factor:.4g} {unit.name}"
    low, high = finding.interval
    digits = digits_for(0.5 * (high - low) / unit.factor) + 1
    return f"{number(value_si / unit.factor, digits)} {unit.name}"


def table(judgement: Judgement, run: Run, plan: Plan) -> str:
    """Return the findings as text, one line each, then verdict, causes and warnings."""
    rows = [("step", "finding", "value, 95 % interval", "limit", "conforms", "outcome")]
    notes: list[str] = []
    channels: dict[str, set[str]] = {}
    for finding in judgement.findings:
        channels.setdefault(finding.id, set()).add(finding.channel)
    for finding in judgement.findings:
        role = role_of(finding, run.header.rig)
        shown = show(finding, plan, role)
        name = label(finding.id)
        if len(channels[finding.id]) > 1:
            name += f", {finding.channel}"
        limit = f"{shown.limit} {shown.whole_unit}" if shown.limit else "-"
        share = "" if finding.limit is None else share_text(finding.limit)
        limit += f" ({share})" if share else ""
        rows.append(
            (
                finding.step,
                name,
                shown.line,
                limit,
                chance(finding.p_conform) or "-",
                finding.outcome.value,
            )
        )
        quiet = finding.kind.beside and finding.limit is None
        passes = finding.outcome in (Outcome.PASS, Outcome.NO_LIMIT)
        if not passes and not quiet and finding.why:
            notes.append(f"{finding.step}, {name}: {why_text(finding)}")
    rate = label("pressure_decay_rate")
    notes += [f"{step}, {rate}: {t}" for step, t in rate_notes(judgement, run, plan)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = [
        "  ".join(
            cell.ljust(width) for cell, width in zip(row, widths, strict=True)
        ).rstrip()
        for row in rows
    ]
    lines.insert(1, "  ".join("-" * width for width in widths))
    if any("std cm3" in row[2] for row in rows):
        lines.append(f"({STD_NOTE})")
    if any("in. w.c." in row[2] for row in rows):
        lines.append(f"({WATER_NOTE})")
    lines.append("")
    lines.append(f"Verdict: {judgement.verdict.value.upper()}")
    lines += [f"  {rule}" for rule in rule_texts(judgement.findings)]
    lines += [f"  {note}" for note in (*stops(run, plan), *notes)]
    for suspect in judgement.suspects:
        odds = odds_text(suspect.probability)
        if suspect.fault_group == (NONE,):
            lines.append(f"None of the causes known here: {odds}.")
        else:
            lines.append(
                f"Likely group of causes, {odds} (not told apart by this test):"
            )
            told = (fault_text(id).removesuffix(".") for id in suspect.fault_group)
            lines += [f"  - {each}." for each in told]
        lines += [
            f"  because: {because_text(b, run.header.rig)}" for b in suspect.because
        ]
        places = ", ".join(place.replace("_", " ") for place in suspect.look_at)
        lines.append(f"  look at: {places}")
        for check in map(check_words, suspect.separate_by):
            lines.append(f"  to tell apart: {' '.join(check)}")
    if judgement.suspects:
        lines.append(f"  {odds_words('are')}")
    lines += [f"Note: {reason(w)}" for w in judgement.warnings]
    return "\n".join(lines)
