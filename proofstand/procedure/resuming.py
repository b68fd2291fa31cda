"""Going on after an interruption: which step begins again, and what comes first.

Nobody knows what was done to the rig meanwhile. Where the regulator is on it, both
sides are opened to air and must read zero before pressure is applied again; the setting
is left alone.
"""

from __future__ import annotations

from records.measure import Quantity
from records.plan import Plan, Step

from .leaves import inlet_before
from .seeing import all_of, at_pressure, zeroed
from .stages import Ask, Stage
from .standing import at_aim, at_zero
from .watch import no_pressure, nothing_under_pressure

# Steps that lean on the lockup before them, bleed untouched.
_LEAN_ON_LOCKUP = ("creep-hold", "body-hold", "find-volume", "relief")
# Steps at whose beginning blanks or the regulator are fitted, both sides at zero.
AT_FITTING = ("rig-hold", "reference-leak", "pressurise")
# Steps that find the regulator on the rig and under pressure.
_UNDER_PRESSURE = (
    *("set", "exercise", "lockup", "inlet-sweep", "flow-sweep", "look"),
    *_LEAN_ON_LOCKUP,
)


def step_to_repeat(plan: Plan, index: int) -> int:
    """Return the place of the step to begin again when this one was interrupted."""
    if plan.steps[index].kind in _LEAN_ON_LOCKUP:
        for before in range(index - 1, -1, -1):
            if plan.steps[before].kind == "lockup":
                return before
    return index


def finds_regulator(step: Step) -> bool:
    """Tell whether a step begins with the regulator on the rig, set as it was left."""
    return step.kind in _UNDER_PRESSURE


def stages(step: Step, plan: Plan) -> tuple[Stage, ...]:
    """Return what comes before the step's own stages when it begins again."""
    if step.kind in AT_FITTING:
        # gas may stand on it, and its own first word is to connect
        return (
            Ask(
                act="vent_down",
                see=no_pressure("inlet", "outlet"),
                confirm=True,
                there=at_zero,
                caution="vent_two_stages" if plan.two_stages else "vent",
            ),
        )
    if not finds_regulator(step):
        return ()  # it begins with its own look at zero, or asks for none
    first = Ask(
        act="open_to_air",
        see=all_of(nothing_under_pressure, zeroed("inlet", "outlet")),
        confirm=True,
        caution="vent",
    )
    inlet = _inlet_level(step, plan)
    if inlet is None:
        return (first,)
    return (
        first,
        # both were opened to air, and a person's word is all that tells they are shut
        Ask(act="close_bleed", confirm=True),
        Ask(
            act="raise_inlet",
            aim=inlet,
            see=at_pressure("inlet", inlet.value_si),
            confirm=True,
            there=at_aim("inlet", inlet.value_si),
            caution="raise_slowly",
        ),
    )


def _inlet_level(step: Step, plan: Plan) -> Quantity | None:
    return step.inlets[0] if step.inlets else step.inlet or inlet_before(step, plan)
