"""A short plan about steps to try, and what the simulated hands make of it."""

from __future__ import annotations

from pathlib import Path

from proofstand.simulated import simulate
from records.run import Mark, MarkKind, Run
from records.runfile import open_run

HEAD = """format = "proofstand.plan/1"
id = "short"
version = 1
title = "Short"
{head}
[display]
outlet = "Pa"

[max_pressures]
outlet = "20 in. w.c. gauge"
inlet = "15 psi gauge"

[[steps]]
id = "zero"
kind = "zero"
hold = "6 s"

{rig_hold}[[steps]]
id = "pressurise"
kind = "pressurise"
inlet = "10 psi gauge"
outlet = "10 in. w.c. gauge"

[[steps]]
id = "set"
kind = "set"
target = "11.0 in. w.c. gauge"
inlet = "10 psi gauge"
band = "0.15 in. w.c. difference"
hold = "10 s"
{steps}
[[steps]]
id = "vent-down"
kind = "vent-down"

[[steps]]
id = "closing-zero"
kind = "closing-zero"
hold = "6 s"
"""
LOCKUP = """
[[steps]]
id = "lockup-1"
kind = "lockup"
inlet = "10 psi gauge"
hold = "15 s"
"""


RIG_HOLD = """[[steps]]
id = "rig-hold"
kind = "rig-hold"
inlet = "10 psi gauge"
outlet = "12 in. w.c. gauge"
hold = "30 s"

"""


def plan_text(steps: str, head: str = "") -> str:
    """Return a plan's text; where it judges a leak, the rig's own comes first."""
    first = RIG_HOLD if "_leak" in steps else ""
    return HEAD.format(steps=steps, head=head, rig_hold=first)


def led(folder: Path, steps: str, *faults: str, seed: int = 1, **more: object) -> Run:
    """Return the run of a plan with these steps, led and done by simulated hands."""
    plan = folder / "short.toml"
    plan.write_text(plan_text(steps), "utf-8")
    out = folder / f"run-{seed}.h5"
    simulate(
        family=str(more.pop("family", "second-stage")),
        plan_name=str(plan),
        faults=faults,
        seed=seed,
        out=out,
        **more,  # type: ignore[arg-type]
    )
    return open_run(out)


def ended(run: Run) -> dict[str, str]:
    """Return how each step ended: ``done``, or why it was skipped."""
    return {
        m.step: m.data.get("how", m.data.get("why", ""))
        for m in run.marks
        if m.kind in (MarkKind.STEP_END, MarkKind.STEP_SKIP)
    }


def marked(run: Run, step: str, kind: MarkKind) -> list[Mark]:
    return [m for m in run.marks if m.step == step and m.kind is kind]
