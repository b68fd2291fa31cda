"""Vent-down: supply shut, outlet opened with the regulator still open, until zero."""

from __future__ import annotations

from records.plan import Plan, Step

from ..stages import Ask, Stage
from ..watch import no_pressure


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``vent-down`` step."""
    return (
        Ask(
            act="vent_down",
            see=no_pressure("inlet", "outlet"),
            confirm=True,
            caution="vent",
        ),
        Ask(
            act="disconnect",
            see=no_pressure("inlet", "outlet"),
            confirm=True,
            caution="zero_before_disconnecting",
            opens=True,
        ),
    )
