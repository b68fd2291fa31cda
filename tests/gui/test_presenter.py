"""The Bench desk's rules, without a window."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.judge import judge
from gui.bench_desk.presenter import ARM_S, STOP_AGAIN_S, STOP_FORGETS_S, Presenter
from gui.bench_desk.screen import Phase, Screen
from gui.bench_desk.wording import known
from gui.session_thread import Final, PaperMade, PaperRefused
from proofstand.drawing.bar import BarState
from proofstand.procedure.engine import STEP_KINDS, Abandon, Acknowledge
from proofstand.session import Asked, Closed, Judged, Marked, Started, Troubled
from records.errors import RefusedError, RigError
from records.judgement import Finding, Judgement, Outcome
from records.measure import Measured
from records.run import ACTS, Mark, MarkKind, Request, Run
from records.runfile import open_run
from tests.gui.replay import events_until


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
    assert " in. w.c. a minute, over " in trend
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


def test_the_zero_is_final_at_once_and_all_else_provisional(
    recorded: Run, begun: Presenter
) -> None:
    steps = [s.id for s in recorded.header.plan.steps if s.id != "closing-zero"]
    begun.take([*map(ended, steps), Judged(judge(recorded), "")])
    rows = {r.id: r for r in begun.screen().findings}
    assert rows["zero_offset"].word == "pass"
    assert rows["zero_offset"].count == "2 of 2"
    assert {rows[i].word for i in rows if i not in _LAST} == {"pass", "provisional"}
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
    strip = begun.screen().strip
    assert strip is not None
    assert strip.grave
    assert "outlet" in strip.what
    back = Mark(part=1, t_s=4.0, kind=MarkKind.NOTE, data={"back": "outlet"})
    begun.take([Marked(back)])
    assert begun.screen().strip is None


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
    begun: Presenter, tmp_path: Path, make_run: Callable[[str], Run]
) -> None:
    run = make_run("diaphragm_torn")
    final = Final(run_path=tmp_path / "r.h5", run=run, judgement=judge(run))
    begun.take([Closed("done", 9.0), final])
    verdict = begun.screen().verdict
    assert verdict is not None
    assert verdict.first == "Fail"
    assert any("diaphragm is torn" in each for each in verdict.lines)
    assert any("Repair" in each for each in verdict.lines)


@pytest.fixture
def make_run(tmp_path: Path) -> Callable[[str], Run]:
    from proofstand.simulated import simulate
    from records.runfile import open_run

    def made(fault: str) -> Run:
        out = tmp_path / f"{fault}.h5"
        simulate(
            family="second-stage",
            plan_name="low-pressure",
            faults=(fault,),
            seed=1,
            out=out,
        )
        return open_run(out)

    return made


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
