"""A Modbus device read as the rig file declares it; it is only ever read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from records.errors import InputError
from records.rig import Channel, Instrument, Register
from records.trace import Flag, FlagArray, FloatArray
from rig.clock import Clock
from rig.wire.modbus import RegisterLink, decode

_LONGEST_READ = 125  # registers in one answer (Modbus application protocol 6.3, 6.4)
_LARGEST_HOLE = 16  # unused registers worth reading along rather than asking twice


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One answer of an instrument.

    Attributes:
        t_ns: its own clock, or the host's at mid-request, nanoseconds.
        host_ns: the host's monotonic clock at mid-request, nanoseconds.
        raw: shape (k,), counts as read. flags: shape (k,).
    """

    t_ns: int
    host_ns: int
    raw: FloatArray
    flags: FlagArray


@dataclass(frozen=True, slots=True)
class _Span:
    table: str
    start: int
    count: int


class ModbusInstrument:
    """Reads a Modbus device: neighbouring registers in one request.

    Args:
        declared: the instrument as the rig file has it.
        channels: its channels, in the order of a reading's columns.
        link: the way to its registers.
        clock: the host's clock.
    """

    def __init__(
        self,
        declared: Instrument,
        channels: Sequence[Channel],
        link: RegisterLink,
        clock: Clock,
    ) -> None:
        self.declared = declared
        self.channels = tuple(channels)
        self._link = link
        self._clock = clock
        registers = [c.register for c in self.channels]
        if any(r is None for r in registers):
            raise InputError("key_missing", where=declared.id, key="channels.register")
        self._registers: list[Register] = [r for r in registers if r is not None]
        wanted = list(self._registers)
        if declared.clock is not None:
            wanted.append(declared.clock.register)
        self._spans = _spans(wanted)
        units = [c.measure_unit for c in self.channels]
        self._slope = np.array(
            [c.scale * u.factor for c, u in zip(self.channels, units, strict=True)]
        )
        self._shift = np.array(
            [
                c.offset * u.factor + u.offset
                for c, u in zip(self.channels, units, strict=True)
            ]
        )
        self._low = np.array([c.span[0].value_si for c in self.channels])
        self._high = np.array([c.span[1].value_si for c in self.channels])

    def read(self) -> Reading:
        """Ask the device once.

        Raises:
            RigError: no connection, no answer in time, an exception reply, or a wrong
                answer.
        """
        before = self._clock.monotonic_ns()
        words: dict[str, dict[int, int]] = {"holding": {}, "input": {}}
        for span in self._spans:
            answer = self._link.read(
                span.table,  # type: ignore[arg-type]
                span.start,
                span.count,
                self.declared.device,
            )
            words[span.table].update(
                zip(range(span.start, span.start + span.count), answer, strict=True)
            )
        after = self._clock.monotonic_ns()
        host_ns = (before + after) // 2
        flags = np.zeros(len(self.channels), dtype=np.uint8)
        if self.declared.clock is not None:
            tick_ns = self.declared.clock.tick.value_si * 1e9
            t_ns = round(_value(words, self.declared.clock.register) * tick_ns)
        else:
            t_ns = host_ns
            if after - before > 2e9 * self.declared.period.value_si:
                flags |= np.uint8(Flag.LATE)
        raw = np.array([_value(words, r) for r in self._registers], dtype=np.float64)
        finite = np.isfinite(raw)
        raw[~finite] = np.nan
        flags[~finite] |= np.uint8(Flag.MISSING)
        si = raw * self._slope + self._shift
        outside = finite & ((si <= self._low) | (si >= self._high))
        flags[outside] |= np.uint8(Flag.SATURATED)
        return Reading(t_ns, host_ns, raw, flags)

    def close(self) -> None:
        """Hang up."""
        self._link.close()


def _value(words: dict[str, dict[int, int]], register: Register) -> float:
    table = words[register.table]
    taken = [table[register.address + i] for i in range(register.count)]
    return float(decode(taken, register.type, register.order))


def _spans(registers: Sequence[Register]) -> list[_Span]:
    """Return the fewest requests that fetch all registers."""
    spans: list[_Span] = []
    for table in ("holding", "input"):
        ours = sorted(
            {(r.address, r.address + r.count) for r in registers if r.table == table}
        )
        for start, stop in ours:
            last = spans[-1] if spans and spans[-1].table == table else None
            if (
                last is not None
                and start - (last.start + last.count) <= _LARGEST_HOLE
                and stop - last.start <= _LONGEST_READ
            ):
                count = max(last.start + last.count, stop) - last.start
                spans[-1] = _Span(table, last.start, count)
            else:
                spans.append(_Span(table, start, stop - start))
    return spans
