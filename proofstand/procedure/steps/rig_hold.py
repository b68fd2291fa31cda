"""Rig-hold: both regulator connections blanked, both sides at test pressure."""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import at_pressure, leaks, touched
from ..stages import Ask, Hold, Soak, Stage
from ..watch import no_pressure
from .pressurise import raising

# A rig that loses this share of the smallest leak to be found is not gone on with.
PLAIN_SHARE = 0.5


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``rig-hold`` step."""
    assert step.hold is not None
    assert step.inlet is not None
    assert step.outlet is not None
    soak = step.soak.value_si if step.soak is not None else 20.0
    most = _leak_to_be_found(plan)
    return (
        Ask(
            act="fit_blank",
            see=no_pressure("inlet", "outlet"),
            confirm=True,
            caution="zero_before_connecting",
            opens=True,
        ),
        *raising(step),
        Ask(act="isolate_inlet", confirm=True),
        Ask(
            act="fill_outlet",
            aim=step.outlet,
            see=at_pressure("outlet", step.outlet.value_si, 0.05),
            confirm=True,
        ),
        Ask(act="hands_off"),
        Soak(seconds=soak),
        Hold(
            seconds=step.hold.value_si,
            check=None if most is None else leaks(PLAIN_SHARE * most),
            gate=True,
            guard=touched("outlet", "inlet", soaked_s=soak),
        ),
        Ask(
            act="open_to_air",
            see=no_pressure("inlet", "outlet"),
            confirm=True,
            caution="vent",
        ),
    )


def _leak_to_be_found(plan: Plan) -> float | None:
    """Return the smallest leak that the plan judges by, Pa·m3/s, or None.

    A rig that leaks as much itself would hide it; the judgement asks for a tenth.
    """
    limits = [
        limit.max.quantity.value_si
        for step in plan.steps
        for limit in step.limits
        if limit.finding in ("external_leak", "seat_leak")
        and limit.max is not None
        and limit.max.of is None
    ]
    return min(limits, default=None)
