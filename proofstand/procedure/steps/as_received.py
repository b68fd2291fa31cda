"""As-received: fitted as it came, adjuster untouched, inlet on to a shut outlet."""

from __future__ import annotations

from records.plan import Plan, Step

from ..stages import Ask, Hold, Stage
from ..standing import at_zero
from ..watch import no_pressure
from .pressurise import raising

HOLD_S = 30.0


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of an ``as-received`` step.

    Nothing is let out of the outlet: it closes for the first time by itself.
    """
    assert step.inlet is not None
    return (
        Ask(
            act="fit_as_received",
            see=no_pressure("inlet", "outlet"),
            confirm=True,
            there=at_zero,
            caution="zero_before_connecting",
            opens=True,
        ),
        *raising(step),
        Ask(act="hands_off"),
        Hold(seconds=HOLD_S if step.hold is None else step.hold.value_si),
    )
