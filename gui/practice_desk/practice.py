"""What the Practice desk knows: which page is shown, and what is at work for it.

Knows no Qt and outlives the widgets. Work beside the window reads no more of it than
what it is given.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path

from proofstand.commands.window import WindowOptions
from proofstand.conduct import Fitted
from proofstand.drilling import run_of_drill
from proofstand.fault_pages import FaultPage
from proofstand.hand_worked import HandWorkedRig
from proofstand.practice_folder import KeptDrill, PracticeFolder
from proofstand.review.sheet import Done
from proofstand.words.sentences import trouble
from records.errors import InputError, ProofstandError, Trouble
from records.run import Run

from ..background import Background, Handle, LetGo
from .at_the_rig import AtTheRig
from .beside_it import opened, scored
from .calling import CAUSE, VERDICT, Calls, Measure, calls_of, measured, typed_call
from .drill_list import Draft, DrillRow, made_of, row_of
from .explained import FAMILIES, Explained, explained, fault_lines, made_page
from .pressed_twice import PressedTwice
from .replaying import Replay
from .scoring import Score
from .wording import said


class Page(StrEnum):
    """What the desk shows."""

    DRILLS = "drills"
    CLASS = "class"
    FAULTS = "faults"
    RIG = "rig"
    REPLAY = "replay"
    SCORE = "score"


# Pages that may be gone to by name; a drill is entered by beginning it.
OPEN_PAGES = (Page.DRILLS, Page.CLASS, Page.FAULTS)


class Practice:
    """The desk's model.

    Args:
        options: what the window was opened with.
        folder: of drills, runs and scores; the user's own if None.
        clock: seconds, only ever forward.

    Attributes:
        page: what is shown. trainee: who practises, as typed.
        note: what has to be said, wrong: it is a trouble. at_work: what is being done.
        drills: those at hand, scores: what was made of them, unread: files that are
            neither.
        answers: the class sheet names what was wrong.
        chosen: number of the drill in the list. draft: what a trainer asks for.
        run_path: of the run of the drill that is on. rig: where a person works it.
        replay, calls, score: of the drill that is on, None without one.
        fitted: what a person fitted while working it, None where simulated hands did.
        fault, family: of the page on a fault; explained: that page, None before.
        leaving: whether a press on leaving the drill stands.
        typed: a value that is typed instead of read, None while it follows the cursors.
    """

    def __init__(
        self,
        options: WindowOptions,
        folder: PracticeFolder | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.folder = PracticeFolder() if folder is None else folder
        self.trainee = options.by
        self.page = Page.DRILLS
        self.note, self.wrong, self.at_work = "", False, ""
        self.drills: list[KeptDrill] = []
        self.scores: list[Done] = []
        self.unread: list[Trouble] = []
        self.answers = False
        self.chosen = 0
        self.draft = Draft()
        self.drill: KeptDrill | None = None
        self.run_path: Path | None = None
        self.rig: AtTheRig | None = None
        self.replay: Replay | None = None
        self.calls: Calls | None = None
        self.score: Score | None = None
        self.typed: str | None = None
        self.fitted: tuple[Fitted, ...] | None = None
        self.fault, self.family = fault_lines()[0][0], FAMILIES[0]
        self.explained: Explained | None = None
        self._clock = clock
        self.leaving = PressedTwice(clock)
        self._beside = Background()
        self._served: list[HandWorkedRig] = []
        # what was let go of may still be ending, and writes beside the same file
        self._simulating = threading.Lock()
        self.look_again()

    # --- of the window ---------------------------------------------------------------

    @property
    def busy(self) -> bool:
        """Something is at work beside the window."""
        return self._beside.busy or self.running

    @property
    def running(self) -> bool:
        """A test is worked by hand; who closes the window is asked first."""
        return self.rig is not None and not self.rig.over

    def let_go(self) -> None:
        """End what is at work as soon as it may be ended."""
        self._beside.let_go()
        self.at_work = ""
        if self.rig is not None:
            self.rig.let_go()

    def wait(self) -> None:
        """Let nothing outlive the window."""
        self._beside.wait()
        if self.rig is not None:
            self.rig.wait()
        for rig in self._served:
            rig.close()

    def beat(self) -> bool:
        """Take what came; return whether anything may look other than before."""
        came = self._beside.take()
        playing = self.replay is not None and self.replay.playing
        if self.replay is not None and self.page is Page.REPLAY:
            self.replay.beat()
        if self.rig is not None:
            self.rig.beat()
            self._look_at_end(self.rig)
        forgot = self.leaving.ran_out()
        return came or playing or forgot or self.rig is not None

    @property
    def blind(self) -> bool:
        """A drill is on, and nothing of its answer may be shown."""
        return self.page in (Page.REPLAY, Page.RIG)

    def say(self, note: str, *, wrong: bool = False) -> None:
        """Say something on the page."""
        self.note, self.wrong = note, wrong

    def _failed(self, error: ProofstandError) -> None:
        told = trouble(error)
        where = f"{told.where}: " if told.where else ""
        self.at_work = ""
        self.say(f"{where}{told.what} {told.do}", wrong=True)

    # --- the list --------------------------------------------------------------------

    def look_again(self) -> None:
        """Read drills and scores anew."""
        self.drills, bad_drills = self.folder.drills()
        self.scores, bad_scores = self.folder.scores()
        self.unread = [*bad_drills, *bad_scores]
        self.chosen = min(self.chosen, max(len(self.drills) - 1, 0))

    @property
    def rows(self) -> tuple[DrillRow, ...]:
        """The drills as they stand in the list."""
        return tuple(row_of(kept, self.scores) for kept in self.drills)

    def go_to(self, page: Page) -> None:
        """Show a page that may be gone to by name."""
        if page in OPEN_PAGES and not self.blind and page is not self.page:
            if self.page is Page.FAULTS:
                self.let_go()
            self.page = page
            self.show_answers(shown=False)
            self.say("")
            self.look_again()
            if page is Page.FAULTS and self.at_work:
                self.explained = explained(self.fault, self.family)
            elif page is Page.FAULTS:
                self.explain(self.fault, self.family)

    def take_in(self, typed: str) -> None:
        """Take in a drill file from elsewhere, and choose it."""
        if not typed.strip():
            self.say(said("list", "name_a_file"), wrong=True)
            return
        self._try(lambda: self.folder.take_in(Path(typed.strip()).expanduser()))

    def make(self, draft: Draft) -> None:
        """Make the drill that a trainer asks for, beside the window."""
        if self.at_work:
            return
        self.draft = draft
        by = self.trainee.strip()
        self.at_work = said("make", "at_work")
        self.say("")
        self._beside.run(
            lambda handle: made_of(draft, by, self.folder), self._made, self._failed
        )

    def _made(self, kept: KeptDrill) -> None:
        self.at_work = ""
        self.draft = Draft(family=self.draft.family, difficulty=self.draft.difficulty)
        self._choose(kept)
        self.say(said("make", "made", title=kept.drill.title, path=kept.path))

    def _choose(self, kept: KeptDrill) -> None:
        self.look_again()
        hashes = [each.drill.sha256 for each in self.drills]
        if kept.drill.sha256 in hashes:
            self.chosen = hashes.index(kept.drill.sha256)

    def _try(self, take: Callable[[], KeptDrill]) -> None:
        try:
            kept = take()
        except ProofstandError as error:
            self._failed(error)
        else:
            self._choose(kept)
            self.say(said("list", "taken", title=kept.drill.title))

    # --- a drill ---------------------------------------------------------------------

    def begin(self) -> None:
        """Begin the chosen drill; its run is made first where there is none yet."""
        if self.at_work or self.chosen >= len(self.drills):
            return
        if not self.trainee.strip():
            self.say(said("list", "who"), wrong=True)
            return
        kept, folder = self.drills[self.chosen], self.folder
        simulating = self._simulating
        self.say("")
        self.at_work = said("replay", "opening")

        def work(handle: Handle) -> Run:
            with simulating:
                handle.look()
                return opened(kept, folder, handle)

        def done(run: Run) -> None:
            self.at_work = ""
            self._show_run(kept, run, folder.run_path(kept.drill)).press_play()

        self._beside.run(work, done, self._failed, self._tell)

    def _show_run(self, kept: KeptDrill, run: Run, path: Path) -> Replay:
        self.drill, self.run_path = kept, path
        self.replay = Replay(run, self._clock)
        self.calls = calls_of(run.header.plan)
        self.score = self.typed = self.fitted = None
        self.page = Page.REPLAY
        return self.replay

    def work_by_hand(self) -> None:
        """Work the chosen drill's test on its simulated rig, valves in hand."""
        if self.at_work or self.chosen >= len(self.drills):
            return
        if not self.trainee.strip():
            self.say(said("list", "who"), wrong=True)
            return
        kept, by = self.drills[self.chosen], self.trainee.strip()
        folder, served = self.folder, self._served
        self.say("")
        self.at_work = said("rig", "opening")

        def work(handle: Handle) -> tuple[HandWorkedRig, Path]:
            out = folder.free_run(kept.drill)
            rig = HandWorkedRig(kept.drill, str(kept.path))
            served.append(rig)
            if not handle.wanted():
                rig.close()
                raise LetGo
            return rig, out

        def done(made: tuple[HandWorkedRig, Path]) -> None:
            self.at_work = ""
            self.rig = AtTheRig(made[0], made[1], by, self._clock)
            self.drill, self.page = kept, Page.RIG
            self.rig.begin()

        self._beside.run(work, done, self._failed)

    def _look_at_end(self, rig: AtTheRig) -> None:
        """Go on to the calls when a test that was worked by hand is over."""
        kept = self.drill
        if kept is None or not rig.sealed:
            return
        self.rig = None
        rig.wait()
        try:
            run = run_of_drill(kept.drill, rig.out, str(kept.path))
        except ProofstandError as error:
            self.leave()
            self._failed(error)
            return
        self.leaving.forget()
        replay = self._show_run(kept, run, rig.out)
        self.fitted = tuple(rig.fitted)
        replay.show_until(replay.whole_s)

    def _tell(self, words: str) -> None:
        self.at_work = words

    def press_leave(self) -> None:
        """Take a press on leaving; while a drill is on, the second one counts."""
        on = self.running or self.page is Page.REPLAY
        if not on or self.leaving.press():
            self.leave()

    def leave(self) -> None:
        """Leave a drill or its score for the list."""
        self.leaving.forget()
        self._beside.let_go()
        if self.rig is not None:  # what was recorded of it stays
            self.rig.let_go()
            self.rig.wait()
        self.drill = self.replay = self.calls = self.score = self.typed = None
        self.rig = self.run_path = None
        self.at_work = ""
        self.page = Page.DRILLS
        self.say("")
        self.look_again()

    @property
    def measure(self) -> Measure | None:
        """What the cursors read of what is asked now, None without cursors."""
        replay, calls = self.replay, self.calls
        now = None if calls is None else calls.now
        if replay is None or now is None or now.what in (VERDICT, CAUSE):
            return None
        if replay.looking.cursors is None:
            return None
        return measured(
            now.what, replay.looking.cursors, replay.drawn, replay.plan, replay.rig
        )

    def type_value(self, typed: str | None) -> None:
        """Type a value instead of reading it by cursor; None reads it again."""
        self.typed = typed

    def call_it(self) -> None:
        """Do what Enter does: set cursors, call what they read, or score it all."""
        replay, calls = self.replay, self.calls
        if replay is None or calls is None or self.page is not Page.REPLAY:
            return
        self.say("")
        if calls.now is None:
            self._finish(replay, calls)
        elif calls.now.what in (VERDICT, CAUSE):
            return  # by choosing
        elif self.typed is not None:
            self._call_typed(calls)
        elif replay.looking.cursors is None:
            replay.set_cursors()
        else:
            measure = self.measure
            if measure is None or measure.value is None:
                self.say(said("measure", "not_here"), wrong=True)
                return
            made = calls.made(measure.text, measure.value, replay.looking.cursors)
            self._called(made)
            replay.follow()

    def _call_typed(self, calls: Calls) -> None:
        try:
            self._called(typed_call(calls, self.typed or ""))
        except InputError as error:
            told = trouble(error)
            self.say(f"{told.what} {told.do}", wrong=True)

    def choose(self, id: str) -> None:
        """Call a verdict or a cause."""
        if self.calls is not None and self.page is Page.REPLAY:
            self.say("")
            self._called(self.calls.made(id))

    def pass_over(self) -> None:
        """Leave out what is asked now."""
        if self.calls is not None and self.page is Page.REPLAY:
            self.say("")
            self._called(self.calls.made(""))

    def _called(self, calls: Calls) -> None:
        self.calls, self.typed = calls, None

    def go_to_call(self, number: int) -> None:
        """Ask something once more that was called before, or out of turn."""
        if self.calls is not None and self.page is Page.REPLAY:
            self.say("")
            self._called(self.calls.gone_to(number))

    def _finish(self, replay: Replay, calls: Calls) -> None:
        kept, path = self.drill, self.run_path
        if kept is None or path is None or self.at_work:
            return
        trainee, folder, fitted = self.trainee.strip(), self.folder, self.fitted
        self.at_work = said("score", "at_work")

        def work(handle: Handle) -> Score:
            return scored(kept, path, calls, replay, trainee, folder, fitted)

        def done(made: Score) -> None:
            self.at_work = ""
            replay.show_until(replay.whole_s)
            self.score = made
            self.page = Page.SCORE
            self.look_again()

        self._beside.run(work, done, self._failed)

    # --- faults explained ------------------------------------------------------------

    def explain(self, fault: str, family: str) -> None:
        """Show the page of a fault: its words at once, its traces when made."""
        self.fault, self.family = fault, family
        self.explained = explained(fault, family)
        self.say("")
        self.at_work = said("faults", "opening")
        simulating = self._simulating

        def work(handle: Handle) -> FaultPage:
            with simulating:
                handle.look()
                return made_page(fault, family, handle)

        def done(page: FaultPage) -> None:
            self.at_work = ""
            self.explained = explained(fault, family, page)

        self._beside.run(work, done, self._failed, self._tell)

    def show_answers(self, *, shown: bool) -> None:
        """Name on the class sheet what was wrong with the drills, or not."""
        self.answers = shown and self.page is Page.CLASS

    def keep_table(self) -> None:
        """Write all scores as a table, with answers where they are shown."""
        try:
            path = self.folder.keep_table(answers=self.answers)
        except ProofstandError as error:
            self._failed(error)
        else:
            self.say(said("class", "kept", path=path))
