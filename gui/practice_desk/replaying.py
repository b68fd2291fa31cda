"""A run replayed at a chosen speed: the trace as far as it was shown. Knows no Qt.

Nothing ahead of the time that was reached is in here: samples and marks are handed over
as their time comes, as from a rig.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from records.measure import Kind
from records.run import Mark, MarkKind, Run
from records.trace import Trace

from ..bench_desk.live import Live
from ..bench_desk.looking import FOLLOWING, Looking
from ..bench_desk.picturing import Standing, drawn_of, picture_at, shown_now
from ..bench_desk.screen import Picture
from .wording import said

SPEEDS = (1, 2, 5, 10, 20, 60)
_AT_FIRST = 10
_MOST_BEAT_S = 0.5  # a window that was busy skips nothing


@dataclass(frozen=True, slots=True)
class _Told:
    """A mark and when it was told: some name a time before that."""

    at_s: float
    mark: Mark


class Replay:
    """What has been shown of a run.

    Args:
        run: of one part.
        clock: seconds, only ever forward.

    Attributes:
        now_s: so far it was shown. playing: it goes on. speed: run seconds a second.
        looking: what a person looks at instead of now.
    """

    def __init__(self, run: Run, clock: Callable[[], float] = time.monotonic) -> None:
        header = run.header
        self.plan, self.rig = header.plan, header.rig
        self.now_s = 0.0
        self.playing = False
        self.speed = _AT_FIRST
        self.looking: Looking = FOLLOWING
        self._clock, self._last = clock, clock()
        periods = {i.id: i.period.value_si for i in header.rig.instruments}
        part = run.parts[0].number
        pressures = [
            c for c in header.rig.channels if c.measure_unit.kind is Kind.PRESSURE
        ]
        self._traces: dict[str, Trace] = {c.id: run.trace(c, part) for c in pressures}
        self._given = dict.fromkeys(self._traces, 0)
        self._lives = {c.id: Live(c, periods.get(c.instrument, 1.0)) for c in pressures}
        self._drawn = drawn_of(self._lives.values())
        self._to_tell = _in_time(run, part)
        self._marks: list[Mark] = []
        self._step_s = 0.0
        self._hold: tuple[float, float] | None = None
        self.whole_s = max(
            (float(t.t_s[-1]) for t in self._traces.values() if len(t)), default=0.0
        )

    # --- going on --------------------------------------------------------------------

    @property
    def at_end(self) -> bool:
        """All of it was shown."""
        return self.now_s >= self.whole_s

    @property
    def channels(self) -> Mapping[str, Live]:
        """What was read so far, by the channel's id."""
        return self._lives

    @property
    def drawn(self) -> tuple[Live, ...]:
        """The channels of the picture, the outlet first."""
        return self._drawn

    @property
    def step(self) -> str:
        """The step that is on, or the last one."""
        return self._marks[-1].step if self._marks else ""

    def press_play(self) -> None:
        """Go on, or stand."""
        self.playing = not self.playing and not self.at_end
        self._last = self._clock()

    def change_speed(self, by: int) -> None:
        """Take the next speed, above 0 a faster one; the ends of the list stay."""
        at = min(max(SPEEDS.index(self.speed) + by, 0), len(SPEEDS) - 1)
        self.speed = SPEEDS[at]

    def beat(self) -> None:
        """Show what the time since the last beat brings."""
        now, last = self._clock(), self._last
        self._last = now
        if self.playing:
            passed = min(max(now - last, 0.0), _MOST_BEAT_S)
            self.show_until(self.now_s + passed * self.speed)

    def show_until(self, to_s: float) -> None:
        """Show the run up to a time, never less than was shown."""
        self.now_s = min(max(to_s, self.now_s), self.whole_s)
        for id, trace in self._traces.items():
            first = self._given[id]
            stop = int(trace.t_s.searchsorted(self.now_s, side="right"))
            if stop > first:
                self._lives[id].add(trace.rows(first, stop))
                self._given[id] = stop
        while self._to_tell and self._to_tell[0].at_s <= self.now_s:
            self._take(self._to_tell.pop(0).mark)
        if self.at_end:
            self.playing = False

    def _take(self, mark: Mark) -> None:
        if mark.step:
            self._marks.append(mark)
        if mark.kind is MarkKind.STEP_BEGIN:
            self._step_s, self._hold = mark.t_s, None
        elif mark.kind is MarkKind.HOLD_BEGIN:
            self._hold = (mark.t_s, float(mark.data.get("seconds", "0")))
        elif mark.kind in (MarkKind.HOLD_END, MarkKind.STEP_END):
            self._hold = None

    # --- looking ---------------------------------------------------------------------

    def _shown(self) -> tuple[float, float]:
        return self.looking.window or shown_now(self.standing())

    def zoom(self, factor: float, at_s: float | None = None) -> None:
        """Show a stretch so many times as long, about a time or the middle."""
        shown = self._shown()
        about = 0.5 * (shown[0] + shown[1]) if at_s is None else at_s
        self.looking = self.looking.zoomed(shown, factor, self.now_s, about)

    def pan(self, share: float) -> None:
        """Move by a share of the picture's width; above 0 is later."""
        self.looking = self.looking.panned(self._shown(), share, self.now_s)

    def follow(self) -> None:
        """Follow the replay again, without cursors."""
        self.looking = FOLLOWING

    def to_now(self) -> None:
        """Follow the replay again; cursors stay where they are."""
        self.looking = replace(self.looking, window=None)

    def show_stretch(self, from_s: float, to_s: float) -> None:
        """Show a stretch, as that of a step."""
        lead = 0.06 * max(to_s - from_s, 1.0)
        window = (max(from_s - lead, 0.0), to_s + lead)
        self.looking = replace(self.looking, window=window)

    def set_cursors(self) -> None:
        """Set two cursors, or take them away."""
        shown = self._shown()
        read = (shown[0], max(min(shown[1], self.now_s), shown[0]))
        self.looking = self.looking.with_cursors(shown, read)

    def move_cursor(self, which: int, to_s: float) -> None:
        """Set a cursor somewhere else, in what was shown."""
        self.looking = self.looking.moved(which, to_s, self.now_s)

    def nudge_cursor(self, which: int, share: float) -> None:
        """Move a cursor by a share of the picture's width."""
        shown, at = self._shown(), self.looking.cursors
        if at is not None:
            self.move_cursor(which, at[which] + share * (shown[1] - shown[0]))

    # --- the picture -----------------------------------------------------------------

    def standing(self) -> Standing:
        """Return how far the run was shown, as the picture needs it."""
        begun = {m.step for m in self._marks if m.kind is MarkKind.STEP_BEGIN}
        return Standing(
            plan=self.plan,
            drawn=self._drawn,
            marks=self._marks,
            passed=begun,
            now_s=self.now_s,
            step=self.plan.step(self.step),
            step_s=self._step_s,
            hold=self._hold,
            request=None,
            over=self.at_end,
            looking=self.looking,
        )

    def picture(self) -> Picture | None:
        """Return the picture, without a finding in it; None before there is one."""
        made = picture_at(self.standing())
        if made is None or not made.head:
            return made
        return replace(made, head=said("replay", "on" if self.playing else "stands"))


def _in_time(run: Run, part: int) -> list[_Told]:
    """Return the marks of a part with the times at which they were told."""
    latest, told = 0.0, []
    for mark in run.marks:
        if mark.part == part:
            latest = max(latest, mark.t_s)
            told.append(_Told(latest, mark))
    return told
