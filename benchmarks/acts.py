"""What hands did to the simulated gas, and when the engine's eyes saw it.

An act is one movement of one valve that moves a pressure by six times the noise of a
reading, by the gas itself. It is recognised when the detector that the engine looks
through says that this pressure moves that way, at the moment at which the engine is
told: what a step makes of it, and whether it waits for the pressure to stand, comes on
top and is counted elsewhere.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from proofstand.procedure.engine import TICK_S
from proofstand.procedure.view import Watched
from proofstand.session import Marked, Sampled, SessionEvent, Started
from records.rig import Channel
from records.run import Mark, MarkKind
from records.trace import FloatArray
from rig.simulator.devices import SimulatedRig
from rig.simulator.rigbody import VALVE_NAMES

SIGMAS = 6.0
ROLES = ("outlet", "inlet")
_STILL_S = 0.35  # a valve that rests so long has come to the end of a movement
_WITHIN_S = 1.0  # after a movement: what comes later is the gas that warms or cools
_LATEST_S = 3.0  # after six sigma: later than that it was missed
_QUIET_SIGMAS = 3.0  # who sees a transition where less moved was wrong
_LOOK_BACK_S = 2.0
_BLOCK_S = 0.05


@dataclass(slots=True)
class Sighting:
    """The detector says that a pressure moves.

    Attributes:
        role: of the channel. direction: 1 up, -1 down. since_s: of the first reading
            that stands out. told_s: when the engine was told. until_s: when it was
            over.
    """

    role: str
    direction: int
    since_s: float
    told_s: float
    until_s: float = float("inf")


@dataclass(frozen=True, slots=True)
class Act:
    """One movement of a valve that moved a pressure.

    Attributes:
        valve: which. asked: the act that was asked for then, or "".
        step: that was on. t_s: when it began. moved_s: when a pressure had moved by
            six sigma. role: of that pressure. delay_s: until it was recognised, less
            than zero where it was before that; None: missed.
    """

    valve: str
    asked: str
    step: str
    t_s: float
    moved_s: float
    role: str
    delay_s: float | None


@dataclass(slots=True)
class Watching:
    """Follows a simulated test, block by block: truth, valves, and what is seen."""

    sightings: list[Sighting] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    t_s: list[float] = field(default_factory=list)
    true: dict[str, list[float]] = field(default_factory=dict)
    valves: dict[str, list[float]] = field(default_factory=dict)
    asked: list[tuple[str, str]] = field(default_factory=list)
    noise: dict[str, float] = field(default_factory=dict)
    _rig: SimulatedRig | None = None
    _watched: dict[str, Watched] = field(default_factory=dict)
    _seen: dict[str, int] = field(default_factory=dict)
    _open: dict[str, Sighting | None] = field(default_factory=dict)
    _next_tick: float = 0.0
    _now: tuple[str, str] = ("", "")

    def show(self, rig: SimulatedRig) -> None:
        """Take the rig to look at."""
        self._rig = rig
        self.true = {role: [] for role in ROLES}
        self.valves = {name: [] for name in VALVE_NAMES}
        self.noise = {
            w.make.role: w.make.noise for w in rig.wired if w.make.role in ROLES
        }

    def tell(self, event: SessionEvent) -> None:
        """Take what a session tells."""
        if isinstance(event, Started):
            roles: dict[str, Channel] = {}
            for channel in event.header.rig.channels:
                roles.setdefault(channel.role, channel)
            self._watched = {role: Watched(roles[role]) for role in ROLES}
            self._seen = dict.fromkeys(ROLES, 0)
            self._open = dict.fromkeys(ROLES)
        elif isinstance(event, Sampled):
            self._note()
            for watched in self._watched.values():
                watched.add(event.traces[watched.channel.id])
            self._tick()
        elif isinstance(event, Marked):
            self._mark(event.mark)

    def _mark(self, mark: Mark) -> None:
        self.marks.append(mark)
        if mark.kind is MarkKind.ASKED:
            self._now = (mark.data["act"], mark.step)
        elif mark.kind in (MarkKind.HOLD_BEGIN, MarkKind.STEP_BEGIN):
            self._now = ("", mark.step)

    def _note(self) -> None:
        assert self._rig is not None
        plant = self._rig.plant
        self.t_s.append(self._rig.t_s)
        self.true["outlet"].append(plant.outlet_gauge)
        self.true["inlet"].append(plant.inlet_gauge)
        for name, positions in self.valves.items():
            positions.append(getattr(plant.valves, name))
        self.asked.append(self._now)

    def _tick(self) -> None:
        """Look at the moments at which the engine does, as it does."""
        newest = [w.t_s[-1] for w in self._watched.values() if w.t_s]
        until = min(newest) if len(newest) == len(ROLES) else -1.0
        while self._next_tick <= until:
            for role, watched in self._watched.items():
                watched.look(self._next_tick)
                watched.forget(self._next_tick - 10.0)
                self._look(role, watched)
            self._next_tick += TICK_S

    def _look(self, role: str, watched: Watched) -> None:
        now, detector, standing = self.t_s[-1], watched.detector, self._open[role]
        for event in watched.events[self._seen[role] :]:
            way = 1 if event.kind == "rise" else -1
            if standing is not None and standing.direction == way:
                standing.until_s, standing = now, None
            else:
                onset = event.window_s[0]
                self.sightings.append(Sighting(role, way, onset, now, now))
        self._seen[role] = len(watched.events)
        since = detector.open_since
        if standing is not None and (
            since is None or since > standing.since_s + _BLOCK_S
        ):
            standing.until_s, standing = now, None
        if since is not None and standing is None:
            standing = Sighting(role, detector.direction, since, now)
            self.sightings.append(standing)
        self._open[role] = standing

    # --- what came of it --------------------------------------------------------------

    def hours(self) -> float:
        """Return how long the rig was watched."""
        return (self.t_s[-1] - self.t_s[0]) / 3600.0

    def acts(self) -> list[Act]:
        """Return every movement that moved a pressure, and when it was recognised."""
        t = np.array(self.t_s)
        true = {role: np.array(values) for role, values in self.true.items()}
        found: dict[tuple[str, float], Act] = {}
        for valve, values in self.valves.items():
            for first, last in _movements(t, np.array(values)):
                moved = {
                    role: at
                    for role in ROLES
                    if (at := self._moved(t, true[role], role, first, last)) is not None
                }
                if not moved:
                    continue
                act = self._act(t, valve, first, moved)
                same = found.get((act.role, act.moved_s))
                # of movements at once, the latest is the one that did it
                if same is None or same.t_s < act.t_s:
                    found[act.role, act.moved_s] = act
        return sorted(found.values(), key=lambda act: act.t_s)

    def _moved(
        self, t: FloatArray, y: FloatArray, role: str, first: int, last: int
    ) -> tuple[float, int] | None:
        """Return when a pressure had left its level and its trend, and which way."""
        back = max(first - 10, 0)
        slope = (y[first] - y[back]) / (t[first] - t[back]) if first > back else 0.0
        stop = bisect_left(t, t[last] + _WITHIN_S)
        span = slice(first, stop)
        off = y[span] - y[first]
        bent = off - slope * (t[span] - t[first])
        most = SIGMAS * self.noise[role]
        left = np.flatnonzero(
            (np.abs(off) > most) & (np.abs(bent) > most) & (off * bent > 0.0)
        )
        if not left.size:
            return None
        i = int(left[0])
        return float(t[first + i]), 1 if off[i] > 0.0 else -1

    def _act(
        self,
        t: FloatArray,
        valve: str,
        first: int,
        moved: Mapping[str, tuple[float, int]],
    ) -> Act:
        role = min(moved, key=lambda r: moved[r][0])
        at = moved[role][0]
        begun = float(t[first])
        seen = [
            sighting.told_s
            for sighting in self.sightings
            if sighting.role in moved
            and sighting.direction == moved[sighting.role][1]
            and sighting.until_s >= begun
            and sighting.told_s <= moved[sighting.role][0] + _LATEST_S
        ]
        asked, step = self.asked[first]
        delay = max(min(seen), begun) - at if seen else None
        return Act(valve, asked, step, begun, at, role, delay)

    def false(self) -> list[Sighting]:
        """Return what was seen where nothing moved."""
        t = np.array(self.t_s)
        true = {role: np.array(values) for role, values in self.true.items()}
        wrong = []
        for sighting in self.sightings:
            lo = bisect_left(t, sighting.since_s - _LOOK_BACK_S)
            hi = bisect_left(t, sighting.told_s) + 1
            y = true[sighting.role][lo:hi]
            if np.ptp(y) < _QUIET_SIGMAS * self.noise[sighting.role]:
                wrong.append(sighting)
        return wrong


def _movements(t: FloatArray, position: FloatArray) -> Iterator[tuple[int, int]]:
    """Return first and last sample of each movement of one valve."""
    least = 1e-7 * max(float(np.max(np.abs(position))), 1e-12)
    moving = np.flatnonzero(np.abs(np.diff(position)) > least)
    if not moving.size:
        return
    breaks = np.flatnonzero(np.diff(t[moving]) > _STILL_S)
    starts = [int(moving[0]), *(int(moving[i + 1]) for i in breaks)]
    ends = [*(int(moving[i]) + 1 for i in breaks), int(moving[-1]) + 1]
    yield from zip(starts, ends, strict=True)
