"""Body-hold: inlet isolated next to the regulator, bleed untouched, both sides held."""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import decided, fell_by, first_of, touched
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
    )
