"""The Bench desk's rules: session events are folded into a screen. Knows no Qt.

The screen follows from the events, the presses and the clock that is handed in; how
samples were cut into blocks makes no difference.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path

from proofstand.alarms import RIG_LOST, AlarmWords, hose_page, note_words, words_of
from proofstand.display import number
from proofstand.live_troubles import EXPIRED, SHOWN_S, LiveTrouble, LiveTroubles
from proofstand.procedure.answers import parsed_answer, unit_asked
from proofstand.procedure.engine import (
    Abandon,
    Acknowledge,
    Answer,
    Command,
    Declare,
    Hear,
    Repeat,
    Skip,
    steps_back_to,
)
from proofstand.procedure.progress import MAKES_SAFE
from proofstand.procedure.watch import ALARMS, HEARD, NO_ALARMS, Alarm
from proofstand.session import (
    Asked,
    Closed,
    Judged,
    Marked,
    Sampled,
    Started,
    Troubled,
)
from proofstand.words.burst_hose import BurstHose
from proofstand.words.sentences import (
    alarm_does,
    alarm_said,
    alarm_words,
    caution,
    trouble,
)
from records.errors import InputError, ProofstandError, RigError
from records.judgement import Judgement
from records.measure import Kind
from records.plan import Plan, Step
from records.run import Mark, MarkKind, Request, RunHeader

from ..history import History
from ..session_thread import (
    EarlierFound,
    Final,
    Over,
    PaperMade,
    PaperRefused,
    Readable,
    Restarted,
    TagMade,
    ThreadEvent,
)
from .asking import asking_of, vent_words, window_words
from .findings import failing, finding_rows, hold_state
from .live import Live
from .looking import EarlierRun, Looking, aligned, earlier_run
from .picturing import (
    Standing,
    drawn_of,
    picture_at,
    shown_now,
    step_at,
    value_words,
)
from .scales import clock, span_words
from .screen import (
    Action,
    AlarmShown,
    FindingRow,
    Head,
    HoldBar,
    Phase,
    Picture,
    Screen,
    Strip,
    Verdict,
)
from .verdicts import Papers, verdict_of
from .wording import calibration_words, known, said, several, step_words

# A press counts only when what it answers has stood so long.
ARM_S = 0.7
STOP_AGAIN_S = 0.4
STOP_FORGETS_S = 8.0
SCAN_SIGNS = 40  # of a scanned label are shown
SCAN_SHOWN_S = 8.0  # that a scan was of this regulator; of another one it stays
NO_READING_S = 10.0  # wall time without any reading
RIG, SKIP = "=rig", "=skip"  # among the ways to go on; no step is called so


class Presenter:
    """Folds the events of one test.

    Args:
        opening: id of the words while nothing has come yet.
        hands: people work the valves and confirm.
        live: a test is on, not a record that is looked at.
        clock: seconds, only ever forward; tests hand in their own.
    """

    def __init__(
        self,
        opening: str = "opening",
        *,
        hands: bool = True,
        live: bool = True,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._opening = opening
        self._hands = hands
        self._live = live
        self._clock = clock
        self._header: RunHeader | None = None
        self._journal: Path | None = None
        self._channels: dict[str, Live] = {}
        self._drawn: tuple[Live, ...] = ()
        self._marks: list[Mark] = []
        self._now_s = 0.0
        self._step: Step | None = None
        self._step_s = 0.0
        self._attempt = 1
        self._begun: list[str] = []
        self._ended: list[str] = []
        self._read: list[str] = []
        self._request: Request | None = None
        self._asked_at = 0.0
        self._confirmed = False
        self._hold: tuple[float, float] | None = None
        self._soak: tuple[float, float] | None = None
        self._closing_s = ""
        self._notice = ""
        self._restart: Strip | None = None
        self._troubles = LiveTroubles()
        self._alarms = NO_ALARMS
        self._heard_by: dict[Alarm, str] = {}
        self._lost_heard = ""
        self._over_pressure: Strip | None = None
        self._over_pressure_was = ""
        self._gas_off = False
        self._vented = False
        self._abandoned = False
        self._judgement: Judgement | None = None
        self._judged_on = ""
        self._closed = ""
        self._error: ProofstandError | None = None
        self._final: Final | None = None
        self._papers = Papers()
        self._papers_at = self._failed_at = 0.0
        self._paper_error: ProofstandError | None = None
        self._stop_at: float | None = None
        self._stopping = False
        self._ending = False
        self._over = False
        self._looking = Looking()
        self._earlier: EarlierRun | None = None
        self._look_words = ""
        self._seeking = False
        self._shown_at = float("-inf")
        self._scan: tuple[Strip, float] | None = None
        self._sampled_at = float("-inf")
        self._typed = ("", "")  # id of a request, and what was typed of its answer

    # --- events ----------------------------------------------------------------------

    def take(self, events: Iterable[ThreadEvent]) -> None:
        """Take events in the order in which they came."""
        for event in events:
            self._take(event)

    def _take(self, event: ThreadEvent) -> None:
        match event:
            case Started(_, journal, header):
                self._begin(header, journal)
            case Sampled(_, traces):
                for id, trace in traces.items():
                    live = self._channels.get(id)
                    if live is not None and len(trace):
                        live.add(trace)
                        self._sampled_at = self._clock()
                        self._now_s = max(self._now_s, float(trace.t_s[-1]))
            case Asked(request):
                self._ask(request)
            case Marked(mark):
                self._mark(mark)
            case Judged(judgement, on):
                self._judgement, self._judged_on = judgement, on
            case Troubled(error):
                self._error = error
                self._failed_at = self._clock()
            case Closed(how):
                self._closed = how
                self._request, self._hold, self._soak = None, None, None
                self._hold_highest(None)
            case Final():
                self._final = event
                self._judgement, self._judged_on = event.judgement, ""
                if event.paper is not None:
                    self._has_paper(event.paper)
                self._papers_at = self._clock()
            case PaperMade():
                self._has_paper(event)
            case TagMade(path, state):
                told = said("after", "tag_at", state=state.upper(), path=path)
                self._has(replace(self._papers, tag=path, tag_words=told))
            case Readable(stretch):
                for id, live in self._channels.items():
                    live.history.read_again = partial(stretch, id)
            case Restarted():
                self._restart = Strip(
                    what=said("after", "restarted"),
                    do=said("after", "restarted_do"),
                    grave=False,
                )
                self._request, self._hold, self._soak = None, None, None
                self._hold_highest(None)
            case PaperRefused(error):
                self._paper_error = error
                self._has(self._papers)
            case EarlierFound():
                self._has_earlier(event)
            case Over():
                self._over = True

    def _has_paper(self, paper: PaperMade) -> None:
        told = said(
            "after",
            "paper_at",
            title=paper.title,
            number=paper.number,
            path=paper.path,
        )
        self._has(replace(self._papers, paper=paper.path, words=told))

    def _has_earlier(self, found: EarlierFound) -> None:
        self._seeking = False
        if found.run is None:
            told = said("look", "none")
            if found.error is not None:
                words = trouble(found.error)
                told = f"{words.where}: {words.what} {words.do}".removeprefix(": ")
            self._look_words = told
            return
        header = found.run.header
        day = time.strftime("%Y-%m-%d", time.localtime(header.started_utc_ns / 1e9))
        which = "last_run" if found.own else "other_run"
        serial = header.job.regulator.serial
        facts = {"day": day, "verdict": found.verdict, "serial": serial}
        self._earlier = earlier_run(found.run, said("look", which, **facts))
        self._look_words = ""

    def _has(self, papers: Papers) -> None:
        """Take what was made of the run; what comes next stands a moment first."""
        self._papers = replace(papers, making=False)
        self._papers_at = self._clock()

    def _begin(self, header: RunHeader, journal: Path) -> None:
        self._header, self._journal = header, journal
        periods = {i.id: i.period.value_si for i in header.rig.instruments}
        self._channels = {
            c.id: Live(c, periods.get(c.instrument, 1.0))
            for c in header.rig.channels
            if c.measure_unit.kind is Kind.PRESSURE
        }
        self._drawn = drawn_of(self._channels.values())
        self._troubles = LiveTroubles.at_begin(header)

    def _ask(self, request: Request) -> None:
        self._request, self._confirmed = request, False
        self._asked_at = self._clock()
        if request.act == "disconnect":  # asked only where both sides read zero
            self._gas_off = True
        self._hold = self._soak = None
        self._hold_highest(None)

    def _hold_highest(self, start_s: float | None) -> None:
        for live in self._channels.values():
            live.hold_from(start_s)

    def _mark(self, mark: Mark) -> None:
        self._marks.append(mark)
        self._alarms = self._alarms.after(mark)
        self._troubles = self._troubles.after(mark)
        if HEARD in mark.data:
            heard = Alarm(mark.data[HEARD], mark.data.get("channel", ""))
            self._heard_by[heard] = mark.by
        match mark.kind:
            case MarkKind.STEP_BEGIN:
                plan = self._plan
                self._step = None if plan is None else plan.step(mark.step)
                begun = [
                    (m.part, m.step)
                    for m in self._marks
                    if m.kind is MarkKind.STEP_BEGIN
                ]
                # as the paper counts them
                self._attempt = [step for _, step in begun].count(mark.step)
                # those in a row are seen together
                if begun[-2:-1] != begun[-1:]:
                    self._step_s = mark.t_s
                    again = self._marks[-2:-1]
                    if not again or again[0].kind is not MarkKind.STEP_REPEAT:
                        self._notice = ""
                self._request = self._hold = self._soak = None
                self._closing_s = ""
                self._hold_highest(None)
                if mark.step not in self._begun:
                    self._begun.append(mark.step)
                if mark.step in self._ended:
                    self._ended.remove(mark.step)
            case MarkKind.CONFIRMED | MarkKind.ANSWERED:
                self._confirmed = True
            case MarkKind.SEEN:
                self._closing_s = mark.data.get("closing_s", self._closing_s)
            case MarkKind.HOLD_BEGIN:
                self._hold = (mark.t_s, float(mark.data.get("seconds", "0")))
                self._soak, self._request = None, None
                if mark.step not in self._read:
                    self._read.append(mark.step)
                self._hold_highest(mark.t_s)
            case MarkKind.HOLD_END:
                self._hold = None
            case MarkKind.STEP_REPEAT:
                self._notice = self._again_words(mark)
            case MarkKind.STEP_END | MarkKind.STEP_SKIP:
                self._step_over(mark)
            case MarkKind.TROUBLE:
                self._trouble_mark(mark)
            case MarkKind.NOTE if "settling" in mark.data:
                self._soak = (mark.t_s, float(mark.data["settling"]))
            case MarkKind.NOTE if self._header is not None:
                told = note_words(mark, self._request, self._header)
                self._notice = told or self._notice
                self._confirmed = self._confirmed and not told
            case MarkKind.ABANDONED:
                self._abandoned = True
                self._stopping = self._ending
                self._stop_at = None
                self._request = self._hold = self._soak = None
                self._hold_highest(None)

    def _step_over(self, mark: Mark) -> None:
        self._restart = None
        if mark.step not in self._ended:
            self._ended.append(mark.step)
        how = mark.data.get("how", "")
        if how in ("timed_out", "rig_leaks", "opened") and self._over_pressure is None:
            what = said("left_out", how, step=step_words(mark.step))
            self._over_pressure = Strip(what=what, do=caution("stopped"))
            self._over_pressure_was = what
        if self._step is not None and self._step.kind == "closing-zero":
            self._vented = mark.data.get("how") == "done"
        self._hold = self._soak = None
        self._request = None

    def _again_words(self, mark: Mark) -> str:
        why = mark.data.get("why", "")
        facts = {
            "closing_s": mark.data.get("closing_s", "?"),
            "window": window_words(self._step),
        }
        return said("again", why if known("again", why) else "other", **facts)

    def _trouble_mark(self, mark: Mark) -> None:
        what = mark.data.get("trouble", "")
        channel = mark.data.get("channel", "")
        if what == "over_pressure" and mark.data.get("while") != "venting":
            told = said("left_out", "over_pressure")
            was = said("left_out", "over_pressure_was")
            live = self._channels.get(channel)
            try:
                limit = float(mark.data["limit"])
            except (KeyError, ValueError):
                live = None
            if live is not None and self._plan is not None:
                most = value_words(self._plan, live.channel, limit)
                facts = {"channel": channel, "limit": most}
                told = said("left_out", "over_pressure_in", **facts)
                was = said("left_out", "over_pressure_was_in", **facts)
            self._over_pressure = Strip(what=told, do=caution("stopped"))
            self._over_pressure_was = was

    # --- presses ---------------------------------------------------------------------

    def come_into_view(self) -> None:
        """Take that it is shown from now: a press before could not be meant for it."""
        self._shown_at = self._clock()

    def _stood(self, since_s: float) -> bool:
        """Tell whether what came at a time has been seen long enough to be pressed."""
        return self._clock() - max(since_s, self._shown_at) >= ARM_S

    def scanned(self, label: str) -> None:
        """Take a scan: it confirms nothing, and is compared with the card."""
        if self._header is None:
            return
        job = self._header.job
        own = job.serial_of(label) == job.regulator.serial
        facts = {"label": label[:SCAN_SIGNS], "serial": job.regulator.serial}
        what, do = several("scan_own" if own else "scan_other", **facts)
        until = self._clock() + SCAN_SHOWN_S if own else float("inf")
        self._scan = Strip(what=what, do=do, grave=not own), until

    @property
    def _scan_strip(self) -> Strip | None:
        if self._scan is None or self._clock() > self._scan[1]:
            return None
        return self._scan[0]

    @property
    def question(self) -> Request | None:
        """The request whose question waits for an answer, or None."""
        request = self._request
        asked = request is not None and request.look and self._may_confirm(request)
        return request if asked and self._armed() else None

    def answer_trouble(self, text: str) -> str:
        """Return what is wrong with an answer that is being typed, or ""."""
        request = self.question
        if request is None or not text.strip():
            return ""
        try:
            parsed_answer(request, text)
        except InputError as error:
            told = trouble(error)
            return f"{told.what} {told.do}"
        return ""

    def answer(self, said: str, by: str) -> Command:
        """Return the answer to the question that waits.

        Raises:
            InputError: it can't be taken; with what would do.
        """
        request = self.question
        assert request is not None
        parsed_answer(request, said)
        self._confirmed = True
        return Answer(request.id, said, by)

    def confirm(self, by: str) -> Command | None:
        """Return the confirmation of what is asked, or None where a press says nothing.

        A request that has only just appeared can't be meant yet.
        """
        request = self._request
        if request is None or not self._may_confirm(request) or not self._armed():
            return None
        self._confirmed, self._scan = True, None
        return Acknowledge(request.id, by)

    def _may_confirm(self, request: Request) -> bool:
        return (
            request.confirm
            and not self._confirmed
            and self._hands
            and not self._stopping
        )

    def _armed(self) -> bool:
        return self._stood(self._asked_at)

    def stop(self, by: str) -> Command | None:
        """Take a press on stop; the second one counts.

        A test that is stopped goes on to venting; what is stopped then, or while the
        gas comes off anyway, is the recording.
        """
        if not self.running or self._stopping:
            return None
        now = self._clock()
        if self._stop_at is None or now - self._stop_at > STOP_FORGETS_S:
            self._stop_at = now
            return None
        if now - self._stop_at < STOP_AGAIN_S:
            return None
        self._stopping, self._stop_at = True, None
        self._ending = self._ends_at_once
        return Abandon("stopped at the window", by)

    @property
    def _ends_at_once(self) -> bool:
        kind = self._step.kind if self._step is not None else ""
        return self._abandoned or kind in MAKES_SAFE

    def keep_on(self) -> None:
        """Forget a first press on stop."""
        self._stop_at = None

    def end(self, by: str) -> tuple[Command, ...]:
        """End test and recording at once, as when the window closes."""
        if not self.running or self._ending:
            return ()
        self._stopping = self._ending = True
        once = Abandon("stopped at the window", by)
        # the first one would lead to venting, the second one ends that too
        return (once,) if self._ends_at_once else (once, once)

    def hear(self, by: str) -> Command | None:
        """Take that the alarms which sound were heard."""
        if self._lost and not self._lost_heard:
            # the record is closed: nobody marks it any more
            self._lost_heard, self._failed_at = by, self._clock()
            return None
        sounding = self._alarms.sounding if self.running else ()
        if not sounding:
            return None
        return Hear(tuple((a.what, a.channel) for a in sounding), by)

    @property
    def ways_back(self) -> tuple[tuple[str, str], ...]:
        """Where the test may go on from: a step's id, "" for the one that is on.

        ``RIG`` is the one that is on too, with the rig named as the cause; ``SKIP`` is
        the one after it.
        """
        plan, step = self._plan, self._step
        if plan is None or step is None or not self.may_tell or self._only_venting:
            return ()
        if step.kind in MAKES_SAFE:
            return ()
        again = said("saying", "back", "again", step=step_words(step.id))
        earlier = [
            (s.id, said("saying", "back", "to", step=step_words(s.id)))
            for s in steps_back_to(plan, step)
        ]
        rig = said("saying", "back", "rig", step=step_words(step.id))
        skip = said("saying", "back", "skip", step=step_words(step.id))
        return (("", again), (RIG, rig), *earlier, (SKIP, skip))

    @property
    def may_tell(self) -> bool:
        """Whether a person may say what was done unasked."""
        return (
            self.phase is Phase.RUNNING
            and self.running
            and self._hands
            and not self._stopping
            and self._step is not None
        )

    @property
    def _only_venting(self) -> bool:
        return self._over_pressure is not None or self._abandoned

    def tell(self, kind: str, what: str, reason: str, by: str) -> Command | None:
        """Return what a person says unasked: ``back`` to a step, or ``done``."""
        if kind == "back":
            if not any(id == what for id, _ in self.ways_back):
                return None
            if what == RIG:
                return Repeat(reason, by, of_rig=True)
            if what == SKIP:
                return Skip(reason, by)
            return Repeat(reason, by, what)
        if not self.may_tell or what not in ("adjusted", "opened"):
            return None
        return Declare("opened" if what == "opened" else "adjusted", reason, by)

    # --- looking back ----------------------------------------------------------------

    @property
    def looks_back(self) -> bool:
        """Something else is shown than what follows the test."""
        return self._looking != Looking() or self._earlier is not None

    def zoom(self, factor: float, at_s: float | None = None) -> None:
        """Show a stretch so many times as long, about a time or the middle."""
        shown = self._shown()
        if shown is not None:
            about = 0.5 * (shown[0] + shown[1]) if at_s is None else at_s
            self._looking = self._looking.zoomed(shown, factor, self._now_s, about)

    def pan(self, share: float) -> None:
        """Move by a share of the picture's width; above 0 is later."""
        shown = self._shown()
        if shown is not None:
            self._looking = self._looking.panned(shown, share, self._now_s)

    def to_now(self) -> None:
        """Follow the test again."""
        self._looking = self._looking.at_now()
        self._earlier, self._look_words = None, ""

    def show_stretch(self, from_s: float, to_s: float) -> None:
        """Show a stretch, as that of a step."""
        if self._shown() is not None:
            lead = 0.06 * max(to_s - from_s, 1.0)
            window = (max(from_s - lead, 0.0), to_s + lead)
            self._looking = replace(self._looking, window=window)

    @property
    def cursor_times(self) -> tuple[float, float] | None:
        """When the two cursors stand, seconds; None where none do."""
        return self._looking.cursors

    def cursors(self) -> None:
        """Set two cursors, or take them away."""
        shown = self._shown()
        if shown is not None:
            read = (shown[0], max(min(shown[1], self._now_s), shown[0]))
            self._looking = self._looking.with_cursors(shown, read)

    def move_cursor(self, which: int, to_s: float) -> None:
        """Set a cursor somewhere else."""
        self._looking = self._looking.moved(which, to_s, self._now_s)

    def nudge_cursor(self, which: int, share: float) -> None:
        """Move a cursor by a share of the picture's width."""
        shown, at = self._shown(), self._looking.cursors
        if shown is not None and at is not None:
            self.move_cursor(which, at[which] + share * (shown[1] - shown[0]))

    @property
    def busy_looking(self) -> bool:
        """An earlier run is being looked for."""
        return self._seeking

    def seek_earlier(
        self, chosen: Path | None = None
    ) -> tuple[RunHeader, Path | None, Path | None] | None:
        """Return whose earlier run is wanted, and where; None where one goes away."""
        if self._header is None or self._seeking:
            return None
        if self._earlier is not None and chosen is None:
            self._earlier, self._look_words = None, ""
            return None
        self._seeking, self._earlier = True, None
        self._look_words = said("look", "searching")
        place = self.run_place
        return self._header, None if place is None else place.parent, chosen

    @property
    def run_place(self) -> Path | None:
        """Where the run lies, sealed or as its journal."""
        path = self._final.run_path if self._final is not None else self._journal
        return path if path is not None and path.name else None

    def picture_head(self) -> tuple[str, ...]:
        """Return what stands above a picture that is saved."""
        header = self._header
        assert header is not None
        began = time.localtime(header.started_utc_ns / 1e9)
        day = time.strftime("%Y-%m-%d %H:%M", began)
        head = self._head()
        lines = (head.first, f"{header.rig.id}   {day}   {head.person}   {header.id}")
        return (*lines, head.band) if head.band else lines

    def say_of_picture(self, words: str) -> None:
        """Take what became of saving the picture."""
        self._look_words = words

    @property
    def under(self) -> tuple[Mapping[str, History], float] | None:
        """The earlier run's samples by role, and by how much they are moved."""
        if self._earlier is None:
            return None
        return self._earlier.histories, self._aligned()[0]

    def _aligned(self) -> tuple[float, tuple[str, ...]]:
        """Return by how much the earlier run is moved, and what is said of that."""
        told = (self._look_words,) if self._look_words else ()
        earlier = self._earlier
        if earlier is None:
            return 0.0, told
        shown = self._shown() or (0.0, 0.0)
        following = self._looking.window is None and self._step is not None
        on = "" if self._step is None else self._step.id
        step = on if following else step_at(self._marks, 0.5 * (shown[0] + shown[1]))
        found = aligned(earlier, self._marks, step)
        how = said("look", "not_aligned", step=step_words(step))
        shift = 0.0
        if found is not None:
            shift, how = found
        return shift, (said("look", "under", words=earlier.words, how=how), *told)

    def _shown(self) -> tuple[float, float] | None:
        standing = self._standing()
        if standing is None or not self._drawn or self._now_s <= 0.0:
            return None
        return self._looking.window or shown_now(standing)

    def burst_hose(self) -> BurstHose:
        """Return what to do on a burst hose, for what the test has on the rig."""
        header = self._header
        return hose_page() if header is None else hose_page(header.job, header.plan)

    @property
    def final(self) -> Final | None:
        """The run as it ended, or None."""
        return self._final

    def make_paper(self) -> Final | None:
        """Return what to make a paper of, once; None where there is nothing to make."""
        if self._papers.paper is not None:
            return None
        return self._begin_paper()

    def make_tag(self) -> tuple[Final, Path | None] | None:
        """Return the run and its paper to make a tag of, once, or None."""
        if self._papers.tag is not None:  # made already
            return None
        final = self._begin_paper()
        return None if final is None else (final, self._papers.paper)

    def _begin_paper(self) -> Final | None:
        if self._final is None or self._papers.making:
            return None
        self._papers, self._paper_error = replace(self._papers, making=True), None
        return self._final

    @property
    def begun(self) -> bool:
        """Whether a test was begun, and no record looked at."""
        return self._live and self._header is not None

    @property
    def running(self) -> bool:
        """Whether a test is on: begun or being opened, and not over."""
        return self._live and not self._closed and self._error is None

    @property
    def now_s(self) -> float:
        """Time of the latest sample, seconds."""
        return self._now_s

    @property
    def time_multiple(self) -> float:
        """How many times faster than the clock rig time runs; 1 for a real one."""
        if self._header is None or not self._live:
            return 1.0
        return self._header.rig.time_multiple

    @property
    def histories(self) -> Mapping[str, Live]:
        """The channels with their samples, by id, to draw."""
        return self._channels

    # --- the screen ------------------------------------------------------------------

    @property
    def _plan(self) -> Plan | None:
        return None if self._header is None else self._header.plan

    @property
    def phase(self) -> Phase:
        """How far the test is."""
        if self._error is not None:
            return Phase.FAILED
        if self._final is not None:
            return Phase.OVER
        if self._header is None:
            return Phase.OPENING
        return Phase.SEALING if self._closed else Phase.RUNNING

    def screen(self) -> Screen:
        """Return what is to be shown now."""
        if self._stop_at is not None and (
            self._clock() - self._stop_at > STOP_FORGETS_S
        ):
            self._stop_at = None
        stop, sure = "", False
        if self.running:
            sure = self._stop_at is not None
            what = "end" if self._ends_at_once else "stop"
            stop = said(f"{what}_sure") if sure else said(what)
            if self._stopping:
                stop, sure = said("stopping"), False
        return Screen(
            phase=self.phase,
            head=self._head(),
            picture=self._picture(),
            action=self._action(),
            findings=self._findings(),
            strip=self._strip(),
            verdict=self._verdict(),
            stop=stop,
            stop_sure=sure,
            alarm=self._alarm(),
            goes_back=bool(self.ways_back),
            may_tell=self.may_tell,
            readings=self._readings_line(),
            troubles=self._shown_troubles,
        )

    @property
    def _lost(self) -> bool:
        """The rig failed while gas may have been on it."""
        begun = self._live and self._header is not None
        return begun and isinstance(self._error, RigError) and not self._vented

    @property
    def alarm(self) -> AlarmShown | None:
        """The gravest alarm that stands, or None."""
        return self._alarm()

    def _alarm(self) -> AlarmShown | None:
        """Return the gravest alarm that stands, those that sound first."""
        header = self._header
        if header is None:
            return None
        if self._lost:
            first, second = (alarm_said(RIG_LOST, p) for p in ("first", "second"))
            words = AlarmWords(first, second, "", alarm_does(RIG_LOST))
            return self._shown_alarm(words, 0, self._lost_heard)
        if not self.running or not self._alarms.standing:
            return None
        standing = self._alarms.sounding or self._alarms.standing
        gravest = min(standing, key=lambda alarm: ALARMS.index(alarm.what))
        heard = "" if self._alarms.sounding else self._heard_by.get(gravest, "")
        more = len(self._alarms.standing) - 1
        return self._shown_alarm(words_of(gravest, header), more, heard)

    def _shown_alarm(self, words: AlarmWords, more: int, by: str) -> AlarmShown:
        return AlarmShown(
            first=words.first,
            second=words.second,
            what=words.what,
            do=words.do,
            more=alarm_words("more", n=more) if more else "",
            key="" if by else alarm_words("heard", key="F2"),
            heard_by=alarm_words("heard_by", by=by) if by else "",
        )

    @property
    def readings_told(self) -> str:
        """Whose the pressures are, and what they are now, for who sees another page."""
        line = self._readings_line()
        serial = "" if self._header is None else self._header.job.regulator.serial
        return f"{serial}: {line}" if line and serial else line

    def keep_typed(self, text: str) -> None:
        """Keep what was typed as an answer while another page is looked at."""
        request = self._request
        asked = request is not None and bool(request.look)
        self._typed = (request.id, text) if request and asked else ("", "")

    @property
    def typed(self) -> str:
        """What was typed of the answer that is still asked for."""
        request = self._request
        return self._typed[1] if request and request.id == self._typed[0] else ""

    def _readings_line(self) -> str:
        if self._plan is None or not self._live:
            return ""
        told = []
        # what was read last is no reading any more once nothing comes
        silent = self._lost or self._clock() - self._sampled_at > NO_READING_S
        for live in self._drawn:
            now, role = live.now(self._now_s), live.channel.role
            now = None if silent else now
            name = said("role", role) if known("role", role) else role
            value = said("no_reading")
            if now is not None:
                value = value_words(self._plan, live.channel, now)
            told.append(f"{name} {value}")
        return "      ".join(told)

    def _head(self) -> Head:
        header = self._header
        if header is None:
            return Head()
        job, plan, rig = header.job, header.plan, header.rig
        title = said("plan_line", title=plan.title, version=plan.version)
        if plan.status == "draft" and plan.steps:
            title += f" ({said('draft')})"
        first = "   ".join(p for p in (job.regulator.serial, job.regulator.model) if p)
        second = [rig.name or rig.id, calibration_words(rig, header.started_utc_ns)]
        if self._live and self._drawn and self._now_s > 0.0:
            second.append(self._readings_words())
        elif not self._live:
            day = time.strftime("%Y-%m-%d", time.localtime(header.started_utc_ns / 1e9))
            second.append(said("recorded_run", date=day))
        gas = said("test_gas", gas=job.test_gas or plan.test_gas)
        again = said("attempt", n=self._attempt) if self._attempt > 1 else ""
        return Head(
            first=f"{first}   {title}",
            first_less=f"{job.regulator.serial or job.regulator.model}   {title}",
            second="   ".join(second),
            person=self.person,
            more=f"{gas}   {again}".rstrip(),
            band=said("simulated") if rig.simulated else "",
        )

    @property
    def person(self) -> str:
        """Who tests, as run or card name them."""
        header = self._header
        named = "" if header is None else header.by or header.job.technician
        return named or said("nobody")

    def _readings_words(self) -> str:
        missing = sum(live.missing for live in self._drawn[:1])
        rate = self._drawn[0].rate(self._now_s)
        told = number(rate, 0 if rate >= 10.0 else 1)
        if self.time_multiple > 1.0:
            # a rig faster than the clock is read as often as this computer can
            return said("readings_fast", rate=told, times=f"{self.time_multiple:g}")
        return said("readings", rate=told, missing=missing or said("none_missing"))

    def _findings(self) -> tuple[FindingRow, ...]:
        if self._header is None:
            return ()
        on = self._judged_on if self._judged_on not in self._ended else ""
        return finding_rows(
            self._header.plan,
            self._header.rig,
            self._judgement,
            on=on,
            read=self._read,
            ended=self._ended,
            final=self._final is not None,
        )

    def _strip(self) -> Strip | None:
        if self._error is not None:
            told = trouble(self._error)
            where = f"{told.where}: " if told.where else ""
            return Strip(what=f"{where}{told.what}", do=told.do)
        if self.phase is Phase.OVER:
            return self._paper_strip()
        if self._alarms.standing and self.running:
            return None  # it is said across the window
        if self._over_pressure is not None:
            if self._gas_off:
                return self._was_strip(self._over_pressure_was)
            return self._over_pressure
        if self._abandoned or self._stopping:
            if self._gas_off:
                return self._was_strip(said("after", "stopped"))
            what = "stopped" if self._ending else "stopped_venting"
            return Strip(what=said("after", what), do=caution("stopped"))
        if self._restart is not None:
            return self._restart
        if self._scan_strip is not None:
            return self._scan_strip
        if self._notice:
            return Strip(what=self._notice, grave=False)
        for one in self._shown_troubles:
            if one.id == EXPIRED and self._now_s > SHOWN_S:
                continue  # the head goes on saying it
            what = said("beside", where=one.where, what=one.what, does=one.does)
            return Strip(what=what, do=one.do, grave=False)
        return None

    @property
    def _shown_troubles(self) -> tuple[LiveTrouble, ...]:
        return self._troubles.shown(self._now_s) if self.running else ()

    def _was_strip(self, what: str) -> Strip:
        """Return what happened, once there is nothing left to vent."""
        return Strip(what=what, do=said("left_out", "gas_off"))

    def _paper_strip(self) -> Strip | None:
        if self._paper_error is not None:
            told = trouble(self._paper_error)
            where = f"{told.where}: " if told.where else ""
            return Strip(what=f"{where}{told.what}", do=told.do)
        make_safe = caution("stopped") if self._live and not self._vented else ""
        if self._abandoned:
            return Strip(what=said("after", "stopped"), do=make_safe)
        if self._over_pressure is not None:
            return Strip(what=self._over_pressure_was, do=make_safe)
        return self._scan_strip

    # --- the action ------------------------------------------------------------------

    def _action(self) -> Action:
        phase = self.phase
        if phase is Phase.FAILED:
            return self._failed_action()
        if phase is Phase.OPENING:
            first, second, detail = several(self._opening)
            return Action(first=first, second=second, detail=detail)
        if phase is not Phase.RUNNING:
            first, second, detail = several("sealing")
            return Action(first=first, second=second, detail=detail)
        if self._hold is not None and self._step is not None:
            return self._hold_action(*self._hold)
        if self._soak is not None:
            start, seconds = self._soak
            first, second = several("settling")
            held = min(max(self._now_s - start, 0.0), seconds)
            return Action(
                first=first,
                second=second,
                detail=said("settling_detail"),
                hold=HoldBar(held_s=held, total_s=seconds),
                foot=self._foot(),
            )
        if self._request is not None:
            return self._asked_action(self._request)
        stopped = self._over_pressure is not None or self._abandoned
        if stopped and not self._gas_off:  # whatever comes next, this comes first
            first, second, detail = several("act", vent_words(self._marks))
            return Action(
                first=first,
                second=second,
                detail=detail,
                caution=caution("vent"),
                foot=self._foot(),
            )
        first, second, detail = several("act", "hands_off")
        return Action(first=first, second=second, detail=detail, foot=self._foot())

    def _failed_action(self) -> Action:
        if self._header is None:  # nothing was opened, no gas was let in by us
            first, second, detail = several("fail", self._unopened)
            return Action(
                first=first, second=second, detail=detail, armed=self._may_leave()
            )
        first, second, detail = several("fail", "action")
        if self._journal is not None and self._journal.exists():
            detail = said("after", "journal_at", path=self._journal)
        return Action(
            first=first, second=second, detail=detail, armed=self._may_leave()
        )

    @property
    def _unopened(self) -> str:
        """What is true of a test that could not be shown: some were begun before."""
        if not self._live:
            return "unread"
        if self._opening != "finding_again":
            return "before"
        watched = self._error is not None and self._error.id == "recorder_watched"
        return "watched" if watched else "unseen"

    def _may_leave(self) -> bool:
        """Tell whether Enter leaves a failed test: not before its alarm is heard."""
        stood = self._stood(self._failed_at)
        return stood and (not self._lost or bool(self._lost_heard))

    def _hold_action(self, start_s: float, seconds: float) -> Action:
        assert self._step is not None
        held = min(max(self._now_s - start_s, 0.0), seconds)
        bar = HoldBar(held_s=held, total_s=seconds)
        lost = self._lost_already()
        if lost:
            rig = self._step.kind == "rig-hold"
            words = several("enough_rig" if rig else "enough", finding=lost)
            return Action(
                first=words[0],
                second=words[1],
                detail=words[2],
                hold=bar,
                foot="" if self._hands else self._foot(),
                grave=True,
            )
        told = []
        silent = self._silent_role()
        if silent:
            told.append(said("not_read", role=said("role", silent)))
        if self._closing_s and self._step.kind == "lockup":
            told.append(said("closed_in", seconds=f"{float(self._closing_s):.1f}"))
        to_go = said("to_go", time=span_words(max(seconds - held, 0.0)))
        course = self._course()
        told.append(f"{to_go}, {course}" if course else to_go)
        first = several("act", "hands_off")[0]
        return Action(
            first=first,
            second=said("hold", self._step.kind),
            detail="  ".join(told),
            hold=bar,
            foot=f"{self._foot()} {self._holds_left()}".rstrip(),
        )

    def _silent_role(self) -> str:
        """Return the role of a pressure that is not read while it is held, or ""."""
        for live in self._drawn:
            role = live.channel.role
            if live.now(self._now_s) is None and known("role", role):
                return role
        return ""

    def _course(self) -> str:
        """Return how the hold that is on stands, as far as it is judged, or ""."""
        if self._step is None or self._judged_on != self._step.id:
            return ""
        word = hold_state(self._judgement, self._step.id)
        return said("state", word) if word else ""

    def _holds_left(self) -> str:
        """Return how long the holds take that come after the one that is on, or ""."""
        plan, step = self._plan, self._step
        if plan is None or step is None:
            return ""
        passed = {*self._begun, *self._ended}
        left = sum(
            each.hold.value_si * max(each.repeats, 1)
            for each in plan.steps
            if each.hold is not None and each.id not in passed
        )
        return said("holds_left", time=f"{clock(left)} min") if left > 0.0 else ""

    def _lost_already(self) -> str:
        """Return which finding of the hold that is on can't pass any more, or ""."""
        if self._step is None or self._judged_on != self._step.id:
            return ""
        return failing(self._judgement, self._step.id)

    def _reading(self, role: str) -> float | None:
        live = next((d for d in self._drawn if d.channel.role == role), None)
        return None if live is None else live.now(self._now_s)

    def _asked_action(self, request: Request) -> Action:
        words = asking_of(request, self._step, self._plan, self._reading, self._marks)
        may = self._may_confirm(request)
        foot = said("press_when_done") if may else self._foot()
        asks = ""
        if request.look and may:
            asks = said("answer_in", unit=unit_asked(request))
            foot = ""
        if request.confirm and self._confirmed:
            foot = said("confirmed")
        return Action(
            first=words.first,
            second=words.second,
            detail=words.detail,
            caution=words.caution,
            confirm=request.id if may else "",
            armed=may and self._armed(),
            foot=foot,
            confirmed=request.confirm and self._confirmed,
            asks=asks,
        )

    def _foot(self) -> str:
        return said("nothing_to_press" if self._hands else "simulated_hands")

    # --- picture and verdict ---------------------------------------------------------

    def _picture(self) -> Picture | None:
        standing = self._standing()
        if standing is None:
            return None
        shift, lines = self._aligned()
        return picture_at(
            replace(
                standing,
                earlier=self._earlier,
                shift_s=shift,
                lines=lines,
            )
        )

    def _standing(self) -> Standing | None:
        if self._header is None:
            return None
        return Standing(
            plan=self._header.plan,
            drawn=self._drawn,
            marks=self._marks,
            passed={*self._begun, *self._ended},
            now_s=self._now_s,
            step=self._step,
            step_s=self._step_s,
            hold=self._hold,
            request=self._request,
            over=self.phase is not Phase.RUNNING,
            looking=self._looking,
            judgement=self._judgement,
        )

    def _verdict(self) -> Verdict | None:
        if self._final is None:
            return None
        stood = self._stood(self._papers_at)
        return verdict_of(
            self._final, self._papers, armed=stood and not self._papers.making
        )
