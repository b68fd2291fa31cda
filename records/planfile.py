"""Plan files: read, and checked for what a plan must not be."""

from __future__ import annotations

import difflib
import itertools
from functools import partial
from importlib import resources
from pathlib import Path

from .errors import InputError
from .judgement import FINDINGS
from .measure import Kind, Quantity, Reference, unit_of
from .plan import FORMAT, GAUGE_LOOKS, ZERO_UNCERTAINTY, Bound, Limit, Plan, Step
from .planrules import check_rules
from .rig import NAME_RULE, PRESSURE_ROLES, ROLES, is_name
from .tomlfile import load_toml, read_text

MOST_REPEATS = 100
DEFAULT_PLAN = "low-pressure"  # where none is named
LONGEST_HOLD_S = 7.0 * 86400.0
_NEEDS_HOLD = {
    *("zero", "rig-hold", "reference-leak", "set", "lockup", "creep-hold", "body-hold"),
    *("inlet-sweep", "flow-sweep", "find-volume", "relief"),
}
_NEEDS_INLET = {
    "rig-hold",
    "reference-leak",
    "pressurise",
    "as-received",
    "lockup",
    "flow-sweep",
}
_NEEDS_OUTLET = {"rig-hold", "reference-leak", "relief"}
_SWEEPS = {"inlet-sweep": "inlets", "flow-sweep": "flows"}
LEAST_EARLY_PASS_S = 30.0
CYLINDER_PA = 20e5  # gauge, of the inlet


_DISPLAY_KINDS = {
    "leak": Kind.LEAK,
    "rate": Kind.RATE,
    "time": Kind.TIME,
    "volume": Kind.VOLUME,
    "gas_temperature": Kind.TEMPERATURE,
    "ratio": Kind.RATIO,
}


def load_plan(path: Path) -> tuple[Plan, str]:
    """Return a plan and its text.

    Raises:
        InputError: unreadable, or a plan that contradicts itself; with file and line.
    """
    text = read_text(path, "plan")
    return parse_plan(text, str(path)), text


def parse_plan(text: str, name: str) -> Plan:
    """Return the plan that a text holds; see :func:`load_plan`."""
    plan = load_toml(text, Plan, name, FORMAT)
    _check(plan, text, name)
    return plan


def builtin_plan_ids() -> tuple[str, ...]:
    """Return the ids of the plans that come with the program."""
    folder = resources.files("records") / "plans"
    names = sorted(f.name for f in folder.iterdir() if f.name.endswith(".toml"))
    return tuple(name.removesuffix(".toml") for name in names)


def builtin_plan(id: str) -> tuple[Plan, str]:
    """Return a plan that comes with the program, and its text.

    Raises:
        InputError: ``plan_unknown``, with the ids that exist.
    """
    known = builtin_plan_ids()
    if id not in known:
        raise InputError("plan_unknown", given=id, known=", ".join(known))
    text = (resources.files("records") / "plans" / f"{id}.toml").read_text("utf-8")
    return parse_plan(text, f"{id}.toml"), text


def plan_by_name(name: str) -> tuple[Plan, str]:
    """Return a plan by the path of its file, or by the id of a built-in one."""
    if name.endswith(".toml") or "/" in name or "\\" in name:
        return load_plan(Path(name))
    return builtin_plan(name)


def _line_of(text: str, *needles: str) -> int:
    start = 0
    for needle in needles:
        found = text.find(needle, start)
        if found < 0:
            break
        start = found
    return text.count("\n", 0, start + 1) + 1


def _place(text: str, name: str, step: Step | None, *more: str) -> str:
    """Return ``file:line`` of a step, or of a text that follows it; None: of a text."""
    heading = "" if step is None else f'id = "{step.id}"'
    return f"{name}:{_line_of(text, heading, *more)}"


def _check(plan: Plan, text: str, name: str) -> None:
    _check_name(plan, text, name)
    seen: set[str] = set()
    for step in plan.steps:
        at = _place(text, name, step)
        if not is_name(step.id):
            raise InputError(
                "value_wrong", where=at, key="id", given=step.id, right=NAME_RULE
            )
        if step.id in seen:
            raise InputError("plan_step_twice", where=at, step=step.id)
        if step.from_shift and step.kind != "rig-hold":
            key, right = f"steps.{step.id}.from_shift", "only of a rig-hold"
            raise InputError(
                "value_wrong", where=at, key=key, given="true", right=right
            )
        held = step.kind in _NEEDS_HOLD and not step.from_shift
        if held and step.hold is None:
            raise InputError("key_missing", where=at, key=f"steps.{step.id}.hold")
        if step.kind in _NEEDS_INLET and step.inlet is None:
            raise InputError("key_missing", where=at, key=f"steps.{step.id}.inlet")
        if step.kind in _NEEDS_OUTLET and step.outlet is None:
            raise InputError("key_missing", where=at, key=f"steps.{step.id}.outlet")
        if step.kind == "set" and step.target is None and not step.target_from_job:
            raise InputError("plan_target_missing", where=at, step=step.id)
        _check_values(step, text, name)
        _check_sweep(step, text, name)
        _check_added(step, text, name)
        _check_look(step, text, name)
        _check_left_out(step, text, name)
        _check_order(step, plan, at)
        for limit in step.limits:
            _check_limit(limit, step, seen_sets=seen, plan=plan, text=text, name=name)
        seen.add(step.id)
    _check_whole(plan, name)
    _check_risk(plan, text, name)
    _check_classes(plan, text, name)
    _check_early(plan, text, name)
    _check_pressures(plan, text, name)
    check_rules(plan, partial(_place, text, name))
    for role, unit in plan.display.items():
        line = _line_of(text, "[display]", role)
        found = unit_of(unit, f"{name}:{line}: display.{role}")
        wanted = _DISPLAY_KINDS.get(role, Kind.PRESSURE)
        if found.kind is not wanted:
            raise InputError(
                "quantity_kind_wrong",
                where=f"{name}:{line}: display.{role}",
                given=repr(unit),
                found=found.kind.value,
                wanted=wanted.value,
            )


def _check_name(plan: Plan, text: str, name: str) -> None:
    """Refuse an id or a version that no approval could be kept by."""
    rules = (
        ("id", plan.id, is_name(plan.id), NAME_RULE),
        ("version", plan.version, plan.version >= 1, "1 or more"),
    )
    for key, given, good, right in rules:
        if not good:
            at = f"{name}:{_line_of(text, f'{key} =')}"
            raise InputError("value_wrong", where=at, key=key, given=given, right=right)


def _check_whole(plan: Plan, name: str) -> None:
    """Refuse a plan whose findings nothing would hold up."""
    kinds = {step.kind for step in plan.steps}
    leaks = [
        (limit, step)
        for step in plan.steps
        for limit in step.limits
        if limit.finding in ("seat_leak", "external_leak") and limit.max is not None
    ]
    under_pressure = kinds & {
        *("set", "lockup", "creep-hold", "body-hold", "find-volume", "relief"),
        *_SWEEPS,
    }
    needed = [
        (bool(under_pressure), "zero", "pressures mean nothing without one"),
        (bool(under_pressure), "closing-zero", "a zero that moved would go unseen"),
        (bool(under_pressure), "vent-down", "pressure would be left in the regulator"),
        (bool(leaks), "rig-hold", "a leak of the rig looks like the regulator's"),
    ]
    for wanted, kind, why in needed:
        if wanted and kind not in kinds:
            raise InputError("plan_lacks_step", where=name, needs=kind, why=why)
    gates = [
        limit
        for step in plan.steps
        for limit in step.limits
        if limit.finding == "rig_leak" and limit.max is not None
    ]
    for limit, step in leaks:
        assert limit.max is not None
        most = 0.1 * limit.max.quantity.value_si
        for gate in gates:
            assert gate.max is not None
            if gate.max.quantity.value_si > most * (1.0 + 1e-9):
                raise InputError(
                    "plan_gate_wide",
                    where=name,
                    given=gate.max.typed,
                    limit=limit.max.typed,
                    step=step.id,
                )


def _check_risk(plan: Plan, text: str, name: str) -> None:
    """Refuse a risk that no rule asks for, or one that decides both ways at once."""
    ruled = [(plan.rule, plan.risk, f"{name}:{_line_of(text, f'{chr(10)}risk =')}")]
    # a limit of its own rule may use the plan's risk
    if any(limit.rule == "risk" for step in plan.steps for limit in step.limits):
        ruled = [("risk", *each[1:]) for each in ruled]
    for step in plan.steps:
        for limit in step.limits:
            at = _place(text, name, step, f'finding = "{limit.finding}"', "risk =")
            ruled.append((plan.rule_for(limit)[0], limit.risk, at))
    for rule, risk, at in ruled:
        if risk is None:
            continue
        if rule != "risk":
            raise InputError(
                "key_unknown",
                where=at,
                key="risk",
                right=f'Only the rule "risk" has one; here the rule is "{rule}".',
            )
        if not 0.0 < risk.value_si < 0.5:
            raise InputError(
                "value_wrong",
                where=at,
                key="risk",
                given=risk.typed,
                right="above 0 % and below 50 %",
            )


def _check_early(plan: Plan, text: str, name: str) -> None:
    """Refuse an early pass without a minimum hold, or where much hangs on a seat."""
    if not plan.early_pass:
        return
    at = f"{name}:{_line_of(text, 'early_pass')}"
    least = plan.early_pass_after
    if least is None:
        raise InputError("key_missing", where=at, key="early_pass_after")
    if least.value_si < LEAST_EARLY_PASS_S:
        raise InputError(
            "value_wrong",
            where=at,
            key="early_pass_after",
            given=least.typed,
            right=f"at least {LEAST_EARLY_PASS_S:g} s",
        )
    highest = plan.max_pressures.get("inlet")
    words = f"{plan.id} {plan.title}".lower()
    high = highest is not None and highest.value_si > CYLINDER_PA
    if high or plan.for_oxygen or "cylinder" in words:
        raise InputError(
            "value_wrong",
            where=at,
            key="early_pass",
            given="true",
            right="false for oxygen and for cylinder pressures",
        )


def _check_pressures(plan: Plan, text: str, name: str) -> None:
    """Refuse pressures above the plan's own highest, and a highest that guards nothing.

    A misspelt role would switch the watch over pressure off without a word.
    """
    for role, most in plan.max_pressures.items():
        at = f"{name}:{_line_of(text, '[max_pressures]', f'{chr(10)}{role} =')}"
        if role not in PRESSURE_ROLES:
            near = difflib.get_close_matches(role, PRESSURE_ROLES, n=1)
            right = f"did you mean {near[0]}?" if near else ", ".join(PRESSURE_ROLES)
            raise InputError(
                "key_unknown", where=at, key=f"max_pressures.{role}", right=right
            )
        if most.value_si <= 0.0 or most.reference is not Reference.GAUGE:
            raise InputError(
                "value_wrong",
                where=at,
                key=f"max_pressures.{role}",
                given=most.typed,
                right="a gauge pressure above zero",
            )
    for step in plan.steps:
        asked = [
            *(("inlet", "stages", q) for q in step.stages),
            *(("inlet", "inlets", q) for q in step.inlets),
            ("inlet", "inlet", step.inlet),
            ("outlet", "outlet", step.outlet),
            ("outlet", "target", step.target),
        ]
        for role, key, pressure in asked:
            if pressure is None:
                continue
            if role not in plan.max_pressures:
                raise InputError(
                    "key_missing",
                    where=f"{name}:{_line_of(text, '[max_pressures]')}",
                    key=f"max_pressures.{role}",
                )
            most = plan.max_pressures[role]
            if pressure.value_si > most.value_si:
                raise InputError(
                    "value_wrong",
                    where=_place(text, name, step, f"\n{key} ="),
                    key=f"steps.{step.id}.{key}",
                    given=pressure.typed,
                    right=f"at most max_pressures.{role}, {most.typed}",
                )


def _check_sweep(step: Step, text: str, name: str) -> None:
    """Refuse a sweep that goes nowhere, or whose droop has no flow to be read at."""

    def wrong(key: str, given: str, right: str) -> InputError:
        return InputError(
            "value_wrong",
            where=_place(text, name, step, f"\n{key} ="),
            key=f"steps.{step.id}.{key}",
            given=given,
            right=right,
        )

    key = _SWEEPS.get(step.kind)
    if key is None:
        return
    points: tuple[Quantity, ...] = getattr(step, key)
    typed = ", ".join(q.typed for q in points) or "nothing"
    if len({q.value_si for q in points}) < 2:
        raise wrong(key, typed, "at least two different values")
    if any(q.value_si < 0.0 for q in points):
        raise wrong(key, typed, "none below zero")
    if key == "inlets" and any(q.reference is not Reference.GAUGE for q in points):
        raise wrong(key, typed, "gauge pressures")
    low, high = step.set_flow, step.rated_flow
    if low is None and high is None:
        return
    if low is None or high is None:
        missing = "set_flow" if low is None else "rated_flow"
        at = _place(text, name, step)
        raise InputError("key_missing", where=at, key=f"steps.{step.id}.{missing}")
    if not 0.0 <= low.value_si < high.value_si:
        raise wrong("set_flow", low.typed, f"below rated_flow, {high.typed}")
    most = max(points, key=lambda q: q.value_si)
    if key == "flows" and high.value_si > most.value_si * (1.0 + 1e-9):
        raise wrong("rated_flow", high.typed, f"among the flows, at most {most.typed}")


def _check_classes(plan: Plan, text: str, name: str) -> None:
    """Refuse lists of classes that no value could be sorted by, or without source."""
    lists = plan.classes
    if lists is None:
        return
    at = f"{name}:{_line_of(text, '[classes]')}"
    if not lists.source.strip():
        raise InputError("plan_source_missing", where=at, given="classes")
    for key in ("accuracy", "lockup"):
        ends = [q.value_si for q in getattr(lists, key)]
        rising = all(a < b for a, b in itertools.pairwise(ends))
        if not rising or any(end <= 0.0 for end in ends):
            raise InputError(
                "value_wrong",
                where=at,
                key=f"classes.{key}",
                given=", ".join(q.typed for q in getattr(lists, key)),
                right="shares above 0 %, rising",
            )
    floor = lists.floor
    if floor is not None and (
        floor.reference is not Reference.DIFFERENCE or floor.value_si < 0.0
    ):
        raise InputError(
            "value_wrong",
            where=at,
            key="classes.floor",
            given=floor.typed,
            right="a difference of pressure, zero or more",
        )


def _check_values(step: Step, text: str, name: str) -> None:
    for key in ("target", "inlet", "outlet"):
        quantity = getattr(step, key)
        if quantity is not None and quantity.reference is not Reference.GAUGE:
            raise InputError(
                "value_wrong",
                where=_place(text, name, step, f"\n{key} ="),
                key=f"steps.{step.id}.{key}",
                given=quantity.typed,
                right="a gauge pressure",
            )
    if step.repeats is not None and not 1 <= step.repeats <= MOST_REPEATS:
        raise InputError(
            "value_wrong",
            where=_place(text, name, step, "\nrepeats ="),
            key=f"steps.{step.id}.repeats",
            given=step.repeats,
            right=f"1 to {MOST_REPEATS}",
        )
    if step.hold is not None and step.hold.value_si > LONGEST_HOLD_S:
        raise InputError(
            "value_wrong",
            where=_place(text, name, step, "\nhold ="),
            key=f"steps.{step.id}.hold",
            given=step.hold.typed,
            right=f"at most {LONGEST_HOLD_S / 86400.0:g} d",
        )
    if step.hold is not None and step.hold.value_si <= 0.0:
        raise InputError(
            "value_wrong",
            where=_place(text, name, step, "\nhold ="),
            key=f"steps.{step.id}.hold",
            given=step.hold.typed,
            right="a time above zero",
        )
    if step.read_after is not None:
        # the reading takes one second either side, and the hold has to reach there
        most = 0.0 if step.hold is None else step.hold.value_si - 1.0
        if step.kind != "lockup" or not 1.0 <= step.read_after.value_si <= most:
            raise InputError(
                "value_wrong",
                where=_place(text, name, step, "\nread_after ="),
                key=f"steps.{step.id}.read_after",
                given=step.read_after.typed,
                right="a lockup's, from 1 s to a second before its hold ends",
            )


def _check_added(step: Step, text: str, name: str) -> None:
    """Refuse a find-volume that does not say how much gas is put in, and how surely."""
    given = {key: getattr(step, key) for key in ("added", "u_added", "adding")}
    if step.kind != "find-volume":
        for key, quantity in given.items():
            if quantity is not None:
                raise InputError(
                    "key_unknown",
                    where=_place(text, name, step, f"\n{key} ="),
                    key=f"steps.{step.id}.{key}",
                    right="only steps of kind find-volume have it",
                )
        return
    at = _place(text, name, step)
    added, u_added, adding = given["added"], given["u_added"], given["adding"]
    if added is None or u_added is None:
        missing = "added" if added is None else "u_added"
        raise InputError("key_missing", where=at, key=f"steps.{step.id}.{missing}")
    if added.kind is Kind.LEAK and adding is None:
        raise InputError("key_missing", where=at, key=f"steps.{step.id}.adding")
    rules = (
        ("added", added, (Kind.VOLUME, Kind.LEAK), "a volume of gas, or a leak"),
        ("u_added", u_added, (added.kind,), f"a {added.kind.value}, as added is"),
        ("adding", adding, (Kind.TIME,), "a time"),
    )
    for key, quantity, kinds, right in rules:
        if quantity is None:
            continue
        if quantity.kind not in kinds or not quantity.value_si > 0.0:
            raise InputError(
                "value_wrong",
                where=_place(text, name, step, f"\n{key} ="),
                key=f"steps.{step.id}.{key}",
                given=quantity.typed,
                right=f"{right}, above zero",
            )


def _check_look(step: Step, text: str, name: str) -> None:
    """Refuse a look that does not say what is asked, or in what unit it is answered."""
    keys = ("look", "asks", "instrument", "resolution")
    if step.kind != "look":
        for key in keys:
            if getattr(step, key):
                raise InputError(
                    "key_unknown",
                    where=_place(text, name, step, f"\n{key} ="),
                    key=f"steps.{step.id}.{key}",
                    right="only steps of kind look have it",
                )
        return
    reads = step.look in GAUGE_LOOKS
    for key in ("look", "asks", *(("instrument", "resolution") if reads else ())):
        if not getattr(step, key):
            at = _place(text, name, step)
            raise InputError("key_missing", where=at, key=f"steps.{step.id}.{key}")
    known = step.resolution
    if known is not None and not (
        reads and known.reference is Reference.DIFFERENCE and known.value_si > 0.0
    ):
        raise InputError(
            "value_wrong",
            where=_place(text, name, step, "\nresolution ="),
            key=f"steps.{step.id}.resolution",
            given=known.typed,
            right="of a gauge, a difference of pressure above zero",
        )
    for limit in step.limits:
        if limit.finding != step.look:
            raise InputError(
                "plan_finding_elsewhere",
                where=_place(text, name, step, f'finding = "{limit.finding}"'),
                given=limit.finding,
                kind=f"look for {step.look}",
                right=f"a look for {limit.finding}",
            )


def _check_left_out(step: Step, text: str, name: str) -> None:
    """Refuse a step that says itself why it is left out: the job card says that."""
    if step.left_out:
        raise InputError(
            "key_unknown",
            where=_place(text, name, step, "\nleft_out ="),
            key=f"steps.{step.id}.left_out",
            right="the job card says what a regulator does not have",
        )


def _check_order(step: Step, plan: Plan, at: str) -> None:
    """Refuse a step that needs the state which another one leaves."""
    before = [s.kind for s in plan.steps[: plan.steps.index(step)]]
    needs = {
        "set": "pressurise",
        "lockup": "set",
        "creep-hold": "lockup",
        "body-hold": "lockup",
        "inlet-sweep": "set",
        "flow-sweep": "set",
        "find-volume": "lockup",
        "relief": "lockup",
        "closing-zero": "zero",
    }.get(step.kind)
    as_received = needs == "set" and "as-received" in before
    if needs is not None and needs not in before and not as_received:
        raise InputError("plan_order", where=at, step=step.id, needs=needs)
    if step.kind == "creep-hold" and before[-1] != "lockup":
        raise InputError(
            "plan_order", where=at, step=step.id, needs="lockup just before"
        )


def _check_limit(
    limit: Limit, step: Step, *, seen_sets: set[str], plan: Plan, text: str, name: str
) -> None:
    at = _place(text, name, step, f'finding = "{limit.finding}"')
    if limit.finding not in FINDINGS:
        near = difflib.get_close_matches(limit.finding, FINDINGS, n=1)
        raise InputError(
            "plan_finding_unknown",
            where=at,
            given=limit.finding,
            right=f"did you mean {near[0]}?" if near else ", ".join(FINDINGS),
        )
    kind = FINDINGS[limit.finding]
    if step.kind not in kind.steps:
        raise InputError(
            "plan_finding_elsewhere",
            where=at,
            given=limit.finding,
            kind=step.kind,
            right=", ".join(kind.steps),
        )
    if limit.min is None and limit.max is None:
        raise InputError("plan_limit_empty", where=at, given=limit.finding)
    if (
        limit.channel is not None
        and limit.channel not in ROLES
        and (step.kind != "hold")
    ):
        raise InputError(
            "value_wrong",
            where=at,
            key="channel",
            given=limit.channel,
            right=", ".join(ROLES),
        )
    if not limit.source.strip():
        raise InputError("plan_source_missing", where=at, given=limit.finding)
    for key, bound in (("min", limit.min), ("max", limit.max)):
        if bound is not None:
            _check_bound(bound, f"{at}: {key}", kind.kind, kind.reference, plan)
    if (
        limit.min is not None
        and limit.max is not None
        and limit.min.of == limit.max.of
        and limit.min.quantity.value_si > limit.max.quantity.value_si
    ):
        raise InputError(
            "plan_limits_cross",
            where=at,
            given=limit.finding,
            low=limit.min.typed,
            high=limit.max.typed,
        )


def _check_bound(
    bound: Bound, at: str, kind: Kind, reference: Reference, plan: Plan
) -> None:
    if bound.of is not None:
        known = [ZERO_UNCERTAINTY, *FINDINGS]
        if bound.of not in known or kind is not Kind.PRESSURE:
            raise InputError(
                "plan_reference_unknown",
                where=at,
                given=bound.of,
                known=", ".join(known),
            )
        return
    quantity = bound.quantity
    if quantity.kind is not kind:
        raise InputError(
            "quantity_kind_wrong",
            where=at,
            given=repr(bound.typed),
            found=quantity.kind.value,
            wanted=kind.value,
        )
    if kind is Kind.PRESSURE and quantity.reference is not reference:
        raise InputError(
            "value_wrong",
            where=at,
            key="reference",
            given=bound.typed,
            right=f"a {reference.value} pressure",
        )
