"""Zero, before and after: both sides open to air, supply shut."""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import vented
from ..stages import Ask, Hold, Stage


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``zero`` or ``closing-zero`` step."""
    assert step.hold is not None
    return (
        Ask(
            act="open_to_air",
            see=vented("inlet", "outlet"),
            confirm=True,
            caution="vent",
        ),
        Hold(seconds=step.hold.value_si),
    )
