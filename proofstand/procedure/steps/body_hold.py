"""Body-hold: inlet isolated next to the regulator, bleed untouched, both sides held.

Then a little gas is drawn off, so that the trace shows that the inlet was isolated.
"""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import decided, fell_by, first_of, touched
from ..seeing_isolated import INLET_SUPPLIED, drawn_off
from ..stages import Ask, Hold, Soak, Stage
from .lockup import locking

# A trapped inlet that has lost this share has told enough.
ENOUGH = 0.5


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``body-hold`` step."""
    assert step.hold is not None
    soak = step.soak.value_si if step.soak is not None else 10.0
    return (
        *locking(step, plan),
        Ask(act="isolate_inlet", confirm=True),
        Ask(act="hands_off"),
        Soak(seconds=soak),
        Hold(
            seconds=step.hold.value_si,
            stop=first_of(fell_by(ENOUGH), decided(step, plan)),
            guard=touched("outlet", "inlet", soaked_s=soak),
        ),
        Ask(
            act="draw_off",
            see=drawn_off(step.hold.value_si),
            spoils=INLET_SUPPLIED,
            give_up_s=180.0,
        ),
    )
