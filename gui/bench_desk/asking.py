"""What is asked of the hands: its words, and what could hurt, by act, aim and step."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from proofstand.procedure.leaves import inlet_before
from proofstand.words.sentences import act_words, caution
from records.plan import Plan, Step
from records.run import Mark, MarkKind, Request

from .wording import known, said, several

# Acts whose work is seen on the inlet.
INLET_ACTS = ("raise_inlet", "set_inlet")
# Gas comes out in these, whatever the step says of them.
_NEAR = 1.02
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
    marks: Iterable[Mark] = (),
) -> Asking:
    """Return the words for a request.

    Args:
        request: what is asked.
        step: the step that asks it.
        plan: that of the run.
        reading: the present value of a role, Pa gauge, or None.
        marks: written so far.
    """
    act = _words_of(request, step, plan, reading)
    if act == "vent_down":
        act = vent_words(marks)
    first, second, detail = several(
        "act",
        act,
        aim=request.aim.typed if request.aim is not None else "",
        repeats=request.repeats,
        lasting=request.lasting.typed if request.lasting is not None else "",
        window=window_words(step),
        asks=request.asks,
        what=request.look.replace("_", " "),
        instrument=request.instrument,
    )
    return Asking(
        first=first, second=second, detail=detail, caution=_caution(act, request)
    )


def vent_words(marks: Iterable[Mark]) -> str:
    """Return the name of the words for letting the gas off.

    The downstream valve lets both sides off only through a regulator that is open: it
    is once it was set, until something is fitted, blanks too, or its screw is touched.
    """
    joined = False
    for mark in marks:
        act = mark.data.get("act", "")
        if mark.kind is MarkKind.OPENED:
            joined = False
        elif mark.kind is MarkKind.ADJUSTED and act != "lock_nut":
            joined = act == "set_outlet"
    return "vent_down" if joined else "vent_down_both"


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
    act, aim = act_words(request), request.aim
    if step is None or aim is None:
        return act
    if act == "add_gas" and request.lasting is not None:
        return "add_gas_leak"
    if act == "raise_inlet":
        if step.kind in ("rig-hold", "reference-leak"):
            return "raise_inlet_rig"
        first = (*step.stages, step.inlet)[0]
        # leak solution has its place at the first stage alone
        return act if first is None or aim == first else "raise_inlet_on"
    if act == "set_inlet":
        # a sweep goes down and up again: where the inlet stands tells which way
        now = reading("inlet") if step.inlets else None
        before = _inlet_before(step, plan) if now is None else now / _NEAR
        return "lower_inlet" if before > aim.value_si else act
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
    before = inlet_before(step, plan)
    return 0.0 if before is None else before.value_si


def _caution(act: str, request: Request) -> str:
    if act in _LETS_OUT:
        return caution("vent")
    if request.caution:
        return caution(request.caution)
    return said("caution", act) if known("caution", act) else ""
