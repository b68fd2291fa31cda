"""Hold: any pressure, trapped; no regulator is needed."""

from __future__ import annotations

from records.plan import Plan, Step

from ..stages import Ask, Hold, Stage


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``hold`` step."""
    seconds = step.hold.value_si if step.hold is not None else 60.0
    return (Ask(act="hands_off"), Hold(seconds=seconds))
