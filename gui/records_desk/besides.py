"""Several runs on one picture, aligned at an event of a step. Knows no Qt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from proofstand.display import plain, reference_word, unit_for
from proofstand.keeping.reviewed import run_of
from records.archive.found import RunFound
from records.errors import ProofstandError
from records.measure import Kind, Reference, Unit
from records.run import MarkKind, Run

from ..background import Background, Handle
from ..bench_desk.looking import EVENTS, EarlierRun, earlier_run, events_in
from ..bench_desk.scales import pressure_range
from ..bench_desk.screen import Range, Strip
from ..bench_desk.wording import step_words
from ..history import History
from .shelf import Shelf
from .wording import moment, said, told

LEAST = 2
_BEFORE_S, _AFTER_S = 15.0, 60.0
_ROLES = ("outlet", "inlet", "interstage", "bonnet")
_SHORTEST_S = 1.0
STEP = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BesideLine:
    """One run's trace; ``shift_s`` is when its event was."""

    name: str
    history: History
    shift_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What may be chosen: ids and what they are called; and which is."""

    options: tuple[tuple[str, str], ...] = ()
    chosen: str = ""


NO_CHOICE = Choice()


@dataclass(frozen=True, slots=True, kw_only=True)
class BesidePage:
    """What the desk shows.

    Attributes:
        lines: of the runs that have the event. missing: names of those that lack it.
        from_s, to_s: what is shown, seconds from the event.
        scale: of the pressure, in ``unit``. factor, offset: SI to it.
    """

    head: str = ""
    band: str = ""
    said: str = ""
    strip: Strip | None = None
    steps: Choice = NO_CHOICE
    events: Choice = NO_CHOICE
    roles: Choice = NO_CHOICE
    lines: tuple[BesideLine, ...] = ()
    missing: str = ""
    from_s: float = -_BEFORE_S
    to_s: float = _AFTER_S
    scale: Range | None = None
    unit: str = ""
    factor: float = 1.0
    offset: float = 0.0


class BesidePresenter:
    """Holds the runs that are compared.

    Args:
        shelf: the archive that they are kept in.
    """

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._work = Background()
        self._of: tuple[RunFound, ...] = ()
        self._runs: tuple[EarlierRun, ...] = ()
        self._unread: Strip | None = None
        self._step = self._event = self._role = ""
        self._window: tuple[float, float] | None = None
        self.changed = True

    def open(self, runs: Sequence[RunFound]) -> None:
        """Compare two to five runs."""
        self._of, self._runs, self._unread = tuple(runs), (), None
        self._step = self._event = self._role = ""
        self._window = None
        self._work.run(self._read, self._found, self._failed)
        self.changed = True

    def _read(self, handle: Handle) -> tuple[list[EarlierRun], ProofstandError | None]:
        found, trouble = [], None
        archive = self._shelf.home.archive
        for of in self._of:
            handle.look()
            with self._shelf.index() as index:
                entries = index.entries(run=of.run)
            try:
                run = run_of(archive, entries, of)[1]
            except ProofstandError as error:
                trouble = error
                continue
            found.append(earlier_run(run, _name(of)))
        return found, trouble

    def _found(self, came: tuple[list[EarlierRun], ProofstandError | None]) -> None:
        runs, trouble = came
        self._runs = tuple(runs)
        if trouble is not None:
            self._failed(trouble)
        steps = self._steps
        lockups = [s for s in steps if s.startswith("lockup")]
        self._step = (lockups or list(steps) or [""])[0]
        self._choose_event()
        self._role = next((r for r in _ROLES if r in self._roles), "")
        self.changed = True

    def _failed(self, error: ProofstandError) -> None:
        what, do = told(error)
        self._unread = Strip(what=what, do=do)
        self.changed = True

    # --- what may be chosen ----------------------------------------------------------

    @property
    def _steps(self) -> tuple[str, ...]:
        """The steps that two runs at least have, in the order of the first one."""
        often: dict[str, int] = {}
        for run in self._runs:
            for step in dict.fromkeys(
                m.step for m in run.run.marks if m.kind is MarkKind.STEP_BEGIN
            ):
                often[step] = often.get(step, 0) + 1
        least = min(LEAST, max(len(self._runs), 1))
        return tuple(step for step, times in often.items() if times >= least)

    @property
    def _roles(self) -> tuple[str, ...]:
        there = {role for run in self._runs for role in run.histories}
        known = [role for role in _ROLES if role in there]
        return (*known, *sorted(there - set(known) - {"ambient"}))

    def _times(self, run: Run) -> dict[str, float]:
        return events_in((m for m in run.marks if m.part == 1), self._step)

    def _choose_event(self) -> None:
        """Take the best event that most runs have."""
        counts = {
            event: sum(event in self._times(run.run) for run in self._runs)
            for event in EVENTS
        }
        best = max(counts.values(), default=0)
        self._event = next((e for e in EVENTS if counts[e] == best), EVENTS[0])

    def choose(self, what: str, id: str) -> None:
        """Choose another step, event or channel."""
        if not id:
            return
        if what == "step" and id != self._step:
            self._step, self._window = id, None
            self._choose_event()
        elif what == "event":
            self._event, self._window = id, None
        elif what == "role":
            self._role = id
        self.changed = True

    # --- the stretch -----------------------------------------------------------------

    @property
    def window(self) -> tuple[float, float]:
        """What is shown, seconds from the event."""
        if self._window is not None:
            return self._window
        return -_BEFORE_S, max(_AFTER_S, self._held * 1.1)

    @property
    def _held(self) -> float:
        """How long the step went on after the event, the longest of the runs."""
        longest = 0.0
        for run in self._runs:
            at = self._times(run.run).get(self._event)
            ends = [
                m.t_s
                for m in run.run.marks
                if m.part == 1 and m.step == self._step and m.kind is MarkKind.STEP_END
            ]
            if at is not None and ends:
                longest = max(longest, ends[-1] - at)
        return longest

    def zoom(self, factor: float) -> None:
        """Show a shorter or longer stretch about the middle."""
        left, right = self.window
        middle, half = 0.5 * (left + right), 0.5 * (right - left) * factor
        half = min(max(half, 0.5 * _SHORTEST_S), 7200.0)
        self._window = (middle - half, middle + half)
        self.changed = True

    def pan(self, share: float) -> None:
        """Show what is later, above 0, or earlier."""
        left, right = self.window
        by = share * (right - left)
        self._window = (left + by, right + by)
        self.changed = True

    def whole(self) -> bool:
        """Show the stretch that was shown at first; return whether it was another."""
        had = self._window is not None
        self._window, self.changed = None, True
        return had

    # --- what is shown ---------------------------------------------------------------

    def page(self) -> BesidePage:
        """Return what is to be shown now."""
        head = said("beside_head", n=len(self._of))
        if not self._runs:
            words = said("looking") if self._work.busy else said("none_to_compare")
            return BesidePage(head=head, said=words, strip=self._unread)
        lines, missing = [], []
        for run in self._runs:
            at, history = (
                self._times(run.run).get(self._event),
                run.histories.get(self._role),
            )
            if at is None or history is None:
                missing.append(run.words)
            else:
                lines.append(BesideLine(name=run.words, history=history, shift_s=at))
        from_s, to_s = self.window
        unit = self._unit
        return BesidePage(
            head=head,
            band=said("simulated_band") if self._simulated else "",
            said="" if lines else said("none_to_align"),
            strip=self._unread,
            steps=Choice(
                options=tuple((s, step_words(s)) for s in self._steps),
                chosen=self._step,
            ),
            events=Choice(
                options=tuple((e, said("event", e)) for e in EVENTS),
                chosen=self._event,
            ),
            roles=Choice(options=tuple((r, r) for r in self._roles), chosen=self._role),
            lines=tuple(lines),
            missing=said("without_event", names=", ".join(missing)) if missing else "",
            from_s=from_s,
            to_s=to_s,
            scale=self._scale(lines, unit),
            unit=f"{unit.name} {self._reference}".rstrip(),
            factor=unit.factor,
            offset=unit.offset,
        )

    @property
    def _simulated(self) -> bool:
        return any(run.run.header.rig.simulated for run in self._runs)

    @property
    def _unit(self) -> Unit:
        return unit_for(self._runs[0].run.header.plan, Kind.PRESSURE, self._role)

    @property
    def _reference(self) -> str:
        channel = self._runs[0].run.header.rig.channel(self._role)
        return reference_word(Reference.NONE if channel is None else channel.reference)

    def _scale(self, lines: Sequence[BesideLine], unit: Unit) -> Range | None:
        from_s, to_s = self.window
        reach = [
            line.history.extent(from_s + line.shift_s, to_s + line.shift_s)
            for line in lines
        ]
        values = [
            (v - unit.offset) / unit.factor for pair in reach if pair for v in pair
        ]
        if not values:
            return None
        least = 0.02 * max(abs(v) for v in values) or 1.0
        return pressure_range(min(values), max(values), least, 5)

    @property
    def busy(self) -> bool:
        """Something is being read."""
        return self._work.busy

    def take(self) -> None:
        """Take what came."""
        self.changed = self._work.take() or self.changed

    def let_go(self) -> None:
        """Want nothing any more."""
        self._work.let_go()

    def wait(self) -> None:
        """Let nothing outlive the window."""
        self._work.wait()


def _name(of: RunFound) -> str:
    day = moment(of.started_ns).split(" ", 1)[0]
    return f"{plain(of.serial)}, {day}, {of.verdict}"
