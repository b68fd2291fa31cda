"""Exercise: open and shut the downstream valve a few times, before anything counts."""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import cycles
from ..stages import Ask, Stage


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of an ``exercise`` step."""
    return (
        Ask(
            act="exercise",
            repeats=step.repeats,
            see=cycles(step.repeats),
            give_up_s=180.0,
        ),
    )
