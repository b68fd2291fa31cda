"""Flow sweep: one flow after another at one inlet, by the rig's flow channel."""

from __future__ import annotations

from records.measure import Kind, Quantity
from records.plan import Plan, Step

from ..leaves import STOPPED_S, inlet_changes, stops_flow
from ..seeing import (
    all_of,
    first_of,
    flow_at,
    flow_stopped,
    off_flow,
    off_pressure,
    outlet_stands,
)
from ..stages import Ask, Hold, Stage
from .lockup import INLET_BAND, bringing_inlet

FLOW_BAND = 0.03  # of the flow; a definition's own flow is wanted within 5 %


def flow_brought_to(flow: Quantity, band: float = FLOW_BAND) -> Ask:
    """Return the stage that brings a flow about and waits until the outlet stands."""
    return Ask(
        act="set_flow",
        aim=flow,
        see=all_of(flow_at(flow.value_si, band), outlet_stands()),
        give_up_s=240.0,
        tells_aim=True,
    )


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of a ``flow-sweep`` step, in the order of its readings."""
    assert step.hold is not None
    assert step.inlet is not None
    inlet_band = INLET_BAND if step.inlet_band is None else step.inlet_band.value_si
    relative = step.band is not None and step.band.kind is Kind.RATIO
    band = step.band.value_si if relative and step.band is not None else FLOW_BAND
    found: list[Stage] = []
    if inlet_changes(step, plan):
        found += bringing_inlet(step, inlet_band)
    for flow in step.flows:
        off = first_of(
            off_flow(flow.value_si, 1.5 * band),
            off_pressure("inlet", step.inlet.value_si, inlet_band),
        )
        found += [
            flow_brought_to(flow, band),
            Hold(seconds=step.hold.value_si, check=off),
        ]
    if stops_flow(step):
        found += [
            Ask(act="close_bleed", see=flow_stopped(), give_up_s=90.0),
            Hold(seconds=STOPPED_S, from_event="shut_off"),
        ]
    return tuple(found)
