"""How findings are told while a test runs, and after it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from proofstand.display import show
from proofstand.drawing.bar import Bar, BarState, bar_of
from proofstand.report import role_of, why_text
from proofstand.words.sentences import label
from records.judgement import FINDINGS, Finding, Judgement, Outcome
from records.plan import Limit, Plan, Step
from records.rig import Rig

from .screen import FindingRow
from .wording import known as worded
from .wording import said

# Worst first.
_ORDER = (
    Outcome.FAIL,
    Outcome.CONDITIONAL_FAIL,
    Outcome.INCONCLUSIVE,
    Outcome.NOT_MEASURED,
    Outcome.CONDITIONAL_PASS,
    Outcome.PASS,
    Outcome.NO_LIMIT,
)
_PASSES = (Outcome.PASS, Outcome.CONDITIONAL_PASS)
_FAILS = (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)


def finding_rows(
    plan: Plan,
    rig: Rig,
    judgement: Judgement | None,
    *,
    on: str,
    read: Sequence[str],
    ended: Sequence[str],
    final: bool,
) -> tuple[FindingRow, ...]:
    """Return one row per finding that has a limit, its repeats taken together.

    Of two stages each has rows of its own.

    Args:
        plan: that of the run.
        rig: that of the run.
        judgement: the latest, or None.
        on: id of the step that the judgement took as if it ended now, and that is
            still on, or "".
        read: ids of the steps whose hold has begun.
        ended: ids of the steps that are over.
        final: the judgement is of the sealed file; nothing more comes.
    """
    groups: dict[tuple[str, str], list[tuple[Step, Limit]]] = {}
    for step in plan.steps:
        for limit in step.limits:
            groups.setdefault((limit.finding, _stage(limit)), []).append((step, limit))
    found = _by_key(judgement, rig)
    return tuple(
        _row(plan, rig, id, members, found, on, read, ended, final)
        for (id, _), members in groups.items()
    )


def _stage(limit: Limit) -> str:
    """Return the channel of a limit on the first of two stages, else ""."""
    ours = FINDINGS[limit.finding].channel == "outlet"
    return "interstage" if ours and limit.channel == "interstage" else ""


_Key = tuple[str, str, str]


def _by_key(judgement: Judgement | None, rig: Rig) -> Mapping[_Key, Finding]:
    if judgement is None:
        return {}
    return {(f.step, f.id, role_of(f, rig)): f for f in judgement.findings}


def _row(
    plan: Plan,
    rig: Rig,
    id: str,
    members: Sequence[tuple[Step, Limit]],
    found: Mapping[_Key, Finding],
    on: str,
    read: Sequence[str],
    ended: Sequence[str],
    final: bool,
) -> FindingRow:
    known: list[Finding] = []
    being_read = False
    stage = _stage(members[0][1])
    key = f"{id} {stage}".rstrip()
    name = f"{_name(id)}, {stage}" if stage else _name(id)
    for step, limit in members:
        finding = _of(found, step.id, id, limit.channel)
        over = final or step.id in ended
        if finding is not None and (over or step.id == on):
            silent = finding.outcome is Outcome.NOT_MEASURED
            if silent and not final and _not_seen_yet(finding, step, plan, ended):
                being_read = True
            elif over or not silent:
                known.append(finding)
                continue
        being_read = being_read or (step.id in read and not over)
    empty = _empty_bar(members[0][1])
    if not known:
        word = said("state", "being_read" if being_read else "to_come")
        value = said("reading_now") if being_read else ""
        return FindingRow(
            id=key, name=name, word=word, count="", value=value, bar=empty
        )
    worst = min(known, key=_badness)
    settled = final  # the closing zero may still undo what stands
    word, state = _word(worst, on=worst.step == on, settled=settled)
    bar = bar_of(worst, provisional=not settled)
    if state is not None:
        bar = Bar(
            interval=bar.interval,
            limit_min=bar.limit_min,
            limit_max=bar.limit_max,
            state=state,
        )
    if worst.limit is None:
        bar = empty
    shown = show(worst, plan, role_of(worst, rig))
    # the line of the value is full: its note stands above it, behind the outcome
    line = replace(shown, note="").line
    value = line.replace("-", "\u2212") if shown.value else ""
    channel = members[0][1].channel
    if value and channel is not None and len(members) > 1 and not stage:
        value += f", {role_of(worst, rig)}"
    count = ""
    if len(members) > 1:
        measured = sum(f.outcome is not Outcome.NOT_MEASURED for f in known)
        whole = measured == len(known)
        told = "read_of" if whole else "measured_of"
        count = said(told, known=measured, n=len(members))
    count = ", ".join(part for part in (count, shown.note) if part)
    why = why_text(worst)
    return FindingRow(
        id=key, name=name, word=word, count=count, value=value, bar=bar, why=why
    )


def failing(judgement: Judgement | None, step: str) -> str:
    """Return the name of a step's first finding that is enough to fail, or ""."""
    found = () if judgement is None else judgement.findings
    for finding in found:
        if (
            finding.step == step
            and finding.limit is not None
            and finding.outcome in _FAILS
        ):
            return _name(finding.id)
    return ""


def hold_state(judgement: Judgement | None, step: str) -> str:
    """Return how a step's findings stand together: ``on_course`` if all conform so far.

    "" where none of them has a limit or was measured.
    """
    found = () if judgement is None else judgement.findings
    outcomes = [f.outcome for f in found if f.step == step and f.limit is not None]
    known = [o for o in outcomes if o is not Outcome.NOT_MEASURED]
    if not known:
        return ""
    if all(o in _PASSES for o in known):
        return "on_course"
    return "" if any(o in _FAILS for o in known) else "not_yet_decided"


def _not_seen_yet(
    finding: Finding, step: Step, plan: Plan, ended: Sequence[str]
) -> bool:
    """Tell whether the judgement is older than the end of the step that it lacks."""
    if not any(w.id == "step_not_done" for w in finding.why):
        return False
    later = plan.steps[plan.steps.index(step) + 1 :]
    return not any(each.id in ended for each in later)


def _name(id: str) -> str:
    """Return a finding's name, the shorter one where the desk has it."""
    return said("finding", id) if worded("finding", id) else label(id)


def _of(
    found: Mapping[_Key, Finding], step: str, id: str, channel: str | None
) -> Finding | None:
    if channel is not None:
        return found.get((step, id, channel))
    return next((f for key, f in found.items() if key[:2] == (step, id)), None)


def _badness(finding: Finding) -> tuple[int, float]:
    sure = 1.0 if finding.p_conform is None else finding.p_conform
    return _ORDER.index(finding.outcome), sure


def _word(finding: Finding, *, on: bool, settled: bool) -> tuple[str, BarState | None]:
    """Return the word, and the state to draw where it is not the outcome's own."""
    outcome = finding.outcome
    if settled or outcome is Outcome.NOT_MEASURED:
        return outcome.value, None
    if outcome in _PASSES:
        return said("state", "on_course" if on else "provisional"), None
    if outcome in _FAILS:
        return said("state", "enough_to_fail"), None
    if outcome is Outcome.INCONCLUSIVE:
        return said("state", "not_yet_decided"), BarState.UNDECIDED
    return outcome.value, None


def _empty_bar(limit: Limit) -> Bar:
    """Return an empty line with its ticks; their places mean nothing yet."""
    return Bar(
        interval=None,
        limit_min=-1.0 if limit.min is not None else None,
        limit_max=1.0 if limit.max is not None else None,
        state=BarState.TO_COME,
    )
