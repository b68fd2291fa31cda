"""The Bench desk's rules, without a window."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.judge import judge
from gui.bench_desk.presenter import ARM_S, STOP_AGAIN_S, STOP_FORGETS_S, Presenter
from gui.bench_desk.scales import staggered
from gui.bench_desk.screen import Phase, Screen
from gui.bench_desk.wording import known
from gui.session_thread import (
    Final,
    PaperMade,
    PaperRefused,
    free_paper,
    paper_beside,
)
from proofstand.drawing.bar import BarState
from proofstand.procedure.engine import STEP_KINDS, Abandon, Acknowledge, Answer
from proofstand.session import Asked, Closed, Judged, Marked, Started, Troubled
from proofstand.words.sentences import words
from records.errors import InputError, RefusedError, RigError
from records.judgement import Finding, Judgement, Outcome
from records.measure import Measured, parse_quantity
from records.run import ACTS, Mark, MarkKind, Request, Run
from records.runfile import open_run
from tests.gui.replay import events_until
from tests.simulated_runs import RunOf


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def shown(run: Run, until_s: float, cuts: tuple[float, ...] = ()) -> Screen:
    presenter = Presenter(clock=Clock())
    presenter.take(events_until(run, until_s, cuts))
    return presenter.screen()


def asked(presenter: Presenter, id: str = "zero.1", act: str = "open_to_air") -> None:
    request = Request(id=id, step="zero", act=act, confirm=True, caution="vent")
    presenter.take([Asked(request)])


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def begun(recorded: Run, clock: Clock) -> Presenter:
    presenter = Presenter(clock=clock)
    presenter.take([Started(recorded.id, Path("run.journal"), recorded.header)])
    presenter.take(
        [Marked(Mark(part=1, t_s=0.0, kind=MarkKind.STEP_BEGIN, step="zero"))]
    )
    return presenter


# --- from samples to a screen --------------------------------------------------------


@settings(max_examples=12)
@given(
    until_s=st.sampled_from([14.0, 131.0, 240.0, 330.5]),
    cuts=st.lists(st.floats(0.2, 7.0), min_size=1, max_size=5),
)
def test_any_blocking_of_the_samples_gives_the_same_screen(
    run_path: Path, until_s: float, cuts: list[float]
) -> None:
    run = _opened(run_path)
    assert shown(run, until_s, tuple(cuts)) == shown(run, until_s)


@cache
def _opened(path: Path) -> Run:
    return open_run(path)


def test_a_hold_says_what_is_read_and_how_long(recorded: Run) -> None:
    hold = next(
        m
        for m in recorded.marks
        if m.kind is MarkKind.HOLD_BEGIN and m.step == "lockup-1"
    )
    screen = shown(recorded, hold.t_s + 12.0)
    assert screen.action.first == "Hands off."
    assert screen.action.second == "Reading the lockup"
    assert screen.action.hold is not None
    assert screen.action.hold.total_s == 30.0
    assert screen.action.hold.held_s == pytest.approx(12.0, abs=0.3)
    assert "to go" in screen.action.detail
    assert "Closed in" in screen.action.detail
    assert not screen.action.confirm
    assert screen.picture is not None
    assert screen.picture.to_s > hold.t_s + 30.0  # time left shows as room
    lane = screen.picture.lanes[0]
    assert lane.role == "outlet"
    assert lane.unit == "in. w.c. gauge"
    assert any(z.wall and z.high == pytest.approx(12.65) for z in lane.zones)
    assert all(z.from_s >= hold.t_s for z in lane.zones if z.wall)
    highest, trend = lane.notes
    assert highest.startswith("highest 11.")
    assert highest.endswith(" in. w.c. gauge")
    assert " in. w.c. per minute, over " in trend
    assert float(lane.value) == pytest.approx(11.6, abs=0.1)


def test_the_set_band_stands_where_it_applies(recorded: Run) -> None:
    begin = next(
        m for m in recorded.marks if m.kind is MarkKind.STEP_BEGIN and m.step == "set"
    )
    screen = shown(recorded, begin.t_s + 8.0)
    assert screen.picture is not None
    bands = [z for z in screen.picture.lanes[0].zones if not z.wall]
    assert [z.low for z in bands] == pytest.approx([10.8])
    assert [z.high for z in bands] == pytest.approx([11.2])
    assert bands[0].from_s == begin.t_s
    assert bands[0].to_s is None
    assert "10.8 to 11.2 in. w.c. gauge" in bands[0].words


def test_steps_stand_under_their_stretch_and_the_rest_is_named(recorded: Run) -> None:
    screen = shown(recorded, 300.0)
    assert screen.picture is not None
    cells = screen.picture.steps
    assert [c.id for c in cells][:3] == ["zero", "rig-hold", "pressurise"]
    assert [c for c in cells if c.stop_s is None] == [cells[-1]]
    assert screen.picture.to_come.startswith("then ")
    assert "creep hold" in screen.picture.to_come or "more" in screen.picture.to_come


def test_a_simulated_rig_says_so_across_the_head(recorded: Run) -> None:
    assert shown(recorded, 5.0).head.band == "SIMULATED RIG, no regulator was tested"


def test_a_question_is_answered_and_not_confirmed(
    begun: Presenter, clock: Clock
) -> None:
    question = Request(
        id="look.1",
        step="zero",
        act="look",
        confirm=True,
        look="solution_leak",
        asks="Every joint, growing bubbles.",
    )
    begun.take([Asked(question)])
    assert begun.question is None  # it has only just appeared
    clock.now += 1.1 * ARM_S
    assert begun.question == question
    action = begun.screen().action
    assert action.confirm == "look.1"
    assert "Every joint, growing bubbles." in action.detail
    with pytest.raises(InputError):
        begun.answer("perhaps", "someone")
    assert begun.answer("2", "someone") == Answer("look.1", "2", "someone")
    assert begun.question is None  # once


def test_every_act_and_every_hold_has_words() -> None:
    for act in ACTS:
        assert known("act", act), act
    for kind in STEP_KINDS:
        if kind not in ("exercise", "vent-down"):
            assert known("hold", kind), kind


# --- findings as they come -----------------------------------------------------------


def judged(run: Run, outcome: Outcome, step: str = "set") -> Judgement:
    """Return the run's judgement with the outcome of one step's findings replaced."""
    judgement = judge(run)

    def changed(finding: Finding) -> Finding:
        return finding if finding.step != step else replace(finding, outcome=outcome)

    return replace(judgement, findings=tuple(map(changed, judgement.findings)))


def ended(step: str) -> Marked:
    return Marked(
        Mark(part=1, t_s=1.0, kind=MarkKind.STEP_END, step=step, data={"how": "done"})
    )


def held(step: str) -> Marked:
    return Marked(
        Mark(
            part=1, t_s=1.0, kind=MarkKind.HOLD_BEGIN, step=step, data={"seconds": "9"}
        )
    )


@pytest.mark.parametrize(
    ("outcome", "on", "word", "state"),
    [
        (Outcome.PASS, True, "on course", BarState.PROVISIONAL),
        (Outcome.PASS, False, "provisional", BarState.PROVISIONAL),
        (Outcome.CONDITIONAL_PASS, False, "provisional", BarState.PROVISIONAL),
        (Outcome.FAIL, True, "enough to fail", BarState.FAILS),
        (Outcome.FAIL, False, "enough to fail", BarState.FAILS),
        (Outcome.CONDITIONAL_FAIL, False, "enough to fail", BarState.FAILS),
        (Outcome.INCONCLUSIVE, True, "not yet decided", BarState.UNDECIDED),
        (Outcome.INCONCLUSIVE, False, "not yet decided", BarState.UNDECIDED),
        (Outcome.NOT_MEASURED, False, "not measured", BarState.TO_COME),
    ],
)
def test_each_state_during_the_test_has_its_word_and_shape(
    recorded: Run,
    begun: Presenter,
    outcome: Outcome,
    on: bool,
    word: str,
    state: BarState,
) -> None:
    begun.take([held("set"), *([] if on else [ended("set")])])
    begun.take([Judged(judged(recorded, outcome), "set" if on else "")])
    row = next(r for r in begun.screen().findings if r.id == "set_pressure")
    assert (row.word, row.bar.state) == (word, state)


@pytest.mark.parametrize("outcome", list(Outcome))
def test_each_state_after_the_test_has_its_own_word(
    recorded: Run, begun: Presenter, run_path: Path, outcome: Outcome
) -> None:
    final = Final(run_path=run_path, run=recorded, judgement=judged(recorded, outcome))
    begun.take([Closed("done", 1.0), final])
    row = next(r for r in begun.screen().findings if r.id == "set_pressure")
    assert row.word == outcome.value


def test_findings_to_come_are_an_empty_line_with_the_limits_ticks(
    begun: Presenter,
) -> None:
    rows = {r.id: r for r in begun.screen().findings}
    assert len(rows) == 8
    assert {r.word for r in rows.values()} == {"to come"}
    assert {r.bar.state for r in rows.values()} == {BarState.TO_COME}
    assert rows["set_pressure"].bar.limit_min is not None
    assert rows["seat_leak"].bar.limit_min is None
    assert rows["seat_leak"].bar.limit_max is not None
    begun.take([held("zero")])
    rows = {r.id: r for r in begun.screen().findings}
    assert rows["zero_offset"].word == "not yet decided"


def test_nothing_is_final_before_the_end_not_even_the_zero(
    recorded: Run, begun: Presenter
) -> None:
    steps = [s.id for s in recorded.header.plan.steps if s.id != "closing-zero"]
    begun.take([*map(ended, steps), Judged(judge(recorded), "")])
    rows = {r.id: r for r in begun.screen().findings}
    assert rows["zero_offset"].word == "provisional"
    assert rows["zero_offset"].count == "2 of 2"
    assert {rows[i].word for i in rows if i not in _LAST} == {"provisional"}
    assert rows["lockup_rise"].count == "3 of 3"
    assert rows["closing_zero_change"].word == "to come"


_LAST = ("closing_zero_change",)


def test_of_repeats_the_worst_is_shown(recorded: Run, begun: Presenter) -> None:
    begun.take([ended(f"lockup-{n}") for n in (1, 2, 3)])
    begun.take([Judged(judged(recorded, Outcome.FAIL, "lockup-2"), "")])
    row = next(r for r in begun.screen().findings if r.id == "lockup_rise")
    assert row.word == "enough to fail"


def test_a_judgement_older_than_the_steps_end_is_no_not_measured(
    recorded: Run, begun: Presenter
) -> None:
    old = judge(replace(recorded, marks=()))
    begun.take([held("zero"), Judged(old, ""), ended("zero")])
    row = next(r for r in begun.screen().findings if r.id == "zero_offset")
    assert row.word == "not yet decided"


def test_every_value_has_unit_and_uncertainty(recorded: Run, begun: Presenter) -> None:
    begun.take([*map(ended, (s.id for s in recorded.header.plan.steps))])
    begun.take([Judged(judge(recorded), "")])
    for row in begun.screen().findings:
        assert "\u00b1" in row.value or " to " in row.value, row
        assert any(u in row.value for u in ("in. w.c.", "psi", "std cm3/min")), row


# --- presses -------------------------------------------------------------------------


def test_a_press_right_after_a_request_confirms_nothing(
    begun: Presenter, clock: Clock
) -> None:
    asked(begun)
    assert begun.screen().action.confirm == "zero.1"
    assert not begun.screen().action.armed
    clock.now += 0.9 * ARM_S
    assert begun.confirm("someone") is None
    clock.now += 0.2 * ARM_S
    assert begun.screen().action.armed
    assert begun.confirm("someone") == Acknowledge("zero.1", "someone")
    assert begun.confirm("someone") is None  # once
    assert begun.screen().action.confirm == ""
    asked(begun, "zero.2", "lock_nut")
    assert begun.confirm("someone") is None  # the new one has to stand a moment too


def test_nothing_can_be_confirmed_that_does_not_ask_for_it(
    begun: Presenter, clock: Clock
) -> None:
    begun.take([Asked(Request(id="x.1", step="zero", act="hands_off"))])
    clock.now += 9.0
    assert begun.confirm("someone") is None
    assert "Nothing to press" in begun.screen().action.foot


def test_simulated_hands_leave_nothing_to_press(recorded: Run, clock: Clock) -> None:
    presenter = Presenter(hands=False, clock=clock)
    presenter.take([Started(recorded.id, Path("j"), recorded.header)])
    asked(presenter)
    clock.now += 9.0
    assert presenter.screen().action.confirm == ""
    assert presenter.confirm("someone") is None


def test_stop_takes_two_presses_and_forgets_a_single_one(
    begun: Presenter, clock: Clock
) -> None:
    assert begun.stop("someone") is None
    assert begun.screen().stop_sure
    clock.now += 0.5 * STOP_AGAIN_S
    assert begun.stop("someone") is None  # a double press is one press
    clock.now += STOP_FORGETS_S + 1.0
    assert not begun.screen().stop_sure
    assert begun.stop("someone") is None
    begun.keep_on()
    assert not begun.screen().stop_sure
    assert begun.stop("someone") is None
    clock.now += 2.0 * STOP_AGAIN_S
    assert begun.stop("someone") == Abandon("stopped at the window", "someone")
    strip = begun.screen().strip
    assert strip is not None
    assert "full of pressure" in strip.do
    assert begun.stop("someone") is None


# --- trouble -------------------------------------------------------------------------


def test_a_rig_that_failed_says_where_and_what_to_do(
    begun: Presenter, tmp_path: Path
) -> None:
    error = RigError(
        "instrument_lost",
        where="rig-io",
        instrument="rig-io",
        at="127.0.0.1:502",
        times=3,
        cause="instrument_silent",
        waited_s="6.0",
    )
    begun.take([Troubled(error), Closed("failed", 12.0)])
    screen = begun.screen()
    assert screen.phase is Phase.FAILED
    assert screen.strip is not None
    assert "127.0.0.1" in screen.strip.what
    assert "full of pressure" in screen.strip.do
    assert screen.action.first == "Make it safe."
    assert screen.stop == ""
    assert not begun.running


def test_a_silent_channel_is_told_until_it_is_back(begun: Presenter) -> None:
    told = {"trouble": "channel_silent", "channel": "outlet"}
    mark = Mark(part=1, t_s=3.0, kind=MarkKind.TROUBLE, step="zero", data=told)
    begun.take([Marked(mark)])
    screen = begun.screen()
    assert screen.strip is None  # it is said across the window
    assert screen.alarm is not None
    assert "outlet" in screen.alarm.first
    assert "full of pressure" in screen.alarm.second
    back = Mark(part=1, t_s=4.0, kind=MarkKind.NOTE, data={"back": "outlet"})
    begun.take([Marked(back)])
    assert begun.screen().alarm is None
    assert begun.screen().strip is None


def _fell(channel: str = "outlet") -> Marked:
    told = {"alarm_over": "over_pressure", "channel": channel}
    return Marked(Mark(part=1, t_s=9.0, kind=MarkKind.NOTE, data=told))


def test_over_pressure_stands_there_to_the_end(
    recorded: Run, begun: Presenter, run_path: Path
) -> None:
    told = {
        "trouble": "over_pressure",
        "channel": "outlet",
        "value": "5000.0",
        "limit": "4976.8",
    }
    mark = Mark(part=1, t_s=3.0, kind=MarkKind.TROUBLE, step="zero", data=told)
    begun.take([Marked(mark)])
    alarm = begun.screen().alarm
    assert alarm is not None
    assert "20.00 in. w.c. gauge" in alarm.what
    begun.take([_fell()])
    strip = begun.screen().strip
    assert strip is not None
    assert "20.00 in. w.c. gauge" in strip.what
    assert "full of pressure" in strip.do
    final = Final(run_path=run_path, run=recorded, judgement=judge(recorded))
    begun.take([Closed("done", 9.0), final])
    after = begun.screen().strip
    assert after is not None
    assert "stopped for over-pressure" in after.what


def test_a_step_begun_again_says_why(begun: Presenter) -> None:
    told = {"why": "closing_time_outside", "closing_s": "0.35"}
    mark = Mark(part=1, t_s=3.0, kind=MarkKind.STEP_REPEAT, step="zero", data=told)
    begun.take([Marked(mark)])
    strip = begun.screen().strip
    assert strip is not None
    assert not strip.grave
    assert "0.35 s" in strip.what


# --- verdict -------------------------------------------------------------------------


def test_the_verdict_and_its_paper(
    recorded: Run, begun: Presenter, run_path: Path
) -> None:
    final = Final(run_path=run_path, run=recorded, judgement=judge(recorded))
    begun.take([Closed("done", 9.0)])
    assert begun.screen().phase is Phase.SEALING
    assert begun.screen().verdict is None
    begun.take([final])
    verdict = begun.screen().verdict
    assert verdict is not None
    assert verdict.first == "Pass"
    assert verdict.make == "Make the test report"  # the plan is a draft
    assert str(run_path) in verdict.run_words
    assert any("Not shown by this plan" in each for each in verdict.lines)
    assert begun.make_paper() is final
    assert begun.make_paper() is None  # once
    begun.take([PaperRefused(RefusedError("run_not_signed", where=str(run_path)))])
    strip = begun.screen().strip
    assert strip is not None
    assert begun.make_paper() is final
    begun.take([PaperMade(Path("a.pdf"), "SIM-1", "Test report")])
    verdict = begun.screen().verdict
    assert verdict is not None
    assert verdict.paper == Path("a.pdf")
    assert "SIM-1" in verdict.paper_words
    assert verdict.make == ""


def test_a_fail_names_the_likely_group_of_causes(
    begun: Presenter, tmp_path: Path, run_of: RunOf
) -> None:
    run = open_run(run_of("diaphragm_torn"))
    final = Final(run_path=tmp_path / "r.h5", run=run, judgement=judge(run))
    begun.take([Closed("done", 9.0), final])
    verdict = begun.screen().verdict
    assert verdict is not None
    assert verdict.first == "Fail"
    assert any("diaphragm is torn" in each for each in verdict.lines)
    assert re.search(r"probability (over )?\d\d %", verdict.lines[1])
    assert any(each.startswith("Because: External leakage") for each in verdict.lines)
    (apart,) = [each for each in verdict.lines if each.startswith("To tell apart")]
    assert "Caution: " in apart
    assert any("decide nothing" in each for each in verdict.lines)
    assert "Repair" in verdict.lines[0]


def test_nothing_measured_means_no_number(recorded: Run, begun: Presenter) -> None:
    bare = replace(judge(recorded).findings[0], measured=None, interval=None)
    assert bare.measured is None or isinstance(bare.measured, Measured)
    judgement = replace(judge(recorded), findings=(bare,))
    begun.take([ended("zero"), Judged(judgement, "")])
    row = next(r for r in begun.screen().findings if r.id == "zero_offset")
    assert row.value == ""
    assert row.word != ""


def test_a_rig_faster_than_the_clock_counts_nothing_as_missing(recorded: Run) -> None:
    assert "missing" in shown(recorded, 30.0).head.second
    rig = replace(recorded.header.rig, time_multiple=20.0)
    fast = replace(recorded, header=replace(recorded.header, rig=rig))
    said = shown(fast, 30.0).head.second
    assert "missing" not in said
    assert "readings a second at 20 times the clock" in said


# --- what is worked on ---------------------------------------------------------------


_COARSE = (6.0,)  # any blocking does


def _at_act(run: Run, step: str, act: str, after_s: float = 0.6) -> Presenter:
    """Return a presenter that stands shortly after a step asked for an act."""
    mark = next(
        m
        for m in run.marks
        if m.kind is MarkKind.ASKED and m.step == step and m.data["act"] == act
    )
    presenter = Presenter(clock=Clock())
    presenter.take(events_until(run, mark.t_s + after_s, _COARSE))
    return presenter


def _ask(presenter: Presenter, step: str, act: str, aim: str = "", **more: str) -> None:
    """Ask for an act, as the engine would."""
    pressure = parse_quantity(aim) if aim else None
    caution = more.get("caution", "")
    request = Request(
        id=f"{step}.9", step=step, act=act, aim=pressure, confirm=True, caution=caution
    )
    presenter.take([_mark(MarkKind.STEP_BEGIN, step), Asked(request)])


def _mark(kind: MarkKind, step: str = "", t_s: float = 1.0, **data: str) -> Marked:
    return Marked(Mark(part=1, t_s=t_s, kind=kind, step=step, data=data))


@pytest.mark.parametrize(
    ("step", "act", "role"),
    [
        ("pressurise", "raise_inlet", "inlet"),
        ("rig-hold", "raise_inlet", "inlet"),
        ("lockup-2", "set_inlet", "inlet"),
        ("rig-hold", "fill_outlet", "outlet"),
        ("set", "set_outlet", "outlet"),
        ("vent-down", "vent_down", "outlet"),
    ],
)
def test_the_channel_that_is_worked_on_is_the_large_one(
    recorded: Run, step: str, act: str, role: str
) -> None:
    picture = _at_act(recorded, step, act).screen().picture
    assert picture is not None
    assert [lane.role for lane in picture.lanes] == ["outlet", "inlet"]
    assert [lane.role for lane in picture.lanes if lane.large] == [role]
    assert all(lane.value for lane in picture.lanes)


def test_venting_begins_with_the_supply(begun: Presenter) -> None:
    _ask(begun, "vent-down", "vent_down", caution="vent")
    action = begun.screen().action
    assert action.first == "Shut the supply."
    assert "zero" in action.second


_BLANKED = [(MarkKind.OPENED, "rig-hold", "fit_blank")]
_FITTED = [
    *_BLANKED,
    (MarkKind.OPENED, "pressurise", "fit_regulator"),
    (MarkKind.ADJUSTED, "pressurise", "screw_out"),
]
_SET = [
    *_FITTED,
    (MarkKind.ADJUSTED, "set", "set_outlet"),
    (MarkKind.ADJUSTED, "set", "lock_nut"),
]
_UNSET = [*_SET, (MarkKind.ADJUSTED, "set", "Adjusting screw turned")]


@pytest.mark.parametrize(
    ("done", "joined"),
    [([], False), (_BLANKED, False), (_FITTED, False), (_SET, True), (_UNSET, False)],
    ids=["nothing", "blanks", "screw out", "set", "screw turned"],
)
@pytest.mark.parametrize("requested", [False, True], ids=["before", "asked"])
def test_the_inlet_vent_lets_off_what_no_open_regulator_joins(
    begun: Presenter,
    done: list[tuple[MarkKind, str, str]],
    joined: bool,
    requested: bool,
) -> None:
    for kind, step, act in done:
        begun.take([_mark(kind, step, act=act)])
    begun.take([_mark(MarkKind.ABANDONED, why="stopped at the window")])
    assert "inlet vent" in _strip(begun)[1]
    if requested:
        _ask(begun, "vent-down", "vent_down", caution="vent")
    action = begun.screen().action
    assert action.first == "Shut the supply."
    assert "downstream valve" in action.detail
    assert ("regulator still open" in action.detail) is joined
    assert ("inlet vent" in action.detail) is not joined


def test_both_are_shut_before_the_inlet_is_raised_again(begun: Presenter) -> None:
    _ask(begun, "set", "close_bleed")  # as after an interruption: for a person's word
    action = begun.screen().action
    assert "inlet vent" in action.second
    assert "downstream valve" in action.second
    assert "Before the inlet is raised" in action.detail
    assert "done again" not in action.detail


def test_the_run_sheet_names_the_step_that_is_worked_on(
    recorded: Run, clock: Clock
) -> None:
    on = next(
        m
        for m in recorded.marks
        if m.kind is MarkKind.HOLD_BEGIN and m.step == "creep-hold"
    )
    presenter = Presenter(clock=clock)
    presenter.take(events_until(recorded, on.t_s + 20.0, _COARSE))
    presenter.take([_mark(MarkKind.STEP_REPEAT, "lockup-3", t_s=on.t_s + 19.0)])
    again = _mark(MarkKind.STEP_BEGIN, "lockup-3", t_s=on.t_s + 19.0, attempt="2")
    presenter.take([again])
    screen = presenter.screen()
    assert screen.picture is not None
    assert [c.id for c in screen.picture.steps if c.stop_s is None] == ["lockup-3"]
    assert screen.head.more.endswith("attempt 2")
    # its limit stands where its hold will be, not across what is worked on
    walls = [z for z in screen.picture.lanes[0].zones if z.wall]
    assert walls
    assert all(z.to_s is not None and z.to_s <= on.t_s + 19.0 for z in walls)
    assert all(z.firm and z.from_s < on.t_s + 19.0 for z in walls)


def test_steps_after_the_recorder_was_started_again_are_drawn_too(
    recorded: Run, clock: Clock
) -> None:
    presenter = Presenter(clock=clock)
    presenter.take(events_until(recorded, 300.0, _COARSE))
    first = presenter.screen()
    assert first.picture is not None
    (on,) = [c for c in first.picture.steps if c.stop_s is None]
    # its marks stand on the window's own time axis already
    begin = Mark(part=2, t_s=299.0, kind=MarkKind.STEP_BEGIN, step=on.id)
    presenter.take([Marked(begin)])
    again = presenter.screen()
    assert again.picture is not None
    before, cut_off, now = again.picture.steps[-3:]
    assert before.stop_s is not None
    assert (cut_off.id, cut_off.stop_s, cut_off.done) == (on.id, 299.0, False)
    assert (now.id, now.start_s, now.stop_s) == (on.id, 299.0, None)
    assert again.head.more.endswith("attempt 2")


def test_leak_solution_has_its_place_at_the_first_stage_alone(begun: Presenter) -> None:
    _ask(begun, "pressurise", "raise_inlet", "3 psi gauge")
    first = begun.screen().action.detail
    assert "Leak solution" in first
    assert "Bubbles: vent down, do not tighten under pressure" in first
    _ask(begun, "pressurise", "raise_inlet", "10 psi gauge")
    assert "solution" not in begun.screen().action.detail
    _ask(begun, "rig-hold", "raise_inlet", "10 psi gauge")
    rig = begun.screen().action.detail
    assert "blank" in rig
    assert "Leak solution" not in rig


def test_an_outlet_that_stands_above_is_backed_off_first(
    recorded: Run, clock: Clock
) -> None:
    hold = next(
        m
        for m in recorded.marks
        if m.kind is MarkKind.HOLD_BEGIN and m.step == "lockup-1"
    )
    presenter = Presenter(clock=clock)
    presenter.take(
        events_until(recorded, hold.t_s + 9.0, _COARSE)
    )  # outlet at 11.6 in. w.c.
    _ask(presenter, "set", "set_outlet", "11.0 in. w.c. gauge")
    assert presenter.screen().action.detail.startswith("Back off below first")
    _ask(presenter, "set", "set_outlet", "12.0 in. w.c. gauge")
    assert presenter.screen().action.detail.endswith("Come up from below.")


def test_closing_the_inlet_says_what_fits_a_blank_too(begun: Presenter) -> None:
    for step in ("rig-hold", "body-hold"):
        _ask(begun, step, "isolate_inlet")
        action = begun.screen().action
        assert "regulator" not in f"{action.first} {action.second} {action.detail}"


@pytest.mark.parametrize(
    ("step", "act", "aim", "said"),
    [
        ("rig-hold", "fill_outlet", "12 in. w.c. gauge", "Limited source"),
        ("rig-hold", "fill_outlet", "12 in. w.c. gauge", "relief valve ready"),
        ("exercise", "exercise", "", "ventilate"),
        ("set", "lock_nut", "", "two spanners, stand aside"),
        ("lockup-2", "set_inlet", "5 psi gauge", "ventilate"),
        ("lockup-3", "set_inlet", "10 psi gauge", "open slowly"),
        ("pressurise", "raise_inlet", "10 psi gauge", "open slowly"),
    ],
)
def test_what_could_hurt_stands_beside_the_act(
    begun: Presenter, step: str, act: str, aim: str, said: str
) -> None:
    own = "raise_slowly" if "inlet" in act else ""
    _ask(begun, step, act, aim, caution=own)
    assert said in begun.screen().action.caution


def test_lowering_the_inlet_is_not_called_raising(begun: Presenter) -> None:
    _ask(begun, "lockup-2", "set_inlet", "5 psi gauge")
    assert begun.screen().action.second == "down to 5 psi gauge"
    _ask(begun, "lockup-3", "set_inlet", "10 psi gauge")
    assert begun.screen().action.second == "slowly to 10 psi gauge"


def test_words_are_those_of_the_paper_and_the_trade(begun: Presenter) -> None:
    assert "v. 1" in begun.screen().head.first
    told = str(words()["bench"])
    for never in (", issue {", " a minute", "looked at", "keeps its limit", "lies out"):
        assert never not in told, never


def test_a_trend_that_is_too_short_says_wait(recorded: Run) -> None:
    picture = shown(recorded, 4.0).picture
    assert picture is not None
    assert picture.lanes[0].notes[-1] == "trend: wait"


# --- what is lost, and what was left out ---------------------------------------------


@pytest.mark.parametrize("step", ["creep-hold", "rig-hold"])
def test_a_hold_that_has_enough_to_fail_says_so_large(
    recorded: Run, begun: Presenter, step: str
) -> None:
    begun.take([_mark(MarkKind.STEP_BEGIN, step), held(step)])
    assert begun.screen().action.first == "Hands off."
    begun.take([Judged(judged(recorded, Outcome.PASS, step), step)])
    assert begun.screen().action.first == "Hands off."
    begun.take([Judged(judged(recorded, Outcome.FAIL, step), step)])
    action = begun.screen().action
    assert action.first == "Enough to fail."
    assert action.second == "Holding on is not needed"
    assert "vent down" in action.detail
    assert action.hold is not None
    assert "Nothing to press" not in action.foot
    # what failed in another step says nothing of this one's hold
    begun.take([Judged(judged(recorded, Outcome.FAIL, "set"), step)])
    assert begun.screen().action.first == "Hands off."


@pytest.mark.parametrize("step", ["creep-hold", "body-hold"])
def test_the_lockup_limit_stands_over_the_holds_that_go_on_from_it(
    recorded: Run, step: str
) -> None:
    hold = next(
        m for m in recorded.marks if m.kind is MarkKind.HOLD_BEGIN and m.step == step
    )
    picture = shown(recorded, hold.t_s + 60.0, _COARSE).picture
    assert picture is not None
    walls = [z for z in picture.lanes[0].zones if z.wall and z.to_s is None]
    assert [z.high for z in walls] == pytest.approx([12.65])
    assert "12.65 in. w.c. gauge" in walls[0].words


def test_repeats_that_were_not_measured_are_not_counted_as_read(
    recorded: Run, begun: Presenter, run_path: Path
) -> None:
    judgement = judged(recorded, Outcome.NOT_MEASURED, "creep-hold")
    begun.take(
        [
            Closed("abandoned", 9.0),
            Final(run_path=run_path, run=recorded, judgement=judgement),
        ]
    )
    row = next(r for r in begun.screen().findings if r.id == "lockup_highest")
    assert (row.word, row.count) == ("not measured", "3 of 4 measured")


def test_a_paper_is_called_by_its_own_title(
    recorded: Run, begun: Presenter, run_path: Path
) -> None:
    paper = PaperMade(Path("certificate.pdf"), "SIM-2", "Test report")
    final = Final(
        run_path=run_path, run=recorded, judgement=judge(recorded), paper=paper
    )
    begun.take([Closed("done", 9.0), final])
    verdict = begun.screen().verdict
    assert verdict is not None
    assert verdict.paper_words == "Test report SIM-2: certificate.pdf"


def test_a_new_papers_file_is_named_by_its_title(tmp_path: Path) -> None:
    run = tmp_path / "run.h5"
    first = free_paper(run, "test report")
    assert first.name == "run-test-report.pdf"
    first.write_bytes(b"")
    assert free_paper(run, "test report").name == "run-test-report-2.pdf"
    assert free_paper(run, "certificate").name == "run-certificate.pdf"


def test_a_file_that_is_no_paper_of_the_run_is_not_called_its_paper(
    tmp_path: Path,
) -> None:
    (tmp_path / "certificate.pdf").write_bytes(b"%PDF-1.7 of something else")
    assert paper_beside(tmp_path / "run.h5", "0" * 64) is None


# --- over-pressure and stop: only venting goes on ------------------------------------


def _strip(presenter: Presenter) -> tuple[str, str]:
    strip = presenter.screen().strip
    assert strip is not None
    return strip.what, strip.do


def test_only_venting_is_never_said_over_a_reading(begun: Presenter) -> None:
    begun.take([held("set")])
    over = {"trouble": "over_pressure", "channel": "outlet", "limit": "4976.8"}
    told = Mark(part=1, t_s=1.0, kind=MarkKind.TROUBLE, step="set", data=over)
    begun.take([Marked(told)])
    begun.take([_mark(MarkKind.STEP_END, "set", how="over_pressure"), _fell()])
    assert "Only venting goes on" in _strip(begun)[0]
    assert begun.screen().action.first == "Shut the supply."
    _ask(begun, "vent-down", "vent_down", caution="vent")
    assert "Only venting goes on" in _strip(begun)[0]
    assert begun.screen().action.first == "Shut the supply."
    _ask(begun, "vent-down", "disconnect", caution="zero_before_disconnecting")
    assert "Only venting" not in _strip(begun)[0]
    begun.take([_mark(MarkKind.STEP_END, "vent-down", how="done")])
    begun.take([_mark(MarkKind.STEP_BEGIN, "closing-zero"), held("closing-zero")])
    screen = begun.screen()
    assert screen.action.second == "Reading the zero again"
    what, do = _strip(begun)
    assert "was stopped for over-pressure" in what
    assert "full of pressure" not in do
    assert "zero" in do


def _stopped(presenter: Presenter, clock: Clock) -> None:
    presenter.stop("someone")
    clock.now += 2.0 * STOP_AGAIN_S
    assert presenter.stop("someone") == Abandon("stopped at the window", "someone")
    step = "lockup-1"
    presenter.take(
        [
            _mark(MarkKind.ABANDONED, step, why="stopped at the window"),
            _mark(MarkKind.STEP_SKIP, step, why="abandoned"),
            _mark(MarkKind.STEP_SKIP, "lockup-2", why="abandoned"),
        ]
    )


def test_a_stopped_test_goes_on_to_venting_on_the_same_screen(
    recorded: Run, clock: Clock
) -> None:
    presenter = Presenter(clock=clock)
    presenter.take(events_until(recorded, 306.0, _COARSE))
    _stopped(presenter, clock)
    assert presenter.running
    screen = presenter.screen()
    assert screen.phase is Phase.RUNNING
    assert screen.verdict is None
    assert screen.action.first == "Shut the supply."
    assert screen.picture is not None
    assert "lockup 2" not in screen.picture.to_come
    assert [lane.value for lane in screen.picture.lanes] != ["", ""]
    assert _strip(presenter)[0] == "Stopped. Only venting goes on."
    _ask(presenter, "vent-down", "vent_down", caution="vent")
    clock.now += 2.0 * ARM_S
    assert presenter.screen().action.confirm  # people still have to say that it is done
    assert presenter.confirm("someone") is not None
    _ask(presenter, "vent-down", "disconnect", caution="zero_before_disconnecting")
    assert "Only venting" not in _strip(presenter)[0]


def test_the_recording_of_a_stopped_test_ends_in_two_presses(
    begun: Presenter, clock: Clock
) -> None:
    _stopped(begun, clock)
    assert begun.screen().stop == "End the recording"
    assert begun.stop("someone") is None
    assert begun.screen().stop == "Press again: the rig may still hold gas"
    clock.now += 2.0 * STOP_AGAIN_S
    assert begun.stop("someone") == Abandon("stopped at the window", "someone")
    assert begun.stop("someone") is None
    begun.take([_mark(MarkKind.ABANDONED, "vent-down", why="stopped at the window")])
    assert begun.screen().stop.startswith("Stopping")
    assert "full of pressure" in _strip(begun)[1]
    begun.take([Closed("abandoned", 9.0)])
    assert not begun.running


@pytest.mark.parametrize("step", ["vent-down", "closing-zero"])
def test_while_gas_comes_off_anyway_stop_ends_the_recording(
    begun: Presenter, step: str
) -> None:
    begun.take([_mark(MarkKind.STEP_BEGIN, step)])
    assert begun.screen().stop == "End the recording"


def test_a_window_that_closes_ends_venting_too(begun: Presenter, clock: Clock) -> None:
    assert begun.end("someone") == 2 * (Abandon("stopped at the window", "someone"),)
    assert begun.end("someone") == ()
    other = Presenter(clock=clock)
    other.take([_mark(MarkKind.STEP_BEGIN, "vent-down"), _mark(MarkKind.ABANDONED)])
    assert len(other.end("someone")) == 1


# --- the run sheet -------------------------------------------------------------------


def test_every_steps_name_stands_free_of_every_other(recorded: Run) -> None:
    picture = shown(recorded, max(m.t_s for m in recorded.marks), _COARSE).picture
    assert picture is not None
    last = max(c.stop_s or picture.now_s for c in picture.steps)
    cells = [(c.start_s, c.stop_s or last) for c in picture.steps]
    assert len(cells) == 13
    for width in (900.0, 1036.0, 1450.0):
        boxes = [(a / last * width, b / last * width) for a, b in cells]
        wides = [7.5 * len(c.words) + 12.0 for c in picture.steps]
        places = staggered(boxes, wides, (0.0, width))
        assert len(places) == 13
        assert max(row for row, _ in places) <= 3
        for i, (row, x) in enumerate(places):
            assert -0.01 <= x <= width - wides[i] + 0.01 or row == 0
            for j, (other, at) in enumerate(places[:i]):
                if other == row:
                    assert x >= at + wides[j] - 0.01 or at >= x + wides[i] - 0.01
