"""The states of the window, each brought about from recorded runs and real events.

Each function puts a window into one state that people meet; the pictures of them are
kept as artefacts of a test run, and every check of the look goes over all of them.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from PySide6.QtCore import QSize, Qt
from PySide6.QtTest import QTest

from analysis.judge import judge
from gui.app import Led, Window, made_application
from gui.bench_desk.presenter import ARM_S, Presenter
from gui.bench_desk.start_checks import Given
from gui.session_thread import EarlierFound, Final, PaperMade, SessionThread
from proofstand.at_work import FORMAT, AtWork, Note, Order, Standing, write_note
from proofstand.commands.window import WindowOptions
from proofstand.procedure.engine import Command
from proofstand.session import Asked, Closed, Judged, Marked, Troubled
from proofstand.simulated import EPOCH, JOB_TEXT, job_text
from records.errors import RigError
from records.journal import JournalWriter
from records.judgement import Judgement, Outcome, Verdict
from records.measure import parse_quantity
from records.run import Mark, MarkKind, Request, Run, as_blocks
from rig.simulator.rigtext import rig_text
from tests.gui.replay import events_until

BY = "M. Okafor (invented)"
ROOT = Path(__file__).parents[2]
PICTURES = Path(os.environ.get("PROOFSTAND_PICTURES") or ROOT / "build" / "pictures")


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


class Deaf(SessionThread):
    """A session that only notes what it is told."""

    def __init__(self) -> None:
        super().__init__(lambda tell, commands: None)
        self.said: list[Command] = []

    def say(self, command: Command) -> None:
        """Note it."""
        self.said.append(command)


@dataclass(frozen=True, slots=True)
class Scene:
    """A window and what it may show.

    Attributes:
        window: to be put into a state. good, bad: recorded runs, a pass and a fail.
        folder: where files may be made. clock: that of the presenters.
    """

    window: Window
    good: Path
    good_run: Run
    bad: Path
    bad_run: Run
    folder: Path
    clock: Clock

    def at(self, until_s: float, run: Run | None = None) -> Presenter:
        """Show a run up to a time, as if its session ran."""
        presenter = Presenter(clock=self.clock)
        presenter.take(events_until(run or self.good_run, until_s, (30.0,)))
        self.show(presenter)
        return presenter

    def show(self, presenter: Presenter) -> Deaf:
        """Show what a presenter says."""
        made, thread = self.window, Deaf()
        made._presenter, made._thread = presenter, thread
        made._stack.setCurrentWidget(made._bench())
        made.setFocus()
        self.again()
        return thread

    def again(self) -> None:
        """Show it anew, with everything that has become of it."""
        for _ in range(10):  # scales glide
            self.window.show_now()
        made_application().processEvents()

    def take(self, presenter: Presenter, *events: object) -> None:
        """Let something come from the session."""
        presenter.take(list(events))  # type: ignore[arg-type]
        self.clock.now += 2.0 * ARM_S
        self.again()


Maker = Callable[[Scene], None]
STATES: dict[str, Maker] = {}


def state(made: Maker) -> Maker:
    """Register a state by its function's name."""
    STATES[made.__name__.replace("_", "-")] = made
    return made


def hold_of(run: Run, step: str) -> float:
    """Return when a step's hold began."""
    return next(
        m.t_s for m in run.marks if m.kind is MarkKind.HOLD_BEGIN and m.step == step
    )


def ask(
    scene: Scene, presenter: Presenter, step: str, act: str, **more: object
) -> None:
    """Ask for an act in a step."""
    request = Request(id=f"{step}.9", step=step, act=act, **more)  # type: ignore[arg-type]
    scene.take(presenter, Asked(request))


def alarm(what: str, channel: str = "outlet") -> Marked:
    """Return the mark of an alarm."""
    told = {"trouble": what, "channel": channel}
    told |= {"value": "5231.0", "limit": "4976.8", "why": "late"}
    return Marked(Mark(part=1, t_s=310.0, kind=MarkKind.TROUBLE, data=told))


def note(at_s: float, **data: str) -> Marked:
    """Return a note of the procedure."""
    return Marked(Mark(part=1, t_s=at_s, kind=MarkKind.NOTE, data=data))


def final(path: Path, run: Run, judgement: Judgement | None = None) -> Final:
    """Return how a run ended."""
    return Final(run_path=path, run=run, judgement=judgement or judge(run), by=BY)


def judged(run: Run, outcome: Outcome, step: str) -> Judgement:
    """Return a judgement whose findings of a step came out so."""
    found = judge(run)
    findings = tuple(
        replace(f, outcome=outcome) if f.step == step and f.limit is not None else f
        for f in found.findings
    )
    return replace(found, findings=findings)


def filled(folder: Path, **changes: str) -> Given:
    """Return a start sheet filled in; its files are made."""
    (folder / "rig.toml").write_text(rig_text("127.0.0.1", 502, 1.0, EPOCH.date()))
    (folder / "job.toml").write_text(JOB_TEXT)
    fields = {
        "rig": str(folder / "rig.toml"),
        "plan": "low-pressure",
        "job": str(folder / "job.toml"),
        "out": str(folder / "run.h5"),
        "by": BY,
    }
    return Given(**{**fields, **changes})


# --- before a test -------------------------------------------------------------------


@state
def start_empty(scene: Scene) -> None:
    made_application().processEvents()


@state
def start_filled(scene: Scene) -> None:
    scene.window.start.fill(filled(scene.folder))


@state
def start_wrong(scene: Scene) -> None:
    given = filled(
        scene.folder,
        rig="RIG,toml",
        plan="low presure",
        job=str(scene.folder / "bad.toml"),
        out=str(scene.folder / "job.toml"),
        label="K-2207",
    )
    bad = JOB_TEXT.replace('"11.0 in. w.c. gauge"', '"-11.0 in. w.c. gauge"')
    (scene.folder / "bad.toml").write_text(bad)
    scene.window.start.fill(given)
    QTest.mouseClick(scene.window.start.begin_key, Qt.MouseButton.LeftButton)


@state
def card_regulator(scene: Scene) -> None:
    scene.window.start.fill(filled(scene.folder))
    scene.window.fill_in(scene.window.start.given.job)


@state
def card_wrong(scene: Scene) -> None:
    card_regulator(scene)
    form = scene.window.form
    assert form is not None
    form.editors["set_pressure"].put("11,0 inches")
    form.keep_now()


def _card_page(name: str) -> None:
    def made(scene: Scene) -> None:
        card_regulator(scene)
        assert scene.window.form is not None
        scene.window.form.open_page(name)

    STATES[f"card-{name}"] = made


for _page in ("intake", "inspection", "rebuild", "disposition"):
    _card_page(_page)


@state
def opening(scene: Scene) -> None:
    scene.show(Presenter("opening", clock=scene.clock))


# --- what is asked -------------------------------------------------------------------


@state
def ask_open_to_air(scene: Scene) -> None:
    presenter = scene.at(1.0)
    ask(scene, presenter, "zero", "open_to_air", confirm=True, caution="vent")


@state
def ask_raise_inlet(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "rig-hold") + 100.0)
    aim = parse_quantity("10 psi gauge")
    more = {"aim": aim, "confirm": True, "caution": "raise_slowly"}
    ask(scene, presenter, "pressurise", "raise_inlet", **more)


@state
def ask_set_outlet(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "set") - 8.0)
    aim = parse_quantity("11.0 in. w.c. gauge")
    ask(scene, presenter, "set", "set_outlet", aim=aim)


@state
def ask_lock_nut(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "set") - 2.0)
    ask(scene, presenter, "set", "lock_nut", confirm=True)


@state
def ask_close_bleed(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "lockup-1") - 4.0)
    ask(scene, presenter, "lockup-1", "close_bleed")


@state
def ask_draw_off(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "body-hold") + 200.0)
    ask(scene, presenter, "body-hold", "draw_off", caution="vent")


@state
def ask_look(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "body-hold") + 200.0)
    more = {
        "confirm": True,
        "look": "bubble_count",
        "asks": "How many bubbles leave the vent in a minute?",
        "instrument": "Bubble tube, 2 mm, 3 mm under water.",
    }
    ask(scene, presenter, "body-hold", "look", **more)


@state
def confirmed(scene: Scene) -> None:
    presenter = scene.at(1.0)
    ask(scene, presenter, "zero", "open_to_air", confirm=True, caution="vent")
    presenter.confirm(BY)
    scene.again()


@state
def confirmed_too_early(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "rig-hold") + 100.0)
    aim = parse_quantity("10 psi gauge")
    more = {"aim": aim, "confirm": True, "caution": "raise_slowly"}
    ask(scene, presenter, "pressurise", "raise_inlet", **more)
    told = {"too_early": "pressurise.9", "channel": "inlet", "value": "31000"}
    scene.take(presenter, note(200.0, **told))


@state
def nobody_there(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "set") - 8.0)
    aim = parse_quantity("11.0 in. w.c. gauge")
    ask(scene, presenter, "set", "set_outlet", aim=aim)
    scene.take(presenter, note(200.0, hint="nothing_seen", waited_s="60"))


@state
def outlet_still(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "set") - 8.0)
    aim = parse_quantity("11.0 in. w.c. gauge")
    ask(scene, presenter, "set", "set_outlet", aim=aim)
    scene.take(presenter, note(200.0, hint="outlet_still", waited_s="60"))


# --- what is read --------------------------------------------------------------------


def _holding(scene: Scene, step: str, held_s: float, *, bad: bool = False) -> Presenter:
    run = scene.bad_run if bad else scene.good_run
    presenter = scene.at(hold_of(run, step) + held_s, run)
    scene.take(presenter, Judged(judge(run), step))
    return presenter


@state
def hold_zero(scene: Scene) -> None:
    scene.at(hold_of(scene.good_run, "zero") + 4.0)


@state
def hold_lockup(scene: Scene) -> None:
    _holding(scene, "lockup-1", 14.0)


@state
def hold_creep_on_course(scene: Scene) -> None:
    _holding(scene, "creep-hold", 40.0)


@state
def hold_enough_to_fail(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "creep-hold") + 60.0)
    failed = judged(scene.good_run, Outcome.FAIL, "creep-hold")
    scene.take(presenter, Judged(failed, "creep-hold"))


@state
def hold_undecided(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "creep-hold") + 30.0)
    open_ = judged(scene.good_run, Outcome.INCONCLUSIVE, "creep-hold")
    scene.take(presenter, Judged(open_, "creep-hold"))


@state
def step_again(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "lockup-1") - 4.0)
    again = Mark(
        part=1,
        t_s=300.0,
        kind=MarkKind.STEP_REPEAT,
        step="lockup-1",
        data={"why": "closing_time_outside", "closing_s": "0.4"},
    )
    ask(scene, presenter, "lockup-1", "close_bleed")
    scene.take(presenter, Marked(again))


# --- trouble -------------------------------------------------------------------------


@state
def alarm_over_pressure(scene: Scene) -> None:
    presenter = _holding(scene, "lockup-1", 14.0)
    scene.take(presenter, alarm("over_pressure"))


@state
def alarm_heard(scene: Scene) -> None:
    presenter = _holding(scene, "lockup-1", 14.0)
    told = {"heard": "over_pressure", "channel": "outlet"}
    heard = Mark(part=1, t_s=311.0, kind=MarkKind.NOTE, data=told, by=BY)
    scene.take(presenter, alarm("over_pressure"), Marked(heard))


@state
def alarm_silent(scene: Scene) -> None:
    presenter = _holding(scene, "lockup-1", 14.0)
    scene.take(presenter, alarm("channel_silent", "inlet"))


@state
def rig_lost(scene: Scene) -> None:
    presenter = _holding(scene, "lockup-1", 14.0)
    lost = RigError(
        "instrument_silent", instrument="meter-1", at="10.0.0.7:502", waited_s="1.0"
    )
    scene.take(presenter, Troubled(lost), Closed("failed", 310.0))


@state
def stop_asked(scene: Scene) -> None:
    presenter = _holding(scene, "lockup-1", 14.0)
    presenter.stop(BY)
    scene.again()


@state
def stopped(scene: Scene) -> None:
    presenter = _holding(scene, "lockup-1", 14.0)
    presenter.stop(BY)
    scene.clock.now += 1.0
    presenter.stop(BY)
    scene.again()


@state
def burst_hose(scene: Scene) -> None:
    _holding(scene, "lockup-1", 14.0)
    scene.window.burst_hose()
    scene.again()


@state
def going_back(scene: Scene) -> None:
    _holding(scene, "lockup-1", 14.0)
    scene.window.go_back()
    scene.window._bench().saying.choices[0].click()
    scene.again()


@state
def something_done(scene: Scene) -> None:
    _holding(scene, "lockup-1", 14.0)
    scene.window.tell()
    scene.again()


@state
def closing_asked(scene: Scene) -> None:
    _holding(scene, "lockup-1", 14.0)
    scene.window.close_strip.ask()
    scene.again()


# --- how it ended --------------------------------------------------------------------


def _over(scene: Scene, path: Path, run: Run, judgement: Judgement | None) -> Presenter:
    presenter = scene.at(run.marks[-1].t_s + 1.0, run)
    scene.take(presenter, Closed("done", 880.0), final(path, run, judgement))
    return presenter


@state
def sealing(scene: Scene) -> None:
    presenter = scene.at(860.0)
    scene.take(presenter, Closed("done", 880.0))


@state
def verdict_pass(scene: Scene) -> None:
    _over(scene, scene.good, scene.good_run, None)


@state
def verdict_fail(scene: Scene) -> None:
    _over(scene, scene.bad, scene.bad_run, None)


@state
def verdict_inconclusive(scene: Scene) -> None:
    found = judged(scene.good_run, Outcome.INCONCLUSIVE, "creep-hold")
    found = replace(found, verdict=Verdict.INCONCLUSIVE)
    _over(scene, scene.good, scene.good_run, found)


@state
def verdict_incomplete(scene: Scene) -> None:
    found = judged(scene.good_run, Outcome.NOT_MEASURED, "creep-hold")
    found = replace(found, verdict=Verdict.INCOMPLETE)
    _over(scene, scene.good, scene.good_run, found)


@state
def paper_made(scene: Scene) -> None:
    presenter = _over(scene, scene.good, scene.good_run, None)
    paper = scene.folder / "certificate.pdf"
    made = PaperMade(paper, "20261126-QK34FX", "Certificate")
    scene.take(presenter, made)


def window_of(options: WindowOptions, size: tuple[int, int]) -> Window:
    """Return a window that stands still between what a state does to it."""
    made_application()
    made = Window(options, QSize(*size))
    made._beat.stop()
    made.show()
    made_application().processEvents()
    return made


# --- looking back --------------------------------------------------------------------


@state
def looking_back(scene: Scene) -> None:
    """Zoomed to the lockup while the creep hold goes on, with cursors."""
    presenter = _holding(scene, "creep-hold", 40.0)
    start = hold_of(scene.good_run, "lockup-1")
    presenter.show_stretch(start - 8.0, start + 14.0)
    presenter.cursors()
    scene.again()


@state
def earlier_run_under_it(scene: Scene) -> None:
    """The failed run lies under the good one, laid together at the shut-off."""
    presenter = _holding(scene, "creep-hold", 90.0)
    scene.take(presenter, EarlierFound(scene.bad_run, "fail", own=False))


@state
def looking_at_the_whole(scene: Scene) -> None:
    presenter = _over(scene, scene.bad, scene.bad_run, None)
    presenter.cursors()
    scene.again()


# --- several stations ----------------------------------------------------------------


def _beside(scene: Scene, *events: object) -> None:
    """Let another test go on at another station."""
    other = Presenter(clock=scene.clock)
    until = hold_of(scene.bad_run, "lockup-2") + 8.0
    other.take([*events_until(scene.bad_run, until, (30.0,)), *events])  # type: ignore[list-item]
    scene.window._others.append(Led(other, Deaf(), BY))
    scene.window._show_stations()
    scene.again()


@state
def two_stations(scene: Scene) -> None:
    _holding(scene, "creep-hold", 40.0)
    _beside(scene)


@state
def two_stations_and_an_alarm_at_the_other(scene: Scene) -> None:
    _holding(scene, "creep-hold", 40.0)
    _beside(scene, alarm("over_pressure"))


@state
def start_beside_a_test(scene: Scene) -> None:
    start_filled(scene)
    _beside(scene)


# --- a test of some time ago that was interrupted ------------------------------------


def interrupted_test(scene: Scene, until_s: float = 400.0) -> AtWork:
    """Leave what a recorder leaves that died in a test; of an hour ago."""
    run, out = scene.good_run, scene.folder / "SIM-0001-20260615-1.h5"
    order = Order(out=out, by=BY)
    header = replace(run.header, source="")
    writer = JournalWriter(order.journal, header)
    for part in run.parts:
        writer.part(part)
    origin = min(int(s.t_ns[0]) for s in run.samples.values())
    for block in as_blocks(run):
        if (int(block.t_ns[-1]) - origin) * 1e-9 < until_s:
            writer.block(block)
    for mark in run.marks:
        if mark.t_s < until_s:
            writer.mark(mark)
    writer.drop()
    ago = time.time() - 3600.0
    os.utime(order.journal, (ago, ago))
    write_note(Note(format=FORMAT, order=order, pid=1, port=1, token="00"))
    return AtWork(order, Standing.LONG_DEAD, ago)


@state
def start_after_an_interruption(scene: Scene) -> None:
    start_filled(scene)
    scene.window._interrupted = [interrupted_test(scene)]
    scene.window._show_interrupted()
    made_application().processEvents()


# --- where words that must stand meet little room ------------------------------------


def _on_oxygen(scene: Scene) -> None:
    """Fill the start sheet for oxygen on a real rig that wants its check, all wrong."""
    given = filled(scene.folder, plan="oxygen", label="K-2207")
    rig = Path(given.rig)
    text = rig.read_text("utf-8").replace("simulated = true", "simulated = false")
    rig.write_text(text.replace('name = "Simulated rig"', 'name = "North bench"'))
    Path(given.job).write_text(job_text("oxygen"), "utf-8")
    scene.window.start.fill(replace(given, by="M. Okafor" + 90 * "a", out=given.job))


@state
def start_oxygen_with_long_notes(scene: Scene) -> None:
    _on_oxygen(scene)


@state
def start_oxygen_beside_two_tests(scene: Scene) -> None:
    _on_oxygen(scene)
    _beside(scene)
    _beside(scene, alarm("over_pressure"))


@state
def alarm_while_closing_is_asked(scene: Scene) -> None:
    alarm_over_pressure(scene)
    scene.window.close_strip.ask()
    scene.again()


@state
def alarm_while_closing_beside_a_test(scene: Scene) -> None:
    alarm_while_closing_is_asked(scene)
    _beside(scene)


@state
def alarm_at_a_request_while_closing_is_asked(scene: Scene) -> None:
    ask_raise_inlet(scene)
    presenter = scene.window._presenter
    assert presenter is not None
    scene.take(presenter, alarm("over_pressure"))
    scene.window.close_strip.ask()
    scene.again()
