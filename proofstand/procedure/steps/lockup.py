"""Lockup: a steady small flow, the downstream valve closed in a stated time, a hold."""

from __future__ import annotations

from records.plan import Plan, Step

from ..leaves import inlet_changes, locked_before
from ..seeing import (
    at_pressure,
    closed_further,
    first_of,
    flow_stopped,
    flowing,
    off_pressure,
    shut_off,
    touched,
)
from ..stages import Ask, Hold, Stage
from ..standing import at_aim

SHORTEST_CLOSING_S = 1.0
LONGEST_CLOSING_S = 5.0
INLET_BAND = 0.02  # of the inlet, over the hold


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``lockup`` step."""
    assert step.hold is not None
    assert step.inlet is not None
    window = (
        (step.window[0].value_si, step.window[1].value_si)
        if step.window is not None
        else (SHORTEST_CLOSING_S, LONGEST_CLOSING_S)
    )
    band = INLET_BAND if step.inlet_band is None else step.inlet_band.value_si
    changed = inlet_changes(step, plan)
    found: list[Stage] = bringing_inlet(step, band) if changed else []
    further = closed_further()
    found += [
        Ask(act="open_bleed", see=flowing(), give_up_s=120.0),
        Ask(
            act="close_bleed",
            see=shut_off(*window),
            redo="closing_time_outside",
            give_up_s=90.0,
        ),
        Hold(
            seconds=step.hold.value_si,
            from_event="shut_off",
            check=first_of(further, off_pressure("inlet", step.inlet.value_si, band))
            if changed
            else further,
            guard=touched("outlet", "inlet"),
        ),
    ]
    return tuple(found)


def locking(step: Step, plan: Plan) -> list[Stage]:
    """Return the stages that lock the regulator up where a step finds it flowing."""
    if locked_before(step, plan):
        return []
    return [
        Ask(act="open_bleed", see=flowing(), give_up_s=120.0),
        Ask(act="close_bleed", see=flow_stopped(), give_up_s=90.0),
    ]


def bringing_inlet(step: Step, band: float) -> list[Stage]:
    """Return the stages that bring the inlet to a step's, by way of its pressures."""
    assert step.inlet is not None
    return [
        Ask(
            act="set_inlet",
            aim=pressure,
            # closer than the hold needs it: gas let down comes up again
            see=at_pressure("inlet", pressure.value_si, 0.5 * band),
            confirm=True,
            there=at_aim("inlet", pressure.value_si, band),
            caution="raise_slowly",
        )
        for pressure in (*step.stages, step.inlet)
    ]
