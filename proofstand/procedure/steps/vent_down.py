"""Vent-down: supply shut, outlet opened with the regulator still open, until zero.

Between two stages pressure may remain where no channel reads it: the caution says so.
"""

from __future__ import annotations

from records.plan import Plan, Step

from ..stages import Ask, Stage
from ..standing import at_zero
from ..watch import no_pressure


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``vent-down`` step."""
    two = plan.two_stages
    empty = no_pressure("inlet", "outlet")
    return (
        Ask(
            act="vent_down",
            see=empty,
            confirm=True,
            there=at_zero,
            caution="vent_two_stages" if two else "vent",
        ),
        Ask(
            act="disconnect",
            see=empty,
            confirm=True,
            there=at_zero,
            caution="interstage_before_disconnecting"
            if two
            else "zero_before_disconnecting",
            opens=True,
        ),
    )
