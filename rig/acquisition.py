"""The loop that reads a rig and yields blocks, on a schedule that does not drift."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from records.errors import RigError
from records.rig import Instrument, Rig
from records.run import Part
from records.trace import Block, Flag

from .clock import Clock
from .instruments.modbus import ModbusInstrument, Reading

BLOCK_NS = 100_000_000  # a block holds at most this much
FROZEN_NS = 3_000_000_000  # a clock that stands still so long stamps nothing new
PATIENCE = 3  # answers that may fail in a row before the instrument counts as lost


class OpenInstrument(Protocol):
    """An instrument that can be read now."""

    declared: Instrument

    def read(self) -> Reading:
        """Return one reading or raise RigError."""

    def close(self) -> None:
        """Hang up."""


@dataclass(slots=True)
class _Line:
    """What the loop knows of one instrument."""

    instrument: OpenInstrument
    due_ns: int
    rows: list[Reading] = field(default_factory=list)
    opened_ns: int = 0
    last_t_ns: int | None = None
    moved_ns: int = 0  # host time at which its clock was last seen to move
    failures: int = 0
    failing_since_ns: int = 0


@dataclass(slots=True)
class Counts:
    """How the reading went."""

    read: int = 0
    failed: int = 0
    overrun: int = 0
    stale: int = 0


class Acquisition:
    """Reads the instruments of a rig in turn, each at its own period.

    Args:
        part: number of the run's part.
        instruments: open instruments. clock: the host's clock.
    """

    def __init__(
        self, part: int, instruments: Sequence[OpenInstrument], clock: Clock
    ) -> None:
        self.counts = Counts()
        self._clock = clock
        now = clock.monotonic_ns()
        self.part = Part(number=part, utc_ns=clock.utc_ns(), host_ns=now, origins={})
        self._lines = [_Line(i, now) for i in instruments]

    def blocks(self) -> Iterator[Block]:
        """Yield blocks for ever; a new origin is in ``part`` before its first block.

        Raises:
            RigError: ``instrument_lost`` after ``PATIENCE`` failures in a row, or the
                error itself when an instrument has never answered.
        """
        while True:
            line = min(self._lines, key=lambda each: each.due_ns)
            self._clock.sleep_until_ns(line.due_ns)
            now = self._clock.monotonic_ns()
            period = round(line.instrument.declared.period.value_si * 1e9)
            late = (now - line.due_ns) // period
            self.counts.overrun += late
            line.due_ns += (late + 1) * period
            reading = self._read(line)
            if reading is not None:
                self._take(line, reading)
            if line.rows and now - line.opened_ns >= BLOCK_NS - period:
                yield self._block(line)

    def flush(self) -> list[Block]:
        """Return what has been read and not yet been yielded."""
        return [self._block(line) for line in self._lines if line.rows]

    def _read(self, line: _Line) -> Reading | None:
        began = self._clock.monotonic_ns()
        try:
            reading = line.instrument.read()
        except RigError as error:
            self.counts.failed += 1
            line.failures += 1
            now = self._clock.monotonic_ns()
            if line.failures == 1:
                line.failing_since_ns = began
            if line.last_t_ns is None or error.id == "instrument_refused":
                raise
            if line.failures >= PATIENCE:
                declared = line.instrument.declared
                raise RigError(
                    "instrument_lost",
                    where=error.where,
                    instrument=declared.id,
                    host=declared.host,
                    port=declared.port,
                    times=line.failures,
                    cause=error.id,
                    waited_s=f"{(now - line.failing_since_ns) * 1e-9:.1f}",
                ) from error
            return None
        line.failures = 0
        self.counts.read += 1
        return reading

    def _take(self, line: _Line, reading: Reading) -> None:
        id = line.instrument.declared.id
        if id not in self.part.origins:
            offset = reading.host_ns - self.part.host_ns
            self.part.origins[id] = reading.t_ns - offset
        if line.last_t_ns is None or reading.t_ns > line.last_t_ns:
            line.moved_ns = reading.host_ns
        elif reading.host_ns - line.moved_ns > FROZEN_NS:
            declared = line.instrument.declared
            raise RigError(
                "instrument_frozen",
                where=id,
                instrument=id,
                host=declared.host,
                port=declared.port,
                seconds=f"{(reading.host_ns - line.moved_ns) * 1e-9:.1f}",
            )
        if line.last_t_ns is not None and reading.t_ns <= line.last_t_ns:
            # The same answer again is not a second measurement: kept, and marked.
            self.counts.stale += 1
            reading.flags[:] |= np.uint8(Flag.LATE)
        line.last_t_ns = max(reading.t_ns, line.last_t_ns or reading.t_ns)
        if not line.rows:
            line.opened_ns = reading.host_ns
        line.rows.append(reading)

    def _block(self, line: _Line) -> Block:
        rows, line.rows = line.rows, []
        return Block(
            self.part.number,
            line.instrument.declared.id,
            np.array([r.t_ns for r in rows], dtype=np.int64),
            np.stack([r.raw for r in rows]),
            np.stack([r.flags for r in rows]),
        )


def open_instruments(rig: Rig, clock: Clock) -> list[ModbusInstrument]:
    """Connect to every instrument that the rig declares.

    Raises:
        RigError: which instrument, where, and how long it was waited for.
    """
    from .wire.modbus import TcpLink

    opened: list[ModbusInstrument] = []
    try:
        for declared in rig.instruments:
            link = TcpLink(
                declared.host, declared.port, declared.timeout.value_si, declared.id
            )
            opened.append(
                ModbusInstrument(declared, rig.columns(declared.id), link, clock)
            )
    except BaseException:
        for instrument in opened:
            instrument.close()
        raise
    return opened
