"""What no plan may ask for, whatever the rig: limits and steps against each other."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from .errors import InputError
from .measure import Kind, Reference
from .plan import READ_AFTER_S, Bound, Limit, Plan, Step

Place = Callable[..., str]
# As in "plug the vent", "vent capped"; a bubble tube at an open vent is another thing.
_SHUTS = r"(?:plug|block|cap|seal|clos|shut|stopper|tape)"
_VENT = r"vent\b(?!\s+(?:valve|line|hose))"  # those are the rig's own
_VENT_SHUT = re.compile(
    rf"\b{_SHUTS}\w*\s+(?:\w+\s+){{0,3}}{_VENT}"
    rf"|\b(?:plug|cap|tape|stopper)\s+(?:on|onto|in|into|over|to)\s+(?:\w+\s+){{0,2}}{_VENT}"
    rf"|\bvent\s+(?:(?:is|to|be|and|holes?)\s+){{0,2}}{_SHUTS}\w*\b",
    re.IGNORECASE,
)
_FORBIDS = re.compile(
    r"(?:\b(?:never|not|no|nor|without|cannot)|n't)\s+(?:\w+\s+){0,2}$", re.IGNORECASE
)
# Nobody turns a valve within less (common practice, no source).
LEAST_WINDOW_S = 1.0
_ADJUSTS = ("pressurise", "set", "exercise", "inlet-sweep", "flow-sweep", "relief")


def check_rules(plan: Plan, place: Place) -> None:
    """Refuse limits that contradict each other and steps that nobody may do.

    Args:
        plan: parsed.
        place: returns ``file:line`` of a step, or of a text that follows it.

    Raises:
        InputError: ``plan_limits_contradict``, ``plan_vent_plugged``,
            ``plan_as_found_adjusts``, ``plan_as_found_decides``,
            ``plan_relief_unfollowed``, ``plan_window_unworkable``, ``value_wrong``.
    """
    _check_vents(plan, place)
    _check_pressures(plan, place)
    _check_times(plan, place)
    _check_as_found(plan, place)
    _check_twice(plan, place)
    _check_set(plan, place)
    _check_order_of_size(plan, place)
    _check_reliefs(plan, place)


def _check_vents(plan: Plan, place: Place) -> None:
    for caution in plan.cautions:
        said = _shuts_vent(caution)
        if said:
            raise InputError(
                "plan_vent_plugged",
                where=place(None, caution[:20]),
                told="A caution of the plan",
                why=f'it says "{said}"',
            )
    for step in plan.steps:
        for text, called in ((step.title, "title"), (step.asks, "question")):
            said = _shuts_vent(text)
            if said:
                why = f'its {called} says "{said}"'
                break
        else:
            if not (step.kind == "hold" and step.channel == "bonnet"):
                continue
            why = "a pressure is held in the bonnet"
        raise InputError(
            "plan_vent_plugged",
            where=place(step),
            step=step.id,
            told=f"Step {step.id}",
            why=why,
        )


def _shuts_vent(text: str) -> str:
    """Return the words by which somebody is told to shut the vent, or ""."""
    for said in _VENT_SHUT.finditer(text):
        if _FORBIDS.search(text[: said.start()]) is None:
            return said[0]
    return ""


def _check_pressures(plan: Plan, place: Place) -> None:
    """Refuse pressures that are none, and stages that are no way up."""

    def wrong(step: Step, key: str, given: str, right: str) -> InputError:
        return InputError(
            "value_wrong",
            where=place(step, f"\n{key} ="),
            key=f"steps.{step.id}.{key}",
            given=given,
            right=right,
        )

    for step in plan.steps:
        named = {key: getattr(step, key) for key in ("target", "inlet", "outlet")}
        for key, asked in named.items():
            if asked is not None and asked.value_si <= 0.0:
                raise wrong(step, key, asked.typed, "a pressure above zero")
        typed = ", ".join(q.typed for q in step.stages)
        ends = [q.value_si for q in step.stages]
        if any(q.reference is not Reference.GAUGE for q in step.stages):
            raise wrong(step, "stages", typed, "gauge pressures")
        if any(end <= 0.0 for end in ends) or ends != sorted(ends):
            raise wrong(step, "stages", typed, "above zero, rising")
        if ends and step.inlet is not None and ends[-1] > step.inlet.value_si:
            right = f"on the way up to the step's inlet, {step.inlet.typed}"
            raise wrong(step, "stages", typed, right)


def _check_times(plan: Plan, place: Place) -> None:
    """Refuse closing times that no hand keeps, and a lockup over before it is read."""
    for step in plan.steps:
        if step.window is not None:
            low, high = (q.value_si for q in step.window)
            why = ""
            if low < 0.0 or low >= high:
                why = "the shortest time comes first and is the shorter one"
            elif high - low < LEAST_WINDOW_S:
                why = "no hand keeps so narrow a window"
            if why:
                raise InputError(
                    "plan_window_unworkable",
                    where=place(step, "\nwindow ="),
                    step=step.id,
                    low=step.window[0].typed,
                    high=step.window[1].typed,
                    why=why,
                )
        least = READ_AFTER_S + 1.0  # the reading takes one second either side
        read = step.kind == "lockup" and step.read_after is None
        if read and step.hold is not None and step.hold.value_si < least:
            raise InputError(
                "value_wrong",
                where=place(step, "\nhold ="),
                key=f"steps.{step.id}.hold",
                given=step.hold.typed,
                right=f"at least {least:g} s, for a lockup is read {READ_AFTER_S:g} s "
                "after shut-off; or a read_after of its own",
            )


def _check_as_found(plan: Plan, place: Place) -> None:
    if not plan.as_found:
        return
    for step in plan.steps:
        if step.kind in _ADJUSTS:
            raise InputError(
                "plan_as_found_adjusts",
                where=place(step),
                step=step.id,
                kind=step.kind,
            )
        for limit in step.limits:
            if limit.required and step.required:
                raise InputError(
                    "plan_as_found_decides",
                    where=place(step, f'finding = "{limit.finding}"'),
                    given=limit.finding,
                    step=step.id,
                )


@dataclass(frozen=True, slots=True)
class _Stated:
    """One end of a limit that is a pressure or a leak of its own."""

    step: Step
    limit: Limit
    bound: Bound
    end: str

    @property
    def si(self) -> float:
        return self.bound.quantity.value_si

    @property
    def channel(self) -> str:
        return self.limit.channel or "outlet"

    @property
    def said(self) -> str:
        word = "at least" if self.end == "min" else "at most"
        return f"{self.limit.finding} {word} {self.bound.typed} (step {self.step.id})"


def _stated(plan: Plan, finding: str, end: str) -> Iterator[_Stated]:
    for step in plan.steps:
        for limit in step.limits:
            bound = limit.min if end == "min" else limit.max
            if limit.finding == finding and bound is not None and bound.of is None:
                yield _Stated(step, limit, bound, end)


def _contradict(
    place: Place, at: _Stated, one: str, other: str, why: str, instead: str
) -> InputError:
    return InputError(
        "plan_limits_contradict",
        where=place(at.step, f'finding = "{at.limit.finding}"'),
        one=one,
        other=other,
        why=why,
        instead=instead,
    )


def _check_twice(plan: Plan, place: Place) -> None:
    """Refuse two limits on one finding of one step."""
    for step in plan.steps:
        named = [(limit.finding, limit.channel) for limit in step.limits]
        for (i, one), (j, other) in itertools.combinations(enumerate(named), 2):
            if one != other:
                continue
            both = [_words(step.limits[k]) for k in (i, j)]
            raise InputError(
                "plan_limits_contradict",
                where=place(step, f'finding = "{one[0]}"'),
                one=f"In step {step.id} {both[0]}",
                other=both[1],
                why="one finding has one limit",
                instead="Leave one of them, with both ends where it has two.",
            )


def _words(limit: Limit) -> str:
    ends = [("at least", limit.min), ("at most", limit.max)]
    told = " and ".join(f"{word} {b.typed}" for word, b in ends if b is not None)
    return f"{limit.finding} {told}"


def _check_set(plan: Plan, place: Place) -> None:
    """Refuse a target outside its own limit, and a lockup that nothing could reach."""
    for end in ("min", "max"):
        for stated in _stated(plan, "set_pressure", end):
            target = stated.step.target
            if target is None or stated.channel != "outlet":
                continue  # of two stages the one that is set has the outlet
            outside = (
                target.value_si < stated.si
                if end == "min"
                else target.value_si > stated.si
            )
            if outside:
                raise _contradict(
                    place,
                    stated,
                    f"Target {target.typed}",
                    stated.said,
                    "what is set as asked would fail",
                    "Give a target inside the limit, or correct the limit.",
                )
    _check_band(plan, place)
    lowest = [*_stated(plan, "set_pressure", "min")]
    highest = [*_stated(plan, "set_pressure", "max")]
    for finding in ("lockup_highest", "lockup_pressure"):
        for top in _stated(plan, finding, "max"):
            for set_to in highest:
                if top.channel == set_to.channel and top.si <= set_to.si:
                    raise _contradict(
                        place,
                        top,
                        set_to.said,
                        top.said,
                        "a regulator set as high as it may be locks up above that",
                        "Let the lockup limit lie above the highest set pressure, or "
                        "lower that.",
                    )
            for low in lowest:
                if top.channel == low.channel and top.si < low.si:
                    raise _contradict(
                        place,
                        top,
                        low.said,
                        top.said,
                        "a regulator locks up above the pressure that it is set to",
                        "Let the lockup limit lie above the set limit.",
                    )


def _check_band(plan: Plan, place: Place) -> None:
    """Refuse a set pressure that is taken as set and would fail its own limit."""
    for end in ("min", "max"):
        for stated in _stated(plan, "set_pressure", end):
            target, band = stated.step.target, stated.step.band
            if target is None or band is None or stated.channel != "outlet":
                continue
            reach = band.value_si * (1.0 if end == "max" else -1.0)
            over = (target.value_si + reach - stated.si) * (1 if end == "max" else -1)
            if over > 1e-9 * abs(stated.si):
                raise _contradict(
                    place,
                    stated,
                    f"Target {target.typed} with a band of {band.typed}",
                    stated.said,
                    "what is taken as set would fail",
                    "Give a band that keeps inside the limit, or correct the limit.",
                )


def _check_order_of_size(plan: Plan, place: Place) -> None:
    """Refuse limits beyond where the test stops, and seats that may pass more."""
    for finding in ("set_pressure", "lockup_highest", "lockup_pressure"):
        for top in _stated(plan, finding, "max"):
            most = plan.max_pressures.get(top.channel)
            if most is None or top.bound.quantity.kind is not Kind.PRESSURE:
                continue
            if top.si > most.value_si:
                raise _contradict(
                    place,
                    top,
                    top.said,
                    f"max_pressures.{top.channel} {most.typed}",
                    "the test stops before the limit is reached",
                    f"Raise max_pressures.{top.channel} as far as the regulator and "
                    "rig allow, or lower the limit.",
                )
    for finding in ("lockup_highest", "lockup_pressure"):
        lows = [*_stated(plan, finding, "min")]
        for low, top in itertools.product(lows, _stated(plan, "lockup_highest", "max")):
            same = (low.step.id, low.channel) == (top.step.id, top.channel)
            if same and low.si > top.si:
                raise _contradict(
                    place,
                    low,
                    low.said,
                    top.said,
                    "no outlet can be both",
                    "Correct the wrong one.",
                )


def _check_reliefs(plan: Plan, place: Place) -> None:
    """Refuse a relief that nothing locks up after, or that is never raised so far."""
    for number, step in enumerate(plan.steps):
        if step.kind != "relief" or step.outlet is None:
            continue
        later = [s.kind for s in plan.steps[number + 1 :] if s.kind != "look"]
        if later[:1] != ["lockup"]:
            raise InputError("plan_relief_unfollowed", where=place(step), step=step.id)
        targets = [s.target for s in plan.steps[:number] if s.target is not None]
        target = targets[-1].value_si if targets else None
        for limit in step.limits:
            most = _in_pascal(limit.max, target)
            if limit.finding != "relief_opening" or most is None:
                continue
            if most >= step.outlet.value_si:
                assert limit.max is not None
                raise InputError(
                    "plan_limits_contradict",
                    where=place(step, f'finding = "{limit.finding}"'),
                    one=f"relief_opening at most {limit.max.typed} (step {step.id})",
                    other=f"outlet {step.outlet.typed}",
                    why="the outlet is not raised as far as the relief may open",
                    instead="Raise outlet above the limit, as far as every rating "
                    "allows, or lower the limit.",
                )


def _in_pascal(bound: Bound | None, target: float | None) -> float | None:
    """Return a bound as a pressure, a share of the set pressure as one of its aim."""
    if bound is None:
        return None
    if bound.of is None:
        return bound.quantity.value_si
    if bound.of != "set_pressure" or target is None:
        return None
    return bound.quantity.value_si * target
