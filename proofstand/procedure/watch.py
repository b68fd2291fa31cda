"""The watch over people: every pressure channel of the station, sample by sample.

Whatever a step looks at, each reading is held against the lowest rating of its channel,
flagged or not, and a channel that gives no good reading is told. Which alarms stand and
which were heard is a fold of the marks, here for engine, window and terminal alike.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field, replace
from math import inf

from records.measure import STANDARD_PRESSURE_PA, Kind, Reference
from records.plan import Plan, Step
from records.rig import Channel, Rig
from records.run import Mark, MarkKind
from records.trace import Flag, Trace

from .seeing import MOST_ZERO_PA, all_of, vented
from .stages import See, Seen
from .view import View

# A pressure channel without a good sample for so long is an alarm; of an instrument
# that reads more slowly, after it was due so often.
SILENT_S = 1.0
_DUE = 3.0
# An over-pressure is over once the channel read below its limit for so long.
FELL_S = 1.0
_KEEP_S = 2.0

OVER_PRESSURE = "over_pressure"
SILENT = "channel_silent"
OPENED = "opened_under_pressure"
ALARMS = (OVER_PRESSURE, SILENT, OPENED)
# Keys of the notes that end an alarm, or say that a person has heard it.
ALARM_OVER = "alarm_over"
HEARD = "heard"
# Why a channel gives no good reading, by the flag that most of its last samples have.
_WHY = {
    Flag.MISSING: "missing",
    Flag.LATE: "late",
    Flag.SATURATED: "beyond_range",
    Flag.DEVICE: "device",
}


# --- which alarms stand ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something that could hurt people: what it is, where, and what was read there."""

    what: str
    channel: str
    facts: tuple[tuple[str, str], ...] = field(default=(), compare=False)

    def fact(self, name: str) -> str:
        """Return a fact of the mark that told it, or ""."""
        return dict(self.facts).get(name, "")


@dataclass(frozen=True, slots=True)
class Alarms:
    """The alarms that stand, in the order in which they came, and those heard."""

    standing: tuple[Alarm, ...] = ()
    heard: frozenset[Alarm] = frozenset()

    def after(self, mark: Mark) -> Alarms:
        """Return what stands after a further mark."""
        told = mark.data
        if mark.kind is MarkKind.TROUBLE and told.get("trouble") in ALARMS:
            alarm = Alarm(told["trouble"], told["channel"], tuple(told.items()))
            rest = self._without(alarm)  # what comes once more sounds once more
            return replace(rest, standing=(*rest.standing, alarm))
        if mark.kind is MarkKind.NOTE and "back" in told:
            return self._without(Alarm(SILENT, told["back"]))
        if mark.kind is MarkKind.NOTE and ALARM_OVER in told:
            return self._without(Alarm(told[ALARM_OVER], told.get("channel", "")))
        if mark.kind is MarkKind.NOTE and HEARD in told:
            alarm = Alarm(told[HEARD], told.get("channel", ""))
            if alarm in self.standing:
                return replace(self, heard=self.heard | {alarm})
        return self

    @property
    def sounding(self) -> tuple[Alarm, ...]:
        """Those that nobody has said to have heard."""
        return tuple(a for a in self.standing if a not in self.heard)

    def channels(self, what: str) -> frozenset[str]:
        """Return the channels of one kind of alarm."""
        return frozenset(a.channel for a in self.standing if a.what == what)

    def _without(self, alarm: Alarm) -> Alarms:
        rest = tuple(a for a in self.standing if a != alarm)
        return Alarms(rest, self.heard - {alarm})


NO_ALARMS = Alarms()


# --- the channels ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Over:
    """A reading above what its channel may rise to, in the channel's own reference.

    Attributes:
        end_of_range: it stands at the end of what the transducer reads, so the pressure
            may be any amount higher.
    """

    channel: str
    t_s: float
    value: float
    limit: float
    end_of_range: bool


def watched_channels(rig: Rig) -> tuple[Channel, ...]:
    """Return the channels that stand for pressure in something: all but barometers."""
    return tuple(
        c
        for c in rig.channels
        if c.measure_unit.kind is Kind.PRESSURE
        and c.role != "ambient"
        and c.reference is not Reference.DIFFERENCE
    )


def _air(channel: Channel) -> float:
    """Return what a channel reads open to air, about."""
    absolute = channel.reference is Reference.ABSOLUTE
    return STANDARD_PRESSURE_PA if absolute else 0.0


def _near(channel: Channel) -> float:
    """Return how near to its reading in air counts as no pressure, Pa."""
    low, high = (q.value_si for q in channel.span)
    near = min(0.01 * (high - low), MOST_ZERO_PA)
    if not channel.zero_at_vent:
        near = 0.05 * STANDARD_PRESSURE_PA  # the weather is in its reading too
    if channel.calibration is not None:
        near = max(near, 4.0 * channel.calibration.u_offset())
    return near


def lowest_rating(channel: Channel, plan: Plan, rig: Rig) -> float | None:
    """Return what a channel may rise to, in its own reference, Pa, or None.

    The lowest of the plan's highest pressure for its role, the relief setting of its
    side and the transducer's own overload.
    """
    found = [
        q.value_si + _air(channel)
        for q in (plan.max_pressures.get(channel.role), rig.relief(channel.role))
        if q is not None
    ]
    if channel.overload is not None:
        found.append(channel.overload.value_si)
    return min(found, default=None)


@dataclass(slots=True)
class _Guarded:
    """One channel: what came and was not looked at yet, and its last readings."""

    channel: Channel
    limit: float | None
    silent_after_s: float
    t_s: list[float] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    flags: list[int] = field(default_factory=list)
    looked: int = 0
    good_s: float = 0.0

    def add(self, trace: Trace) -> None:
        self.t_s.extend(trace.t_s.tolist())
        self.value.extend(trace.value.tolist())
        self.flags.extend(trace.flags.tolist())

    def look(self, now_s: float, stated: float) -> Over | None:
        """Look at all that came since the last look, however late it came."""
        limit = min(stated, inf if self.limit is None else self.limit)
        middle = sum(q.value_si for q in self.channel.span) / 2.0
        found: Over | None = None
        while self.looked < len(self.t_s) and self.t_s[self.looked] <= now_s:
            t, value, flag = (
                self.t_s[self.looked],
                self.value[self.looked],
                self.flags[self.looked],
            )
            self.looked += 1
            if value != value:
                continue
            if flag == 0:
                self.good_s = t
            # Flagged readings count: what stands at the end of its range is told so.
            end = bool(flag & Flag.SATURATED) and value > middle
            if limit < inf and (value > limit or end):
                if found is None or value > found.value:
                    told = value if end and value < limit else limit
                    first = t if found is None else found.t_s
                    found = Over(self.channel.id, first, value, told, end)
        self._forget(now_s)
        return found

    def _forget(self, now_s: float) -> None:
        old = bisect_left(self.t_s, now_s - _KEEP_S, 0, self.looked)
        if old > 256:
            del self.t_s[:old], self.value[:old], self.flags[:old]
            self.looked -= old

    def highest(self, now_s: float, seconds: float) -> float | None:
        """Return the highest reading of the last seconds, flagged ones too."""
        found = None
        for i in range(self.looked - 1, -1, -1):
            if self.t_s[i] <= now_s - seconds:
                break
            value = self.value[i]
            if value == value and (found is None or value > found):
                found = value
        return found

    def why_silent(self, now_s: float) -> str:
        """Return why nothing good comes from it, or "" while something does."""
        if now_s - max(self.good_s, 0.0) < self.silent_after_s:
            return ""
        last = [
            self.flags[i]
            for i in range(self.looked)
            if self.t_s[i] > now_s - self.silent_after_s
        ]
        for flag, why in _WHY.items():
            if last and sum(bool(f & flag) for f in last) * 2 > len(last):
                return why
        # rows that repeat a time are no new readings
        return "missing" if last else "nothing_new"


class Watch:
    """Every pressure channel of the station.

    Args:
        plan: with the highest pressures that it allows.
        rig: as the station sees it.
    """

    def __init__(self, plan: Plan, rig: Rig) -> None:
        self._plan, self._rig = plan, rig
        self._stalled_s = 2.0 * rig.time_multiple
        self._guarded: dict[str, _Guarded] = {}
        self.begin_again()

    def begin_again(self) -> None:
        """Forget all readings: time starts anew."""
        periods = {i.id: i.period.value_si for i in self._rig.instruments}
        self._guarded = {
            channel.id: _Guarded(
                channel,
                lowest_rating(channel, self._plan, self._rig),
                max(SILENT_S, _DUE * periods.get(channel.instrument, 0.0)),
            )
            for channel in watched_channels(self._rig)
        }

    @property
    def limits(self) -> dict[str, float]:
        """The lowest of what each role's gauge channels may rise to, Pa gauge."""
        found: dict[str, float] = {}
        for each in self._guarded.values():
            if each.limit is not None:
                role, limit = each.channel.role, each.limit - _air(each.channel)
                found[role] = min(limit, found.get(role, inf))
        return found

    def add(self, id: str, trace: Trace) -> None:
        """Take new samples of a channel, in time order; of others nothing is taken."""
        if id in self._guarded:
            self._guarded[id].add(trace)

    def look(self, now_s: float, step: Step | None) -> tuple[Over, ...]:
        """Look at everything up to a moment; return what was too high.

        Args:
            now_s: the moment, sample time; never going back.
            step: that is on: while the inlet is first raised, the outlet may rise no
                further than the plan states.
        """
        outlet = None
        if step is not None and step.kind == "pressurise":
            outlet = step.outlet
        found = []
        for each in self._guarded.values():
            stated = inf
            if outlet is not None and each.channel.role == "outlet":
                stated = outlet.value_si + _air(each.channel)
            over = each.look(now_s, stated)
            if over is not None:
                found.append(over)
        return tuple(found)

    def fell(self, id: str, now_s: float) -> bool:
        """Tell whether a channel has stood below its limit for a while."""
        each = self._guarded.get(id)
        if each is None:
            return True
        highest = each.highest(now_s, FELL_S)
        top = each.channel.span[1].value_si
        limit = top if each.limit is None else min(each.limit, top)
        return highest is not None and highest < limit

    def silent(self, now_s: float) -> dict[str, str]:
        """Return the channels without a good reading, and why."""
        found = {id: each.why_silent(now_s) for id, each in self._guarded.items()}
        return {id: why for id, why in sorted(found.items()) if why}

    def under_pressure(self, now_s: float) -> dict[str, float]:
        """Return what the channels that show pressure read, Pa gauge, by id."""
        found = {}
        for id, each in self._guarded.items():
            highest = each.highest(now_s, SILENT_S)
            if highest is None:
                continue
            gauge = highest - _air(each.channel)
            if gauge > _near(each.channel):
                found[id] = gauge
        return found

    def waits_until(self, newest: float | None) -> float:
        """Return up to when there is something to look at.

        Args:
            newest: up to where inlet and outlet have both come, or None where one has
                given nothing yet. One that stays behind for long is silent, and holds
                the watch over the others up no more.
        """
        latest = [each.t_s[-1] for each in self._guarded.values() if each.t_s]
        ahead = max(latest, default=-inf) - self._stalled_s
        return max(ahead, -1.0 if newest is None else newest)


# --- what steps look at ---------------------------------------------------------------


def nothing_under_pressure(view: View) -> Seen | None:
    """No pressure channel of the station shows any."""
    return None if view.under_pressure else Seen("vented", view.now_s)


def no_pressure(*roles: str) -> See:
    """Channels of these roles are vented, and no other pressure channel shows any."""
    return all_of(nothing_under_pressure, vented(*roles))
