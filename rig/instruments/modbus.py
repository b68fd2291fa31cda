"""A Modbus device read as the rig file declares it; it is only ever read."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from records.errors import InputError, RigError
from records.rig import Channel, Instrument, Register, RegisterTable, Status
from records.trace import Flag, FlagArray
from rig.clock import Clock
from rig.wire.modbus import RegisterLink
from rig.wire.registers import named, number_at

from .reading import Reading

__all__ = ["ModbusInstrument", "Reading"]

_LONGEST_READ = 125  # registers in one answer (Modbus application protocol 6.3, 6.4)
_LARGEST_HOLE = 16  # unused registers worth reading along rather than asking twice
_NO_SUCH_ADDRESS = "2"  # exception code (V1.1b3, section 7)


@dataclass(frozen=True, slots=True)
class _Span:
    table: RegisterTable
    start: int
    count: int

    def holds(self, register: Register) -> bool:
        """Tell whether a number's registers are all in this request."""
        first = register.address - self.start
        inside = 0 <= first and first + register.count <= self.count
        return self.table == register.table and inside


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a number stands in what was read: which bytes, in what form, from where."""

    which: int
    form: struct.Struct
    offset: int

    def number(self, bytes_of: Sequence[bytes]) -> int | float:
        """Return the number that stands there."""
        found: int | float = self.form.unpack_from(bytes_of[self.which], self.offset)[0]
        return found


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
        self.line: object = getattr(link, "line", None)
        self.counts: Mapping[str, int] = getattr(link, "counts", {})
        self._was_behind = getattr(link, "was_behind", None)
        self.doubtful = self._was_behind is not None
        self._link = link
        self._clock = clock
        registers = [c.register for c in self.channels]
        if any(r is None for r in registers):
            raise InputError("key_missing", where=declared.id, key="channels.register")
        known = [r for r in registers if r is not None]
        self._known = known
        self._status = [
            (i, c.status, c.status.register)
            for i, c in enumerate(self.channels)
            if c.status is not None and c.status.register is not None
        ]
        self._wanted = [
            *((c.id, r) for c, r in zip(self.channels, known, strict=True)),
            *((f"{self.channels[i].id} status", r) for i, _, r in self._status),
        ]
        if declared.clock is not None:
            self._wanted.append((f"{declared.id} clock", declared.clock.register))
        self._split = False  # it was found out whether the device gives holes too
        self._lay_out(_LARGEST_HOLE)
        self._late_ns = 2e9 * declared.period.value_si
        self._sound: FlagArray = np.zeros(len(self.channels), dtype=np.uint8)
        self._sound.flags.writeable = False

    def _lay_out(self, largest_hole: int) -> None:
        """Say what is asked in which request, and where each number stands in it."""
        wanted = [register for _, register in self._wanted]
        self._spans = _spans(wanted, largest_hole)
        # The bytes of each request's registers, once as they came, and once with the
        # two bytes of each exchanged where anything needs that.
        self._exchanges = any(number_at(r.type, r.order)[0] for r in wanted)
        self._asks = [
            (
                span,
                struct.Struct(f">{span.count}H").pack,
                struct.Struct(f"<{span.count}H").pack if self._exchanges else None,
            )
            for span in self._spans
        ]
        places = [self._place(r) for r in self._known]
        self._takes = [(p.which, p.form.unpack_from, p.offset) for p in places]
        self._states: list[tuple[int, Status, _Place]] = [
            (i, status, self._place(register)) for i, status, register in self._status
        ]
        self._clock_place: _Place | None = None
        self._tick_ns = 0.0
        clock = self.declared.clock
        if clock is not None:
            self._clock_place = self._place(clock.register)
            self._tick_ns = clock.tick.value_si * 1e9

    def read(self) -> Reading:
        """Ask the device once.

        Raises:
            RigError: no connection, no answer in time, an exception reply, or a wrong
                answer.
        """
        device = self.declared.device
        read = self._link.read
        before = self._clock.monotonic_ns()
        bytes_of: list[bytes] = []
        for span, straight, turned in self._asks:
            try:
                words = read(span.table, span.start, span.count, device)
            except RigError as error:
                if error.id != "instrument_refused":
                    raise
                raise self._refused(error, span) from error
            bytes_of.append(straight(*words))
            if turned is not None:
                bytes_of.append(turned(*words))
        after = self._clock.monotonic_ns()
        host_ns = (before + after) // 2
        flags = self._sound
        if self._clock_place is not None:
            t_ns = round(self._clock_place.number(bytes_of) * self._tick_ns)
        else:
            t_ns = host_ns
            if after - before > self._late_ns:
                flags = flags | np.uint8(Flag.LATE)
        for i, status, place in self._states:
            bits = int(place.number(bytes_of))
            if bits & status.bad or ~bits & status.good:
                flags = flags.copy()
                flags[i] |= np.uint8(Flag.DEVICE)
        raw = [unpack(bytes_of[i], at)[0] for i, unpack, at in self._takes]
        behind = self._was_behind is not None and self._was_behind()
        return Reading(t_ns, host_ns, raw, flags, behind)

    def close(self) -> None:
        """Hang up."""
        self._link.close()

    def _refused(self, error: RigError, span: _Span) -> RigError:
        """Return the error for a refused request, with what it was to give.

        Where the device knows no such address each number is asked for by itself, once:
        the one that is refused is named; where none is, it was a register between them,
        and from then on nothing is read along.
        """
        inside = [(what, r) for what, r in self._wanted if span.holds(r)]
        if error.facts.get("code") == _NO_SUCH_ADDRESS and not self._split:
            self._split = True
            refused = [(what, r) for what, r in inside if not self._gives(r)]
            if refused:
                inside = refused
            else:
                self._lay_out(0)
        facts = {
            **error.facts,
            "channels": ", ".join(what for what, _ in inside),
            "registers": ", ".join(
                dict.fromkeys(named(r.address, r.count) for _, r in inside)
            ),
        }
        return RigError(error.id, where=error.where, **facts)

    def _gives(self, register: Register) -> bool:
        """Tell whether the device gives one number by itself."""
        table, device = register.table, self.declared.device
        try:
            self._link.read(table, register.address, register.count, device)
        except RigError as error:
            if error.id == "instrument_refused":
                return False
            raise
        return True

    def _place(self, register: Register) -> _Place:
        for i, span in enumerate(self._spans):
            first = register.address - span.start
            if span.holds(register):
                exchanged, form = number_at(register.type, register.order)
                which = 2 * i + exchanged if self._exchanges else i
                return _Place(which, form, 2 * first)
        raise AssertionError(f"{register} is in no request")


def _spans(registers: Sequence[Register], largest_hole: int) -> list[_Span]:
    """Return the fewest requests that fetch all registers.

    Args:
        registers: what is wanted.
        largest_hole: most registers between two of them to read along.
    """
    spans: list[_Span] = []
    tables: tuple[RegisterTable, ...] = ("holding", "input")
    for table in tables:
        ours = sorted(
            {(r.address, r.address + r.count) for r in registers if r.table == table}
        )
        for start, stop in ours:
            last = spans[-1] if spans and spans[-1].table == table else None
            if (
                last is not None
                and start - (last.start + last.count) <= largest_hole
                and stop - last.start <= _LONGEST_READ
            ):
                count = max(last.start + last.count, stop) - last.start
                spans[-1] = _Span(table, last.start, count)
            else:
                spans.append(_Span(table, start, stop - start))
    return spans
