"""What the procedure sees: the recent past of each channel, and where things stand."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np

from analysis.events import Event, EventDetector
from analysis.steady import Steadiness, steadiness
from records.rig import Channel, Rig
from records.trace import FloatArray, Trace

KEEP_S = 120.0


@dataclass(slots=True)
class Watched:
    """Recent samples of one channel, and the events seen in them."""

    channel: Channel
    detector: EventDetector = field(init=False)
    t_s: list[float] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    flags: list[int] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    fed: int = 0  # samples that the detector has had

    def __post_init__(self) -> None:
        """Begin with nothing seen."""
        self.begin_again()

    def begin_again(self) -> None:
        """Forget all: time starts anew."""
        low, high = (q.value_si for q in self.channel.span)
        resolution = self.channel.resolution.value_si
        self.detector = EventDetector(
            self.channel.id, high - low, resolution, keen=True
        )
        self.t_s, self.value, self.flags, self.events = [], [], [], []
        self.fed = 0

    def add(self, trace: Trace) -> None:
        """Take new samples, in time order."""
        self.t_s.extend(trace.t_s.tolist())
        self.value.extend(trace.value.tolist())
        self.flags.extend(trace.flags.tolist())

    def look(self, now_s: float) -> None:
        """Let the detector see the samples up to now."""
        stop = bisect_right(self.t_s, now_s)
        if stop > self.fed:
            cut = slice(self.fed, stop)
            self.events += self.detector.feed(
                np.array(self.t_s[cut]),
                np.array(self.value[cut]),
                np.array(self.flags[cut], dtype=np.uint8),
            )
            self.fed = stop

    def forget(self, before_s: float) -> None:
        """Drop samples that no stage looks at any more."""
        start = min(bisect_left(self.t_s, before_s), self.fed)
        if start > 4096:
            del self.t_s[:start], self.value[:start], self.flags[:start]
            self.fed -= start


class View:
    """The trace as the procedure may see it at one moment.

    Attributes:
        now_s: the moment, sample time. since_s: when the stage began.
        locked: the downstream valve is shut and the regulator locked up.
        hold_from_s: from when the hold that is on counts.
        volumes: trapped volume by role, m3, where the rig declares them.
        rig: the rig. tick_s: time since the moment before, seconds.
        limits: the lowest of what a pressure may rise to by role, Pa gauge.
        under_pressure: ids of all channels of the station that show pressure.
    """

    def __init__(
        self,
        watched: Mapping[str, Watched],
        now_s: float,
        since_s: float,
        *,
        locked: bool = False,
        hold_from_s: float | None = None,
        volumes: Mapping[str, float] | None = None,
        rig: Rig | None = None,
        tick_s: float = 0.0,
        limits: Mapping[str, float] | None = None,
        under_pressure: Collection[str] = (),
    ) -> None:
        self._watched = watched
        self.now_s = now_s
        self.since_s = since_s
        self.locked = locked
        self.hold_from_s = since_s if hold_from_s is None else hold_from_s
        self.volumes = volumes or {}
        self.rig = rig
        self.tick_s = tick_s
        self.limits = limits or {}
        self.under_pressure = under_pressure

    def has(self, role: str) -> bool:
        """Tell whether the rig has a channel of this role."""
        return role in self._watched

    def channel(self, role: str) -> Channel:
        """Return the channel of a role."""
        return self._watched[role].channel

    def last(self, role: str, seconds: float) -> tuple[FloatArray, FloatArray]:
        """Return times and values of the good samples of the last seconds."""
        w = self._watched[role]
        lo = bisect_right(w.t_s, self.now_s - seconds)
        hi = bisect_right(w.t_s, self.now_s)
        t = np.array(w.t_s[lo:hi])
        y = np.array(w.value[lo:hi])
        good = (np.array(w.flags[lo:hi], dtype=np.uint8) == 0) & np.isfinite(y)
        return t[good], y[good]

    def mean(self, role: str, seconds: float) -> float | None:
        """Return the mean of the last seconds, or None without enough good samples."""
        t, y = self.last(role, seconds)
        if t.size < 3 or self.now_s - t[0] < 0.6 * seconds:
            return None
        return float(np.mean(y))

    def at(self, role: str, t_s: float) -> float | None:
        """Return the mean of the good samples in the second from a time on."""
        w = self._watched[role]
        cut = slice(bisect_left(w.t_s, t_s), bisect_right(w.t_s, t_s + 1.0))
        y = [
            v
            for v, f in zip(w.value[cut], w.flags[cut], strict=True)
            if f == 0 and v == v
        ]
        return sum(y) / len(y) if y else None

    def trace(self, role: str, since_s: float) -> Trace:
        """Return the good samples from a time on."""
        t, y = self.last(role, self.now_s - since_s)
        return Trace(self.channel(role).id, t, y, np.zeros(t.size, dtype=np.uint8))

    def recorded(self, role: str, since_s: float, until_s: float) -> Trace:
        """Return all samples between two times, with their flags."""
        w = self._watched[role]
        cut = slice(bisect_left(w.t_s, since_s), bisect_right(w.t_s, until_s))
        return Trace(
            w.channel.id,
            np.array(w.t_s[cut]),
            np.array(w.value[cut]),
            np.array(w.flags[cut], dtype=np.uint8),
        )

    def steadiness(self, role: str, seconds: float, drift: float) -> Steadiness | None:
        """Return the steadiness over the last seconds, or None without enough samples.

        Args:
            role: channel.
            seconds: length of the window.
            drift: largest drift over the window that counts as steady, Pa.
        """
        t, y = self.last(role, seconds)
        if t.size < 8 or t[-1] - t[0] < 0.8 * seconds:
            return None
        if float(np.max(np.diff(t))) > 0.5 * seconds:
            return None
        return steadiness(t, y, drift)

    def events(self, role: str, since_s: float | None = None) -> list[Event]:
        """Return the events of a channel that happened since a time."""
        start = self.since_s if since_s is None else since_s
        return [e for e in self._watched[role].events if e.t_s >= start]

    def just_moved(self, role: str, seconds: float) -> bool:
        """Tell whether a change of level began in the last seconds and goes on."""
        since = self._watched[role].detector.open_since
        return since is not None and self.now_s - since < seconds

    def threshold(self, role: str) -> float:
        """Return the change over one second that stands out now, SI."""
        return self._watched[role].detector.threshold

    def moving(self, role: str) -> bool:
        """Tell whether a change of level is under way."""
        return self._watched[role].detector.moving
