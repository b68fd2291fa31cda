"""Inlet sweep: a small flow on, the inlet brought to one pressure after another."""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import all_of, at_pressure, flowing, off_pressure, outlet_stands
from ..stages import Ask, Hold, Stage
from .lockup import INLET_BAND


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of an ``inlet-sweep`` step, in the order of its readings."""
    assert step.hold is not None
    band = INLET_BAND if step.inlet_band is None else step.inlet_band.value_si
    found: list[Stage] = [Ask(act="open_bleed", see=flowing(), give_up_s=120.0)]
    for pressure in step.inlets:
        at = pressure.value_si
        found += [
            Ask(
                act="set_inlet",
                aim=pressure,
                see=all_of(at_pressure("inlet", at, 0.5 * band), outlet_stands()),
                confirm=True,
                caution="raise_slowly",
                tells_aim=True,
            ),
            Hold(
                seconds=step.hold.value_si,
                check=off_pressure("inlet", at, band),
            ),
        ]
    return tuple(found)
