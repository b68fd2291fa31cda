"""How a finding was made: data used, model, budget; as data, and as a list to follow.

``explained`` makes one immutable structure of a finding; the text and the JSON of
``judge --why`` (schema ``proofstand.why/1``) and the screens are made from that.
"""

from __future__ import annotations

import dataclasses
import math
import re
from dataclasses import dataclass, replace
from typing import Any

from analysis.budget import correlation, shares
from records.errors import InputError
from records.judgement import BudgetLine, Finding, Judgement, Shape
from records.measure import SI_UNIT
from records.plan import Plan
from records.run import Run

from .display import Shown, digits_for, number, show, unit_for
from .report import (
    creep_corrections,
    creep_note,
    reading_note,
    role_of,
    rule_text,
    share_text,
)
from .words.sentences import label, model_words, reason, source_words, why_words

SCHEMA = "proofstand.why/1"
# What an input of a budget or a parameter of a model is, by its id.
_PRESSURES = ("noise", "calibration_offset", "calibration_linearity", "resolution")
_KINDS: dict[str, str] = {
    **dict.fromkeys((*_PRESSURES, "definition", "mean", "flowing"), "Pa"),
    **dict.fromkeys(("calibration_gain", "noise_ratio", "sd_ln_tau"), "1"),
    **dict.fromkeys(("p_tails", "priors"), "1"),
    **dict.fromkeys(("volume", "allowance", "volume_rigid"), "m3"),
    **dict.fromkeys(("gas_temperature", "gas_temperature_slope"), "K/s"),
    **dict.fromkeys(("gas_temperature_level", "gas_temperature_k"), "K"),
    **dict.fromkeys(("barometer", "barometer_slope"), "Pa/s"),
    **dict.fromkeys(("absolute_pa", "barometer_pa"), "Pa"),
    **dict.fromkeys(("rig_leak", "place_of_loss", "passed_on"), "Pa·m3/s"),
    **dict.fromkeys(("warming_pa_per_k", "warming_inlet_pa_per_k"), "Pa/K"),
    **dict.fromkeys(("warming_outlet_pa_per_k", "warming_interstage_pa_per_k"), "Pa/K"),
    "gas_temperature_lag": "K/s",
    "temperature_apart": "K",
    **dict.fromkeys(("noise_highest", "noise_lowest", "noise_first"), "Pa"),
    **dict.fromkeys(("noise_closed", "scatter", "levels", "repeats", "set"), "Pa"),
    **dict.fromkeys(("total_as_read", "total_without_settling"), "Pa"),
    **dict.fromkeys(("u_total_without_settling", "added_by_noise"), "Pa"),
    **dict.fromkeys(("largest_mean", "noise_of_a_mean", "band"), "Pa"),
    **dict.fromkeys(("inlet_highest", "inlet_lowest", "barometer_level"), "Pa"),
    **dict.fromkeys(("outlet_at_highest", "outlet_at_lowest"), "Pa"),
    **dict.fromkeys(("outlet_at_set_flow", "outlet_at_rated_flow"), "Pa"),
    **dict.fromkeys(("set_pressure", "furthest", "lockup", "p2", "p4", "p5"), "Pa"),
    **dict.fromkeys(("pressure_before", "pressure_behind"), "Pa"),
    **dict.fromkeys(("amount_slope", "of_lockup_pressures", "p_noise_alone"), "1"),
    **dict.fromkeys(("readings", "readings_at_highest", "readings_at_lowest"), "1"),
    **dict.fromkeys(("additions", "differences", "other_gas"), "1"),
    **dict.fromkeys(("rate_hz", "apparent_hz"), "Hz"),
    **dict.fromkeys(("added", "added_each", "content"), "Pa·m3"),
    "shut_off": "s",
    "temperature": "K",
}
# What is fitted is a pressure or, over both volumes, an amount of gas.
_FITTED_RATES = ("slope", "rate", "mean_slope", "u_mean_slope", "net_rate")
_FITTED = {
    **dict.fromkeys(_FITTED_RATES, ("Pa/s", "Pa·m3/s")),
    **dict.fromkeys(("tail", "u_tail"), ("Pa", "Pa·m3")),
}


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of the model: id, words, value, unit, "" where not known."""

    id: str
    words: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One line of the budget as it is shown.

    Attributes:
        value, u, input_unit: of the input. sensitivity: SI unit of the finding per
            unit of the input.
        part: what it brings to the finding's standard uncertainty, with its sign, in
            the finding's shown unit.
        share: of the variance; all add to 1.
        correlated_with: words of the other lines, with the coefficient.
    """

    source: str
    words: str
    value: float | None
    u: float
    input_unit: str
    sensitivity: float
    part: float
    share: float
    dof: float | None
    type: str
    shape: str
    correlated_with: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Explained:
    """How one finding was made.

    Attributes:
        unit, reference: in which value, interval, ``u``, ``expanded`` and the parts of
            the budget are.
        si_unit: of the finding; sensitivities lead to it.
        coverage_factor, expanded: None where the interval is skew.
        limits: lower and upper end, None where open.
    """

    finding: str
    label: str
    step: str
    channel: str
    definition: str
    unit: str
    reference: str
    si_unit: str
    value: float | None
    interval: tuple[float, float] | None
    coverage: float
    skew: bool
    noise_only: bool
    part: int
    window_s: tuple[float, float] | None
    used: int
    dropped: int
    notes: tuple[str, ...]
    model: tuple[Parameter, ...]
    budget: tuple[BudgetRow, ...]
    u: float | None
    dof: float | None
    coverage_factor: float | None
    expanded: float | None
    limits: tuple[float | None, float | None] | None
    limit_source: str
    rule: str
    risk: float | None
    outcome: str
    p_conform: float | None
    why: tuple[str, ...]
    why_ids: tuple[str, ...]


def explained(finding: Finding, run: Run, plan: Plan) -> Explained:
    """Return how a finding was made, in the plan's units."""
    role = role_of(finding, run.header.rig)
    kind, evidence = finding.kind, finding.evidence
    unit = unit_for(plan, kind.kind, role or kind.channel or "outlet")
    shown = show(finding, plan, role)
    measured, limit = finding.measured, finding.limit

    def in_unit(si: float) -> float:
        return si / unit.factor  # no finding has a unit whose zero is elsewhere

    amounts = "content" in dict(evidence.model)
    interval = u = expanded = factor = None
    if measured is not None and finding.interval is not None:
        low, high = finding.interval
        interval, u = (in_unit(low), in_unit(high)), in_unit(measured.u)
        if not shown.skew:
            expanded = in_unit(0.5 * (high - low))
            factor = expanded / u if u > 0.0 else None
    noted = (
        reading_note(finding, run),
        creep_note(finding, run, plan),
        *creep_corrections(finding, run, plan),
        *map(reason, evidence.notes),
    )
    return Explained(
        finding=finding.id,
        label=label(finding.id),
        step=finding.step,
        channel=finding.channel,
        definition=kind.definition,
        unit=unit.name,
        reference=shown.reference,
        si_unit=SI_UNIT[kind.kind],
        value=None if measured is None else in_unit(measured.value),
        interval=interval,
        coverage=0.95,
        skew=shown.skew,
        noise_only=finding.noise_only,
        part=evidence.part,
        window_s=evidence.window_s,
        used=evidence.used,
        dropped=evidence.dropped,
        notes=tuple(note for note in noted if note),
        model=tuple(
            Parameter(id, model_words(id), value, _unit(id, finding, amounts))
            for id, value in evidence.model
        ),
        budget=tuple(_rows(finding, amounts, unit.factor)),
        u=u,
        dof=None if measured is None else measured.dof,
        coverage_factor=factor,
        expanded=expanded,
        limits=None
        if limit is None
        else (
            None if limit.min is None else in_unit(limit.min),
            None if limit.max is None else in_unit(limit.max),
        ),
        limit_source="" if limit is None else limit.source,
        rule=finding.rule,
        risk=finding.risk,
        outcome=finding.outcome.value,
        p_conform=finding.p_conform,
        why=tuple(reason(w) for w in finding.why),
        why_ids=tuple(w.id for w in finding.why),
    )


def _unit(id: str, finding: Finding, amounts: bool) -> str:
    """Return the SI unit of an input or a parameter, "" where it is not known."""
    if id == "outlet_loss":
        return SI_UNIT[finding.kind.kind]
    for name in (id, re.sub(r"_(inlet|outlet|interstage|flowing)$", "", id)):
        plain = re.sub(r"_\d+$", "", name)
        if plain in _FITTED:
            return _FITTED[plain][amounts]
        if plain in _KINDS:
            return _KINDS[plain]
    return "s" if id.endswith("_s") else ""


def _rows(finding: Finding, amounts: bool, factor: float) -> list[BudgetRow]:
    lines = finding.budget
    return [
        BudgetRow(
            source=line.source,
            words=source_words(line.source),
            value=line.value,
            u=line.u,
            input_unit=_unit(line.source, finding, amounts),
            sensitivity=line.sensitivity,
            part=line.u * line.sensitivity / factor,
            share=share,
            dof=line.dof,
            type=line.type,
            shape=line.shape.value,
            correlated_with=_bound(line, lines),
        )
        for line, share in zip(lines, shares(lines), strict=True)
    ]


def _bound(
    line: BudgetLine, lines: tuple[BudgetLine, ...]
) -> tuple[tuple[str, float], ...]:
    found = [
        (source_words(other.source), correlation(line, other))
        for other in lines
        if other is not line
    ]
    return tuple((words, r) for words, r in found if r)


def of_id(judgement: Judgement, finding_id: str) -> list[Finding]:
    """Return every finding of an id.

    Raises:
        InputError: ``finding_unknown``.
    """
    found = [f for f in judgement.findings if f.id == finding_id]
    if not found:
        known = sorted({f.id for f in judgement.findings})
        raise InputError("finding_unknown", given=finding_id, known=", ".join(known))
    return found


def why_json(
    judgement: Judgement, run: Run, plan: Plan, finding_id: str
) -> dict[str, Any]:
    """Return the explanations of every finding of an id in one run, as JSON takes it.

    Raises:
        InputError: ``finding_unknown``.
    """
    found = [explained(f, run, plan) for f in of_id(judgement, finding_id)]
    return {
        "run": judgement.run_id,
        "findings": [_jsonable(dataclasses.asdict(each)) for each in found],
    }


def whys_json(documents: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the document that ``judge --why FINDING --json`` prints."""
    return {"schema": SCHEMA, "runs": documents}


def _jsonable(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _jsonable(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_jsonable(each) for each in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


# --- as text -------------------------------------------------------------------------


def explain(judgement: Judgement, run: Run, plan: Plan, finding_id: str) -> str:
    """Return the explanation of every finding of an id, as text.

    Raises:
        InputError: ``finding_unknown``.
    """
    found = of_id(judgement, finding_id)
    return "\n\n".join(_one(f, run, plan) for f in found)


def _one(finding: Finding, run: Run, plan: Plan) -> str:
    told = explained(finding, run, plan)
    shown = show(finding, plan, role_of(finding, run.header.rig))
    found = replace(shown, note="").line
    note = f", {shown.note}" if shown.note else ""
    lines = [
        f"{told.label} ({told.finding}), step {told.step}, "
        f"channel {told.channel or 'several'}",
        f"  what it is: {told.definition}",
        f"  found: {found}, 95 % interval {shown.interval or 'none'}{note}",
        f"  limit: {_limit(finding, shown)}",
        f"  rule: {told.rule}; outcome: {told.outcome}",
        *([f"  {rule_text(told.rule, told.risk)}"] if finding.limit else []),
    ]
    if told.p_conform is not None:
        lines.append(f"  probability that it conforms: {told.p_conform:.4f}")
    lines += [f"  why: {why}" for why in told.why]
    if told.window_s is not None:
        start, stop = told.window_s
        lines.append(
            f"  data: part {told.part}, {start:.2f} s to {stop:.2f} s, "
            f"{told.used} samples used, {told.dropped} left out"
        )
    lines += [f"  note: {note}" for note in told.notes]
    lines += [
        f"  model: {p.words}: {p.value:.6g}" + (f" {p.unit}" if p.unit != "1" else "")
        for p in told.model
    ]
    return "\n".join([*lines, *_budget_text(told)])


def _budget_text(told: Explained) -> list[str]:
    if not told.budget:
        return []
    head = (
        "source",
        "value",
        "u of the input",
        "sensitivity (SI)",
        f"part, {told.unit}",
        "variance",
        "dof",
        "type",
        "",
    )
    digits = digits_for(told.u or 0.0) + 2
    rows = [head]
    for row in told.budget:
        beside = [f"{words} (r = {r:g})" for words, r in row.correlated_with]
        also = (
            [why_words("correlated_with", others=", ".join(beside))] if beside else []
        )
        if row.shape == Shape.ONE_SIDED.value:
            also.append(why_words("one_sided"))
        unit = "" if row.input_unit == "1" else f" {row.input_unit}"
        rows.append(
            (
                row.words,
                "" if row.value is None else f"{row.value:.5g}{unit}",
                f"{row.u:.3g}{unit}",
                f"{row.sensitivity:.4g}",
                number(row.part, digits),
                f"{100.0 * row.share:.1f} %",
                why_words("dof_infinite") if row.dof is None else f"{row.dof:.1f}",
                row.type,
                "; ".join(also),
            )
        )
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    lines = [why_words("budget_head")]
    lines += [
        "    " + "  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip()
        for r in rows
    ]
    if told.u is None:
        return lines
    unit = f"{told.unit} {told.reference}".rstrip()
    dof = why_words("dof_infinite") if told.dof is None else f"{told.dof:.1f}"
    lines.append(why_words("budget_sum", u=number(told.u, digits), unit=unit, dof=dof))
    if told.expanded is None or told.coverage_factor is None:
        lines.append(why_words("budget_skew"))
    else:
        lines.append(
            why_words(
                "budget_expanded",
                k=f"{told.coverage_factor:.2f}",
                expanded=number(told.expanded, digits),
                unit=unit,
            )
        )
    return lines


def _limit(finding: Finding, shown: Shown) -> str:
    limit = finding.limit
    if limit is None:
        return "none"
    share = share_text(limit)
    words = f"{shown.limit} {shown.unit} {shown.reference}".rstrip()
    return f"{words}{f' ({share})' if share else ''} (source: {limit.source})"
