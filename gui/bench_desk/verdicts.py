"""The verdict: a word, why, likely causes, and the paper."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from proofstand.report import fault_text, why_text
from proofstand.words.sentences import label, reason
from records.faults import CATALOGUE, OF_FIRST
from records.judgement import Outcome
from records.judgement import Verdict as RunVerdict

from ..session_thread import Final
from .screen import Verdict
from .wording import said, several, step_words


def verdict_of(
    final: Final, *, paper: Path | None, paper_words: str, making: bool
) -> Verdict:
    """Return how a sealed run stands, and what can be done with it.

    Args:
        final: the run and its judgement.
        paper: its certificate or report, or None.
        paper_words: title, number and place of that.
        making: it is being made.
    """
    verdict = final.judgement.verdict
    first, second = several("verdict", verdict.value)
    make = ""
    if paper is None:
        draft = final.run.header.plan.status == "draft"
        sure = verdict is RunVerdict.PASS and not draft
        make = said("after", "make" if sure else "make_report")
        if making:
            make = said("after", "making")
    return Verdict(
        kind=verdict.value,
        first=first,
        second=second,
        lines=tuple(_lines(final)),
        run_words=said("after", "run_at", path=final.run_path),
        paper_words=paper_words,
        run_path=final.run_path,
        paper=paper,
        make=make,
        making=making,
    )


def _lines(final: Final) -> Iterable[str]:
    judgement = final.judgement
    for suspect in judgement.suspects:
        yield said("after", "causes")
        for id in suspect.fault_group:
            entry = CATALOGUE.get(id.removeprefix(OF_FIRST))
            where = f" {entry.look_at}" if entry is not None else ""
            told = fault_text(id)
            told = told if entry is not None else f"{told.capitalize()}."
            yield f"\u2013 {told}{where}"
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
    if judgement.verdict is RunVerdict.FAIL:
        yield said("after", "repair_first")
    if judgement.verdict is RunVerdict.PASS and final.run.header.plan.not_shown:
        left = "; ".join(final.run.header.plan.not_shown)
        yield said("after", "not_shown", what=left)
    for warning in judgement.warnings:
        if warning.id not in ("simulated_rig",):
            yield reason(warning)
