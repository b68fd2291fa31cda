"""Relief: inlet isolated, the outlet raised slowly until the vent lets out gas."""

from __future__ import annotations

from records.measure import Quantity
from records.plan import Plan, Step

from ..seeing import first_of, touched
from ..seeing_relief import (
    discharges,
    let_down,
    let_off,
    not_opened,
    not_reseated,
)
from ..stages import Ask, Hold, Soak, Stage
from .lockup import locking

# The vent is read so long before anything is raised, so that a weep is known.
QUIET_S = 6.0
_UNKNOWN_SET = 0.5  # of the most: no plan sets a relief so low


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``relief`` step.

    That the vent begins to discharge is said by the reading at it or by a person,
    whichever is first. The next lockup brings the inlet back.
    """
    assert step.hold is not None
    assert step.outlet is not None
    most, at = step.outlet.value_si, set_before(step, plan)
    set_pa = _UNKNOWN_SET * most if at is None else at.value_si
    found: list[Stage] = [
        *locking(step, plan),
        Ask(act="isolate_inlet", confirm=True, caution="raise_outlet"),
        Soak(seconds=QUIET_S),
        Ask(
            act="raise_outlet",
            aim=step.outlet,
            see=first_of(let_off(), discharges(), not_opened(most, set_pa)),
            redo="disturbed",
            confirm=True,
            either=True,
            caution="raise_outlet",
        ),
        Ask(
            act="shut_source",
            # that the source is shut no trace shows: a person has to say so
            see=not_reseated(set_pa),
            confirm=True,
            either=True,
            caution="vent",
        ),
        Hold(seconds=step.hold.value_si, guard=touched("outlet")),
        Ask(
            act="let_down_outlet",
            aim=at,
            see=let_down(most, set_pa),
            confirm=True,
            caution="vent",
        ),
    ]
    return tuple(found)


def set_before(step: Step, plan: Plan) -> Quantity | None:
    """Return the pressure that the regulator was set to before a step, or None."""
    before = plan.steps[: plan.steps.index(step)]
    targets = [s.target for s in before if s.target is not None]
    return targets[-1] if targets else None
