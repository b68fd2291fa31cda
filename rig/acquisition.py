"""The loop that reads a rig and yields blocks, on a schedule that does not drift.

Instruments on one line are asked in turn; different lines are read side by side, each
by a thread of its own, so that a silent one does not hold the others up. What could not
be read is in the record too: a row of missing samples at its time.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from records.errors import ProofstandError, RigError
from records.rig import Rig, SerialLine
from records.run import Part
from records.trace import Block, Flag, FlagArray, FloatArray, TimeArray

from .clock import Clock
from .instruments.device_clock import DeviceClock
from .instruments.reading import OpenInstrument, Ranges, Reading, Readings

__all__ = [
    "BLOCK_NS",
    "Acquisition",
    "OpenInstrument",
    "close_all",
    "open_each",
    "open_instruments",
]

BLOCK_NS = 100_000_000  # a block holds at most this much
# What a wire does takes wall time, also where the rig's time runs faster than that.
FROZEN_NS = 3_000_000_000  # a clock that stands still so long stamps nothing new
SILENT_NS = 1_000_000_000  # failing for so long is told, and marked when it is over
RETRY_NS = 250_000_000  # a failing instrument is asked no less often
HOLD_BACK_S = 0.25  # longest period at which a doubtful answer is held back
_NAP_NS = 200_000_000  # longest sleep of a thread that may be told to stop
_LATE = int(Flag.LATE)


@dataclass(slots=True)
class Counts:
    """How the reading went.

    Attributes:
        read: answers. failed: requests without one. overrun: readings that fell out
            because others took too long. stale: answers that were not new: the same
            once more, by the device's own clock, or one to an earlier request.
    """

    read: int = 0
    failed: int = 0
    overrun: int = 0
    stale: int = 0

    def told(self, wire: Mapping[str, int] | None = None) -> dict[str, str]:
        """Return what went wrong at all, as text, in a fixed order."""
        seen = {"failed": self.failed, "overrun": self.overrun, "stale": self.stale}
        seen |= dict(wire or {})
        return {what: str(often) for what, often in seen.items() if often}


@dataclass(frozen=True, slots=True)
class Incident:
    """Something about an instrument that the record has to hold.

    Attributes:
        what: ``silent`` (nothing for a second), ``back`` (it answers again),
            ``older_answer`` (the one at that time was an earlier one),
            ``clock_turned`` or ``clock_set``.
        t_ns: the instrument's time as recorded. data: facts, as text.
    """

    instrument: str
    what: str
    t_ns: int
    data: Mapping[str, str]


@dataclass(slots=True, eq=False)
class _Row:
    """One reading or several, and what the loop says of them."""

    reading: Reading | Readings
    t_ns: int | TimeArray
    flag: int | FlagArray


@dataclass(slots=True, eq=False)
class _Line:
    """What the loop knows of one instrument."""

    instrument: OpenInstrument
    due_ns: int
    period_ns: int
    clock: DeviceClock
    ranges: Ranges | None
    doubtful: bool
    counts: Counts = field(default_factory=Counts)
    rows: list[_Row] = field(default_factory=list)
    opened_ns: int = 0
    origin_ns: int | None = None
    told_origin: bool = False
    still_since_ns: int | None = None  # answering since then without moving on
    failures: int = 0
    failing_since_ns: int = 0
    told_silent: bool = False
    ended_by: RigError | None = None  # would have ended a recording
    width: int = 0

    @property
    def watched(self) -> bool:
        """Something about it is not as it always is."""
        return (
            self.origin_ns is None
            or self.told_silent
            or self.still_since_ns is not None
        )

    @property
    def held_back(self) -> bool:
        """The last answer waits for the next, which may show it to be an older one."""
        return self.doubtful and not self.failures


class Acquisition:
    """Reads the instruments of a rig, each at its own period.

    Args:
        part: number of the run's part.
        instruments: open instruments. clock: the host's clock.
    """

    def __init__(
        self, part: int, instruments: Sequence[OpenInstrument], clock: Clock
    ) -> None:
        self._clock = clock
        now = clock.monotonic_ns()
        self.part = Part(number=part, utc_ns=clock.utc_ns(), host_ns=now, origins={})
        self._lines = [_line(i, now) for i in instruments]
        self._until_ns: int | None = None
        self._incidents: deque[Incident] = deque()
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._queue: queue.Queue[tuple[_Line, Block] | BaseException] = queue.Queue()

    @property
    def counts(self) -> Counts:
        """How it went, all instruments together."""
        total = Counts()
        for line in self._lines:
            total.read += line.counts.read
            total.failed += line.counts.failed
            total.overrun += line.counts.overrun
            total.stale += line.counts.stale
        return total

    def told(self) -> dict[str, dict[str, str]]:
        """Return per instrument what went wrong and how often, as text."""
        return {
            line.instrument.declared.id: line.counts.told(
                getattr(line.instrument, "counts", None)
            )
            for line in self._lines
        }

    def incidents(self) -> list[Incident]:
        """Return what happened since this was last asked."""
        found = []
        while self._incidents:
            found.append(self._incidents.popleft())
        return found

    def blocks(self) -> Iterator[Block]:
        """Yield blocks for ever; a new origin is in ``part`` before its first block.

        Raises:
            RigError: ``instrument_lost`` when one has failed for longer than its
                patience, ``instrument_frozen``, or the error itself when an instrument
                has never answered.
        """
        groups = self._groups()
        if len(groups) == 1:
            for line, block in self._in_turn(groups[0]):
                yield self._told(line, block)
            return
        self._threads = [
            threading.Thread(target=self._thread, args=(group,), name=f"line-{n}")
            for n, group in enumerate(groups, 1)
        ]
        try:
            for thread in self._threads:
                thread.daemon = True
                thread.start()
            while True:
                found = self._queue.get()
                if isinstance(found, BaseException):
                    raise found
                yield self._told(*found)
        finally:
            self.stop()

    def read_for(self, elapsed_ns: int) -> tuple[list[Block], dict[str, RigError]]:
        """Read for some time, whatever fails meanwhile.

        Args:
            elapsed_ns: how long, by the host's clock.

        Returns:
            All blocks, and by instrument the last failure of those that never answered
            or that would have ended a recording.
        """
        self._until_ns = self._clock.monotonic_ns() + elapsed_ns
        self._threads = [
            threading.Thread(target=self._thread, args=(group,), name=f"line-{n}")
            for n, group in enumerate(self._groups(), 1)
        ]
        for thread in self._threads:
            thread.daemon = True
            thread.start()
        for thread in self._threads:
            thread.join()
        blocks: list[Block] = []
        while not self._queue.empty():
            found = self._queue.get()
            if isinstance(found, BaseException):
                raise found
            blocks.append(self._told(*found))
        failed = {
            line.instrument.declared.id: line.ended_by
            for line in self._lines
            if line.ended_by is not None
        }
        return blocks + self.flush(), failed

    def stop(self) -> None:
        """Let the threads come to an end."""
        self._stop.set()
        for thread in self._threads:
            thread.join()
        self._threads = []

    def flush(self) -> list[Block]:
        """Return what has been read and not yet been yielded."""
        self.stop()
        left: list[Block] = []
        while not self._queue.empty():
            found = self._queue.get()
            if not isinstance(found, BaseException):
                left.append(self._told(*found))
        for line in self._lines:
            if line.rows:
                left.append(self._told(line, self._block(line, line.rows)))
                line.rows = []
        return left

    # --- the schedule ----------------------------------------------------------------

    def _groups(self) -> list[list[_Line]]:
        groups: dict[object, list[_Line]] = {}
        for line in self._lines:
            on = getattr(line.instrument, "line", None)
            groups.setdefault(on if isinstance(on, str) else id(on), []).append(line)
        return list(groups.values())

    def _thread(self, lines: list[_Line]) -> None:
        try:
            for found in self._in_turn(lines):
                self._queue.put(found)
        except BaseException as error:
            if not self._stop.is_set():
                self._queue.put(error)

    def _in_turn(self, lines: list[_Line]) -> Iterator[tuple[_Line, Block]]:
        line = lines[0]
        several = len(lines) > 1
        clock = self._clock
        while not self._stop.is_set():
            if several:
                line = min(lines, key=lambda each: each.due_ns)
            if self._until_ns is not None and line.due_ns > self._until_ns:
                return
            if self._threads and not self._naps_until(line.due_ns):
                return
            clock.sleep_until_ns(line.due_ns)
            now = clock.monotonic_ns()
            period = line.period_ns
            late = (now - line.due_ns) // period
            line.counts.overrun += late
            line.due_ns += (late + 1) * period
            try:
                self._turn(line, now)
            except RigError as error:
                if self._until_ns is None:
                    raise
                line.ended_by = error
            if line.rows and now - line.opened_ns >= BLOCK_NS - period:
                rows, line.rows = line.rows, []
                if line.held_back:
                    line.rows = [rows.pop()]
                    line.opened_ns = now
                if rows:
                    yield line, self._block(line, rows)

    def _naps_until(self, due_ns: int) -> bool:
        """Sleep most of the time until then; False when told to stop meanwhile."""
        while due_ns - self._clock.monotonic_ns() > _NAP_NS:
            self._clock.sleep_until_ns(self._clock.monotonic_ns() + _NAP_NS)
            if self._stop.is_set():
                return False
        return not self._stop.is_set()

    # --- one reading -----------------------------------------------------------------

    def _turn(self, line: _Line, began: int) -> None:
        try:
            reading = line.instrument.read()
        except RigError as error:
            self._failed(line, error, began)
            return
        if reading is None:
            return
        if isinstance(reading, Reading):
            self._take(line, reading)
        else:
            self._take_many(line, reading)
        line.failures = 0
        line.ended_by = None

    def _failed(self, line: _Line, error: RigError, began: int) -> None:
        line.counts.failed += 1
        line.failures += 1
        now = self._clock.monotonic_ns()
        if line.failures == 1:
            line.failing_since_ns = began
        failing = now - line.failing_since_ns
        failing_wall = self._clock.wall_ns(failing)
        # Seldom enough to leave the line to others, often enough to be back soon.
        pause, pause_wall = failing // 4, failing_wall // 4
        if pause_wall > RETRY_NS:
            pause = pause * RETRY_NS // pause_wall
        line.due_ns = max(line.due_ns, now + pause)
        if line.clock.last_ns is None or error.id == "replay_ended":
            raise error
        declared = line.instrument.declared
        line.still_since_ns = None
        nothing = Reading(
            line.clock.guess(began),
            began,
            np.full(line.width, np.nan),
            np.full(line.width, int(Flag.MISSING), dtype=np.uint8),
        )
        self._add(line, _Row(nothing, nothing.t_ns, 0), began)
        if failing_wall >= SILENT_NS and not line.told_silent:
            line.told_silent = True
            facts = {"cause": error.id, **error.facts}
            self._tell(line, "silent", nothing.t_ns, facts)
        if failing_wall > declared.patience_s * 1e9:
            raise RigError(
                "instrument_lost",
                where=error.where,
                instrument=declared.id,
                at=declared.address,
                host=declared.host,
                port=declared.port,
                times=line.failures,
                cause=error.id,
                waited_s=f"{failing_wall * 1e-9:.1f}",
            ) from error

    def _take(self, line: _Line, reading: Reading) -> None:
        line.counts.read += 1
        if reading.late_before:
            self._older(line)
        clock = line.clock
        t_ns, new = clock.place(reading.t_ns, reading.host_ns)
        if not new and reading.host_ns - clock.host_ns < line.period_ns:
            return  # after a late answer it was asked sooner than agreed: no fault
        # The same answer again is not a second measurement: kept, and marked.
        flag = 0 if new else _LATE
        if flag or line.watched or clock.shifts:
            self._notice(line, reading.t_ns, t_ns, reading.host_ns, new)
        self._add(line, _Row(reading, t_ns, flag), reading.host_ns)

    def _take_many(self, line: _Line, readings: Readings) -> None:
        n = readings.t_ns.size
        line.counts.read += n
        clock = line.clock
        t_ns = np.empty(n, dtype=np.int64)
        flag = np.zeros(n, dtype=np.uint8)
        hosts = readings.host_ns.tolist()
        for i, t in enumerate(readings.t_ns.tolist()):
            t_ns[i], new = clock.place(t, hosts[i])
            if not new or line.watched or clock.shifts:
                flag[i] = 0 if new else _LATE
                self._notice(line, t, int(t_ns[i]), hosts[i], new)
        self._add(line, _Row(readings, t_ns, flag), hosts[-1])

    def _older(self, line: _Line) -> None:
        """Mark the answer before this one: it belonged to an earlier request."""
        line.counts.stale += 1
        if line.rows:
            line.rows[-1].flag = _LATE
        else:
            t_ns = line.clock.last_ns or 0
            self._tell(line, "older_answer", t_ns, {"t_ns": str(t_ns)})

    def _notice(
        self, line: _Line, own_ns: int, t_ns: int, host_ns: int, new: bool
    ) -> None:
        """Look at what is not as it always is: the first reading, and odd ones."""
        if line.origin_ns is None:
            line.origin_ns = own_ns - (host_ns - self.part.host_ns)
        if line.told_silent:
            line.told_silent = False
            after_s = (host_ns - line.failing_since_ns) * 1e-9
            facts = {"after_s": f"{after_s:.3f}", "requests": str(line.failures)}
            self._tell(line, "back", t_ns, facts)
        for shift in line.clock.shifts:
            facts = {"shift_ns": str(shift.shift_ns)}
            self._tell(line, shift.what, shift.t_ns, facts)
        line.clock.shifts.clear()
        if new:
            line.still_since_ns = None
            return
        line.counts.stale += 1
        if line.still_since_ns is None:
            line.still_since_ns = host_ns
            return
        still_wall = self._clock.wall_ns(host_ns - line.still_since_ns)
        if still_wall > FROZEN_NS:
            declared = line.instrument.declared
            raise RigError(
                "instrument_frozen",
                where=declared.id,
                instrument=declared.id,
                at=declared.address,
                host=declared.host,
                port=declared.port,
                seconds=f"{still_wall * 1e-9:.1f}",
            )

    def _add(self, line: _Line, row: _Row, host_ns: int) -> None:
        if not line.rows:
            line.opened_ns = host_ns
        if not line.width:
            line.width = np.shape(row.reading.raw)[-1]
        line.rows.append(row)

    def _tell(self, line: _Line, what: str, t_ns: int, data: Mapping[str, str]) -> None:
        id = line.instrument.declared.id
        self._incidents.append(Incident(id, what, t_ns, data))

    # --- blocks ----------------------------------------------------------------------

    def _told(self, line: _Line, block: Block) -> Block:
        if not line.told_origin and line.origin_ns is not None:
            self.part.origins[block.instrument] = line.origin_ns
            line.told_origin = True
        return block

    def _block(self, line: _Line, rows: Sequence[_Row]) -> Block:
        t_ns, raw, flags = _joined(rows)
        found = None if line.ranges is None else line.ranges.flags(raw)
        if found is not None:
            flags = flags | found
        if found is not None or line.ranges is None:
            raw[~np.isfinite(raw)] = np.nan
        return Block(
            self.part.number,
            line.instrument.declared.id,
            t_ns,
            raw,
            flags,
        )


def _joined(rows: Sequence[_Row]) -> tuple[TimeArray, FloatArray, FlagArray]:
    """Return times (n,), raw numbers (n, k) and flags (n, k) of rows."""
    readings = [row.reading for row in rows]
    if all([type(reading) is Reading for reading in readings]):
        t_ns = np.array([row.t_ns for row in rows], dtype=np.int64)
        raw = np.array([reading.raw for reading in readings], dtype=np.float64)
        sound = readings[0].flags
        if all([reading.flags is sound for reading in readings]):
            flags = np.empty(raw.shape, dtype=np.uint8)
            flags[:] = sound
        else:
            flags = np.array([reading.flags for reading in readings], dtype=np.uint8)
        late = [row.flag for row in rows]
        if any(late):
            flags = flags | np.array(late, dtype=np.uint8)[:, None]
        return t_ns, raw, flags
    # Some are several readings at once: each part made two-dimensional first.
    return (
        np.concatenate([np.atleast_1d(np.asarray(row.t_ns)) for row in rows]),
        np.concatenate([np.atleast_2d(np.asarray(row.reading.raw)) for row in rows]),
        np.concatenate(
            [
                np.atleast_2d(np.asarray(row.reading.flags, dtype=np.uint8))
                | np.atleast_1d(np.asarray(row.flag, dtype=np.uint8))[:, None]
                for row in rows
            ]
        ),
    )


def _line(instrument: OpenInstrument, now_ns: int) -> _Line:
    declared = instrument.declared
    every_s = getattr(instrument, "every_s", declared.period.value_si)
    channels = getattr(instrument, "channels", ())
    turn = 0.0 if declared.clock is None else declared.clock.wraps_ns
    return _Line(
        instrument,
        now_ns,
        round(every_s * 1e9),
        DeviceClock(turn),
        Ranges(channels) if channels else None,
        bool(getattr(instrument, "doubtful", False)) and every_s <= HOLD_BACK_S,
    )


def open_instruments(
    rig: Rig, clock: Clock, folder: Path | None = None
) -> list[OpenInstrument]:
    """Open every instrument that the rig declares.

    Args:
        rig: the rig.
        clock: the host's clock.
        folder: where the paths in the rig file begin; the current one if None.

    Raises:
        RigError: which instrument, where, and how long it was waited for.
        InputError: a driver or a stored run that there is not.
    """
    opened: list[OpenInstrument] = []
    try:
        for each in open_each(rig, clock, folder):
            if isinstance(each, ProofstandError):
                raise each
            opened.append(each)
    except BaseException:
        close_all(opened)
        raise
    return opened


def open_each(
    rig: Rig, clock: Clock, folder: Path | None = None
) -> Iterator[OpenInstrument | ProofstandError]:
    """Yield each instrument of a rig, opened, or why it could not be.

    Args:
        rig: the rig.
        clock: the host's clock.
        folder: where the paths in the rig file begin; the current one if None.
    """
    opener = _Opener(rig, clock, folder or Path())
    for declared in rig.instruments:
        try:
            yield opener.open(declared.id)
        except ProofstandError as error:
            yield error


def close_all(instruments: Iterable[OpenInstrument]) -> None:
    """Close instruments; one that can't be closed does not keep the others open."""
    for instrument in instruments:
        with suppress(ProofstandError):
            instrument.close()


class _Opener:
    """Opens instruments; those on one bus share its port."""

    def __init__(self, rig: Rig, clock: Clock, folder: Path) -> None:
        self._rig = rig
        self._clock = clock
        self._folder = folder
        self._buses: dict[str, object] = {}

    def open(self, id: str) -> OpenInstrument:
        """Open one; a library is loaded only where a rig needs it."""
        declared = next(i for i in self._rig.instruments if i.id == id)
        channels = self._rig.columns(id)
        clock = self._clock
        match declared.protocol:
            case "replay":
                from .instruments.replay import Replay

                return Replay(declared, channels, self._folder, clock)
            case "driver":
                from .instruments.external import External

                return External(declared, channels, clock)
            case "ascii-polled" | "ascii-stream":
                from .instruments.ascii import PolledAscii, StreamedAscii
                from .wire.serial_port import SerialPort
                from .wire.text_line import LinePort

                assert declared.serial is not None, "checked in the rig file"
                assert declared.lines is not None, "checked in the rig file"
                port = LinePort(
                    SerialPort(declared.serial, id),
                    declared.lines.end.encode(),
                    declared.timeout.value_si,
                    id,
                )
                port.port.open()
                kind = (
                    PolledAscii
                    if declared.protocol == "ascii-polled"
                    else StreamedAscii
                )
                return kind(declared, channels, port, clock)
            case "modbus-rtu" | "modbus-rtu-tcp":
                return self._open_rtu(id)
            case _:
                from .instruments.modbus import ModbusInstrument
                from .wire.modbus import TcpLink

                timeout = declared.timeout.value_si
                tcp = TcpLink(declared.host, declared.port, timeout, id)
                return ModbusInstrument(declared, channels, tcp, clock)

    def _open_rtu(self, id: str) -> OpenInstrument:
        from .instruments.modbus import ModbusInstrument
        from .wire.rtu import RtuBus, RtuLink
        from .wire.serial_port import SerialPort

        declared = next(i for i in self._rig.instruments if i.id == id)
        line = declared.serial
        if line is None:
            url = f"socket://{declared.host}:{declared.port}"
            line = SerialLine(port=url, baud=115_200, frame="8N1")
        bus = self._buses.get(line.port)
        if not isinstance(bus, RtuBus):
            bus = RtuBus(SerialPort(line, id))
            self._buses[line.port] = bus
        bus.port.open()
        link = RtuLink(bus, declared.timeout.value_si, id)
        return ModbusInstrument(declared, self._rig.columns(id), link, self._clock)
