"""Look: a person is asked what no channel shows, and answers."""

from __future__ import annotations

from records.plan import Plan, Step

from ..leaves import inlet_changes
from ..stages import Ask, Stage
from .lockup import INLET_BAND, bringing_inlet


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``look`` step; it changes nothing but the inlet."""
    found: list[Stage] = []
    if inlet_changes(step, plan):
        found += bringing_inlet(step, INLET_BAND)
    return (*found, Ask(act="look", lasting=step.hold, confirm=True))
