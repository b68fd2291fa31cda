"""A score as it is shown: each call against the truth, and where the trace tells it.

Knows no Qt.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from proofstand.drawing.bar import Bar, BarState
from proofstand.report import fault_text
from proofstand.review.drills import HEALTHY, Item, Scored
from proofstand.review.told import ItemTold, item_told, shown_unit, what_was_wrong
from records.judgement import Judgement
from records.measure import to_unit
from records.trace import Trace

from ..bench_desk.looking import FOLLOWING, Looking
from ..bench_desk.picturing import picture_at
from ..bench_desk.screen import Lane, Picture, Zone
from ..history import History
from .calling import Calls, causes_of
from .replaying import Replay
from .wording import known, said

_EVERY_S = 0.5  # of a drawn line, closer than what counts as a gap
Under = tuple[Mapping[str, History], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreRow:
    """One thing that was called.

    Attributes:
        word: right, half right, not right or nothing said. state: the same as a shape.
        called, right: with unit and reference. near: so far off is still right.
        bar: where the call lies about the truth, None for a word.
    """

    what: str
    name: str
    word: str
    state: BarState
    got: str
    called: str
    right: str
    near: str
    bar: Bar | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A drill that was scored, and all that is needed to explain it.

    Attributes:
        drill: its title. path: the score's file.
    """

    scored: Scored
    judgement: Judgement
    replay: Replay
    calls: Calls
    drill: str
    trainee: str
    path: Path

    @property
    def head(self) -> str:
        """Points of points."""
        points = f"{self.scored.points:g}"
        return said("score", "points", points=points, of=f"{self.scored.of:g}")

    @property
    def lines(self) -> tuple[str, ...]:
        """What was wrong, where to look, what looks the same."""
        return what_was_wrong(self.scored)

    @property
    def rows(self) -> tuple[ScoreRow, ...]:
        """What was called, in the order of the score."""
        return tuple(self._row(item) for item in self.scored.items)

    def _row(self, item: Item) -> ScoreRow:
        told = item_told(item, self.replay.plan)
        state, word = _standing(item)
        called, right = told.called, told.right
        if item.what == "cause":
            picked = {c.id: c.words for c in causes_of(self.replay.plan)}
            called = picked.get(called) or cause_words(called).rstrip(".")
            right = cause_words(right).rstrip(".")
        return ScoreRow(
            what=item.what,
            name=told.name,
            word=said("score", word),
            state=state,
            got=told.got,
            called=called or said("score", "nothing_said"),
            right=right,
            near=told.near,
            bar=_bar(item, state),
        )

    # --- explained on the trace ------------------------------------------------------

    def explained(self, what: str) -> tuple[Picture | None, Under | None, str]:
        """Return the trace with one call explained, a line of truth, and words.

        Args:
            what: of the rows.
        """
        item = next(i for i in self.scored.items if i.what == what)
        told = item_told(item, self.replay.plan)
        cursors = next((c.cursors for c in self.calls.all if c.what == what), None)
        if told.window_s is None:
            at = replace(
                self.replay.standing(), looking=FOLLOWING, judgement=self.judgement
            )
            return picture_at(at), None, said("score", f"explains_{_kind(what)}")
        start, stop = told.window_s
        ends = [start, stop, *(cursors or ())]
        lead = 0.12 * max(max(ends) - min(ends), 4.0)
        window = (max(min(ends) - lead, 0.0), max(ends) + lead)
        at = replace(
            self.replay.standing(), looking=Looking(window=window, cursors=cursors)
        )
        made = picture_at(at)
        if made is None:
            return None, None, ""
        lanes = tuple(self._with_truth(lane, item, told) for lane in made.lanes)
        words = said(
            "score",
            f"where_{what}" if known("score", f"where_{what}") else "where",
            step=told.step,
            start=f"{start:.0f}",
            stop=f"{stop:.0f}",
            right=told.right,
            near=told.near,
        )
        shown = replace(made, lanes=lanes, lines=(), looking=False, head="", over=False)
        return shown, self._line_of_truth(item, told), words

    def _before_closing(self, item: Item) -> float | None:
        """Return the outlet before the lockup that was read, SI, as it was found."""
        rise = None if item.found is None else item.found.measured
        for other in self.judgement.findings:
            lockup = (other.id, other.step) == ("lockup_pressure", item.step)
            if lockup and other.measured is not None and rise is not None:
                return other.measured.value - rise.value
        return None

    def _with_truth(self, lane: Lane, item: Item, told: ItemTold) -> Lane:
        """Return a lane with the stretch that was read marked, and what was true."""
        if lane.role != "outlet" or told.window_s is None or item.near is None:
            return lane
        start, stop = told.window_s
        true = float(item.true)
        base = 0.0 if item.what == "set_pressure" else self._before_closing(item)
        if item.what in ("set_pressure", "lockup_rise") and base is not None:
            low, high = base + true - item.near, base + true + item.near
            way = "band" if item.what == "set_pressure" else "band_lockup"
            words = said("score", way, right=told.right, near=told.near)
        else:
            extent = self.replay.drawn[0].history.extent(start, stop)
            if extent is None:
                return lane
            low, high = extent
            words = said("score", "read_here")
        unit = shown_unit(self.replay.plan, "set_pressure")
        zone = Zone(
            low=to_unit(low, unit),
            high=to_unit(high, unit),
            from_s=start,
            to_s=stop,
            words=words,
        )
        return replace(lane, zones=(zone,), intervals=())

    def _line_of_truth(self, item: Item, told: ItemTold) -> Under | None:
        """Return the true creep as a line through the stretch that was read."""
        if item.what != "creep_rate" or told.window_s is None:
            return None
        start, stop = told.window_s
        outlet, span = self.replay.drawn[0], 0.5 * (stop - start)
        t, value = outlet.history.between(start, stop)
        good = np.isfinite(value)
        if not good.any():
            return None
        times = np.arange(start - span, stop + span, _EVERY_S)
        middle_s, level = float(t[good].mean()), float(value[good].mean())
        levels = level + float(item.true) * (times - middle_s)
        made = History()
        made.add(
            Trace(outlet.channel.id, times, levels, np.zeros(times.size, np.uint8))
        )
        return {outlet.channel.role: made}, 0.0


def _kind(what: str) -> str:
    return what if what in ("verdict", "cause") else "value"


def cause_words(id: str) -> str:
    """Return a cause as the catalogue says it, "" for none said."""
    if not id:
        return ""
    return said("cause", id) if id == HEALTHY else fault_text(id)


def _standing(item: Item) -> tuple[BarState, str]:
    if item.called is None:
        return BarState.TO_COME, "nothing"
    if item.points >= item.of:
        return BarState.CONFORMS, "right"
    if item.points > 0.0:
        return BarState.UNDECIDED, "half"
    return BarState.FAILS, "wrong"


def _bar(item: Item, state: BarState) -> Bar | None:
    if item.near is None or isinstance(item.true, str):
        return None
    called = None if item.called is None else float(item.called)
    return Bar(
        interval=None if called is None else (called, called),
        limit_min=item.true - item.near,
        limit_max=item.true + item.near,
        state=state,
    )
