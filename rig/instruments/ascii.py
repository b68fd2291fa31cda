"""Instruments that speak in lines of text, asked or free-running."""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from math import nan

import numpy as np
import numpy.typing as npt

from records.errors import InputError
from records.rig import Channel, Instrument
from records.trace import Flag, TimeArray
from rig.clock import Clock
from rig.wire.text_line import LinePort

from .reading import Reading, Readings

STALL_S = 0.5  # between two looks: when the lines of then came is not known
LOOK_S = 0.05  # how often a free-running instrument is looked at, at least
_RETRIES = 1  # at once, after a line that was garbled


def compiled(declared: Instrument) -> re.Pattern[bytes]:
    """Return the pattern of an instrument's lines.

    Raises:
        InputError: ``value_wrong``: no regular expression.
    """
    lines = declared.lines
    if lines is None:
        raise InputError("key_missing", where=declared.id, key="instruments.lines")
    try:
        return re.compile(lines.pattern.encode())
    except re.error as error:
        raise InputError(
            "value_wrong",
            where=declared.id,
            key="lines.pattern",
            given=repr(lines.pattern),
            right=f"a regular expression ({error})",
        ) from None


class _Parser:
    """Turns a line into numbers, or says that it is garbled."""

    def __init__(self, declared: Instrument, channels: Sequence[Channel]) -> None:
        self._match = compiled(declared).fullmatch
        groups = compiled(declared).groupindex
        self._checks = "check" in groups and "checked" in groups
        self._states = [
            (i, c.status.field, frozenset(a.encode() for a in c.status.accepts))
            for i, c in enumerate(channels)
            if c.status is not None and c.status.field
        ]
        self._clock = ""
        self._tick_ns = 0.0
        if declared.clock is not None:
            self._clock = declared.clock.field
            self._tick_ns = declared.clock.tick.value_si * 1e9
        # One call for all, by number: at a thousand lines a second that counts.
        names = [self._clock] if self._clock else []
        names += [c.field for c in channels]
        self._groups = tuple(groups[name] for name in names)
        self._good = [0] * len(channels)

    def parse(self, line: bytes) -> tuple[int, list[float], list[int]] | None:
        """Return clock (0 without one), numbers and flags; None when garbled."""
        match = self._match(line)
        if match is None or (self._checks and not _check_fits(match)):
            return None
        try:
            found = match.group(*self._groups)
            texts = found if isinstance(found, tuple) else (found,)
            # a field that the line leaves out is missing, the others still count
            raw = [float(text) if text else nan for text in texts]
            t_ns = round(raw.pop(0) * self._tick_ns) if self._clock else 0
        except (ValueError, OverflowError):
            return None
        if not self._states:
            return t_ns, raw, self._good
        flags = [0] * len(raw)
        for i, field, accepts in self._states:
            if match.group(field) not in accepts:
                flags[i] = int(Flag.DEVICE)
        return t_ns, raw, flags


def _check_fits(match: re.Match[bytes]) -> bool:
    total = 0
    for byte in match.group("checked") or b"":
        total ^= byte
    try:
        return int(match.group("check"), 16) == total
    except (TypeError, ValueError):
        return False


class _Ascii:
    """An instrument whose lines come from a port of its own.

    Args:
        declared, channels: as the rig file has them.
        port: where its lines come from. clock: the host's clock.
    """

    def __init__(
        self,
        declared: Instrument,
        channels: Sequence[Channel],
        port: LinePort,
        clock: Clock,
    ) -> None:
        self.declared = declared
        self.channels = tuple(channels)
        self.line: object = port
        self.counts = port.counts
        self._port = port
        self._clock = clock
        self._parser = _Parser(declared, channels)

    def close(self) -> None:
        """Hang up."""
        self._port.close()


class PolledAscii(_Ascii):
    """Asks for one line a reading."""

    def __init__(
        self,
        declared: Instrument,
        channels: Sequence[Channel],
        port: LinePort,
        clock: Clock,
    ) -> None:
        super().__init__(declared, channels, port, clock)
        self.doubtful = True
        assert declared.lines is not None
        self._send = declared.lines.send.encode()
        self._late_ns = 2e9 * declared.period.value_si

    def read(self) -> Reading:
        """Ask once; once more at once where the answer was garbled.

        Raises:
            RigError: no connection, no answer in time, or a wrong one.
        """
        start = time.monotonic()
        for attempt in range(_RETRIES + 1):
            before = self._clock.monotonic_ns()
            line = self._port.ask(self._send)
            after = self._clock.monotonic_ns()
            parsed = self._parser.parse(line)
            if parsed is not None:
                break
            self.counts["garbled"] += 1
            self.counts["retried"] += attempt < _RETRIES
        else:
            raise self._port.error(
                "instrument_wrong_answer", start, why="a line that is not as declared"
            )
        t_ns, raw, flags = parsed
        host_ns = (before + after) // 2
        if self.declared.clock is None:
            t_ns = host_ns
            if after - before > self._late_ns:
                flags = [flag | Flag.LATE for flag in flags]
        return Reading(t_ns, host_ns, raw, flags, self._port.was_behind())


class StreamedAscii(_Ascii):
    """Takes the lines of an instrument that talks by itself.

    A garbled line is a row of missing samples at its place. Without a clock of its own
    the lines of one look are spread evenly since the last
    look; their time is known to within the time between two looks. Those of a look that
    came much too late are marked late: the computer stood still, and when each of them
    came nobody knows.
    """

    def __init__(
        self,
        declared: Instrument,
        channels: Sequence[Channel],
        port: LinePort,
        clock: Clock,
    ) -> None:
        super().__init__(declared, channels, port, clock)
        self.every_s = max(declared.period.value_si, LOOK_S)
        self._period_ns = round(declared.period.value_si * 1e9)
        self._stall_ns = round(max(STALL_S, 4.0 * self.every_s) * 1e9)
        self._looked_ns: int | None = None
        self._called_ns: int | None = None

    def read(self) -> Readings | None:
        """Return the lines since the last look; None when there are none yet.

        Raises:
            RigError: no connection, or silent for longer than the timeout.
        """
        parse = self._parser.parse
        called, self._called_ns = self._called_ns, self._clock.monotonic_ns()
        lines = self._port.new_lines()
        now = self._clock.monotonic_ns()
        found = [parse(line) for line in lines]
        garbled = np.array([parsed is None for parsed in found], dtype=bool)
        self.counts["garbled"] += int(np.sum(garbled))
        if not lines or (garbled.all() and self.declared.clock is not None):
            return None  # nothing to tell the time of them by
        n = len(found)
        host_ns = self._spread(n, now)
        t_ns = host_ns
        lost = (0, [nan] * len(self.channels), [int(Flag.MISSING)] * len(self.channels))
        rows = [lost if parsed is None else parsed for parsed in found]
        flags = np.array([flags for _, _, flags in rows], dtype=np.uint8)
        if self.declared.clock is not None:
            t_ns = self._between(np.array([t for t, _, _ in rows]), garbled)
        elif called is not None and now - called > self._stall_ns:
            flags |= np.uint8(Flag.LATE)
        return Readings(
            t_ns,
            host_ns,
            np.array([raw for _, raw, _ in rows], dtype=np.float64),
            flags,
        )

    def _between(self, t_ns: TimeArray, garbled: npt.NDArray[np.bool_]) -> TimeArray:
        """Return times by the lines' own clock; a garbled one has its place between."""
        place = np.arange(t_ns.size, dtype=np.float64)
        good = ~garbled
        first = int(t_ns[good][0])
        near = np.interp(place, place[good], (t_ns[good] - first).astype(np.float64))
        found: TimeArray = first + np.round(near).astype(np.int64)
        # before the first good line and after the last one, by the period
        head, tail = int(np.argmax(good)), int(np.argmax(good[::-1]))
        for k in range(head):
            found[k] -= (head - k) * self._period_ns
        for k in range(tail):
            found[t_ns.size - 1 - k] += (tail - k) * self._period_ns
        return found

    def _spread(self, n: int, now: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        last, self._looked_ns = self._looked_ns, now
        span = n * self._period_ns
        if last is not None and now - last < 2 * span:
            span = now - last
        # After a pause they did not come evenly since then, but one after the other.
        step = max(1, span // n)
        if last is not None:
            step = max(1, min(step, (now - last) // n))
        return now - step * np.arange(n - 1, -1, -1, dtype=np.int64)
