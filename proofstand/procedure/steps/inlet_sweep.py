"""Inlet sweep: a flow on, the inlet brought to one pressure after another.

The flow is small, or the one that the definition asks for: then it is brought about
again at each inlet, by the rig's flow channel.
"""

from __future__ import annotations

from records.plan import Plan, Step

from ..seeing import all_of, at_pressure, flowing, off_pressure, outlet_stands
from ..stages import Ask, Hold, Stage
from ..standing import at_aim
from .flow_sweep import flow_brought_to
from .lockup import INLET_BAND


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of an ``inlet-sweep`` step, in the order of its readings."""
    assert step.hold is not None
    band = INLET_BAND if step.inlet_band is None else step.inlet_band.value_si
    rated = step.rated_flow
    found: list[Stage] = []
    if rated is None:
        found.append(Ask(act="open_bleed", see=flowing(), give_up_s=120.0))
    for pressure in step.inlets:
        at = pressure.value_si
        found += [
            Ask(
                act="set_inlet",
                aim=pressure,
                see=all_of(at_pressure("inlet", at, 0.5 * band), outlet_stands()),
                confirm=True,
                there=at_aim("inlet", at, band),
                caution="raise_slowly",
                tells_aim=True,
            ),
        ]
        if rated is not None:
            found.append(flow_brought_to(rated))
        found += [
            Hold(
                seconds=step.hold.value_si,
                check=off_pressure("inlet", at, band),
            ),
        ]
    return tuple(found)
