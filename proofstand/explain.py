"""How a finding was made: data used, model, budget; as a list a person can follow."""

from __future__ import annotations

from dataclasses import replace

from records.errors import InputError
from records.judgement import Finding, Judgement
from records.measure import SI_UNIT
from records.plan import Plan
from records.run import Run

from .display import Shown, show
from .report import (
    creep_corrections,
    creep_note,
    reading_note,
    role_of,
    share_text,
)
from .words.sentences import label, reason


def explain(judgement: Judgement, run: Run, plan: Plan, finding_id: str) -> str:
    """Return the explanation of every finding of an id.

    Raises:
        InputError: ``finding_unknown``.
    """
    found = [f for f in judgement.findings if f.id == finding_id]
    if not found:
        known = sorted({f.id for f in judgement.findings})
        raise InputError("finding_unknown", given=finding_id, known=", ".join(known))
    return "\n\n".join(_one(f, run, plan) for f in found)


def _one(finding: Finding, run: Run, plan: Plan) -> str:
    shown = show(finding, plan, role_of(finding, run.header.rig))
    unit = SI_UNIT[finding.kind.kind]
    found = replace(shown, note="").line
    note = f", {shown.note}" if shown.note else ""
    lines = [
        f"{label(finding.id)} ({finding.id}), step {finding.step}, "
        f"channel {finding.channel or 'several'}",
        f"  what it is: {finding.kind.definition}",
        f"  found: {found}, 95 % interval {shown.interval or 'none'}{note}",
        f"  limit: {_limit(finding, shown)}",
        f"  rule: {finding.rule}; outcome: {finding.outcome.value}",
    ]
    if finding.p_conform is not None:
        lines.append(f"  probability that it conforms: {finding.p_conform:.4f}")
    lines += [f"  why: {reason(w)}" for w in finding.why]
    evidence = finding.evidence
    if evidence.window_s is not None:
        start, stop = evidence.window_s
        lines.append(
            f"  data: part {evidence.part}, {start:.2f} s to {stop:.2f} s, "
            f"{evidence.used} samples used, {evidence.dropped} left out"
        )
    lines += [
        f"  {note}"
        for note in (
            reading_note(finding, run),
            creep_note(finding, run, plan),
            *creep_corrections(finding, run, plan),
        )
        if note
    ]
    lines += [f"  model: {name} = {value:.6g} (SI)" for name, value in evidence.model]
    lines += [f"  note: {reason(n)}" for n in evidence.notes]
    if finding.budget:
        lines.append(f"  budget ({unit}):")
        lines.append("    source                         u x sensitivity   type  dof")
        for line in finding.budget:
            dof = "infinite" if line.dof is None else f"{line.dof:.1f}"
            group = f"  (with {line.group})" if line.group else ""
            share = abs(line.u * line.sensitivity)
            lines.append(
                f"    {line.source:<30} {share:15.6g}   {line.type:<4}  {dof}{group}"
            )
        if finding.measured is not None:
            lines.append(
                f"    {'combined standard uncertainty':<30} {finding.measured.u:15.6g}"
            )
    return "\n".join(lines)


def _limit(finding: Finding, shown: Shown) -> str:
    limit = finding.limit
    if limit is None:
        return "none"
    share = share_text(limit)
    words = f"{shown.limit} {shown.unit} {shown.reference}".rstrip()
    return f"{words}{f' ({share})' if share else ''} (source: {limit.source})"
