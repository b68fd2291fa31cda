"""A score as it is shown: each call against the truth, and where the trace tells it.

Knows no Qt.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from proofstand.conduct import Remark
from proofstand.drawing.bar import Bar, BarState
from proofstand.report import fault_text
from proofstand.review.drills import HEALTHY, Item, Scored
from proofstand.review.told import ItemTold, item_told, what_was_wrong
from proofstand.words.sentences import label
from records.judgement import Judgement
from records.run import Run

from ..bench_desk.looking import FOLLOWING
from ..bench_desk.picturing import picture_at
from ..bench_desk.screen import Lane, Picture
from ..bench_desk.wording import step_words
from .calling import Calls, causes_of
from .found_where import (
    Under,
    findings_to_explain,
    how_found,
    marked,
    picture_about,
    slope_through,
)
from .remarked import remark_lines
from .replaying import Replay
from .wording import known, said


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreRow:
    """One thing that was called.

    Attributes:
        word: right, half right, not right or nothing said. state: the same as a shape.
        called, right: with unit and reference. short: called, where room lacks.
        near: so far off is still right.
        bar: where the call lies about the truth, None for a word.
    """

    what: str
    name: str
    word: str
    state: BarState
    got: str
    called: str
    short: str
    right: str
    near: str
    bar: Bar | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A drill that was scored, and all that is needed to explain it.

    Attributes:
        drill: its title. path: the score's file. run: that was scored.
        remarks: on how a person worked the rig; they have no points.
    """

    scored: Scored
    judgement: Judgement
    run: Run
    replay: Replay
    calls: Calls
    drill: str
    trainee: str
    path: Path
    remarks: tuple[Remark, ...] = ()

    @property
    def head(self) -> str:
        """Points of points."""
        points = f"{self.scored.points:g}"
        return said("score", "points", points=points, of=f"{self.scored.of:g}")

    @property
    def lines(self) -> tuple[str, ...]:
        """What was wrong, where to look, what looks the same; how it was worked."""
        return (*what_was_wrong(self.scored), *remark_lines(self.remarks, self.run))

    @property
    def rows(self) -> tuple[ScoreRow, ...]:
        """What was called, in the order of the score."""
        return tuple(self._row(item) for item in self.scored.items)

    def _row(self, item: Item) -> ScoreRow:
        told = item_told(item, self.replay.plan)
        state, word = _standing(item)
        called, right, short = told.called, told.right, ""
        if item.what == "cause":
            picked = {c.id: c for c in causes_of(self.replay.plan)}
            if called in picked:
                called, short = picked[called].words, picked[called].short
            else:
                called = cause_words(called).rstrip(".")
            right = cause_words(right).rstrip(".")
        return ScoreRow(
            what=item.what,
            name=told.name,
            word=said("score", word),
            state=state,
            got=told.got,
            called=called or said("score", "nothing_said"),
            short=short,
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
        made = picture_about(self.replay, told.window_s, cursors)
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
        under = None
        if what == "creep_rate":
            under = slope_through(self.replay.drawn[0], told.window_s, float(item.true))
        return replace(made, lanes=lanes), under, words

    @property
    def findings(self) -> tuple[tuple[str, str], ...]:
        """What else can be explained, as a number and words."""
        return tuple(
            (str(i), f"{label(f.id)}, {step_words(f.step)}{_of(f.channel)}")
            for i, f in enumerate(findings_to_explain(self.judgement))
        )

    def explained_finding(
        self, number: int
    ) -> tuple[Picture | None, Under | None, str]:
        """Return how a finding was found, drawn on the trace, and in words."""
        finding = findings_to_explain(self.judgement)[number]
        return how_found(finding, self.run, self.replay)

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
        true = float(item.true)
        base = 0.0 if item.what == "set_pressure" else self._before_closing(item)
        level, words = None, said("score", "read_here")
        if item.what in ("set_pressure", "lockup_rise") and base is not None:
            level = (base + true - item.near, base + true + item.near)
            way = "band" if item.what == "set_pressure" else "band_lockup"
            words = said("score", way, right=told.right, near=told.near)
        return marked(self.replay, lane, told.window_s, level, words)


def _of(channel: str) -> str:
    return f", {channel}" if channel else ""


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
