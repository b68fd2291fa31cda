"""Pressurise: adjuster out, inlet up in stages; the first look at the seat."""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import at_pressure
from ..stages import Ask, Hold, Stage
from ..standing import at_aim, at_zero
from ..watch import no_pressure


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``pressurise`` step."""
    assert step.inlet is not None
    found: list[Stage] = [
        Ask(
            act="fit_regulator",
            see=no_pressure("inlet", "outlet"),
            confirm=True,
            there=at_zero,
            caution="zero_before_connecting",
            opens=True,
        ),
        Ask(act="screw_out", confirm=True, adjusts=True),
    ]
    found += raising(step)
    found.append(Hold(seconds=step.hold.value_si if step.hold is not None else 5.0))
    return tuple(found)


def raising(step: Step) -> list[Stage]:
    """Return the stages that bring the inlet up, by way of the step's pressures."""
    assert step.inlet is not None
    return [
        Ask(
            act="raise_inlet",
            aim=pressure,
            see=at_pressure("inlet", pressure.value_si),
            confirm=True,
            there=at_aim("inlet", pressure.value_si),
            caution="raise_slowly",
        )
        for pressure in (*step.stages, step.inlet)
    ]
