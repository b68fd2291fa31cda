"""Reference-leak: connections blanked, the outlet at the leak's pressure, it is opened.

It is shut again as both sides are opened to air.
"""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import at_pressure, vented
from ..stages import Ask, Hold, Soak, Stage
from ..standing import at_aim, at_zero
from .pressurise import raising

_OPENED_S = 2.0  # the hand at the leak's valve, before the reading begins


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``reference-leak`` step."""
    assert step.hold is not None
    assert step.inlet is not None
    assert step.outlet is not None
    soak = step.soak.value_si if step.soak is not None else 20.0
    return (
        Ask(
            act="fit_blank",
            see=vented("inlet", "outlet"),
            confirm=True,
            there=at_zero,
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
            there=at_aim("outlet", step.outlet.value_si, 0.05),
        ),
        Ask(act="hands_off"),
        Soak(seconds=soak),
        Ask(act="open_leak", confirm=True),
        Soak(seconds=_OPENED_S),
        Hold(seconds=step.hold.value_si),
        Ask(
            act="open_to_air",
            see=vented("inlet", "outlet"),
            confirm=True,
            caution="vent",
        ),
    )
