"""Zero, before and after: both sides open to air, supply shut."""

from __future__ import annotations

from records.plan import Plan, Step

from ..stages import Ask, Hold, Stage
from ..watch import no_pressure


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``zero`` or ``closing-zero`` step."""
    assert step.hold is not None
    return (
        Ask(
            act="open_to_air",
            see=no_pressure("inlet", "outlet"),
            confirm=True,
            caution="vent",
        ),
        Hold(seconds=step.hold.value_si),
    )
