"""Rig-hold: both regulator connections blanked, both sides at test pressure."""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import at_pressure, vented
from ..stages import Ask, Hold, Soak, Stage


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``rig-hold`` step."""
    assert step.hold is not None
    assert step.inlet is not None
    assert step.outlet is not None
    soak = step.soak.value_si if step.soak is not None else 20.0
    return (
        Ask(
            act="fit_blank",
            see=vented("inlet", "outlet"),
            confirm=True,
            caution="zero_before_connecting",
            opens=True,
        ),
        Ask(
            act="raise_inlet",
            aim=step.inlet,
            see=at_pressure("inlet", step.inlet.value_si),
            confirm=True,
            caution="raise_slowly",
        ),
        Ask(act="isolate_inlet", confirm=True),
        Ask(
            act="fill_outlet",
            aim=step.outlet,
            see=at_pressure("outlet", step.outlet.value_si, 0.05),
            confirm=True,
        ),
        Ask(act="hands_off"),
        Soak(seconds=soak),
        Hold(seconds=step.hold.value_si),
        Ask(
            act="open_to_air",
            see=vented("inlet", "outlet"),
            confirm=True,
            caution="vent",
        ),
    )
