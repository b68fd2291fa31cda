"""Looks: what a person answers is a mark with who and when, and a finding."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analysis.judge import judge
from proofstand.commands.prompter import Prompter
from proofstand.procedure.answers import parsed_answer, unit_asked
from proofstand.procedure.engine import Acknowledge, Answer, Engine, Skip, prepared_plan
from proofstand.session import Asked
from proofstand.simulated import demo_job
from records.errors import InputError
from records.judgement import Finding, Outcome
from records.measure import parse_quantity
from records.planfile import parse_plan
from records.run import Mark, MarkKind, Request, Run
from rig.rigfile import parse_rig
from rig.simulator.rigtext import rig_text

from .led import LOCKUP, ended, led, marked, plan_text
from .test_engine import answer, feed


def look(id: str, asks: str, limit: str, more: str = "", step: str = "") -> str:
    return f"""
[[steps]]
id = "{step or id}"
kind = "look"
look = "{id}"
asks = "{asks}"
{more}
[[steps.limits]]
finding = "{id}"
max = "{limit}"
source = "shop default"
"""


GAUGE = """instrument = "the regulator's outlet gauge"
resolution = "20 Pa difference"
"""
LOOKS = (
    LOCKUP
    + look("solution_leak", "Joints, 30 s, growing bubbles", "0 places")
    + look("bubble_count", "Tube on the vent", "2 bubbles", 'hold = "60 s"')
    + look("heard", "A hum or a buzz", "0 times")
    + look("gauge_error_outlet", "Tap it lightly", "60 Pa difference", GAUGE)
    + look("gauge_zero", "Still under pressure", "60 Pa gauge", GAUGE)
)
GAUGED = Request(
    id="g.1",
    step="g",
    act="look",
    confirm=True,
    look="gauge_error_outlet",
    asks="Tap it lightly",
    resolution=parse_quantity("0.2 bar difference"),
)
COUNTED = replace(GAUGED, look="solution_leak", resolution=None)


def found(run: Run) -> dict[str, Finding]:
    return {f.id: f for f in judge(run).findings}


def test_answers_are_findings_tied_to_the_trace(tmp_path: Path) -> None:
    run = led(tmp_path, LOOKS)
    assert set(ended(run).values()) == {"done"}
    findings = found(run)
    for id in ("solution_leak", "bubble_count", "heard"):
        (mark,) = marked(run, id, MarkKind.ANSWERED)
        assert mark.by == "simulated hands"
        assert mark.data["value"].startswith("0 ")
        assert findings[id].outcome is Outcome.PASS
        assert findings[id].interval == (0.0, 0.0)
        assert "told_by_person" in {n.id for n in findings[id].evidence.notes}
    error = findings["gauge_error_outlet"]
    assert error.outcome is Outcome.PASS
    assert error.measured is not None
    assert abs(error.measured.value) < 10.0 + 3.0 * error.measured.u
    assert {"gauge_steps", "noise"} <= {line.source for line in error.budget}
    # a gauge's zero under pressure says nothing
    assert findings["gauge_zero"].outcome is Outcome.INCONCLUSIVE
    assert findings["gauge_zero"].why[0].id == "gauge_under_pressure"


def test_bubbles_fail_what_may_not_bubble(tmp_path: Path) -> None:
    run = led(tmp_path, LOOKS, "diaphragm_pinhole:0.8")
    findings = found(run)
    assert findings["solution_leak"].outcome is Outcome.FAIL
    assert findings["bubble_count"].outcome is Outcome.FAIL
    assert findings["heard"].outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("request_", "said", "typed"),
    [
        (COUNTED, "no", "0 places"),
        (COUNTED, " Yes ", "1 places"),
        (COUNTED, "3", "3 places"),
        (GAUGED, "5.1", "5.1 bar gauge"),
        (GAUGED, "-0,2", "-0,2 bar gauge"),
        (GAUGED, "73 psi gauge", "73 psi gauge"),
    ],
)
def test_an_answer_is_read(request_: Request, said: str, typed: str) -> None:
    assert parsed_answer(request_, said).typed == typed


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        (COUNTED, "perhaps"),
        (COUNTED, "-1"),
        (COUNTED, "1.5"),
        (COUNTED, ""),
        (GAUGED, "high"),
        (GAUGED, "5 bar absolute"),
        (GAUGED, "5 s"),
    ],
)
def test_what_is_no_answer_is_refused(request_: Request, said: str) -> None:
    with pytest.raises(InputError):
        parsed_answer(request_, said)


def engine_at_a_look() -> Engine:
    plan = prepared_plan(parse_plan(plan_text(LOOKS), "p"), demo_job())
    engine = Engine(plan, parse_rig(rig_text("127.0.0.1", 502, 1.0), "rig"))
    feed(engine, 0.0, 1.0)
    while engine.step is not None and engine.step.id != "solution_leak":
        engine.command(Skip("try", "t"))
    return engine


def test_done_is_no_answer_and_an_unreadable_one_is_asked_again() -> None:
    engine = engine_at_a_look()
    request = engine.request
    assert request is not None
    assert request.asks == "Joints, 30 s, growing bubbles"
    assert engine.command(Acknowledge(request.id, "t")) == [request]
    assert engine.command(Answer(request.id, "some", "t")) == [request]
    assert engine.command(Answer("old.1", "no", "t")) == []
    told = engine.command(Answer(request.id, "2", "P. Quill"))
    (mark,) = (m for m in told if isinstance(m, Mark))
    assert (mark.kind, mark.by, mark.data["value"]) == (
        MarkKind.ANSWERED,
        "P. Quill",
        "2 places",
    )
    feed(engine, 1.0, 2.0)
    assert engine.step is not None
    assert engine.step.id == "bubble_count"
    answer(engine)  # changes nothing
    assert engine.step.id == "bubble_count"


def test_a_terminal_takes_an_answer_or_says_what_would_do(
    capsys: pytest.CaptureFixture[str],
) -> None:
    prompter = Prompter(quiet=False, ask=False)
    prompter.tell(Asked(GAUGED))
    for line in ("high", "5.2"):
        prompter._lines.put(line)
    assert list(prompter.commands()) == [Answer("g.1", "5.2", "technician")]
    shown = capsys.readouterr().err
    assert "Tap it lightly" in shown
    assert unit_asked(GAUGED) == "bar gauge"
    assert "'high'" in shown
