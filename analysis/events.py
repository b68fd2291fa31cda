"""The one detector of what a pressure does: level transitions, shut-off, holds.

The same detector serves the live procedure and the judging of a stored run: it takes
samples one after another and gives the same events however they are cut into blocks.
Samples are gathered in bins of a tenth of a second; a transition is open while the
change over one second stands out of the noise.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from records.trace import FloatArray, Trace

from .bins import BIN_S, GAP_S, Bins, Piece
from .hold_noise import sliding_means

_LAG = 10  # bins: the difference is taken over one second
_HALF_LAG = 5
_MOST_KEPT = 1200  # bins
_KEEP = 60  # bins of quiet kept before a transition, for its level before
_NOISE_BINS = 100
_RAMP_BINS = 50
_SPAN_SHARE = 5e-4
_KEEN_SHARE = 0.5  # of that, for who watches as it happens
_NOISE_FACTOR = 6.0
_END_SHARE = 0.15
_STAYS = 0.5  # of the least change that opens a transition
# The closing time is good to about a quarter for any shape of closing.
_CLOSING_SLACK = 1.25
# The pressure rises only over the last part of a hand's movement: a rise half as long
# as the shortest movement that is asked for is not yet a snapped valve.
_RISE_OF_MOVEMENT = 0.5
_HINGE_POINTS = 250
T50_U_S = 0.1  # of half of a rise, at best
_CLEAR_S = 0.5  # after another change of level
_CLEAR = 3.0  # times the least change that a rise has to be to be timed by it
# A slow rise: seen over three seconds, and only where a level bends up into it.
_SLOW_BIN_S = 0.3
_REST_S = 3.0
_AT_REST = 0.25  # of the rate of the rise's first half
# Whoever turns a valve on keeps the outlet rising about as fast, over three seconds.
_RATE_S = 3.0
_AS_FAST = 0.8
_READ_S = 3.0  # after half of the rise, when its level after is read
# Half of a rise and the level after it follow from one another.
_ROUNDS = 20
_SAME_S = 0.01
# A closing is looked for from so long before it is asked for to so long after its hold
# began.
LOOK_BEFORE_S = 15.0
LOOK_AFTER_S = 8.0
LOOK_LONGER_S = 30.0  # a slow rise is not over by then

EventKind = Literal["rise", "fall"]


@dataclass(frozen=True, slots=True)
class Event:
    """A transition from one level to another.

    Attributes:
        channel: id of the channel. kind: ``rise`` or ``fall``.
        t_s: time at which half of the change was done, seconds from the part's start.
        window_s: onset and end.
        before, after: levels, SI.
        evidence: facts by name: ``threshold``, ``noise`` (of a difference over half a
            second) and ``fastest`` (largest change over one second), SI; ``ramp`` is 1
            when it was closed because it went on at an even rate.
        told_s: the moment whose reading showed that it is over.
    """

    channel: str
    kind: EventKind
    t_s: float
    window_s: tuple[float, float]
    before: float
    after: float
    evidence: tuple[tuple[str, float], ...] = ()
    told_s: float = math.inf

    def fact(self, name: str) -> float:
        """Return a fact of the evidence by its name; 0 where it has none."""
        return dict(self.evidence).get(name, 0.0)

    @property
    def change(self) -> float:
        """Level after less level before, SI."""
        return self.after - self.before


@dataclass(frozen=True, slots=True)
class ShutOff:
    """The closing of a flow as the pressure behind it shows it.

    Attributes:
        t50_s: half of the rise done; the time stamp of the shut-off.
        onset_s: start of the rise (a hinge; its definition is good to about 0.1 s).
        closing_s: onset to nine tenths of the rise; longer than the valve was turned
            where the regulator fills what is behind it slowly.
        before, after: levels, SI. noise: standard deviation of a sample before.
        u_s: standard uncertainty of ``t50_s``, from its definition and the noise.
    """

    t50_s: float
    onset_s: float
    closing_s: float
    before: float
    after: float
    noise: float
    u_s: float


def accepted_closing_s(shortest_s: float, longest_s: float) -> tuple[float, float]:
    """Return the :attr:`ShutOff.closing_s` that fit a stated time of closing, s."""
    return shortest_s * _RISE_OF_MOVEMENT, longest_s * _CLOSING_SLACK


class EventDetector:
    """Finds level transitions in one channel, sample by sample.

    Args:
        channel: id of the channel, for the events.
        span_pa: span of the transducer; changes below 0.05 % of it over one second are
            never a transition.
        resolution_pa: smallest step of the reading.
        keen: for who watches as it happens and has only to see that something moves:
            half the least change, a level that bends is not taken for noise, and what
            turns round is measured from where it turned.
        bin_s: width of a bin; all that is said here of one second is of ten of them.
    """

    def __init__(
        self,
        channel: str,
        span_pa: float,
        resolution_pa: float,
        *,
        keen: bool = False,
        bin_s: float = BIN_S,
    ) -> None:
        self.channel = channel
        self._keen = keen
        share = _SPAN_SHARE * (_KEEN_SHARE if keen else 1.0)
        self._floor = max(share * abs(span_pa), 2.0 * abs(resolution_pa))
        self._bins = Bins(bin_s)
        self._restart()

    def _restart(self) -> None:
        # bins that are finished
        self._times: list[float] = []
        self._values: list[float] = []
        self._smooth: list[float] = []
        self._halves: deque[float] = deque(maxlen=_NOISE_BINS)
        self._since_noise = 0
        self._noise = 0.0
        self._known = False  # something is known of the noise
        self._threshold = self._floor
        # what an even creep moves in one second, upwards and downwards
        self._up = 0.0
        self._down = 0.0
        self._open = 0
        self._peak = 0.0
        self._first = 0  # index of the first bin that belongs to the level before
        self._opened = 0
        self._turned = 0  # index of the bin at which a movement turned round
        self._recent: deque[float] = deque(maxlen=_RAMP_BINS)

    @property
    def moving(self) -> bool:
        """True while a transition is open."""
        return self._open != 0

    @property
    def open_since(self) -> float | None:
        """Time at which the open transition began to stand out, or None."""
        return self._times[self._opened] if self._open else None

    @property
    def threshold(self) -> float:
        """Change over one second that opens a transition now, SI."""
        return self._threshold

    @property
    def direction(self) -> int:
        """1 while rising, -1 while falling, 0 at rest."""
        return self._open

    def feed(
        self, t_s: ArrayLike, value: ArrayLike, flags: ArrayLike | None = None
    ) -> list[Event]:
        """Take further samples and return the transitions that they end.

        Args:
            t_s: shape (n,), seconds from the part's start, rising from call to call.
            value: shape (n,), SI; NaN where nothing was read.
            flags: shape (n,), see :class:`records.trace.Flag`; None for all good.

        Returns:
            Events whose end these samples showed, in time order.
        """
        return [
            event
            for piece in self._bins.feed(t_s, value, flags)
            for event in self.take(piece)
        ]

    def take(self, piece: Piece) -> list[Event]:
        """Take bins that were made elsewhere; else as :meth:`feed`."""
        began_anew, times, values = piece
        if began_anew:
            self._restart()
        events: list[Event] = []
        self._take(times, values, events)
        return events

    def _take(
        self, times: Sequence[float], values: Sequence[float], events: list[Event]
    ) -> None:
        """Take finished bins, in time order."""
        for t, y in zip(times, values, strict=True):
            kept = self._values
            self._times.append(t)
            kept.append(y)
            n = len(kept)
            if n < 3:
                self._smooth.append(y)
                continue
            a, b = kept[-3], kept[-2]
            if a > b:
                a, b = b, a
            # the middle one of three
            self._smooth[-1] = b if y > b else (a if y < a else y)
            self._smooth.append(y)
            # the newest bin is not smoothed yet, so it is left out until the next one
            k = n - 2
            if k < _LAG:
                continue
            if self._keen:
                self._turn(k)
            change = self._smooth[k] - self._smooth[max(k - _LAG, self._turned)]
            if self._open:
                self._recent.append(change)
                self._follow(k, change, events)
            else:
                self._watch(k, change)
            if n > _MOST_KEPT and not self._open:
                self._forget(n - 2 * _KEEP)

    def _forget(self, count: int) -> None:
        del self._times[:count]
        del self._values[:count]
        del self._smooth[:count]
        self._first = max(0, self._first - count)
        self._turned = max(0, self._turned - count)

    def _turn(self, k: int) -> None:
        """Note where a fall became a rise, or a rise a fall, as soon as it stands out.

        Over a whole second the old movement would hide the new one for as long.
        """
        threshold = self._threshold
        way = self._open or (self._up > threshold) - (self._down > threshold)
        if not (self._known and way):
            return
        lately = self._smooth[max(k - _LAG, self._turned) : k]
        furthest = max(lately) if way > 0 else min(lately)
        if way * (furthest - self._smooth[k]) > threshold:
            self._turned = k - 1 - lately[::-1].index(furthest)

    def _watch(self, k: int, change: float) -> None:
        if self._known:
            threshold = self._threshold
            # an even creep raises what counts as rest, slowly; rest lowers it at once
            base = self._up
            if change > threshold + base:
                self._begin(1, k, change)
                return
            if change < base:
                self._up = change if change > 0.0 else 0.0
            else:
                self._up = base + (change - base) / 100.0
            base, moved = self._down, -change
            if moved > threshold + base:
                self._begin(-1, k, change)
                return
            if moved < base:
                self._down = moved if moved > 0.0 else 0.0
            else:
                self._down = base + (moved - base) / 100.0
        self._halves.append(self._smooth[k] - self._smooth[k - _HALF_LAG])
        self._since_noise += 1
        if self._since_noise >= _LAG and len(self._halves) >= _LAG:
            self._since_noise = 0
            self._learn()

    def _begin(self, sign: int, k: int, change: float) -> None:
        self._open = sign
        self._first = max(self._first, self._turned)
        self._peak = sign * change
        self._opened = k
        self._recent.clear()
        self._recent.append(change)

    def _learn(self) -> None:
        """Take the noise from quiet differences over half a second.

        They overlap, so a few of them say little: second differences from bin to bin
        stand in until there are more.
        """
        halves = np.array(self._halves)
        if self._keen and halves.size > 2 * _LAG:
            # gas that warms after a vent was shut bends: that is no noise
            slow = _spread(halves[_HALF_LAG:] - halves[:-_HALF_LAG]) / math.sqrt(3.0)
        else:
            slow = _spread(halves - _middle(halves))
        fast = _spread(np.diff(self._values[-_NOISE_BINS:], 2)) / math.sqrt(3.0)
        few = 1.0 + _LAG / len(self._halves)
        self._noise = max(slow, fast) * few
        self._threshold = max(_NOISE_FACTOR * self._noise, self._floor)
        self._known = True

    def _follow(self, k: int, change: float, events: list[Event]) -> None:
        sign = self._open
        moved = sign * change
        self._peak = max(self._peak, moved)
        threshold = self._threshold
        base = self._up if sign > 0 else self._down
        turned = moved < -threshold
        # less than opened it, else noise would end it as soon as it began
        slow = moved < max(_STAYS * threshold + base, _END_SHARE * self._peak)
        even = (
            len(self._recent) == _RAMP_BINS
            and max(self._recent) - min(self._recent)
            < 0.3 * abs(change) + 0.5 * threshold
        )
        if not (turned or slow or even):
            return
        event = self._event(k, ramp=even and not (turned or slow))
        if event is not None:
            events.append(event)
        self._first = max(k - 3, self._turned) if turned else k - 3
        rest = max(0.0, moved)
        self._up, self._down = (rest, 0.0) if sign > 0 else (0.0, rest)
        self._open = 0
        self._recent.clear()
        if turned:
            self._open = -sign
            self._peak = -moved
            self._opened = k

    def _event(self, k: int, *, ramp: bool) -> Event | None:
        sign = self._open
        start = max(self._first, self._opened - _LAG - 20)
        stop = max(start + 1, self._opened - _LAG + 1)
        before = _median(self._smooth[start:stop])
        # a turn is closed late: its level is then the furthest point, not the last
        tail = self._smooth[max(self._opened - _LAG, k - _LAG) : k + 1]
        if sign * (self._smooth[k] - self._smooth[max(k - _LAG, self._turned)]) < 0.0:
            after = max(tail) if sign > 0 else min(tail)
        else:
            after = _median(tail[-5:])
        change = after - before
        if sign * change <= self.threshold:
            return None
        near = max(0.05 * abs(change), 4.0 * self._noise / math.sqrt(2.0))
        half = before + 0.5 * change
        onset = stop - 1
        crossing: float | None = None
        end = k
        for i in range(max(start, stop - 1), k + 1):
            y = self._smooth[i]
            if crossing is None and sign * (y - before) <= near:
                onset = i
            if crossing is None and sign * (y - half) >= 0.0:
                crossing = self._cross(i, half)
            if crossing is not None and sign * (after - y) <= near:
                end = i
                break
        if crossing is None:
            crossing = self._times[k]
        return Event(
            self.channel,
            "rise" if sign > 0 else "fall",
            crossing,
            (min(self._times[onset], crossing), max(self._times[end], crossing)),
            before,
            after,
            (
                ("threshold", self.threshold),
                ("noise", self._noise),
                ("fastest", self._peak),
                ("ramp", 1.0 if ramp else 0.0),
            ),
            self._times[-1],
        )

    def _cross(self, i: int, level: float) -> float:
        if i == 0:
            return self._times[0]
        y0, y1 = self._smooth[i - 1], self._smooth[i]
        t0, t1 = self._times[i - 1], self._times[i]
        if y1 == y0:
            return t1
        return t0 + (t1 - t0) * min(1.0, max(0.0, (level - y0) / (y1 - y0)))


def _spread(values: FloatArray) -> float:
    """Return the standard deviation of what lies about zero, outliers apart."""
    return 1.4826 * _middle(np.abs(values))


def _middle(values: FloatArray) -> float:
    k = values.size // 2
    if values.size % 2:
        return float(np.partition(values, k)[k])
    both = np.partition(values, (k - 1, k))
    return 0.5 * float(both[k - 1] + both[k])


def _median(values: list[float]) -> float:
    ordered = sorted(values)
    n = len(ordered)
    if n % 2:
        return ordered[n // 2]
    return 0.5 * (ordered[n // 2 - 1] + ordered[n // 2])


def find_events(trace: Trace, span_pa: float, resolution_pa: float) -> list[Event]:
    """Return all ended transitions of a trace; see :class:`EventDetector`."""
    detector = EventDetector(trace.channel, span_pa, resolution_pa)
    return detector.feed(trace.t_s, trace.value, trace.flags)


def smallest_step(value: FloatArray) -> float:
    """Return the smallest change from sample to sample that is not zero, or 0."""
    finite = value[np.isfinite(value)]
    steps = np.abs(np.diff(finite))
    # changes at the limit of floating point are not steps of a converter
    floor = 1e-12 * float(np.max(np.abs(finite), initial=0.0))
    steps = steps[steps > floor]
    return float(steps.min()) if steps.size else 0.0


def shut_off(trace: Trace, after_s: float, before_s: float) -> ShutOff | None:
    """Return the shut-off that a stretch of a trace shows, or None.

    The largest rise between the two times is taken; where none stands out clearly over
    one second, a slow one that begins from rest. Its level before is the median of up
    to three seconds before it, its level after that of two to four seconds after half
    of the rise, so that a creep afterwards does not pull it up.

    Args:
        trace: pressure behind the valve that closes.
        after_s: where to begin to look, seconds from the part's start.
        before_s: where to end.
    """
    part = trace.between(after_s, before_s).good()
    if len(part) < 20:
        return None
    events = find_events(part, 0.0, 0.0)
    smooth, rise = part, _largest_rise(events)
    if rise is None or rise.fact("fastest") < _CLEAR * rise.fact("threshold"):
        means = _binned(part, _SLOW_BIN_S)
        slow = EventDetector(part.channel, 0.0, 0.0, bin_s=_SLOW_BIN_S)
        seen = slow.feed(part.t_s, part.value)
        slow_rise = _largest_rise([e for e in seen if _from_rest(means, e)])
        if slow_rise is not None:
            events, smooth, rise = seen, means, slow_rise
    if rise is None:
        return None
    ends = [e.window_s[1] for e in events if e.window_s[1] < rise.window_s[0]]
    return _closing(part, smooth, rise, max(ends, default=-math.inf) + _CLEAR_S)


def _largest_rise(events: Sequence[Event]) -> Event | None:
    rises = [event for event in events if event.kind == "rise"]
    return max(rises, key=lambda e: e.change, default=None)


def _binned(part: Trace, width_s: float) -> Trace:
    pieces = Bins(width_s).feed(part.t_s, part.value)
    t, y = (np.concatenate([piece[i] for piece in pieces]) for i in (1, 2))
    return Trace(part.channel, t, y, np.zeros(t.size, np.uint8))


def _from_rest(smooth: Trace, rise: Event) -> bool:
    """Tell whether a slow rise bends up from a level, as no even creep does."""
    onset, half = rise.window_s[0], rise.t_s
    rest = smooth.between(onset - _REST_S - 1.0, onset - 1.0)
    if len(rest) < 0.8 * _REST_S / _SLOW_BIN_S or half <= onset:
        return False
    crept = float(np.polyfit(rest.t_s - onset, rest.value, 1)[0])
    return crept < _AT_REST * 0.5 * rise.change / (half - onset)


def _closing(part: Trace, smooth: Trace, rise: Event, since_s: float) -> ShutOff | None:
    """Return when a rise began, was half done, and was all but done.

    Args:
        part: all readings.
        smooth: those that crossings are read from.
        rise: as it was seen.
        since_s: nothing else was seen since.
    """
    t, y = smooth.t_s, smooth.value
    began = rise.window_s[0]
    quiet = part.between(began - 3.5, began - 0.3).value
    if quiet.size < 5:
        quiet = part.value[part.t_s <= began]
    before = float(np.median(quiet)) if quiet.size else rise.before
    noise = 1.4826 * float(np.median(np.abs(quiet - before))) if quiet.size else 0.0
    until = _turned_until(part, began)
    t50, after = rise.t_s, rise.after
    for n in range(_ROUNDS):
        level = until if until > t50 + _READ_S else t50
        later = part.between(level + 2.0, level + 4.0).value
        if later.size >= 5:
            after = float(np.median(later))
        elif level > t50:
            return None  # it is still being turned
        found = _crossing(t, y, before + 0.5 * (after - before), began)
        if found is None:
            return None
        moved, t50 = abs(found - t50), found
        if n and moved < _SAME_S:
            break
    change = after - before
    if change <= 6.0 * noise:
        return None
    t10 = _crossing(t, y, before + max(0.1 * change, 4.0 * noise), began)
    t40 = _crossing(t, y, before + 0.4 * change, began)
    t60 = _crossing(t, y, before + 0.6 * change, t50)
    t90 = _crossing(t, y, before + 0.9 * change, t50)
    t10 = t50 if t10 is None else t10
    t40 = t50 if t40 is None else t40
    start = max(since_s, t50 - 6.0 * (t50 - t10) - 0.5)
    onset = _hinge(t, y - before, start, max(t40, t10), t10)
    t90 = rise.window_s[1] if t90 is None else t90
    rate = 0.2 * change / max((t50 if t60 is None else t60) - t40, _SAME_S)
    u_s = _t50_u_s(part, level, rate, noise)
    return ShutOff(t50, onset, max(0.0, t90 - onset), before, after, noise, u_s)


def _turned_until(part: Trace, began: float) -> float:
    """Return until when the outlet rose about as fast as it ever did, s.

    Behind a shut valve it rises ever more slowly: until then it was being turned.
    """
    slow = _binned(part.between(began - _RATE_S, math.inf), _SLOW_BIN_S)
    n = round(0.5 * _RATE_S / _SLOW_BIN_S)
    if len(slow) < 3 * n:
        return -math.inf
    means = sliding_means(slow.value, n)
    rate = means[n:] - means[:-n]
    fast = np.flatnonzero(rate >= _AS_FAST * float(np.max(rate)))
    return float(slow.t_s[n + int(fast[-1])])


def _t50_u_s(part: Trace, level: float, rate: float, noise: float) -> float:
    """Return how well half of a rise is timed, s, where the pressure rises at a rate.

    What still rises when the level after is read leaves open which level that is.

    Args:
        part: all readings.
        level: two seconds before the level after is read, s.
        rate: at half of the rise, SI per second.
        noise: of a reading, SI.
    """
    first = part.between(level + 2.0, level + 3.0).value
    second = part.between(level + 3.0, level + 4.0).value
    rises_on = 0.0
    if min(first.size, second.size) >= 5:
        rises_on = max(0.0, float(np.median(second) - np.median(first)))
    half = 0.5 * 2.0 * rises_on / math.sqrt(12.0)
    return max(T50_U_S, math.hypot(half, noise) / rate)


def _crossing(
    t: FloatArray, y: FloatArray, level: float, from_s: float
) -> float | None:
    """Return when a signal first reaches a level after a time, by straight lines."""
    over = np.flatnonzero((y >= level) & (t >= from_s))
    if over.size == 0:
        return None
    i = int(over[0])
    if i == 0 or y[i - 1] >= level:
        return float(t[i])
    share = (level - y[i - 1]) / (y[i] - y[i - 1])
    return float(t[i - 1] + share * (t[i] - t[i - 1]))


def _hinge(
    t: FloatArray, y: FloatArray, start: float, stop: float, fallback: float
) -> float:
    """Return where a flat start bends upwards: flat, then c (t - t0)^p, p in 1..3."""
    use = (t >= start) & (t <= stop)
    t, y = t[use], y[use]
    if t.size < 6:
        return fallback
    each = t.size // _HINGE_POINTS
    if each > 1:
        # many readings: their means tell the place as well
        whole = t.size // each * each
        t = t[:whole].reshape(-1, each).mean(axis=1)
        y = y[:whole].reshape(-1, each).mean(axis=1)
    nodes = np.linspace(t[0], t[-1], 120, endpoint=False)
    best, onset = math.inf, fallback
    for power in (1, 2, 3):
        shape = np.clip(t[None, :] - nodes[:, None], 0.0, None) ** power
        shape_c = shape - shape.mean(axis=1, keepdims=True)
        y_c = y - y.mean()
        norm = np.einsum("ij,ij->i", shape_c, shape_c)
        norm = np.where(norm > 0.0, norm, np.inf)
        rss = float(y_c @ y_c) - (shape_c @ y_c) ** 2 / norm
        i = int(np.argmin(rss))
        if rss[i] < best:
            best, onset = float(rss[i]), float(nodes[i])
    return onset


def find_holds(trace: Trace, shortest_s: float = 30.0) -> list[tuple[float, float]]:
    """Return the holds of a trace that has no marks.

    A hold is a stretch without a transition or a wide gap, long enough, at a pressure
    well above the lowest that a vented channel shows.

    Args:
        trace: pressure, gauge.
        shortest_s: shortest stretch that counts.

    Returns:
        Start and stop of each, seconds from the part's start.
    """
    good = trace.good()
    if len(good) < 20:
        return []
    top = float(np.percentile(good.value, 95.0))
    # a step of less than 0.2 % of full pressure does not end a hold
    span = max(0.0, top) * 0.002 / _SPAN_SHARE
    edges: list[tuple[float, float]] = [
        event.window_s for event in find_events(good, span, smallest_step(good.value))
    ]
    t = good.t_s
    wide = np.flatnonzero(np.diff(t) > max(GAP_S, 5.0 * float(np.median(np.diff(t)))))
    edges += [(float(t[i]), float(t[i + 1])) for i in wide]
    edges.sort()
    holds: list[tuple[float, float]] = []
    start = float(t[0])
    for lo, hi in [*edges, (float(t[-1]), float(t[-1]))]:
        if lo - start >= shortest_s:
            level = float(np.median(good.between(start, lo).value))
            if level > 0.05 * top > 0.0:
                holds.append((start, lo))
        start = max(start, hi)
    return holds
