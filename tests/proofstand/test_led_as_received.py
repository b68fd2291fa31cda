"""As received: nothing is adjusted, the first closing is reported by itself."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analysis.judge import judge
from proofstand.procedure.engine import Engine, prepared_plan
from proofstand.simulated import demo_job
from records.inspection import Inspected, Inspection
from records.judgement import Outcome, Verdict
from records.plan import Plan
from records.planfile import builtin_plan, parse_plan
from records.run import MarkKind, Run
from rig.rigfile import parse_rig
from rig.simulator.rigtext import rig_text

from .led import HEAD, LOCKUP, ended, led, marked
from .test_engine import check_restored, feed

AS_RECEIVED = """[[steps]]
id = "as-received"
kind = "as-received"
inlet = "10 psi gauge"
stages = ["3 psi gauge"]
hold = "20 s"

[[steps.limits]]
finding = "lockup_highest"
max = "12.65 in. w.c. gauge"
required = false
source = "shop default"
"""


def short_text() -> str:
    """Return the short plan, the regulator fitted and left as it came."""
    at = HEAD.index("{rig_hold}")
    until = HEAD.index("{steps}")
    text = HEAD[:at] + AS_RECEIVED + HEAD[until:]
    return text.format(steps=LOCKUP, head="")


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tests.proofstand.led.plan_text", lambda steps: short_text())
        return led(tmp_path_factory.mktemp("as-received"), LOCKUP)


def test_it_is_fitted_as_it_came_and_nothing_is_adjusted(run: Run) -> None:
    assert run.header.plan.as_found, "by its step, whatever its id"
    assert run.header.plan.id == "short"
    assert set(ended(run).values()) == {"done"}
    acts = [m.data["act"] for m in marked(run, "as-received", MarkKind.ASKED)]
    assert acts == ["fit_as_received", "raise_inlet", "raise_inlet", "hands_off"]
    assert not [m for m in run.marks if m.kind is MarkKind.ADJUSTED]
    (opened,) = marked(run, "as-received", MarkKind.OPENED)
    assert opened.data["act"] == "fit_as_received"


def test_the_first_closing_is_reported_by_itself(run: Run) -> None:
    judged = judge(run)
    first = next(
        f
        for f in judged.findings
        if (f.step, f.id) == ("as-received", "lockup_highest")
    )
    assert run.truth is not None
    true = next(
        f["value"]
        for f in run.truth["findings"]
        if (f["step"], f["id"]) == ("as-received", "lockup_highest")
    )
    assert first.measured is not None
    assert abs(first.measured.value - true) < 4.0 * first.measured.u
    assert first.outcome is Outcome.PASS
    assert not first.required
    # never a pass: nothing of it decides a verdict
    assert judged.verdict is Verdict.NO_LIMIT


def test_an_engine_restored_in_it_goes_on_as_if_nothing_had_been(run: Run) -> None:
    check_restored(run, every=1, first=6)


@pytest.mark.parametrize(
    ("point", "result"),
    [("body", "damaged"), ("vent", "missing"), ("shipping plugs", "in place")],
)
def test_an_inspection_that_forbids_pressure_skips_it_with_that_reason(
    point: str, result: str
) -> None:
    seen = Inspection(points=(Inspected(point=point, result=result),))  # type: ignore[arg-type]
    assert seen.forbids_pressure == (point,)
    job = replace(demo_job(), inspection=seen)
    plan = prepared_plan(builtin_plan("as-found")[0], job)
    engine = Engine(plan, parse_rig(rig_text("127.0.0.1", 502, 1.0), "rig"))
    out = feed(engine, 0.0, 1.0)
    kinds = {m.kind for m in out}  # type: ignore[attr-defined]
    assert kinds == {MarkKind.STEP_SKIP}
    assert {m.data["why"] for m in out} == {"inspection_forbids"}  # type: ignore[attr-defined]
    assert engine.ended == "done"


def test_a_worn_part_or_a_rebuilt_regulator_is_tested_all_the_same() -> None:
    def left_out(plan: Plan, result: str) -> set[str]:
        seen = Inspection(points=(Inspected(point="diaphragm", result=result),))  # type: ignore[arg-type]
        job = replace(demo_job(), inspection=seen)
        return {s.left_out for s in prepared_plan(plan, job).steps}

    as_found, after = builtin_plan("as-found")[0], builtin_plan("low-pressure")[0]
    assert left_out(as_found, "worn") == {""}
    assert left_out(as_found, "damaged") == {"inspection_forbids"}
    # what was rebuilt since is the card check's to say
    assert left_out(after, "damaged") == {""}


def test_the_plan_that_comes_with_the_program_is_led(tmp_path: Path) -> None:
    plan = builtin_plan("as-found")[0]
    assert plan.as_found
    assert plan.version == 2
    assert plan.steps[1].kind == "as-received"
    prepared_plan(plan, demo_job())
    renamed = parse_plan(
        builtin_plan("as-found")[1].replace('id = "as-found"', 'id = "ours"', 1), "p"
    )
    assert renamed.as_found
