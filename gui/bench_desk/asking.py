"""What is asked of the hands: its words, and what could hurt, by act, aim and step."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from proofstand.words.sentences import caution
from records.plan import Plan, Step
from records.run import Request

from .wording import known, said, several

# Acts whose work is seen on the inlet.
INLET_ACTS = ("raise_inlet", "set_inlet")
# Gas comes out in these, whatever the step says of them.
_LETS_OUT = ("exercise", "lower_inlet")


@dataclass(frozen=True, slots=True, kw_only=True)
class Asking:
    """Words for a request."""

    first: str
    second: str
    detail: str
    caution: str


def asking_of(
    request: Request,
    step: Step | None,
    plan: Plan | None,
    reading: Callable[[str], float | None],
) -> Asking:
    """Return the words for a request.

    Args:
        request: what is asked.
        step: the step that asks it.
        plan: that of the run.
        reading: the present value of a role, Pa gauge, or None.
    """
    act = _words_of(request, step, plan, reading)
    first, second, detail = several(
        "act",
        act,
        aim=request.aim.typed if request.aim is not None else "",
        repeats=request.repeats,
        window=window_words(step),
    )
    return Asking(
        first=first, second=second, detail=detail, caution=_caution(act, request)
    )


def window_words(step: Step | None) -> str:
    """Return in which time the downstream valve is to be closed."""
    window = step.window if step is not None else None
    if window is None:
        return "1 to 5 s"
    return f"{window[0].value_si:g} to {window[1].value_si:g} s"


def _words_of(
    request: Request,
    step: Step | None,
    plan: Plan | None,
    reading: Callable[[str], float | None],
) -> str:
    act, aim = request.act, request.aim
    if step is None or aim is None:
        return act
    if act == "raise_inlet":
        if step.kind == "rig-hold":
            return "raise_inlet_rig"
        first = (*step.stages, step.inlet)[0]
        # leak solution has its place at the first stage alone
        return act if first is None or aim == first else "raise_inlet_on"
    if act == "set_inlet" and _inlet_before(step, plan) > aim.value_si:
        return "lower_inlet"
    if act == "set_outlet":
        now = reading("outlet")
        band = step.band.value_si if step.band is not None else 0.02 * aim.value_si
        if now is not None and now > aim.value_si + band:
            return "set_outlet_above"
    return act


def _inlet_before(step: Step, plan: Plan | None) -> float:
    """Return the inlet that the step before leaves behind, Pa; 0 where none does."""
    if plan is None or step not in plan.steps:
        return 0.0
    before = [
        s.inlet.value_si
        for s in plan.steps[: plan.steps.index(step)]
        if s.inlet is not None and s.kind != "rig-hold"
    ]
    return before[-1] if before else 0.0


def _caution(act: str, request: Request) -> str:
    if act in _LETS_OUT:
        return caution("vent")
    if request.caution:
        return caution(request.caution)
    return said("caution", act) if known("caution", act) else ""
