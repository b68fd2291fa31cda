"""Looking back while the test runs: stretch, cursors, an earlier run. Knows no Qt.

What is looked at changes nothing of the test: the action and the readings beside the
trace are those of now, and one key leads back.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from proofstand.display import value_text
from records.measure import Kind, Reference, Unit
from records.rig import Channel
from records.run import Mark, MarkKind, Run

from ..history import History
from .scales import clock
from .wording import known, said, step_words

SHORTEST_S = 1.0
STEP = 0.2  # of the picture's width, for one press
FINE = 0.01
NEAR_S = 0.25  # a cursor reads the mean of so long on both sides
COVERAGE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Looking:
    """What a person looks at.

    Attributes:
        window: from and to, seconds; None follows the test.
        cursors: two times, in any order; None where none are set.
    """

    window: tuple[float, float] | None = None
    cursors: tuple[float, float] | None = None

    def zoomed(
        self, shown: tuple[float, float], factor: float, now_s: float, at_s: float
    ) -> Looking:
        """Return it with a stretch so many times as long, about a time that stays.

        Args:
            shown: what is shown now.
            factor: under 1 shows less and larger.
            now_s: the latest reading.
            at_s: what stays where it is.
        """
        left, right = shown
        least, most = SHORTEST_S, max(now_s, SHORTEST_S) * 1.04
        span = min(max((right - left) * factor, least), most)
        share = (at_s - left) / max(right - left, 1e-9)
        start = at_s - share * span
        return self._within(start, span, now_s, right)

    def panned(self, shown: tuple[float, float], share: float, now_s: float) -> Looking:
        """Return it moved by a share of what is shown; above 0 is later."""
        span = shown[1] - shown[0]
        return self._within(shown[0] + share * span, span, now_s, shown[1])

    def _within(self, start: float, span: float, now_s: float, right: float) -> Looking:
        # a hold is shown to its end, which is still to come; some of the run stays
        latest = min(max(now_s * 1.02, right) - span, now_s - 0.1 * span)
        start = min(max(start, -0.02 * span), max(latest, -0.02 * span))
        return replace(self, window=(start, start + span))

    def at_now(self) -> Looking:
        """Return it following the test again, without cursors."""
        return Looking()

    def with_cursors(
        self, shown: tuple[float, float], read: tuple[float, float]
    ) -> Looking:
        """Return it with two cursors in what was read of the picture, or without."""
        if self.cursors is not None:
            return replace(self, cursors=None)
        span = read[1] - read[0]
        at = (read[0] + span / 3.0, read[0] + 2.0 * span / 3.0)
        return replace(self, window=self.window or shown, cursors=at)

    def moved(self, which: int, to_s: float, now_s: float) -> Looking:
        """Return it with one cursor elsewhere."""
        if self.cursors is None:
            return self
        to_s = min(max(to_s, 0.0), now_s)
        first, second = self.cursors
        both = (to_s, second) if which == 0 else (first, to_s)
        return replace(self, cursors=both)


FOLLOWING = Looking()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EarlierRun:
    """A run that lies under the trace of this one.

    Attributes:
        run: as it was sealed. histories: its samples by the channel's role.
        words: which one it is.
    """

    run: Run
    histories: Mapping[str, History]
    words: str


def earlier_run(run: Run, words: str) -> EarlierRun:
    """Return a run made ready to lie under another's trace."""
    histories: dict[str, History] = {}
    for channel in run.header.rig.channels:
        if channel.measure_unit.kind is Kind.PRESSURE:
            made = History()
            made.add(run.trace(channel, 1))
            histories.setdefault(channel.role, made)
    return EarlierRun(run=run, histories=histories, words=words)


# What both runs are laid together by, the best first.
EVENTS = ("shut_off", "hold", "begin")


def aligned(
    earlier: EarlierRun, marks: Sequence[Mark], step: str
) -> tuple[float, str] | None:
    """Return by how much the earlier run is moved to later, and by what, or None.

    Args:
        earlier: the run that is moved.
        marks: of this run.
        step: the step that is looked at; both runs need it.
    """
    first = (mark for mark in earlier.run.marks if mark.part == 1)  # what is laid under
    here, there = events_in(marks, step), events_in(first, step)
    for event in EVENTS:
        if event in here and event in there:
            words = said("look", event, step=step_words(step))
            return here[event] - there[event], words
    return None


def events_in(marks: Iterable[Mark], step: str) -> dict[str, float]:
    """Return when a step began, was held and was shut off, by ``EVENTS``."""
    found: dict[str, float] = {}
    for mark in marks:
        if mark.step != step:
            continue
        if mark.kind is MarkKind.STEP_BEGIN:
            found = {"begin": mark.t_s}
        elif mark.kind is MarkKind.HOLD_BEGIN:
            found["hold"] = mark.t_s
        elif mark.kind is MarkKind.SEEN and "closing_s" in mark.data:
            found["shut_off"] = mark.t_s
    return found


def cursor_lines(
    cursors: tuple[float, float],
    channels: Sequence[tuple[Channel, History, Unit]],
) -> tuple[str, ...]:
    """Return what the cursors read: one line of times, and one for each channel."""
    first, second = sorted(cursors)
    apart = second - first
    lines = [
        said(
            "look",
            "times",
            a=_time(first),
            b=_time(second),
            apart=f"{apart:.1f}" if apart < 100.0 else f"{apart:.0f}",
        )
    ]
    for channel, history, unit in channels:
        name = said("role", channel.role) if known("role", channel.role) else channel.id
        lines.append(_line(name, channel, history, unit, first, second))
    return tuple(lines)


def _line(
    name: str,
    channel: Channel,
    history: History,
    unit: Unit,
    first: float,
    second: float,
) -> str:
    one, other = _mean(history, first), _mean(history, second)
    if one is None or other is None:
        return said("look", "no_reading", name=name)

    def text(value: float, reference: Reference) -> str:
        return value_text(value, Kind.PRESSURE, reference, unit)

    u = None
    if channel.calibration is not None:
        u = COVERAGE * channel.calibration.u_at(max(one, other, key=abs))
    slope = (other - one) / (second - first) if second > first else 0.0
    difference = text(other - one, Reference.DIFFERENCE)
    per_minute = text(60.0 * slope, Reference.DIFFERENCE)
    own = channel.reference
    facts = {
        "name": name,
        "a": text(one, own).split(" ", 1)[0],
        "b": text(other, own),
        "difference": _signed(difference),
        "slope": _signed(per_minute.removesuffix(" difference")),
    }
    line = said("look", "reads", **facts)
    if u is None:
        return f"{line} {said('look', 'u_unknown')}"
    told = text(u, Reference.DIFFERENCE).removesuffix(" difference")
    return f"{line} {said('look', 'u', u=told)}"


def _signed(text: str) -> str:
    return text.replace("-", "\u2212") if text.startswith("-") else f"+{text}"


def _mean(history: History, at_s: float) -> float | None:
    _, value = history.between(at_s - NEAR_S, at_s + NEAR_S)
    good = value[value == value]
    return float(good.mean()) if good.size else None


def _time(seconds: float) -> str:
    """Return a time of the run with a tenth of a second."""
    whole = int(seconds)
    return f"{clock(whole)}.{int(10.0 * (seconds - whole))}"
