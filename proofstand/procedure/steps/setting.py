"""Set: to the target with a small bleed; read again with the nut locked, cap on."""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import left_band, set_within
from ..stages import Ask, Hold, Stage


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``set`` step; a trial locks nothing."""
    assert step.hold is not None
    assert step.target is not None
    target = step.target.value_si
    band = step.band.value_si if step.band is not None else 0.02 * target
    found: list[Stage] = [
        Ask(
            act="set_outlet",
            aim=step.target,
            see=set_within(target, band),
            give_up_s=240.0,
            adjusts=True,
        )
    ]
    if not step.trial:
        found.append(Ask(act="lock_nut", confirm=True, adjusts=True))
    hold = step.hold.value_si
    check = None if step.trial else left_band(target, 1.5 * band, hold)
    found.append(Hold(seconds=hold, check=check))
    return tuple(found)
