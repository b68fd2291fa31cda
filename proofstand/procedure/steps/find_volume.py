"""Find-volume: locked up, a known amount of gas put in a few times, each rise read."""

from __future__ import annotations

from records.measure import Kind
from records.plan import Plan, Step

from ..seeing import gained, no_room, touched
from ..stages import Ask, Hold, Stage
from .lockup import locking


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``find-volume`` step.

    A stroke of a syringe is seen in the trace. Of a leak that feeds for a time the
    trace can't show when it was shut: a person says so.
    """
    assert step.hold is not None
    assert step.added is not None
    found = locking(step, plan)
    stroke = step.added.kind is not Kind.LEAK
    guard = touched("outlet")
    found += [Ask(act="hands_off"), Hold(seconds=step.hold.value_si, guard=guard)]
    for number in range(step.repeats):
        found += [
            Ask(
                act="add_gas",
                aim=step.added,
                lasting=step.adding,
                see=gained(stroke=stroke),
                confirm=not stroke,
                give_up_s=240.0,
                # the first one's rise is not known yet
                unless=no_room() if number else None,
                tells_aim=True,
            ),
            Hold(seconds=step.hold.value_si, guard=guard),
        ]
    return tuple(found)
