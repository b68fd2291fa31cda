"""The verdict: a word, why, likely causes, and the paper."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.cause_groups import NONE
from proofstand.report import because_text, fault_text, odds_text, why_text
from proofstand.words.sentences import check_words, label, reason
from records.faults import CATALOGUE, OF_FIRST
from records.judgement import Outcome, Suspect
from records.judgement import Verdict as RunVerdict
from records.rig import Rig

from ..session_thread import Final
from .screen import Verdict
from .wording import said, several, step_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Papers:
    """What was made of a run so far.

    Attributes:
        paper: certificate or report, or None. words: title, number and place of that.
        tag, tag_words: the same of its tag. making: one of them is being made.
    """

    paper: Path | None = None
    words: str = ""
    tag: Path | None = None
    tag_words: str = ""
    making: bool = False

    @property
    def step(self) -> str:
        """What comes next: ``make`` the paper, the ``tag``, the ``next`` test."""
        if self.paper is None:
            return "make"
        return "tag" if self.tag is None else "next"


def verdict_of(final: Final, papers: Papers, *, armed: bool = True) -> Verdict:
    """Return how a sealed run stands, and what can be done with it.

    Args:
        final: the run and its judgement.
        papers: what was made of it.
        armed: what comes next has stood a moment.
    """
    verdict = final.judgement.verdict
    first, second = several("verdict", verdict.value)
    make = ""
    if papers.paper is None:
        draft = final.run.header.plan.status == "draft"
        sure = verdict is RunVerdict.PASS and not draft
        make = said("after", "make" if sure else "make_report")
    return Verdict(
        kind=verdict.value,
        first=first,
        second=second,
        lines=tuple(_lines(final)),
        run_words=said("after", "run_at", path=final.run_path),
        paper_words=papers.words,
        run_path=final.run_path,
        paper=papers.paper,
        make=make,
        making=papers.making,
        tag=papers.tag,
        tag_words=papers.tag_words,
        step=papers.step,
        armed=armed,
    )


def _cause_lines(suspect: Suspect, rig: Rig) -> Iterable[str]:
    """Say a group of causes: how likely and why, where to look, what parts them."""
    group, odds = suspect.fault_group, odds_text(suspect.probability)
    if group == (NONE,):
        yield said("after", "no_cause", odds=odds)
    else:
        yield said("after", "causes" if len(group) > 1 else "cause", odds=odds)
        for id in group:
            entry = CATALOGUE.get(id.removeprefix(OF_FIRST))
            where = f" {entry.look_at}" if entry is not None else ""
            told = fault_text(id)
            told = told if entry is not None else f"{told.capitalize()}."
            yield f"\u2013 {told}{where}"
    for why in suspect.because[:1]:
        yield said("after", "because", why=because_text(why, rig))
    for check in suspect.separate_by[:1]:
        do, caution = check_words(check)
        yield said("after", "apart", do=do, caution=caution)


def _lines(final: Final) -> Iterable[str]:
    judgement = final.judgement
    if judgement.verdict is RunVerdict.FAIL:
        yield said("after", "repair_first")
    for suspect in judgement.suspects:
        yield from _cause_lines(suspect, final.run.header.rig)
    if judgement.suspects:
        yield said("after", "odds_are")
    if not judgement.suspects and judgement.verdict is not RunVerdict.PASS:
        undecided = (Outcome.INCONCLUSIVE, Outcome.NOT_MEASURED, Outcome.FAIL)
        seen: list[str] = []
        for outcome in undecided:
            for finding in judgement.findings:
                if finding.outcome is outcome and finding.limit is not None:
                    told = why_text(replace(finding, why=finding.why[:1]))
                    where = f"{label(finding.id)}, {step_words(finding.step)}"
                    if told and not any(each.endswith(told) for each in seen):
                        seen.append(f"{where}: {told}")
        yield from seen[:3]
    if judgement.verdict is RunVerdict.PASS and final.run.header.plan.not_shown:
        left = "; ".join(final.run.header.plan.not_shown)
        yield said("after", "not_shown", what=left)
    for warning in judgement.warnings:
        if warning.id not in ("simulated_rig",):
            yield reason(warning)
