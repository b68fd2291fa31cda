"""Which results survive: what was adjusted or opened after a finding ends its validity.

Adjusting ends what follows from the setting; opening ends all that was found of the
regulator. What was found of the rig stands, and a regulator that is fitted before, or
taken off at the end, is not opened after anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from records.plan import Plan, Step
from records.run import Mark, MarkKind

OF_SETTING = frozenset(
    {
        "set_pressure",
        *("lockup_pressure", "lockup_highest", "lockup_rise", "settling_time"),
        *("hunting_amplitude", "hunting_frequency"),
        *("creep_rate", "creep_total", "seat_leak"),
        *("supply_pressure_effect", "repeatability", "hysteresis", "droop"),
        *("closure_coefficient", "irregularity_coefficient"),
        *("relief_opening", "relief_reseat"),
        *("accuracy_class", "lockup_class"),
    }
)
_OF_RIG = frozenset(
    {"zero_offset", "closing_zero_change", "rig_leak", "pressure_decay_rate"}
)
# Acts that connect or part the rig and change nothing of the regulator.
_OF_CONNECTIONS = ("fit_blank", "disconnect")
_SAME = 0.02  # relative: the same set pressure, the same inlet


@dataclass(frozen=True, slots=True)
class When:
    """A moment of a run: part, and seconds from its start."""

    part: int
    t_s: float

    def before(self, mark: Mark) -> bool:
        """Tell whether a mark was made then or later."""
        return (mark.part, mark.t_s) >= (self.part, self.t_s)


def ends_validity(
    finding: str, step: Step, until: When, marks: Iterable[Mark], plan: Plan
) -> Mark | None:
    """Return the first mark after which a finding says nothing of the regulator.

    Args:
        finding: its id.
        step: that it was found in.
        until: the end of what it was read from.
        marks: of the run.
        plan: that the test went by.
    """
    kinds = {MarkKind.OPENED} if finding not in _OF_RIG else set()
    if finding in OF_SETTING:
        kinds.add(MarkKind.ADJUSTED)
    for mark in marks:
        if mark.kind not in kinds or not until.before(mark):
            continue
        if mark.data.get("act") in _OF_CONNECTIONS:
            continue
        if mark.kind is MarkKind.ADJUSTED and _another_setting(step, mark, plan):
            continue
        return mark
    return None


def _another_setting(step: Step, mark: Mark, plan: Plan) -> bool:
    """Tell whether the plan goes on there to another set pressure, each its own."""
    later = plan.step(mark.step)
    if later is None or "declared" in mark.data or later.target is None:
        return False
    order = {each.id: number for number, each in enumerate(plan.steps)}
    targets = [
        each.target.value_si
        for each in plan.steps[: order[step.id] + 1]
        if each.target is not None and not each.trial
    ]
    if not targets or order[later.id] <= order[step.id]:
        return False
    return abs(targets[-1] - later.target.value_si) > _SAME * abs(targets[-1])


def same_quantity(one: Step, other: Step) -> bool:
    """Tell whether two steps find the same of a regulator: kind and inlet."""
    if one.kind != other.kind:
        return False
    if one.inlet is None or other.inlet is None:
        return one.inlet is other.inlet
    apart = abs(one.inlet.value_si - other.inlet.value_si)
    return apart <= _SAME * abs(one.inlet.value_si)


def facts_of(mark: Mark) -> Mapping[str, str]:
    """Return the facts by which a mark is named."""
    what = mark.data.get("act") or mark.data.get("why", "")
    return {
        "what": what.replace("_", " "),
        "step": mark.step,
        "part": str(mark.part),
        "at_s": f"{mark.t_s:.1f}",
    }
