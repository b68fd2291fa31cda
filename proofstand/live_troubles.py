"""Troubles beside a test that goes on: what, where, what it does, what to do.

None of them ends a test, and none stands in front of the trace: what could hurt people
is an alarm (``alarms``). They follow from the header and the marks, as everything that
is shown does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

from records.measure import Kind
from records.run import Mark, MarkKind, RunHeader

from .room import FREE, LASTS_S
from .words.sentences import live_words

# What stands until it is over, and what has happened and is shown for a while.
DISK, EXPIRED = "disk_nearly_full", "calibration_expired"
CLOCK_MOVED, OWN_CLOCK, MISSED = "clock_moved", "instrument_clock", "readings_missed"
SHOWN_S = 120.0  # seconds of the test


@dataclass(frozen=True, slots=True)
class LiveTrouble:
    """A trouble beside a test.

    Attributes:
        id: stable id, one of ``records.errors.LIVE_IDS``.
        where: channel, instrument, disk or computer.
        what: what it is. does: what it does to the result. do: what to do.
        at_s: when it came about, seconds of the test; None where it stood before.
        stands: it is not over.
    """

    id: str
    where: str
    what: str
    does: str
    do: str
    at_s: float | None = None
    stands: bool = False


def _trouble(
    id: str,
    where: str,
    at_s: float | None = None,
    *,
    stands: bool = False,
    **facts: str,
) -> LiveTrouble:
    what, does, do = (live_words(id, part, **facts) for part in ("what", "does", "do"))
    return LiveTrouble(id, where, what, does, do, at_s, stands)


@dataclass(frozen=True, slots=True)
class LiveTroubles:
    """Those of a test, the earliest first; a fold of its marks."""

    all: tuple[LiveTrouble, ...] = ()

    @classmethod
    def at_begin(cls, header: RunHeader) -> LiveTroubles:
        """Return those that stand before anything is read."""
        found = []
        day = datetime.fromtimestamp(header.started_utc_ns / 1e9, tz=UTC).date()
        for channel in header.rig.channels:
            held = channel.calibration
            if held is None or channel.measure_unit.kind is not Kind.PRESSURE:
                continue
            if held.due < day:
                due = held.due.isoformat()
                found.append(_trouble(EXPIRED, channel.id, stands=True, due=due))
        return cls(tuple(found))

    def after(self, mark: Mark) -> LiveTroubles:
        """Return them once a mark was written."""
        told, at_s = mark.data, mark.t_s
        if mark.kind is not MarkKind.NOTE:
            return self
        if LASTS_S in told:
            rest = tuple(each for each in self.all if each.id != DISK)
            if not told[LASTS_S]:
                return LiveTroubles(rest)
            facts = {"free": _bytes(told.get(FREE, "")), "lasts": _time(told[LASTS_S])}
            full = _trouble(DISK, live_words("disk"), at_s, stands=True, **facts)
            return LiveTroubles((*rest, full))
        if "wall_clock_moved_s" in told:
            moved = told["wall_clock_moved_s"]
            return self._with(
                _trouble(CLOCK_MOVED, live_words("computer"), at_s, moved=moved)
            )
        instrument = told.get("instrument", "?")
        note = told.get("instrument_note", "")
        if note == "back":
            after_s = told.get("after_s", "?")
            return self._with(_trouble(MISSED, instrument, at_s, seconds=after_s))
        if note == "clock_set":  # one that only turned over is as it should be
            return self._with(_trouble(OWN_CLOCK, instrument, at_s))
        return self

    def _with(self, one: LiveTrouble) -> LiveTroubles:
        return LiveTroubles((*self.all, one))

    def shown(self, now_s: float) -> tuple[LiveTrouble, ...]:
        """Return those that stand, and those of the last two minutes, latest first."""
        return tuple(
            each
            for each in reversed(self.all)
            if each.stands or (each.at_s is not None and now_s - each.at_s < SHOWN_S)
        )

    def over(self) -> LiveTroubles:
        """Return them once the test is over: a disk is looked at no more."""
        return LiveTroubles(tuple(replace(each, stands=False) for each in self.all))


def _bytes(text: str) -> str:
    try:
        return f"{int(text) / 1e6:.0f} MB"
    except ValueError:
        return "?"


def _time(text: str) -> str:
    try:
        minutes = float(text) / 60.0
    except ValueError:
        return "?"
    return f"{minutes:.0f} min"
