"""A person at a terminal: what confirms, what ends, and a display that fails."""

from __future__ import annotations

import io
import sys
import time
from pathlib import Path

import pytest

from analysis.judge import judge
from proofstand.commands.prompter import Prompter
from proofstand.procedure.engine import (
    Abandon,
    Acknowledge,
    Command,
    Declare,
    Repeat,
    Skip,
)
from proofstand.session import Asked, Judged, Started
from records.run import Request
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
