"""The states of the Practice desk, each brought about from stored sample runs."""

from __future__ import annotations

import datetime
import hashlib
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from gui.app import Window
from gui.practice_desk.drill_list import Draft
from gui.practice_desk.explained import explained
from gui.practice_desk.practice import Page, Practice
from gui.practice_desk.view import PracticeDesk
from gui.practice_desk.wording import said
from proofstand.conduct import Fitted, remarks_on
from proofstand.fault_pages import HEALTHY
from proofstand.practice_folder import KeptDrill, PracticeFolder
from records.drill import Drill, DrillAnswer
from records.drillfile import folded
from records.run import MarkKind
from records.runfile import read_sealed, write_run
from tests.gui.fits import settled

ROOT = Path(__file__).parents[2]
GOOD = ROOT / "sample_runs" / "second-stage-good.h5"
NICKED = ROOT / "sample_runs" / "second-stage-seat-nicked.h5"
STICKS = ROOT / "sample_runs" / "second-stage-stem-sticks.h5"
TITLES = {
    NICKED: "First morning, number one",
    STICKS: "First morning, number two",
    GOOD: "First morning, number three",
}
TRAINEE = "T. Rainee (invented)"
TRAINER = "A. Trainer (invented)"


def drill_of(folder: PracticeFolder, stored: Path) -> KeptDrill:
    """Keep a drill whose simulated run is a stored one under a name that tells nothing.

    Args:
        folder: where it goes.
        stored: a sample run; its faults are the answer.
    """
    run = read_sealed(stored)
    assert run.truth is not None
    faults = tuple(f"{id}:{s:g}" for id, s in dict(run.truth["faults"]).items())
    title = TITLES[stored]
    drill = Drill(
        id=hashlib.sha256(title.encode()).hexdigest()[:8],
        title=title,
        family="second-stage",
        plan="low-pressure",
        difficulty="fair",
        by=TRAINER,
        made=datetime.date(2026, 11, 3),
        answer=folded(DrillAnswer(seed=1, faults=faults)),
    )
    kept = folder.keep_drill(drill)
    header = replace(run.header, id=f"drill-{drill.id}")
    write_run(replace(run, header=header), folder.run_place(kept.drill))
    return kept


def drills_in(folder: PracticeFolder) -> None:
    """Fill a folder with three drills and their runs."""
    for stored in TITLES:
        drill_of(folder, stored)


def traces_in(folder: Path) -> None:
    """Put sample runs where the traces of pages on faults are kept."""
    folder.mkdir(parents=True)
    for name, stored in (
        (HEALTHY, GOOD),
        ("seat_nicked", NICKED),
        ("stem_friction", STICKS),
        ("spring_soft", GOOD),  # a plan without a flow step sees nothing of it
    ):
        shutil.copy(stored, folder / f"second-stage-{name}.h5")


@dataclass(frozen=True, slots=True)
class PracticeScene:
    """A window at its Practice desk, to be put into a state."""

    window: Window

    @property
    def desk(self) -> PracticeDesk:
        """The desk's widgets, made anew with the size."""
        desk = self.window.other_desk
        assert isinstance(desk, PracticeDesk)
        return desk

    @property
    def model(self) -> Practice:
        """What the desk knows."""
        return self.desk.model

    def again(self) -> None:
        """Show it anew, with everything that has become of it."""
        for _ in range(10):  # scales glide
            self.desk.show_now()
        settled()

    def done(self) -> None:
        """Wait for what is at work beside the window, and show what came."""
        self.model.wait()
        self.window.beat()
        self.again()

    def begin(self, stored: Path) -> None:
        """Begin the drill of a stored run; its replay stands."""
        model = self.model
        titles = [kept.drill.title for kept in model.drills]
        model.chosen = titles.index(TITLES[stored])
        model.begin()
        self.done()
        assert model.replay is not None, model.note
        model.replay.playing = False

    def until(self, step: str, held_s: float) -> None:
        """Show the replay up to a time in a step's hold."""
        assert self.model.replay is not None
        self.model.replay.show_until(self.hold_of(step) + held_s)
        self.again()

    def hold_of(self, step: str) -> float:
        """Return when a step's hold began."""
        model = self.model
        assert model.drill is not None
        run = read_sealed(model.folder.run_path(model.drill.drill))
        return next(
            m.t_s for m in run.marks if m.kind is MarkKind.HOLD_BEGIN and m.step == step
        )

    def cursors(self, first_s: float, second_s: float) -> None:
        """Put both cursors somewhere."""
        replay = self.model.replay
        assert replay is not None
        if replay.looking.cursors is None:
            replay.set_cursors()
        replay.show_stretch(first_s, second_s)
        replay.move_cursor(0, first_s)
        replay.move_cursor(1, second_s)
        self.again()


Maker = Callable[[PracticeScene], None]
STATES: dict[str, Maker] = {}


def state(made: Maker) -> Maker:
    """Register a state by its function's name."""
    STATES[f"practice-{made.__name__.replace('_', '-')}"] = made
    return made


# --- the list ------------------------------------------------------------------------


@state
def drills(scene: PracticeScene) -> None:
    scene.again()


@state
def drill_wrong(scene: PracticeScene) -> None:
    scene.desk.drills.fault.setCurrentIndex(4)
    scene.model.make(Draft(fault="seat_nicked", severity="1,5"))
    scene.done()


@state
def drill_of_a_run_that_tells(scene: PracticeScene) -> None:
    scene.model.make(Draft(stored=str(NICKED)))
    scene.done()
    # the folder of this project may be of any length
    scene.model.say(scene.model.note.replace(str(NICKED), NICKED.name), wrong=True)
    scene.again()


@state
def at_work(scene: PracticeScene) -> None:
    scene.model.at_work = said("replay", "making")
    scene.again()
    scene.model.at_work = ""


# --- a drill that is on --------------------------------------------------------------


@state
def replay_begun(scene: PracticeScene) -> None:
    scene.begin(NICKED)
    scene.until("rig-hold", 20.0)


@state
def replay_leaving(scene: PracticeScene) -> None:
    replay_begun(scene)
    scene.model.press_leave()
    assert scene.model.page is Page.REPLAY
    scene.again()


@state
def replay_set_by_cursor(scene: PracticeScene) -> None:
    scene.begin(NICKED)
    scene.until("set", 18.0)
    scene.model.call_it()
    scene.again()


@state
def replay_typed_wrong(scene: PracticeScene) -> None:
    scene.begin(NICKED)
    scene.until("lockup-1", 6.0)
    scene.model.type_value("11")
    scene.model.call_it()
    scene.again()


@state
def replay_leak(scene: PracticeScene) -> None:
    scene.begin(NICKED)
    scene.until("body-hold", 100.0)
    scene.model.go_to_call(3)
    start = scene.hold_of("body-hold")
    scene.cursors(start + 10.0, start + 90.0)


def _passed_over(scene: PracticeScene, stored: Path) -> None:
    scene.begin(stored)
    assert scene.model.replay is not None
    scene.model.replay.show_until(scene.model.replay.whole_s)
    for _ in range(4):
        scene.model.pass_over()
    scene.again()


@state
def replay_verdict(scene: PracticeScene) -> None:
    _passed_over(scene, NICKED)


@state
def replay_cause(scene: PracticeScene) -> None:
    _passed_over(scene, NICKED)
    scene.model.choose("fail")
    scene.again()


@state
def replay_all_called(scene: PracticeScene) -> None:
    replay_cause(scene)
    scene.model.choose("seat_debris")
    scene.again()


# --- a score -------------------------------------------------------------------------


def score_it(scene: PracticeScene, stored: Path, verdict: str, cause: str) -> None:
    """Call all of a drill by cursor, and have it scored."""
    scene.begin(stored)
    model = scene.model
    assert model.replay is not None
    model.replay.show_until(model.replay.whole_s)
    at = scene.hold_of
    for first, second in (
        (at("set") + 2.0, at("set") + 12.0),
        (at("lockup-3") - 3.0, at("lockup-3") + 7.0),
        (at("creep-hold") + 12.0, at("creep-hold") + 32.0),
        (at("body-hold") + 20.0, at("body-hold") + 170.0),
    ):
        scene.cursors(first, second)
        model.call_it()
    model.choose(verdict)
    model.choose(cause)
    model.call_it()
    scene.done()
    assert model.page is Page.SCORE, model.note


@state
def score_right(scene: PracticeScene) -> None:
    score_it(scene, NICKED, "fail", "seat_debris")


@state
def score_wrong(scene: PracticeScene) -> None:
    score_it(scene, STICKS, "pass", "none")
    scene.desk.score.explain("lockup_rise")
    scene.again()


@state
def score_with_remarks(scene: PracticeScene) -> None:
    score_it(scene, STICKS, "fail", "seat_worn")
    model = scene.model
    assert model.score is not None
    at = scene.hold_of("set")
    remarks = remarks_on(model.score.run, [Fitted(at, "regulator"), Fitted(at, "open")])
    assert len(remarks) == 4
    model.score = replace(model.score, remarks=remarks)
    scene.again()


@state
def score_creep_explained(scene: PracticeScene) -> None:
    score_it(scene, NICKED, "fail", "zero_drift")
    scene.desk.score.explain("creep_rate")
    scene.again()


@state
def score_whole_test(scene: PracticeScene) -> None:
    score_it(scene, NICKED, "inconclusive", "")
    scene.desk.score.explain("cause")
    scene.again()


@state
def score_any_finding(scene: PracticeScene) -> None:
    score_it(scene, NICKED, "fail", "seat_debris")
    page = scene.desk.score
    at = page.any.findText("Lockup, highest, lockup 2, outlet")
    page.any.setCurrentIndex(at)
    page.any.activated.emit(at)
    scene.again()


@state
def class_sheet(scene: PracticeScene) -> None:
    score_it(scene, NICKED, "fail", "zero_drift")
    scene.model.leave()
    score_it(scene, STICKS, "fail", "seat_worn")
    scene.model.leave()
    scene.model.go_to(Page.CLASS)
    scene.again()


@state
def class_sheet_with_answers(scene: PracticeScene) -> None:
    class_sheet(scene)
    scene.desk.class_sheet.answers_key.click()
    scene.again()


# --- faults explained ----------------------------------------------------------------


def explain(scene: PracticeScene, fault: str) -> None:
    """Show the page of a fault, its traces made."""
    scene.model.fault = fault
    scene.model.go_to(Page.FAULTS)
    scene.again()
    scene.done()


@state
def fault_explained(scene: PracticeScene) -> None:
    explain(scene, "seat_nicked")


@state
def fault_with_many_alike(scene: PracticeScene) -> None:
    explain(scene, "stem_friction")


@state
def fault_that_no_step_shows(scene: PracticeScene) -> None:
    explain(scene, "spring_soft")


@state
def fault_being_made(scene: PracticeScene) -> None:
    explain(scene, "seat_nicked")
    scene.model.explained = explained("diaphragm_pinhole", "second-stage")
    scene.model.fault = "diaphragm_pinhole"
    scene.model.at_work = (
        "The simulator makes the traces of this page, once: step set rough, 233 s of "
        "rig time."
    )
    scene.again()
    scene.model.at_work = ""


@state
def fault_not_of_this_regulator(scene: PracticeScene) -> None:
    explain(scene, "seat_nicked")
    scene.model.explain("relief_low", "cylinder-1")
    scene.done()
