"""A plan as a page of text, to read and to sign."""

from __future__ import annotations

from records.plan import Limit, Plan, Step

from .words.sentences import label


def plan_page(plan: Plan, sha256: str) -> str:
    """Return the page.

    Args:
        plan: the plan.
        sha256: digest of its text.
    """
    lines = [
        f"{plan.title}",
        f"plan {plan.id}, version {plan.version}, {plan.status}; rule: {plan.rule}",
        f"test gas: {plan.test_gas}; sha256 {sha256}",
        "",
    ]
    if plan.cautions:
        lines.append("Before the test:")
        lines += [f"  - {text}" for text in plan.cautions] + [""]
    if plan.classes is not None:
        for name, ends in (
            ("accuracy", plan.classes.accuracy),
            ("lockup", plan.classes.lockup),
        ):
            if ends:
                listed = ", ".join(q.typed for q in ends)
                lines.append(f"Classes of {name}: {listed} ({plan.classes.source}).")
    if plan.leak_regime is not None:
        lines.append(f"Leaks are told in service gas by {plan.leak_regime} flow.")
    for role, most in plan.max_pressures.items():
        lines.append(f"The test stops when the {role} exceeds {most.typed}.")
    lines.append("")
    for n, step in enumerate(plan.steps, 1):
        lines.append(f"{n:2}. {step.title or step.id} ({step.kind})")
        lines += [f"      {text}" for text in _conditions(step)]
        lines += [f"      limit: {_limit(limit)}" for limit in step.limits]
    lines.append("")
    lines.append("This plan does not show:")
    lines += [f"  - {text}" for text in plan.not_shown] or ["  - nothing is stated"]
    lines += ["", "Limits accepted by: ______________________  Date: ______________"]
    return "\n".join(lines)


def _conditions(step: Step) -> list[str]:
    said = []
    if step.target is not None:
        said.append(f"target {step.target.typed}")
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
    if step.window is not None:
        said.append(f"closing time {step.window[0].typed} to {step.window[1].typed}")
    if step.soak is not None:
        said.append(f"wait {step.soak.typed}")
    if step.hold is not None:
        said.append(f"hold {step.hold.typed}")
    if step.trial:
        said.append("gives no finding")
    return ["; ".join(said)] if said else []


def _limit(limit: Limit) -> str:
    ends = []
    if limit.min is not None:
        ends.append(f"at least {limit.min.typed}")
    if limit.max is not None:
        ends.append(f"at most {limit.max.typed}")
    channel = f", {limit.channel}" if limit.channel else ""
    return f"{label(limit.finding)}{channel}: {' and '.join(ends)} ({limit.source})"
