"""A person at a terminal: shows what is asked, takes Enter as the confirmation."""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from proofstand.alarms import (
    AlarmWords,
    hose_page,
    note_words,
    over_words,
    words_of,
)
from proofstand.bench.cardcheck import CardNote
from proofstand.bench.cautions import Cautions
from proofstand.bench.shift import clock_words
from proofstand.display import show
from proofstand.live_troubles import LiveTroubles
from proofstand.procedure.answers import parsed_answer, reads_gauge, unit_asked
from proofstand.procedure.engine import (
    Abandon,
    Acknowledge,
    Answer,
    Command,
    Declare,
    Hear,
    Repeat,
    Skip,
)
from proofstand.procedure.progress import AWAITS, BACK_TO, DECLARED, MAKES_SAFE, RESUMED
from proofstand.procedure.watch import ALARM_OVER, ALARMS, NO_ALARMS, SILENT
from proofstand.report import role_of
from proofstand.session import (
    Asked,
    Closed,
    Judged,
    Marked,
    SessionEvent,
    Shown,
    Started,
    Troubled,
)
from proofstand.words.sentences import (
    action,
    alarm_words,
    caution,
    ended_words,
    label,
    noted_words,
    trouble,
)
from records.errors import InputError
from records.judgement import Judgement, Outcome
from records.run import Mark, MarkKind, Request, RunHeader

from .job import note_lines

# Words that say more than that something is done; what follows them is the reason.
_SAID = ("again", "rig", "skip", "back", "adjusted", "opened")
BELL = "\a"
# While an alarm sounds, rig seconds from one ringing of the bell to the next.
RINGS_S = 3.0
_WIDE = 72


class Prompter:
    """Tells session events on standard error and reads confirmations.

    Args:
        quiet: print nothing.
        ask: read confirmations from standard input; False where hands are simulated.
        by: whose word it is that is typed; else who the run names.
    """

    def __init__(self, *, quiet: bool, ask: bool, by: str = "") -> None:
        self._quiet = quiet
        self._ask = ask
        self._live = ask and not quiet and sys.stderr.isatty()
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._request: Request | None = None
        self._header: RunHeader | None = None
        self._found: dict[tuple[str, str, str], Outcome] = {}
        self._by = by or "technician"
        self._by_run = not by
        self._alarms = NO_ALARMS
        self._troubles = LiveTroubles()
        self._rang_s = 0.0
        if ask:
            threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        if sys.stdin is not None:
            for line in sys.stdin:
                self._lines.put(line.strip())
        self._lines.put(None)

    def warn(self, notes: Sequence[CardNote]) -> None:
        """Show what the rules of the job card say."""
        if not self._quiet:
            for line in note_lines(notes):
                self._say(line)

    def ask_cautions(self, cautions: Cautions, look: Callable[[], None]) -> str:
        """Show the cautions of a test, and return who says to have read them, or "".

        Args:
            cautions: of the test.
            look: called while nobody types; raises when an end was asked for.
        """
        if self._quiet or not self._ask:
            return ""
        gases = " and ".join(cautions.gases)
        self._say(
            f"Cautions for this gas ({gases}) and pressure ({cautions.pressure}):"
        )
        for id in cautions.ids:
            self._say(f"  ! {caution(id)}")
        self._say("Your name and Enter says that you have read them:")
        while True:
            look()
            try:
                line = self._lines.get(timeout=0.2)
            except queue.Empty:
                continue
            if line is None:
                self._lines.put(None)
            if line != "":
                return line or ""

    def tell(self, event: SessionEvent) -> None:
        """Show one event."""
        if isinstance(event, Asked):
            self._request = event.request
            while not self._lines.empty():  # typed before anyone could have read this
                if self._lines.get() is None:
                    self._lines.put(None)
                    break
        if isinstance(event, Started):
            self._header = event.header
            self._troubles = LiveTroubles.at_begin(event.header)
            self._say_beside(LiveTroubles())
            if self._by_run:
                self._by = event.header.by or event.header.job.technician or self._by
        if isinstance(event, Marked):
            self._alarms = self._alarms.after(event.mark)
            before, self._troubles = self._troubles, self._troubles.after(event.mark)
            self._say_beside(before)
        if isinstance(event, Shown):
            self._ring(event.t_s)
        if self._quiet:
            return
        match event:
            case Started(run, journal):
                self._say(f"run {run}, recording to {journal}")
                self._say_shift(event.header)
            case Judged(judgement, on) if not on:
                self._say_found(judgement)
            case Asked(request):
                first, second = action(request)
                self._say(f"  {first} {second}")
                if request.caution:
                    self._say(f"    ! {caution(request.caution)}")
                if request.look and self._ask:
                    how = f"in {unit_asked(request)}"
                    if not reads_gauge(request):
                        how = "no, or how many"
                    self._say(f"    [{how}, then Enter], stop to end the test")
                elif request.confirm and self._ask:
                    self._say("    [Enter] when done, stop to end the test")
            case Marked(mark) if mark.kind is MarkKind.STEP_BEGIN:
                self._say(f"{mark.t_s:8.1f} s  {mark.step}")
            case Marked(mark) if mark.kind in (MarkKind.SEEN, MarkKind.HOLD_END):
                what = mark.data.get("event") or mark.data.get("why", "hold over")
                self._say(f"{mark.t_s:8.1f} s    {what.replace('_', ' ')}")
            case Marked(mark) if mark.kind is MarkKind.CONFIRMED:
                if AWAITS in mark.data:
                    self._say(f"{mark.t_s:8.1f} s    {noted_words('awaits')}")
            case Marked(mark) if mark.kind is MarkKind.ANSWERED:
                self._say(f"{mark.t_s:8.1f} s    answered: {mark.data['value']}")
            case Marked(mark) if DECLARED in mark.data:
                self._say_declared(mark)
            case Marked(mark) if BACK_TO in mark.data:
                self._say_anew(mark)
            case Marked(mark) if mark.kind is MarkKind.STEP_END:
                ended = ended_words(mark.data.get("how", ""), mark.step)
                if ended:
                    self._say(f"{BELL}{mark.t_s:8.1f} s    {ended}")
            case Marked(mark) if mark.data.get("why") == SILENT and (
                mark.kind is MarkKind.STEP_REPEAT
            ):
                lost = "lost_long" if RESUMED in mark.data else "lost"
                what = noted_words(lost, step=mark.step)
                self._say(f"{mark.t_s:8.1f} s    {what}")
            case Marked(mark) if mark.kind is MarkKind.STEP_REPEAT:
                why = mark.data.get("why", "").replace("_", " ")
                self._say(f"{mark.t_s:8.1f} s    again: {why}")
            case Marked(mark) if mark.data.get("trouble") in ALARMS:
                self._say_alarm(mark)
            case Marked(mark) if ALARM_OVER in mark.data or "back" in mark.data:
                self._say_over(mark)
            case Marked(mark) if mark.kind is MarkKind.NOTE:
                self._say_note(mark)
            case Marked(mark) if mark.kind is MarkKind.TROUBLE:
                what = mark.data.get("trouble", "").replace("_", " ")
                channel = mark.data.get("channel") or mark.data.get("instrument", "")
                self._say(f"{mark.t_s:8.1f} s    TROUBLE: {what} {channel}".rstrip())
                self._say(f"    ! {caution('stopped')}")
            case Troubled(error):
                told = trouble(error)
                self._say(f"{BELL}Stopped. {told.what}")
                self._say(f"    ! {caution('stopped')}")
            case Shown(t_s, readings) if self._live:
                pressures = "   ".join(f"{id} {text}" for id, text in readings)
                self._write(f"\r\x1b[K{t_s:8.1f} s    {pressures}")
            case Closed(how, seconds):
                self._say(f"{seconds:8.1f} s  {how}")
            case _:
                pass

    def _say_alarm(self, mark: Mark) -> None:
        """Say an alarm across the terminal, with what to do, and ring."""
        alarm = self._alarms.standing[-1]
        if self._header is None:
            return
        words: AlarmWords = words_of(alarm, self._header)
        bar = "!" * _WIDE
        self._rang_s = mark.t_s
        self._say(f"{BELL}{bar}")
        head = f"{alarm_words('word')}   {words.first}".upper()
        self._say(f"!!! {head}   ({mark.t_s:.1f} s)")
        self._say(f"!!! {words.second.upper()}")
        self._say(f"    {words.what}")
        for number, line in enumerate(words.do, 1):
            self._say(f"    {number}. {line}")
        self._say(bar)
        if self._ask:
            self._say(f"    {alarm_words('terminal')}")

    def _say_over(self, mark: Mark) -> None:
        if self._header is not None:
            what = mark.data.get(ALARM_OVER, SILENT)
            channel = mark.data.get("back") or mark.data.get("channel", "")
            self._say(f"{mark.t_s:8.1f} s    {over_words(what, channel, self._header)}")

    def _say_anew(self, mark: Mark) -> None:
        """Say from which step the test goes on, and why."""
        why, back = mark.data.get("why", ""), mark.data[BACK_TO]
        told = f"again, from {back} on: {why}"
        if why in ("opened", "adjusted"):
            told = noted_words(f"anew_{why}", step=back)
        self._say(f"{mark.t_s:8.1f} s    {told}")

    def _say_declared(self, mark: Mark) -> None:
        """Say that what a person says to have done comes too late to go on from."""
        step = None if self._header is None else self._header.plan.step(mark.step)
        if step is not None and step.kind in MAKES_SAFE:
            self._say(f"{mark.t_s:8.1f} s    {noted_words('too_late')}")

    def _say_note(self, mark: Mark) -> None:
        """Say what the procedure notes while it waits for hands."""
        if self._header is not None:
            told = note_words(mark, self._request, self._header)
            if told:
                self._say(f"{BELL}{mark.t_s:8.1f} s    {told}")

    def _say_beside(self, before: LiveTroubles) -> None:
        """Say what has come up beside the test, with what it does and what to do."""
        for one in self._troubles.all:
            if one not in before.all:
                self._say(f"    {one.where}: {one.what} {one.does}")
                self._say(f"    {one.do}")

    def _ring(self, t_s: float) -> None:
        """Ring the bell again while an alarm has not been heard."""
        sounding = self._alarms.sounding
        if not sounding or t_s - self._rang_s < RINGS_S or self._header is None:
            return
        self._rang_s = t_s
        first = "; ".join(words_of(each, self._header).first for each in sounding)
        self._say(f"{BELL}{t_s:8.1f} s    {alarm_words('word')}: {first}")

    def _heard(self) -> list[Command]:
        sounding = self._alarms.sounding
        if not sounding:
            self._say(f"    {alarm_words('none')}")
            return []
        return [Hear(tuple((a.what, a.channel) for a in sounding), self._by)]

    def _say_hose(self) -> None:
        """Say what to do on a burst hose, for what is on the rig."""
        header = self._header
        told = hose_page() if header is None else hose_page(header.job, header.plan)
        self._say(f"    {told.head.upper()}   {told.here}".rstrip())
        for number, line in enumerate(told.do, 1):
            self._say(f"    {number}. {line}")
        self._say(f"    {told.last}")

    def _say_shift(self, header: RunHeader) -> None:
        """Say which start-of-shift check stands behind a test."""
        if header.shift is not None:
            at = clock_words(header.shift.utc_ns)
            self._say(f"start-of-shift check passed by {header.shift.by}, {at}")
        elif not header.rig.wants_shift_check:
            self._say("simulated rig: it wants no start-of-shift check")

    def _say_found(self, judgement: Judgement) -> None:
        """Say each finding once, and again when it stands otherwise."""
        if self._header is None:
            return
        for finding in judgement.findings:
            key = (finding.step, finding.id, finding.channel)
            unchanged = self._found.get(key) is finding.outcome
            if finding.measured is None or finding.limit is None or unchanged:
                continue
            self._found[key] = finding.outcome
            role = role_of(finding, self._header.rig)
            shown = show(finding, self._header.plan, role)
            # what conforms may still be undone by what is to come, above all the zero
            stands = {
                Outcome.PASS: "on course",
                Outcome.CONDITIONAL_PASS: "on course",
                Outcome.INCONCLUSIVE: "not yet decided",
            }.get(finding.outcome, finding.outcome.value)
            self._say(f"            {label(finding.id)} {shown.line}: {stands}")

    def commands(self) -> Iterable[Command]:
        """Return what was said since.

        An empty line confirms the request that stands; ``stop`` ends the test after
        venting, said again at once; ``heard`` ends the bell, ``hose`` tells what to do
        when one bursts. When nothing more can be typed it ends at once:
        nobody could confirm anything.
        """
        said: list[Command] = []
        while not self._lines.empty():
            line = self._lines.get()
            if line is None:
                self._say(
                    "Nothing more can be typed here, so nothing can be confirmed."
                )
                self._say(f"    ! {caution('stopped')}")
                # twice: nobody could confirm a step of venting either
                said += [Abandon("standard input closed", self._by)] * 2
            elif line == "stop":
                self._say(f"    ! {caution('stopped')}")
                said.append(Abandon("stopped at the terminal", self._by))
            elif line == "heard":
                said += self._heard()
            elif line == "hose":
                self._say_hose()
            elif line.split(" ", 1)[0] in _SAID:
                said += self._told(*line.split(" ", 1))
            elif self._request is not None and self._request.look:
                said += self._answer(self._request, line)
            elif line:
                self._say(
                    "    Enter alone confirms; stop ends the test after venting, "
                    "stop once more at once. With a reason: again, rig "
                    "(again: the rig was at fault), skip, back STEP, adjusted, "
                    "opened. heard ends an alarm's bell; hose says what to do "
                    "when one bursts."
                )
            elif self._request is not None and self._request.confirm:
                said.append(Acknowledge(self._request.id, self._by))
        return said

    def _told(self, word: str, why: str = "") -> list[Command]:
        """Return what a word and what follows it say."""
        if not why.strip():
            self._say(f"    Say what: {word} and a few words.")
            return []
        match word:
            case "again":
                return [Repeat(why, self._by)]
            case "rig":
                return [Repeat(why, self._by, of_rig=True)]
            case "skip":
                return [Skip(why, self._by)]
            case "back":
                step, _, reason = why.partition(" ")
                return [Repeat(reason or f"back to {step}", self._by, step)]
            case "adjusted" | "opened":
                return [Declare(word, why, self._by)]
        return []

    def _answer(self, request: Request, line: str) -> list[Command]:
        """Return an answer that can be taken, or say what would do."""
        try:
            parsed_answer(request, line)
        except InputError as error:
            told = trouble(error)
            self._say(f"    {told.what} {told.do}")
            return []
        return [Answer(request.id, line, self._by)]

    def tell_interrupted(self, journal: Path) -> None:
        """Say what is kept, how to go on with it, and that there may be pressure."""
        self._say(f"    ! {caution('stopped')}")
        if journal.exists():
            self._say(f"Kept: {journal}. Go on with: proofstand record --resume")
            self._say("proofstand recover makes a run file of it as it is.")

    def close(self) -> None:
        """Nothing is left to show."""
        self._request = None

    def _say(self, line: str) -> None:
        clear = "\r\x1b[K" if self._live else ""
        self._write(f"{clear}{line}\n")

    def _write(self, text: str) -> None:
        if self._quiet:
            return
        try:
            print(text, end="", file=sys.stderr, flush=True)
        except (OSError, ValueError):
            self._quiet = True  # a display that fails never ends a recording
