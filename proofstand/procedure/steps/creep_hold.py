"""Creep-hold: the last lockup held on, the bleed untouched."""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import decided, touched
from ..stages import Ask, Hold, Stage


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``creep-hold`` step; it counts from the last shut-off."""
    assert step.hold is not None
    return (
        Ask(act="hands_off"),
        Hold(
            seconds=step.hold.value_si,
            from_event="shut_off",
            stop=decided(step, plan),
            guard=touched("outlet", "inlet"),
        ),
    )
