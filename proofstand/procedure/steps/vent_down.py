"""Vent-down: supply shut, outlet opened with the regulator still open, until zero."""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import vented
from ..stages import Ask, Stage


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``vent-down`` step."""
    return (
        Ask(
            act="vent_down",
            see=vented("inlet", "outlet"),
            confirm=True,
            caution="vent",
        ),
        Ask(
            act="disconnect",
            see=vented("inlet", "outlet"),
            confirm=True,
            caution="zero_before_disconnecting",
            opens=True,
        ),
    )
