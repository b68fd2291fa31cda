"""A plan as a page of text, to read and to sign."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import Any

from records.approval import Approval, is_open
from records.faults import CATALOGUE, TRIED, revealed_by
from records.plan import Limit, Plan, Step
from records.tomlfile import to_jsonable

from .approvals import Status, day_of
from .report import rule_text
from .words.sentences import caution, label, step_asks

SCHEMA = "proofstand.plan-shown/1"
_WIDTH = 88


def plan_page(
    plan: Plan, sha256: str, status: Status, approval: Approval | None = None
) -> str:
    """Return the page.

    Args:
        plan: the plan.
        sha256: digest of its text.
        status: how the text stands.
        approval: of this version, or None.
    """
    lines = [
        f"{plan.title}",
        f"plan {plan.id}, version {plan.version}, {status.value}; rule: {plan.rule}",
        f"test gas: {plan.test_gas}; sha256 {sha256}",
        *_wrapped(rule_text(*plan.rule_for(None)), ""),
        "",
    ]
    if plan.as_found:
        lines += ["A report of condition as received: never a pass.", ""]
    if plan.cautions:
        lines.append("Before the test:")
        lines += [*_bullets(plan.cautions), ""]
    lines += _classes(plan)
    if plan.leak_regime is not None:
        lines.append(f"Leaks are told in service gas by {plan.leak_regime} flow.")
    for role, most in plan.max_pressures.items():
        lines.append(f"The test stops when the {role} exceeds {most.typed}.")
    lines += [*_early(plan), ""]
    for n, step in enumerate(plan.steps, 1):
        lines.append(f"{n:2}. {step.title or step.id} ({step.kind})")
        lines += [f"      {text}" for text in _conditions(step)]
        if step.kind == "vent-down" and plan.two_stages:
            lines += _wrapped(caution("vent_two_stages"), "      ")
        lines += [f"      limit: {_limit(limit, plan)}" for limit in step.limits]
    lines += ["", "This plan does not show:"]
    lines += _bullets(plan.not_shown or ("nothing is stated",))
    lines += ["", *_faults(plan), "", *_to_sign(plan, approval, status)]
    return "\n".join(lines)


def plan_json(
    plan: Plan, sha256: str, status: Status, approval: Approval | None = None
) -> dict[str, Any]:
    """Return what the page says, for programs; see :func:`plan_page`."""
    shown = [entry.id for entry in revealed_by(plan.id)]
    return {
        "schema": SCHEMA,
        "sha256": sha256,
        "status": status.value,
        "approval": None if approval is None else to_jsonable(approval),
        "as_found": plan.as_found,
        "reveals": shown if plan.id in TRIED else None,
        "does_not_reveal": [id for id in CATALOGUE if id not in shown]
        if plan.id in TRIED
        else None,
        "plan": to_jsonable(plan),
    }


def _bullets(texts: Iterable[str]) -> list[str]:
    return [f"  - {text}" for text in texts]


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=indent, subsequent_indent=indent + "  "
    )


def _classes(plan: Plan) -> list[str]:
    if plan.classes is None:
        return []
    lists = (("accuracy", plan.classes.accuracy), ("lockup", plan.classes.lockup))
    return [
        f"Classes of {name}: {', '.join(q.typed for q in ends)} "
        f"({plan.classes.source})."
        for name, ends in lists
        if ends
    ]


def _early(plan: Plan) -> list[str]:
    said = []
    if plan.early_fail:
        said.append("A hold ends early where it is enough to fail.")
    if plan.early_pass and plan.early_pass_after is not None:
        after = plan.early_pass_after.typed
        said.append(f"A hold ends early where it is enough to pass, after {after}.")
    return said


def _conditions(step: Step) -> list[str]:
    said = []
    if step.target is not None:
        said.append(f"target {step.target.typed}")
    if step.target_from_job:
        said.append("target as the job card has it")
    if step.inlet is not None:
        stages = ", ".join(q.typed for q in step.stages)
        said.append(
            f"inlet {step.inlet.typed}" + (f" by way of {stages}" if stages else "")
        )
    if step.inlets:
        said.append(f"inlet {', '.join(q.typed for q in step.inlets)}")
    if step.flows:
        said.append(f"flow {', '.join(q.typed for q in step.flows)}")
    if step.set_flow is not None and step.rated_flow is not None:
        said.append(f"set flow {step.set_flow.typed}, rated {step.rated_flow.typed}")
    if step.outlet is not None:
        said.append(f"outlet {step.outlet.typed}")
    if step.band is not None:
        said.append(f"within {step.band.typed}")
    if step.inlet_band is not None:
        said.append(f"inlet steady within {step.inlet_band.typed}")
    if step.repeats > 1:
        said.append(f"{step.repeats} times")
    if step.added is not None:
        said.append(f"add {step.added.typed}")
    if step.window is not None:
        said.append(f"closing time {step.window[0].typed} to {step.window[1].typed}")
    if step.soak is not None:
        said.append(f"wait {step.soak.typed}")
    if step.hold is not None:
        said.append(f"hold {step.hold.typed}")
    if step.trial:
        said.append("gives no finding")
    asks = step_asks(step.kind)
    return [text for text in (asks, "; ".join(said)) if text]


def _limit(limit: Limit, plan: Plan) -> str:
    ends = []
    if limit.min is not None:
        ends.append(f"at least {limit.min.typed}")
    if limit.max is not None:
        ends.append(f"at most {limit.max.typed}")
    channel = f", {limit.channel}" if limit.channel else ""
    beside = "" if limit.required else "; informs only"
    told = f"{label(limit.finding)}{channel}: {' and '.join(ends)}"
    rule, risk = plan.rule_for(limit)
    if (rule, risk) != plan.rule_for(None):
        stated = "" if risk is None else f" {100.0 * risk:g} %"
        beside = f"; rule: {rule}{stated}{beside}"
    return f"{told} ({limit.source}{beside})"


def _faults(plan: Plan) -> list[str]:
    """Return which faults the plan reveals, as tried on simulated regulators."""
    if plan.id not in TRIED:
        return ["Which faults this plan reveals has not been tried."]
    shown = revealed_by(plan.id)
    lines = ["A regulator or rig with one of these at its worst does not pass:"]
    lines += _bullets(entry.sentence for entry in shown)
    first = revealed_by(plan.id, first=True)
    if first:
        lines += ["", "Nor does a first stage with one of these at its worst:"]
        lines += _bullets(entry.sentence for entry in first)
    lines += ["", "One with one of these may pass; what would show it:"]
    for entry in CATALOGUE.values():
        if entry not in shown:
            lines.append(f"  - {entry.sentence} {entry.check or entry.look_at}")
    return lines


def _to_sign(plan: Plan, approval: Approval | None, status: Status) -> list[str]:
    if approval is not None:
        lines = [
            f"Version {approval.version} was approved by {approval.by} on "
            f"{day_of(approval)}, text sha256 {approval.plan_sha256}."
        ]
        if status is Status.CHANGED:
            lines.append("This text is another one: a draft, with no approval.")
        lines += [
            f"  {each.limit} ({each.source}): {each.reason}"
            for each in approval.accepted
        ]
        return lines
    left = sum(is_open(limit.source) for step in plan.steps for limit in step.limits)
    lines = []
    if left:
        lines += _wrapped(
            f"{left} limits rest on a default or on memory; each is to be replaced, "
            "or accepted by name.",
            "",
        )
    blanks = "______________________"
    return [
        *lines,
        f"Limits accepted by, name: {blanks}",
        f"Date: {blanks}  Signature: {blanks}",
    ]
