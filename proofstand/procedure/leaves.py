"""What the steps of a plan leave behind for those after them: inlet, shut valve."""

from __future__ import annotations

from records.jobcard import JobCard
from records.measure import Quantity
from records.plan import Plan, Step

# Findings that want the flow of a sweep stopped at its end, and for how long.
_OF_STOPPING = ("closure_coefficient", "lockup_class")
STOPPED_S = 62.0
_LOCKS = ("lockup", "creep-hold", "find-volume")
_NEEDS_LOCKUP = ("creep-hold", "body-hold", "find-volume", "relief")
_LEAVES_ALONE = ("look",)
_LEAVES_NO_INLET = ("vent-down", "relief", "body-hold")


def stops_flow(step: Step) -> bool:
    """Tell whether a flow sweep ends with its flow stopped, for what is found then."""
    return step.kind == "flow-sweep" and any(
        limit.finding in _OF_STOPPING for limit in step.limits
    )


def left_out(step: Step, plan: Plan, job: JobCard) -> str:
    """Return why a step is not done with this regulator, by its card, or ""."""
    if plan.as_found and job.inspection is not None and job.inspection.forbids_pressure:
        return "inspection_forbids"
    if step.kind == "relief" and not job.regulator.nameplate.has_relief:
        return "no_relief_fitted"
    return ""


def inlet_before(step: Step, plan: Plan) -> Quantity | None:
    """Return the inlet pressure at which a step finds the regulator, or None."""
    found = None
    for before in plan.steps[: plan.steps.index(step)]:
        if before.kind in _LEAVES_NO_INLET and not before.left_out:
            found = None
        elif before.kind not in ("rig-hold", "reference-leak"):
            found = before.inlets[-1] if before.inlets else before.inlet or found
    return found


def inlet_changes(step: Step, plan: Plan) -> bool:
    """Tell whether a step wants another inlet pressure than it finds."""
    if step.inlet is None:
        return False
    before = inlet_before(step, plan)
    return before is None or before.value_si != step.inlet.value_si


def locked_before(step: Step, plan: Plan) -> bool:
    """Tell whether a step finds the downstream valve shut, the regulator locked up."""
    for before in reversed(plan.steps[: plan.steps.index(step)]):
        if before.kind not in _LEAVES_ALONE and not before.left_out:
            return before.kind in _LOCKS or stops_flow(before)
    return False


def leans_on_lockup(step: Step, plan: Plan) -> bool:
    """Tell whether a step counts on the lockup that the one before it leaves."""
    return step.kind in _NEEDS_LOCKUP and locked_before(step, plan)
