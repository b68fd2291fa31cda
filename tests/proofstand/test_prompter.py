"""A person at a terminal: what confirms, what ends, and a display that fails."""

from __future__ import annotations

import io
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.judge import judge
from proofstand.commands.prompter import BELL, Prompter
from proofstand.procedure.engine import (
    Abandon,
    Acknowledge,
    Command,
    Declare,
    Hear,
    Repeat,
    Skip,
)
from proofstand.session import Asked, Judged, Marked, Shown, Started
from records.measure import parse_quantity
from records.run import Mark, MarkKind, Request
from records.runfile import open_run
from tests.records.samples import header

from .conftest import RunOf

REQUEST = Request(id="a.1", step="a", act="fit_blank", confirm=True)


def said(prompter: Prompter) -> list[Command]:
    until = time.monotonic() + 10.0
    while time.monotonic() < until:
        found = list(prompter.commands())
        if found:
            return found
        time.sleep(0.01)
    return []


def prompter_for(text: str, monkeypatch: pytest.MonkeyPatch) -> Prompter:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    prompter = Prompter(quiet=True, ask=False)
    prompter.tell(Asked(REQUEST))
    for line in text.splitlines():
        prompter._lines.put(line)
    return prompter


def test_enter_alone_confirms_what_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    prompter = prompter_for("\nyes\n", monkeypatch)
    found = list(prompter.commands())
    assert found == [Acknowledge("a.1", "technician")]


def test_stop_ends_the_test(monkeypatch: pytest.MonkeyPatch) -> None:
    found = list(prompter_for("stop", monkeypatch).commands())
    assert isinstance(found[0], Abandon)


@pytest.mark.parametrize(
    ("line", "command"),
    [
        ("again hand slipped", Repeat("hand slipped", "technician")),
        ("rig hose fell off", Repeat("hose fell off", "technician", of_rig=True)),
        ("back set too high", Repeat("too high", "technician", "set")),
        ("back set", Repeat("back to set", "technician", "set")),
        ("skip no time", Skip("no time", "technician")),
        ("opened bonnet off", Declare("opened", "bonnet off", "technician")),
        ("adjusted cap knocked", Declare("adjusted", "cap knocked", "technician")),
        ("opened", None),
        ("skip ", None),
    ],
)
def test_what_is_said_with_a_reason(
    line: str, command: Command | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = list(prompter_for(line, monkeypatch).commands())
    assert found == ([] if command is None else [command])


def test_what_was_typed_ahead_confirms_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    prompter = prompter_for("\n", monkeypatch)
    prompter.tell(Asked(Request(id="a.2", step="a", act="raise_inlet", confirm=True)))
    assert list(prompter.commands()) == []


def test_a_closed_standard_input_ends_the_test(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    found = said(Prompter(quiet=True, ask=True))
    assert [type(c) for c in found] == [Abandon, Abandon]


def test_a_display_that_fails_is_no_end(monkeypatch: pytest.MonkeyPatch) -> None:
    class Gone(io.StringIO):
        def write(self, _: str) -> int:
            raise BrokenPipeError

    monkeypatch.setattr(sys, "stderr", Gone())
    prompter = Prompter(quiet=False, ask=False)
    prompter.tell(Started("run-1", Path("x.journal"), header()))
    prompter.tell(Asked(REQUEST))


def test_findings_are_said_as_they_come_and_once(
    run_of: RunOf, capsys: pytest.CaptureFixture[str]
) -> None:
    run = open_run(run_of("seat_nicked"))
    judgement = judge(run)
    prompter = Prompter(quiet=False, ask=False)
    prompter.tell(Started(run.id, Path("x.journal"), run.header))
    prompter.tell(Judged(judgement, "body-hold"))
    assert "Zero" not in capsys.readouterr().err
    prompter.tell(Judged(judgement, ""))
    said = capsys.readouterr().err
    assert "in. w.c. difference: on course" in said
    (seat,) = [line for line in said.splitlines() if "seat" in line]
    assert seat.endswith("std cm3/min: fail")
    prompter.tell(Judged(judgement, ""))
    assert capsys.readouterr().err == ""


def alarmed(
    monkeypatch: pytest.MonkeyPatch, *marks: Mark, typed: str = ""
) -> tuple[Prompter, list[Command]]:
    """Return a prompter that was told of a run and its marks, and what was said."""
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    prompter = Prompter(quiet=False, ask=False)
    named = replace(header(), by="P. Quill (invented)")
    prompter.tell(Started("run-1", Path("x.journal"), named))
    for mark in marks:
        prompter.tell(Marked(mark))
    for line in typed.splitlines():
        prompter._lines.put(line)
    return prompter, list(prompter.commands())


def trouble_mark(what: str, **told: str) -> Mark:
    data = {"trouble": what, "channel": "outlet", **told}
    return Mark(part=1, t_s=3.0, kind=MarkKind.TROUBLE, data=data)


OVER = trouble_mark("over_pressure", value="6000.0", limit="5000.0")


@pytest.mark.parametrize(
    ("mark", "says"),
    [
        (
            OVER,
            ["OVER-PRESSURE: OUTLET", "24.11 in. w.c. gauge", "20.09 in. w.c. gauge"],
        ),
        (
            trouble_mark(
                "over_pressure", value="7000.0", limit="7000.0", end_of_range="yes"
            ),
            ["OVER-PRESSURE: OUTLET", "the end of its range"],
        ),
        (
            trouble_mark("channel_silent", why="late"),
            ["NO READING: OUTLET", "TREAT THE RIG AS FULL OF PRESSURE", "old"],
        ),
        (
            trouble_mark("opened_under_pressure", value="400.0"),
            ["OPENED UNDER PRESSURE", "outlet reads 1.61 in. w.c. gauge"],
        ),
    ],
)
def test_an_alarm_rings_and_says_in_words_what_to_do(
    mark: Mark,
    says: list[str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    prompter, _ = alarmed(monkeypatch, mark)
    said = capsys.readouterr().err
    assert said.count(BELL) == 1
    for words in (*says, "ALARM", "1. ", "3. "):
        assert words in said, words
    told = said.split("    1. ", 1)[0]
    assert "?" not in told
    assert "{" not in told
    for second in range(4, 12):
        prompter.tell(Shown(float(second), ()))
    assert capsys.readouterr().err.count(BELL) == 2


def test_the_bell_ends_when_the_alarm_is_heard_by_name(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    prompter, found = alarmed(monkeypatch, OVER, typed="heard")
    by = "P. Quill (invented)"
    assert found == [Hear((("over_pressure", "outlet"),), by)]
    told = {"heard": "over_pressure", "channel": "outlet"}
    prompter.tell(Marked(Mark(part=1, t_s=4.0, kind=MarkKind.NOTE, data=told, by=by)))
    capsys.readouterr()
    for second in range(5, 20):
        prompter.tell(Shown(float(second), ()))
    assert BELL not in capsys.readouterr().err


def test_the_bell_ends_when_the_alarm_is_over(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    told = {"alarm_over": "over_pressure", "channel": "outlet"}
    over = Mark(part=1, t_s=5.0, kind=MarkKind.NOTE, data=told)
    prompter, found = alarmed(monkeypatch, OVER, over, typed="heard")
    assert found == []
    said = capsys.readouterr().err
    assert "Over: Over-pressure: outlet." in said
    assert "No alarm stands" in said
    prompter.tell(Shown(30.0, ()))
    assert BELL not in capsys.readouterr().err


def test_a_burst_hose_is_answered_at_any_time_for_the_gas_at_hand(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _, found = alarmed(monkeypatch, typed="hose")
    assert found == []
    said = capsys.readouterr().err
    for words in ("A HOSE BURSTS", "nitrogen", "stay clear", "emergency number"):
        assert words in said, words
    assert "Fuel gas" not in said


def say(mark: Mark, monkeypatch: pytest.MonkeyPatch, capsys: object) -> str:
    prompter, _ = alarmed(monkeypatch)
    aim = parse_quantity("3 psi gauge")
    prompter.tell(Asked(replace(REQUEST, act="raise_inlet", aim=aim)))
    capsys.readouterr()  # type: ignore[attr-defined]
    prompter.tell(Marked(mark))
    return capsys.readouterr().err  # type: ignore[attr-defined, no-any-return]


@pytest.mark.parametrize(
    ("kind", "data", "said"),
    [
        (
            MarkKind.NOTE,
            {"too_early": "a.1", "channel": "inlet", "value": "6894.757"},
            "Not yet: inlet reads 1.00 psi gauge. That does not count; "
            "confirm once it stands at 3 psi gauge.",
        ),
        (MarkKind.NOTE, {"lapsed": "a.1", "channel": "inlet", "value": "0"}, "stay:"),
        (MarkKind.NOTE, {"stands": "a.1"}, "It stands now."),
        (
            MarkKind.NOTE,
            {"hint": "outlet_still", "waited_s": "60"},
            "not answered the adjusting screw for 60 s. Is the blank still fitted?",
        ),
        (MarkKind.NOTE, {"hint": "nothing_seen", "waited_s": "90"}, "for 90 s"),
        (MarkKind.CONFIRMED, {"act": "vent_down", "awaits": "yes"}, "once the trace"),
        (MarkKind.STEP_END, {"how": "timed_out"}, "Step set was given up: the outlet"),
        (MarkKind.STEP_END, {"how": "opened"}, "opened in step set"),
        (
            MarkKind.STEP_REPEAT,
            {"why": "channel_silent"},
            "Readings were lost in the hold",
        ),
        (
            MarkKind.STEP_REPEAT,
            {"why": "channel_silent", "resumed": "yes"},
            "zero and state first",
        ),
        (
            MarkKind.STEP_REPEAT,
            {"why": "opened", "back_to": "pressurise"},
            "The gas comes off first; then all is found anew, from step pressurise on.",
        ),
        (
            MarkKind.STEP_REPEAT,
            {"why": "adjusted", "back_to": "set"},
            "found anew, from step set on",
        ),
        (MarkKind.STEP_REPEAT, {"why": "too high", "back_to": "set"}, ": too high"),
    ],
)
def test_what_is_waited_for_and_why_is_said(
    kind: MarkKind,
    data: dict[str, str],
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    mark = Mark(part=1, t_s=9.0, kind=kind, step="set", data=data)
    assert said in say(mark, monkeypatch, capsys)


def test_what_is_opened_while_the_gas_comes_off_is_said_to_be_too_late(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = header().plan
    steps = [s.id for s in plan.steps if s.kind == "vent-down"]
    data = {"act": "a joint", "declared": "yes"}
    for step in steps:
        mark = Mark(part=1, t_s=9.0, kind=MarkKind.OPENED, step=step, data=data)
        assert "it takes a new test" in say(mark, monkeypatch, capsys)
    assert steps
