"""What is told of one finding: value, limit, why, budget, data. Knows no Qt."""

from __future__ import annotations

from dataclasses import dataclass, replace

from proofstand.display import Shown, chance, digits_for, number, show
from proofstand.drawing.bar import Bar, BarState, bar_of
from proofstand.explain import BudgetRow, Explained, explained
from proofstand.report import role_of, rule_text, share_text
from proofstand.words.sentences import label, why_words
from records.judgement import Finding, Judgement, Shape
from records.plan import Plan
from records.run import Run

from ..bench_desk.wording import step_words
from .wording import said


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingLine:
    """A finding as a row of the list."""

    name: str
    where: str
    outcome: str
    value: str
    bar: Bar


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLineShown:
    """A line of a budget; ``share`` of the variance, 0 to 1."""

    words: str
    of: str
    part: str
    share: float
    more: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Detail:
    """Everything that is told of one finding.

    Attributes:
        state: how it stands, for ink.
        facts, more: a name and what is said, line by line; what matters first.
        budget: the largest share first. budget_foot: the sum, in words.
        unit: of value and budget.
        window: part, begin and end of what it was read from, or None.
    """

    name: str
    where: str
    outcome: str
    state: BarState
    value: str
    facts: tuple[tuple[str, str], ...]
    more: tuple[tuple[str, str], ...]
    budget: tuple[BudgetLineShown, ...]
    budget_foot: tuple[str, ...]
    window: tuple[int, float, float] | None
    unit: str
    bar: Bar


def lines_of(judgement: Judgement, run: Run, plan: Plan) -> tuple[FindingLine, ...]:
    """Return all findings as rows, in the order of the steps."""
    rig = run.header.rig
    found = []
    for finding in judgement.findings:
        shown = show(finding, plan, role_of(finding, rig))
        value = replace(shown, note="").line if shown.value else ""
        found.append(
            FindingLine(
                name=label(finding.id),
                where=_where(finding),
                outcome=finding.outcome.value,
                value=value.replace("-", "\u2212"),
                bar=bar_of(finding),
            )
        )
    return tuple(found)


def _where(finding: Finding) -> str:
    channel = f", {finding.channel}" if finding.channel else ""
    return f"{step_words(finding.step)}{channel}"


def detail_of(finding: Finding, run: Run, plan: Plan) -> Detail:
    """Return what is told of a finding."""
    told = explained(finding, run, plan)
    shown = show(finding, plan, role_of(finding, run.header.rig))
    value = replace(shown, note="").line
    bar = bar_of(finding)
    evidence = finding.evidence
    window = None
    if evidence.window_s is not None and evidence.part:
        window = (evidence.part, *evidence.window_s)
    return Detail(
        name=told.label,
        where=_where(finding),
        outcome=finding.outcome.value,
        state=bar.state,
        value=value.replace("-", "\u2212"),
        facts=_named(_facts(told, finding, shown)),
        more=_named(_more(told, finding)),
        budget=tuple(_budget(told)),
        budget_foot=tuple(_foot(told)),
        window=window,
        unit=f"{told.unit} {told.reference}".rstrip(),
        bar=bar,
    )


_Facts = list[tuple[str, str]]


def _named(facts: _Facts) -> tuple[tuple[str, str], ...]:
    return tuple((said("fact", name), text) for name, text in facts if text)


def _facts(told: Explained, finding: Finding, shown: Shown) -> _Facts:
    limit, unit = said("no_limit"), shown.whole_unit
    if finding.limit is not None:
        share = share_text(finding.limit)
        limit = f"{shown.limit} {unit}" + (f" ({share})" if share else "")
    interval = f"{shown.interval} {unit}" if shown.interval else ""
    facts = [
        ("interval", interval.replace("-", "\u2212")),
        ("limit", limit.replace("-", "\u2212")),
        ("source", told.limit_source),
        ("why", " ".join(told.why)),
        ("note", shown.note),
        ("p_conform", chance(told.p_conform)),
    ]
    if told.window_s is not None:
        start, stop = told.window_s
        used = said(
            "data",
            part=told.part,
            start=f"{start:.2f}",
            stop=f"{stop:.2f}",
            used=told.used,
            dropped=told.dropped,
        )
        facts.append(("data", used))
    return facts


def _more(told: Explained, finding: Finding) -> _Facts:
    rule = rule_text(told.rule, told.risk) if finding.limit is not None else ""
    remarks = [("remark", each) for each in told.notes]
    return [*remarks, ("definition", told.definition), ("rule", rule)]


def _budget(told: Explained) -> list[BudgetLineShown]:
    digits = digits_for(told.u or 0.0)
    rows = sorted(told.budget, key=lambda row: -row.share)
    return [_budget_line(row, digits) for row in rows]


def _budget_line(row: BudgetRow, digits: int) -> BudgetLineShown:
    unit = "" if row.input_unit in ("", "1") else f" {row.input_unit}"
    more = [said("type", id=row.type)]
    if row.dof is not None:
        more.append(said("dof", n=f"{row.dof:.0f}"))
    if row.shape == Shape.ONE_SIDED.value:
        more.append(why_words("one_sided"))
    if row.correlated_with:
        beside = ", ".join(f"{words} (r = {r:g})" for words, r in row.correlated_with)
        more.append(why_words("correlated_with", others=beside))
    return BudgetLineShown(
        words=row.words,
        of=f"{row.u:.3g}{unit}",
        part=number(abs(row.part), digits),
        share=row.share,
        more="; ".join(more),
    )


def _foot(told: Explained) -> list[str]:
    if not told.budget or told.u is None:
        return []
    digits = digits_for(told.u) + 1
    unit = f"{told.unit} {told.reference}".rstrip()
    dof = why_words("dof_infinite") if told.dof is None else f"{told.dof:.1f}"
    lines = [why_words("budget_sum", u=number(told.u, digits), unit=unit, dof=dof)]
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
    return [text.strip() for text in lines]
