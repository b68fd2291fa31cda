"""What the bench is doing, from the inlet's and the outlet's pressure.

Transitions of both channels, kinks in slow trends, and whether a channel reads zero are
put in the order in which they became known; one walk over them gives the labels. The
walk never looks at what came later, so samples one by one give the same labels as a
whole trace. Marks say what was asked for; every time is the trace's.

What pressures alone can't tell: an adjusting screw turned up while gas flows looks like
a flow shut off, and an inlet that is isolated and loses nothing stands as before. The
first is told apart by marks, the second is not labelled.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from records.trace import FloatArray, Trace

from .bins import BIN_S, Bins, Piece
from .events import Event, EventDetector

LabelKind = Literal[
    "pressurised",
    "flow_on",
    "steady",
    "flow_off",
    "hold",
    "reopened",
    "isolated",
    "vented",
]
Role = Literal["inlet", "outlet"]
ROLES: tuple[Role, Role] = ("inlet", "outlet")

SHORTEST_STEADY_S = 8.0
SHORTEST_HOLD_S = 20.0
_ZERO_OF_SPAN = 0.01  # nearer to zero than this is no pressure
_ZERO_BINS = 5
_PRESSED_S = 8.0  # so long after a rise was seen it stands
# An outlet's transition is judged when the inlet's are known too, and either when it is
# seen to last.
_WAIT_S: Mapping[Role, float] = MappingProxyType({"inlet": 2.0, "outlet": 6.0})
_BLIP_S = 0.5
_SUPPLY_WAIT_S = 30.0  # an outlet that fills before its inlet was filled from elsewhere
_SINK_S = 3.0  # a fall that takes longer is a leak, not a valve
_EMPTYING = 0.5  # of the level: no regulator droops so far
_SUPPLY_STEP = 0.15  # of the inlet's level: the supply was changed
_CHAIN_S = 3.0  # a rise so soon after the last belongs to the same filling
_FILLING = frozenset({"fill_outlet", "raise_inlet", "set_inlet"})
_LEAST_FALL = 0.15  # of the rise before it; less is an overshoot that settles
_SAME_LEVEL = 0.2  # of a rise: else another transition came between
_DRIFT = 0.02  # of the level, over a flow that is called steady
_KEEP_S = 150.0
# kinks of slow trends, in blocks of a second
_SIDE = 8
_STANDS_OUT = 5.5
_RIPE = 3
_PERSISTS = 0.5
_LEVEL_SIDE = 0.25
_CURVE = 1.15  # a settling curve has to fit so much worse than the kink
_STOOD_S = 3.0  # after a kink
_SINKS_OUT = 4.0  # times the noise that a fall has to come to
_ADJUSTING = frozenset(
    {"set_outlet", "lock_nut", "fill_outlet", "raise_inlet", "set_inlet", "screw_out"}
)
_ACTS: Mapping[str, frozenset[str]] = {
    "pressurised": frozenset({"raise_inlet", "set_inlet", "fill_outlet"}),
    "flow_on": frozenset({"open_bleed", "exercise", "set_outlet"}),
    "flow_off": frozenset({"close_bleed", "exercise"}),
    "isolated": frozenset({"isolate_inlet"}),
    "vented": frozenset({"vent_down", "open_to_air", "disconnect"}),
}


@dataclass(frozen=True, slots=True)
class Scale:
    """A channel's span and smallest step, Pa."""

    span_pa: float
    resolution_pa: float


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked of the hands, an act of ``records.run.ACTS``, and when."""

    act: str
    t_s: float


@dataclass(frozen=True, slots=True)
class Label:
    """One thing that the bench did.

    Attributes:
        kind: ``pressurised``: pressure was brought on (or back on); ``flow_on``,
            ``flow_off``: the downstream valve; ``steady``: the outlet stands while gas
            flows; ``hold``: it is shut in; ``reopened``: the regulator makes up what a
            shut outlet loses; ``isolated``: the inlet is cut off and sinks; ``vented``:
            no channel has pressure any more.
        t_s: half of the change; of ``vented`` the moment when the last channel came
            within 1 % of its span of zero; of ``reopened`` and ``isolated`` the kink;
            of ``steady`` and ``hold`` the start.
        window_s: onset and end; of ``steady`` and ``hold`` all of it.
        channels: roles of the channels that showed it.
        evidence: facts by name, SI: ``before`` and ``after`` (levels), ``slope``.
        asked_s: when marks asked for it; None where nothing did.
    """

    kind: LabelKind
    t_s: float
    window_s: tuple[float, float]
    channels: tuple[Role, ...]
    evidence: tuple[tuple[str, float], ...] = ()
    asked_s: float | None = None


@dataclass(frozen=True, slots=True)
class _Kink:
    """A trend that changed: level and slopes either side of ``t_s``."""

    t_s: float
    before: float
    after: float
    spread_s: float


@dataclass(frozen=True, slots=True)
class _Crossed:
    """A channel came down to zero, or left it."""

    t_s: float
    down: bool


@dataclass(frozen=True, slots=True)
class _Gap:
    last_s: float
    next_s: float


_Item = Event | _Kink | _Crossed | _Gap


@dataclass(order=True, frozen=True, slots=True)
class _Due:
    due_s: float
    role: Role
    number: int
    item: _Item = field(compare=False)


class _Channel:
    """One channel's bins and what was noticed in them."""

    def __init__(self, role: Role, scale: Scale) -> None:
        self.role = role
        self.near = max(_ZERO_OF_SPAN * abs(scale.span_pa), 4.0 * scale.resolution_pa)
        self.resolution = scale.resolution_pa
        self.detector = EventDetector(role, scale.span_pa, scale.resolution_pa)
        self.t: list[float] = []
        self.y: list[float] = []
        self.seen_to = -math.inf
        self.items: list[_Due] = []
        self._bins = Bins()
        self._gap = False  # before the next bin
        self._number = 0
        self._run = 0  # bins since the side of zero last changed
        self.down: bool | None = None
        self._trend_anew()

    def _trend_anew(self) -> None:
        self._block: list[float] = []
        self._blocks: list[float] = []
        self._ends: list[float] = []
        self._best: tuple[float, int] | None = None
        self._since_best = 0
        self._quiet_until = -math.inf

    def feed(self, t_s: ArrayLike, value: ArrayLike, flags: ArrayLike | None) -> None:
        for piece in self._bins.feed(t_s, value, flags):
            self._take(piece)

    def _take(self, piece: Piece) -> None:
        began_anew, times, values = piece
        if began_anew:
            self._trend_anew()
            self._run = 0
            self._gap = True
        if not times:
            self.detector.take(piece)
            return
        if self.t and times[0] - self.t[-1] > 10.0 * BIN_S and self._gap:
            self._add(times[0], _Gap(self.t[-1], times[0]))
        self._gap = False
        for event in self.detector.take(piece):
            self._add(event.told_s + _WAIT_S[self.role], event)
        for t, y in zip(times, values, strict=True):
            self.t.append(t)
            self.y.append(y)
            self._watch_zero(t, y)
            self._block.append(y)
            if len(self._block) == 10:
                self._blocks.append(sum(self._block) / 10.0)
                self._ends.append(t)
                self._block = []
                self._watch_trend(t)
        self.seen_to = times[-1]

    def _add(self, due_s: float, item: _Item) -> None:
        self._number += 1
        self.items.append(_Due(due_s, self.role, self._number, item))

    def _watch_zero(self, t: float, y: float) -> None:
        down = abs(y) < self.near if self.down is not True else abs(y) < 2.0 * self.near
        if down is self.down:
            self._run = 0
            return
        self._run += 1
        if self._run < _ZERO_BINS:
            return
        first = self.down is None
        self.down = down
        at = self.t[-_ZERO_BINS] if len(self.t) >= _ZERO_BINS else t
        self._run = 0
        wait = 0.0 if first else _WAIT_S[self.role]
        self._add(t + wait, _Crossed(at, down))

    def _watch_trend(self, t: float) -> None:
        blocks = self._blocks
        if len(blocks) < 2 * _SIDE:
            return
        b1, r1 = _slope(blocks[-2 * _SIDE : -_SIDE])
        b2, r2 = _slope(blocks[-_SIDE:])
        s = math.sqrt((r1 + r2) / (2.0 * _SIDE - 4.0))
        s = max(s, self.resolution / 12.0, 1e-12 * abs(blocks[-1]))
        stat = abs(b2 - b1) / (s * _SLOPE_OF_NOISE) if s > 0.0 else 0.0
        if stat > _STANDS_OUT and t > self._quiet_until:
            if self._best is None or stat > self._best[0]:
                self._best = (stat, len(blocks) - _SIDE)
                self._since_best = 0
        if self._best is not None:
            self._since_best += 1
            if self._since_best > _RIPE:
                at = self._ends[self._best[1] - 1]
                self._best = None
                self._quiet_until = t + _SIDE - _RIPE
                self._refine(at, t)
        if len(blocks) > 120:
            del blocks[:60], self._ends[:60]
            if self._best is not None:
                self._best = (self._best[0], self._best[1] - 60)

    def _refine(self, at: float, now: float) -> None:
        """Fit a level that turns into a slope, or a slope into a level."""
        # a step that was over before is no part of it
        start = at - 14.0
        for due in self.items[-12:]:
            event = due.item
            if isinstance(event, Event) and event.window_s[1] < at - 2.0:
                slow = event.kind == "fall" and _slow(event)
                start = max(start, event.window_s[0 if slow else 1] + 0.3)
        t, y = self.between(start, now)
        if t.size < 60:
            return
        found = _falls_after(t, y, at) if self.role == "inlet" else _sank_to(t, y)
        if found is not None:
            self._add(now, found)

    def between(self, start: float, stop: float) -> tuple[FloatArray, FloatArray]:
        """Return the bins from one time to another."""
        lo, hi = bisect_left(self.t, start), bisect_right(self.t, stop)
        return np.array(self.t[lo:hi]), np.array(self.y[lo:hi])

    def level(self, start: float, stop: float) -> float | None:
        """Return the median between two times, or None."""
        _, y = self.between(start, stop)
        return float(np.median(y)) if y.size else None

    def events_after(self, event: Event) -> list[Event]:
        """Return the transitions that were noticed after one."""
        found: list[Event] = []
        for due in reversed(self.items):
            if due.item is event:
                break
            if isinstance(due.item, Event):
                found.append(due.item)
        return found

    def forget(self, before: float) -> None:
        count = bisect_left(self.t, before)
        if count > 2000:
            del self.t[:count], self.y[:count]
            self.items = self.items[-64:]


_XS = tuple(i - 0.5 * (_SIDE - 1) for i in range(_SIDE))
_XX = sum(x * x for x in _XS)
_SLOPE_OF_NOISE = math.sqrt(2.0 / _XX)


def _slope(z: Sequence[float]) -> tuple[float, float]:
    """Return slope per second and sum of squares about the line of a few blocks."""
    mean = sum(z) / _SIDE
    b = sum(x * (v - mean) for x, v in zip(_XS, z, strict=True)) / _XX
    return b, sum((v - mean - b * x) ** 2 for x, v in zip(_XS, z, strict=True))


def _slow(event: Event) -> bool:
    return bool(event.fact("ramp")) or event.window_s[1] - event.window_s[0] > _SINK_S


def _falls_after(t: FloatArray, y: FloatArray, at: float) -> _Kink | None:
    """Return the kink near a time, where a level turns into a lasting fall."""
    nodes = np.arange(max(at - 6.0, t[0] + 2.0), min(at + 6.0, t[-1] - 3.0), 0.1)
    if nodes.size == 0:
        return None
    z = y - y.mean()
    x = np.maximum(t[None, :] - nodes[:, None], 0.0)
    x -= x.mean(axis=1, keepdims=True)
    slopes = (x @ z) / np.einsum("ij,ij->i", x, x)
    rss = np.sum((z[None, :] - slopes[:, None] * x) ** 2, axis=1)
    i = int(np.argmin(rss))
    slope, t0 = float(slopes[i]), float(nodes[i])
    if slope >= 0.0:
        return None
    # a step, as when a flow begins, is no lasting fall
    x = (t[None, :] > np.arange(t[0] + 1.0, t[-1] - 1.0, 0.1)[:, None]).astype(float)
    x -= x.mean(axis=1, keepdims=True)
    stepped = float(z @ z) - np.max((x @ z) ** 2 / np.einsum("ij,ij->i", x, x))
    if stepped < rss[i]:
        return None
    noise = math.sqrt(float(rss[i]) / max(t.size - 3, 1))
    if -slope * (float(t[-1]) - t0) < _SINKS_OUT * noise:
        return None
    late = t > 0.5 * (t0 + t[-1])
    if not _share(t[late], z[late], slope, noise, _PERSISTS, 1.6):
        return None
    level = t < t0
    if not _share(t[level], z[level], slope, noise, -_LEVEL_SIDE, _LEVEL_SIDE):
        return None
    return _Kink(t0, 0.0, slope, noise / abs(slope))


def _sank_to(t: FloatArray, y: FloatArray) -> _Kink | None:
    """Return when a fall at an even rate ended at a level, or None.

    Level, straight fall, level are fitted; the first level may lie before the data.
    """
    z = y - y.mean()
    nodes = np.arange(t[0], t[-1] - _STOOD_S, 0.25)
    lo, hi = np.meshgrid(nodes, nodes, indexing="ij")
    use = hi > lo
    if not use.any():
        return None
    a, b = lo[use], hi[use]
    x = np.clip(t[None, :], a[:, None], b[:, None])
    x -= x.mean(axis=1, keepdims=True)
    xx = np.einsum("ij,ij->i", x, x)
    slopes = (x @ z) / xx
    gained = np.where(slopes < 0.0, slopes**2 * xx, 0.0)
    i = int(np.argmax(gained))
    a0, b0, slope = float(a[i]), float(b[i]), float(slopes[i])
    rss = float(z @ z) - float(gained[i])
    noise = math.sqrt(max(rss, 0.0) / max(t.size - 4, 1))
    if b0 - a0 < _SINK_S or -slope * (b0 - a0) < _SINKS_OUT * noise:
        return None
    after = t > b0
    if not _share(t[after], z[after], slope, noise, -_LEVEL_SIDE, _LEVEL_SIDE):
        return None
    # a tail that settles is no valve that opened
    start = t >= a0
    u, v = t[start] - a0, z[start] - z[start].mean()
    x0 = np.minimum(u, b0 - a0)
    least = math.inf
    for shape in (x0, *(np.exp(-u / tau) for tau in np.geomspace(0.5, 40.0, 16))):
        c = shape - shape.mean()
        left = float(v @ v) - float(c @ v) ** 2 / float(c @ c)
        if shape is x0:
            least = left
        elif left < _CURVE * least:
            return None
    return _Kink(_finer(t, z, a0, b0), slope, 0.0, noise / abs(slope))


def _finer(t: FloatArray, z: FloatArray, a: float, b: float) -> float:
    """Return where the fall's straight line meets the level after it."""
    inside, after = (t > a) & (t < b), t > b
    if np.count_nonzero(inside) < 10:
        return b
    slope, level = np.polyfit(t[inside] - b, z[inside], 1)
    met = b + (float(np.mean(z[after])) - level) / slope if slope < 0.0 else b
    return float(met) if abs(met - b) < 1.0 else b


def _share(
    t: FloatArray, z: FloatArray, slope: float, noise: float, low: float, high: float
) -> bool:
    """Tell whether the slope of a side is such a share of another, noise allowed."""
    if t.size < 10:
        return False
    u = t - t.mean()
    uu = float(u @ u)
    slack = 4.0 * noise / math.sqrt(uu) / abs(slope)
    return low - slack <= float(u @ z) / uu / slope <= high + slack


class PhaseWatch:
    """Labels what the bench does while samples come in.

    Args:
        scales: of the channels that there are, by role: ``inlet``, ``outlet`` or both;
            pressures gauge.
        asked: what was asked of the hands and when, if there are marks.
    """

    def __init__(
        self, scales: Mapping[Role, Scale], asked: Sequence[Asked] = ()
    ) -> None:
        self._channels = {r: _Channel(r, scales[r]) for r in ROLES if r in scales}
        self._asked = sorted(asked, key=lambda a: a.t_s)
        self._asked_at = [a.t_s for a in self._asked]
        self._taken: dict[Role, int] = dict.fromkeys(self._channels, 0)
        self._queue: list[_Due] = []
        self._found: list[Label] = []
        self._down: dict[Role, bool | None] = dict.fromkeys(self._channels)
        self._down_at: dict[Role, float] = {}
        self._pressure = False  # was brought on, or was there from the start
        self._started = False
        self._flow: bool | None = None
        self._rest: float | None = None  # since when the outlet stands
        self._rest_by = ""
        self._isolated = False
        self._filling: Event | None = None
        self._chain_to = -math.inf
        self._rise = 0.0
        self._supply: list[Event] = []
        self._step: Event | None = None  # of the supply, while the outlet's are awaited
        self._pressing: tuple[Event, tuple[Role, ...]] | None = None

    @property
    def flowing(self) -> bool | None:
        """Whether gas flows through, as last settled; None where nothing tells."""
        return self._flow

    @property
    def vented(self) -> bool | None:
        """Whether every channel reads zero, as last settled; None before that."""
        known = list(self._down.values())
        return None if not known or None in known else all(known)

    def feed(
        self,
        role: Role,
        t_s: ArrayLike,
        value: ArrayLike,
        flags: ArrayLike | None = None,
    ) -> list[Label]:
        """Take further samples of a channel and return the labels that they settle.

        Args:
            role: of the channel.
            t_s: shape (n,), seconds.
            value: shape (n,), Pa gauge; NaN for nothing read.
            flags: shape (n,), see :class:`records.trace.Flag`; None for all good.

        Returns:
            Labels in the order in which they became known; none is taken back.
        """
        self._channels[role].feed(t_s, value, flags)
        settled = min(c.seen_to for c in self._channels.values())
        self._walk(settled)
        for channel in self._channels.values():
            channel.forget(settled - _KEEP_S)
        return self._told()

    def finish(self) -> list[Label]:
        """Return the labels that only the end of the traces settles."""
        self._walk(math.inf)
        self._settle(math.inf)
        ends = [c.seen_to for c in self._channels.values() if c.t]
        if ends:
            end = max(ends)
            outlet = self._channels.get("outlet")
            moving = None if outlet is None else outlet.detector.open_since
            self._end_rest(min(end, moving) if moving is not None else end)
        return self._told()

    def _told(self) -> list[Label]:
        found, self._found = self._found, []
        return found

    def _walk(self, settled: float) -> None:
        for role, channel in self._channels.items():
            for due in channel.items:
                if due.number > self._taken[role]:
                    self._queue.append(due)
                    self._taken[role] = due.number
        self._queue.sort()
        done = 0
        for due in self._queue:
            if due.due_s > settled:
                break
            self._see(due.role, due.due_s, due.item)
            done += 1
        del self._queue[:done]

    # --- the walk ---------------------------------------------------------------------

    def _see(self, role: Role, now: float, item: _Item) -> None:
        self._settle(now)
        match item:
            case _Crossed():
                self._crossed(role, item)
            case _Gap():
                self._end_rest(item.last_s)
                self._flow = None
                self._begin_rest(item.next_s, "gap")
            case _Kink():
                self._kinked(role, item)
            case Event() if role == "inlet":
                self._inlet_moved(item)
            case Event():
                self._outlet_moved(item, now)

    def _settle(self, now: float) -> None:
        """Judge what was only waiting for time to pass."""
        self._fill_from_elsewhere(now)
        self._pressed(now)
        self._supply_stepped(now)

    def _crossed(self, role: Role, item: _Crossed) -> None:
        first = self._down[role] is None
        self._down[role] = item.down
        if item.down:
            self._down_at[role] = item.t_s
        if first:
            # pressure that was there from the start
            if not item.down and not self._started:
                self._pressure = True
            if None not in self._down.values():
                self._started = True
                if self._pressure and not self._down.get("outlet", True):
                    channel = self._channels["outlet"]
                    self._begin_rest(channel.t[0] if channel.t else item.t_s, "start")
            return
        if not item.down:
            if role == "outlet" and self._rest is None:
                self._begin_rest(item.t_s, "filled")
            return
        if role == "outlet":
            self._end_rest(item.t_s)
            self._flow = None
        if self.vented and self._pressure:
            at = max(self._down_at.values())
            self._end_rest(at)
            roles = tuple(self._channels)
            self._tell("vented", at, (at, at), roles, ())
            self._pressure = False
            self._isolated = False
            self._flow = None
            self._filling = None

    def _kinked(self, role: Role, kink: _Kink) -> None:
        facts = (("slope", kink.before + kink.after), ("spread_s", kink.spread_s))
        window = (kink.t_s - kink.spread_s, kink.t_s + kink.spread_s)
        if role == "inlet":
            if kink.after < 0.0 and not self._isolated and not self._down[role]:
                # an outlet that flows sinks the inlet no further than at once
                self._isolated = True
                self._tell("isolated", kink.t_s, window, (role,), facts)
                if self._rest is not None and self._rest < kink.t_s:
                    self._end_rest(kink.t_s)
                    self._begin_rest(kink.t_s, "isolated")
        elif kink.before < 0.0 and not self._flow and self._rest is not None:
            if kink.t_s > self._rest:
                self._end_rest(kink.t_s)
                self._tell("reopened", kink.t_s, window, (role,), facts)

    def _inlet_moved(self, event: Event) -> None:
        if not self._stands("inlet", event):
            return
        channel = self._channels["inlet"]
        self._supply = [*self._supply[-7:], event]
        if event.kind == "rise" and abs(event.before) < 2.0 * channel.near:
            if event.after < 2.0 * channel.near:
                return
            if not self._pressure:
                self._press(event, ("inlet",))
            elif self._filling is not None:
                self._press(event, ("inlet", "outlet"))
            self._filling = None
            self._isolated = False
            return
        share = abs(event.change) / max(abs(event.before), channel.near)
        if event.kind == "rise" and self._isolated and share > 0.01:
            sunk = channel.level(event.window_s[0] - 1.5, event.window_s[0] - 0.2)
            later = channel.level(event.told_s + 0.5, event.told_s + _WAIT_S["inlet"])
            if sunk is None or later is None or later - sunk < 0.5 * event.change:
                return  # it sinks on
            self._isolated = False
            self._end_rest(event.window_s[0])
            self._press(event, ("inlet",))
            self._begin_rest(event.window_s[1], "inlet")
        elif share >= _SUPPLY_STEP and not event.fact("ramp"):
            self._step = event

    def _press(self, event: Event, roles: tuple[Role, ...]) -> None:
        """Take that pressure comes on; it is labelled once it stands."""
        self._pressure = True
        self._pressing = (event, roles)

    def _pressed(self, now: float) -> None:
        if self._pressing is None:
            return
        event, roles = self._pressing
        if now < event.told_s + _PRESSED_S:
            return
        self._pressing = None
        channel = self._channels["inlet" if "inlet" in roles else "outlet"]
        stop = event.told_s + _PRESSED_S
        t, y = channel.between(event.window_s[0] - 0.5, stop)
        late = channel.level(stop - 1.0, stop)
        if late is not None and (late - event.before) * event.change > 0.0:
            part = (y - event.before) / (late - event.before)
            half, stands = int(np.argmax(part >= 0.5)), int(np.argmax(part >= 0.95))
            if half > 0 and stands > 0:
                event = replace(
                    event,
                    t_s=float(t[half]),
                    window_s=(event.window_s[0], float(t[stands])),
                    after=late,
                )
        self._tell("pressurised", event.t_s, event.window_s, roles, _levels(event))
        if self._rest is not None and self._rest < event.window_s[1]:
            # an outlet that stands while its inlet is still filled is no hold
            self._rest = event.window_s[1]

    def _supply_stepped(self, now: float) -> None:
        """A step of the supply ends what stands, if no outlet's came before it."""
        event = self._step
        if event is None or now <= event.told_s + _WAIT_S["outlet"]:
            return
        self._step = None
        if self._rest is not None and self._rest < event.window_s[0]:
            self._end_rest(event.window_s[0])
            if self._down.get("outlet") is False:
                self._begin_rest(event.window_s[1], "inlet")

    def _fill_from_elsewhere(self, now: float) -> None:
        """The outlet filled and no inlet came: then it was filled from elsewhere."""
        if self._filling is None or now < self._filling.t_s + _SUPPLY_WAIT_S:
            return
        event = self._filling
        self._filling = None
        self._press(event, ("outlet",))

    def _outlet_moved(self, event: Event, now: float) -> None:
        channel = self._channels["outlet"]
        from_zero = abs(event.before) < 2.0 * channel.near
        if from_zero and abs(event.after) < 2.0 * channel.near:
            return
        if event.kind == "rise" and from_zero:
            self._filled(event)
            return
        if event.kind == "rise" and event.window_s[0] < self._chain_to + _CHAIN_S:
            self._chain_to = event.window_s[1]
            self._begin_rest(event.window_s[1], "filled")
            return
        if not self._stands("outlet", event):
            return
        if self._by_supply(event):
            self._end_rest(event.window_s[0])
            self._begin_rest(event.window_s[1], "inlet")
            return
        if event.kind == "fall":
            self._fell(event, now)
        else:
            self._rose(event)

    def _stands(self, role: Role, event: Event) -> bool:
        """Tell whether a transition is more than a few odd readings in a row."""
        channel = self._channels[role]
        onset = event.window_s[0]
        since = onset - 3.0
        if role == "outlet" and self._rest is not None:
            since = max(since, self._rest)
        earlier = channel.level(since, onset - 0.2)
        if earlier is None:
            return True
        least = 0.4 * abs(event.change)
        known = stop = event.told_s + _WAIT_S[role]
        for other in channel.events_after(event):
            if other.told_s > known:
                continue
            # a next transition ends what stands after this one
            stop = min(stop, other.window_s[0])
            soon = other.window_s[0] < event.window_s[1] + _BLIP_S
            if soon and abs(other.after - earlier) < least:
                return False
        later = channel.level(event.window_s[1], stop)
        after = event.after if later is None else later
        return abs(after - earlier) >= least

    def _filled(self, event: Event) -> None:
        self._flow = None
        self._rise = event.change
        self._chain_to = event.window_s[1]
        self._begin_rest(event.window_s[1], "filled")
        if self._pressure:
            return
        self._pressure = True
        if "inlet" in self._channels:
            self._filling = event
        else:
            self._press(event, ("outlet",))

    def _fell(self, event: Event, now: float) -> None:
        channel = self._channels["outlet"]
        _, later = channel.between(
            event.window_s[0], min(now, event.told_s + _WAIT_S["outlet"])
        )
        lowest = float(np.min(later)) if later.size else event.after
        if lowest < max(2.0 * channel.near, _EMPTYING * event.before):
            self._end_rest(event.window_s[0])
            self._flow = None
            return
        if self._asked_last(event.t_s) in _FILLING or (
            event.window_s[0] < self._chain_to + _CHAIN_S
            and -event.change < _LEAST_FALL * self._rise
        ):
            # what was filled too far settles
            self._chain_to = event.window_s[1]
            self._begin_rest(event.window_s[1], "filled")
            return
        if _slow(event) or self._part_of_sinking(event, now):
            # it sinks: what is shut in leaks
            self._sank(event, now)
            return
        if -event.change < _LEAST_FALL * self._rise and self._flow is False:
            return
        if self._flow:
            self._rest = max(self._rest or event.window_s[1], event.window_s[1])
            return
        self._end_rest(event.window_s[0])
        self._tell("flow_on", event.t_s, event.window_s, ("outlet",), _levels(event))
        self._flow = True
        self._begin_rest(event.window_s[1], "flow_on")

    def _sank(self, event: Event, now: float) -> None:
        """See whether a fall too slow for a valve ended at once: then it reopened."""
        if event.fact("ramp") or self._flow or self._rest is None:
            return
        t, y = self._channels["outlet"].between(event.window_s[0] - 3.0, now)
        kink = _sank_to(t, y) if t.size >= 60 else None
        if kink is not None:
            self._kinked("outlet", kink)

    def _part_of_sinking(self, event: Event, now: float) -> bool:
        """Tell whether a short fall is a piece of a longer even one, cut by noise."""
        if self._flow or self._rest is None:
            return False
        start = max(self._rest, event.window_s[0] - 8.0)
        t, y = self._channels["outlet"].between(start, now)
        return t.size >= 60 and _sank_to(t, y) is not None

    def _rose(self, event: Event) -> None:
        if self._asked_last(event.t_s) in _ADJUSTING:
            self._begin_rest(event.window_s[1], self._rest_by)
            return
        if self._flow is False or (event.fact("ramp") and self._flow is None):
            return
        self._flow = True
        quiet_from = event.window_s[0] - 3.5
        if self._rest is not None:
            quiet_from = max(quiet_from, self._rest)
        self._end_rest(event.window_s[0])
        event = self._sharpened(event, quiet_from)
        self._tell("flow_off", event.t_s, event.window_s, ("outlet",), _levels(event))
        self._flow = False
        self._rise = event.change
        self._begin_rest(event.t_s, "flow_off")

    def _sharpened(self, event: Event, quiet_from: float) -> Event:
        """Return a shut-off with levels from longer stretches and its half anew."""
        channel = self._channels["outlet"]
        before, after, t50 = event.before, event.after, event.t_s
        near = _SAME_LEVEL * event.change
        quiet = channel.level(quiet_from, event.window_s[0] - 0.3)
        if quiet is not None and abs(quiet - before) < near:
            before = quiet
        for _ in range(2):
            stop = min(t50 + 4.0, event.told_s + _WAIT_S["outlet"])
            later = channel.level(t50 + 2.0, stop)
            if later is not None and abs(later - event.after) < near:
                after = later
            t, y = channel.between(event.window_s[0] - 0.5, event.window_s[1] + 0.5)
            part = (y - before) / (after - before) if after != before else y * 0.0
            over = np.flatnonzero(part >= 0.5)
            if over.size == 0 or over[0] == 0:
                break
            i = int(over[0])
            lo, hi = i - 1, i
            while lo > 0 and part[lo] > 0.3:
                lo -= 1
            while hi < t.size - 1 and part[hi] < 0.7:
                hi += 1
            slope, level = np.polyfit(t[lo : hi + 1] - t[i], part[lo : hi + 1], 1)
            if slope <= 0.0:
                break
            t50 = float(t[i] + (0.5 - level) / slope)
        return replace(event, t_s=t50, before=before, after=after)

    def _by_supply(self, event: Event) -> bool:
        """Tell whether the inlet, changed at the same time, took the outlet with it."""
        if "inlet" not in self._channels:
            return False
        share = abs(event.change) / max(abs(event.before), abs(event.after))
        for other in self._supply:
            level = max(abs(other.before), abs(other.after))
            if (
                other.window_s[0] - 1.0 < event.t_s < other.window_s[1] + 1.0
                and abs(other.change) > max(_SUPPLY_STEP, 2.0 * share) * level
            ):
                return True
        return False

    def _asked_last(self, t_s: float) -> str:
        last = bisect_right(self._asked_at, t_s) - 1
        return self._asked[last].act if last >= 0 else ""

    # --- what stands ------------------------------------------------------------------

    def _begin_rest(self, t_s: float, by: str) -> None:
        self._rest = t_s
        self._rest_by = by

    def _end_rest(self, t_s: float) -> None:
        start, self._rest = self._rest, None
        if start is None:
            return
        if self._step is not None and start < self._step.window_s[0]:
            t_s = min(t_s, self._step.window_s[0])
        long = t_s - start
        outlet = self._channels.get("outlet")
        if outlet is None:
            return
        if self._flow:
            if long >= SHORTEST_STEADY_S and self._stood(outlet, start, t_s):
                self._tell("steady", start, (start, t_s), ("outlet",), ())
        elif long >= SHORTEST_HOLD_S:
            level = outlet.level(t_s - 5.0, t_s - 1.0)
            facts = () if level is None else (("after", level),)
            isolated = (("isolated", 1.0),) if self._rest_by == "isolated" else ()
            self._tell("hold", start, (start, t_s), ("outlet",), facts + isolated)

    def _stood(self, outlet: _Channel, start: float, stop: float) -> bool:
        late = outlet.level(stop - 2.0, stop - 0.2)
        early = outlet.level(max(start + 1.0, stop - 20.0), stop - 5.0)
        if late is None or early is None:
            return False
        return abs(late - early) <= _DRIFT * abs(late)

    def _tell(
        self,
        kind: LabelKind,
        t_s: float,
        window_s: tuple[float, float],
        channels: tuple[Role, ...],
        evidence: tuple[tuple[str, float], ...],
    ) -> None:
        self._found.append(self._label(kind, t_s, window_s, channels, evidence))

    def _label(
        self,
        kind: LabelKind,
        t_s: float,
        window_s: tuple[float, float],
        channels: tuple[Role, ...],
        evidence: tuple[tuple[str, float], ...],
    ) -> Label:
        return Label(kind, t_s, window_s, channels, evidence, self._hint(kind, t_s))

    def _hint(self, kind: LabelKind, t_s: float) -> float | None:
        last = bisect_right(self._asked_at, t_s + 1.0) - 1
        if last < 0 or self._asked[last].act not in _ACTS.get(kind, ()):
            return None
        return self._asked[last].t_s


def _levels(event: Event) -> tuple[tuple[str, float], ...]:
    return (("before", event.before), ("after", event.after))


def in_order(labels: Sequence[Label]) -> list[Label]:
    """Return labels by the time at which they happened."""
    return sorted(labels, key=lambda x: (x.t_s, x.kind in ("steady", "hold"), x.kind))


def find_phases(
    traces: Mapping[Role, Trace],
    scales: Mapping[Role, Scale],
    asked: Sequence[Asked] = (),
) -> list[Label]:
    """Return what the bench did, in order of time.

    Args:
        traces: of ``inlet``, ``outlet`` or both, gauge, of one part of a run.
        scales: span and smallest step of the same channels.
        asked: what was asked of the hands and when, if there are marks.
    """
    with_samples: dict[Role, Trace] = {
        r: t for r, t in traces.items() if np.isfinite(t.value).any()
    }
    watch = PhaseWatch({r: scales[r] for r in with_samples}, asked)
    labels: list[Label] = []
    for role, trace in with_samples.items():
        labels += watch.feed(role, trace.t_s, trace.value, trace.flags)
    return in_order(labels + watch.finish())
