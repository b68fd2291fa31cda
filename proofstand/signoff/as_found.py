"""As found beside as left: the same quantities before the work and after it."""

from __future__ import annotations

from typing import Any

from records.judgement import Finding, Judgement, Outcome
from records.plan import Plan
from records.run import Run

from ..display import Shown, show
from ..report import role_of
from ..words.sentences import label, page
from .beside import AsFoundTest

# Of the rig and of the reading, not of the regulator.
# What makes a quantity the same: id, channel, inlet pressure of its step.
_Same = tuple[str, str, float | None]
_RANK = (
    Outcome.NOT_MEASURED,
    Outcome.NO_LIMIT,
    Outcome.PASS,
    Outcome.CONDITIONAL_PASS,
    Outcome.INCONCLUSIVE,
    Outcome.CONDITIONAL_FAIL,
    Outcome.FAIL,
)
_NOT_OF_IT = ("zero_offset", "closing_zero_change", "rig_leak", "outlet_volume")


def as_found_rows(
    before: AsFoundTest, run: Run, plan: Plan, judgement: Judgement
) -> list[dict[str, Any]]:
    """Return each quantity that has a limit as it was found and as it was left.

    Both are shown in the units of the plan of now. The same quantity is that of the
    same inlet pressure, or of any where nothing was found at that one; of its repeats
    the worst stands here.
    """
    found = _worst(before.judgement, before.plan)
    left = _worst(judgement, plan)
    rows: list[dict[str, Any]] = []
    for key, first in found.items():
        second = left.get(key) or _any_inlet(key, left, found)
        limited = first.limit is not None or (second and second.limit is not None)
        if not limited:
            continue
        shown = show(first, plan, role_of(first, before.run.header.rig))
        after, outcome = page("not_measured"), ""
        if second is not None:
            after = _found(show(second, plan, role_of(second, run.header.rig)))
            outcome = _outcome(second)
        steps = dict.fromkeys(f.step for f in (first, second) if f is not None)
        rows.append(
            {
                "name": label(first.id),
                "steps": ", ".join(steps),
                "before": _found(shown),
                "after": after,
                "before_outcome": _outcome(first),
                "after_outcome": outcome,
            }
        )
    return rows


def _worst(judgement: Judgement, plan: Plan) -> dict[_Same, Finding]:
    """Return the worst finding of each quantity, in the order in which they came."""
    worst: dict[_Same, Finding] = {}
    for finding in judgement.findings:
        if finding.id in _NOT_OF_IT or finding.measured is None:
            continue
        key = (finding.id, finding.channel, _inlet(plan, finding.step))
        if key not in worst or _badness(finding) > _badness(worst[key]):
            worst[key] = finding
    return worst


def _any_inlet(
    key: _Same, left: dict[_Same, Finding], found: dict[_Same, Finding]
) -> Finding | None:
    """Return the same quantity at an inlet pressure that none as found stands for."""
    free = (f for k, f in left.items() if k[:2] == key[:2] and k not in found)
    return next(free, None)


def _badness(finding: Finding) -> tuple[int, float]:
    sure = 1.0 if finding.p_conform is None else finding.p_conform
    return _RANK.index(finding.outcome), -sure


def _inlet(plan: Plan, id: str) -> float | None:
    step = plan.step(id)
    return None if step is None or step.inlet is None else step.inlet.value_si


def _found(shown: Shown) -> str:
    found = shown.found.replace("-", "−")
    return f"{found} {shown.whole_unit}" if found else page("not_measured")


def _outcome(finding: Finding) -> str:
    return "" if finding.limit is None else finding.outcome.value
