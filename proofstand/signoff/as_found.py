"""As found beside as left: the same quantities before the work and after it."""

from __future__ import annotations

from typing import Any

from records.judgement import Finding, Judgement
from records.plan import Plan
from records.run import Run

from ..display import Shown, show
from ..report import role_of
from ..words.sentences import label, page
from .beside import AsFoundTest

# Of the rig and of the reading, not of the regulator.
_NOT_OF_IT = ("zero_offset", "closing_zero_change", "rig_leak", "outlet_volume")


def as_found_rows(
    before: AsFoundTest, run: Run, plan: Plan, judgement: Judgement
) -> list[dict[str, Any]]:
    """Return each finding as found with the same one as left.

    Both are shown in the unit of the plan of now. Of several as left that one stands
    beside it which was read at the same inlet pressure, else the first.
    """
    rows: list[dict[str, Any]] = []
    taken: set[tuple[str, str, str]] = set()
    for finding in before.judgement.findings:
        if finding.id in _NOT_OF_IT or finding.measured is None:
            continue
        after = _same(finding, before, judgement, plan, taken)
        if after is not None:
            taken.add((after.id, after.step, after.channel))
        first = show(finding, plan, role_of(finding, before.run.header.rig))
        second = None
        if after is not None:
            second = show(after, plan, role_of(after, run.header.rig))
        rows.append(
            {
                "name": label(finding.id),
                "steps": ", ".join(f.step for f in (finding, after) if f is not None),
                "before": _found(first),
                "after": page("not_measured") if second is None else _found(second),
                "unit": first.whole_unit,
                "before_outcome": _outcome(finding),
                "after_outcome": "" if after is None else _outcome(after),
            }
        )
    return rows


def _same(
    finding: Finding,
    before: AsFoundTest,
    judgement: Judgement,
    plan: Plan,
    taken: set[tuple[str, str, str]],
) -> Finding | None:
    same = [
        f
        for f in judgement.findings
        if (f.id, f.channel) == (finding.id, finding.channel)
        and f.measured is not None
        and (f.id, f.step, f.channel) not in taken
    ]
    inlet = _inlet(before.plan, finding.step)
    at_inlet = [f for f in same if inlet is not None and _inlet(plan, f.step) == inlet]
    return next(iter(at_inlet or same), None)


def _inlet(plan: Plan, id: str) -> float | None:
    step = plan.step(id)
    return None if step is None or step.inlet is None else step.inlet.value_si


def _found(shown: Shown) -> str:
    return shown.found.replace("-", "−") or page("not_measured")


def _outcome(finding: Finding) -> str:
    return "" if finding.limit is None else finding.outcome.value
