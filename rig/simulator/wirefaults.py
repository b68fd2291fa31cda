"""Faults of the wire on a timetable: what becomes of a simulated device's answers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from records.errors import InputError
from records.measure import Quantity
from rig.wire.byte_server import Pieces

from .noise import stream

Kind = Literal[
    "silence",  # no answer
    "exception",  # an exception reply, or the word ERROR
    "late",  # the answer comes after a delay
    "duplicate",  # it comes twice
    "split",  # it comes in two pieces with a delay between
    "partial",  # it breaks off
    "bit_error",  # one bit of it is turned over
    "stray",  # bytes that belong to nothing come before it
    "echo",  # the request comes back before it
    "reboot",  # silence, connections lost, and the clock begins at zero
]
_STREAM = 900  # of the random numbers that choose answers, bits and places


@dataclass(frozen=True, slots=True, kw_only=True)
class WireFault:
    """One entry of the timetable.

    Attributes:
        kind: see ``Kind``. begins: rig time. lasts: for how long.
        share: of the answers in that time that are hit.
        delay: of the kinds that have one. code: of the exception.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    kind: Kind
    begins: Quantity
    lasts: Quantity
    share: float = 1.0
    delay: Quantity | None = None
    code: int = 6

    @property
    def delay_s(self) -> float:
        """The delay in seconds, a tenth where none is given."""
        return 0.1 if self.delay is None else self.delay.value_si


_CODES = (1, 2, 3, 4, 5, 6, 7, 8, 10, 11)


def check_wire_faults(faults: Sequence[WireFault], where: str) -> None:
    """Refuse a timetable that can't be kept.

    Raises:
        InputError: ``value_wrong``, with the number of the entry.
    """
    for n, fault in enumerate(faults, 1):
        for key, given, fine, right in (
            ("begins", fault.begins.typed, fault.begins.value_si >= 0, "zero or more"),
            ("lasts", fault.lasts.typed, fault.lasts.value_si > 0, "above zero"),
            ("share", fault.share, 0.0 < fault.share <= 1.0, "above 0, at most 1"),
            ("delay", fault.delay_s, 0.0 <= fault.delay_s <= 60.0, "0 s to 60 s"),
            ("code", fault.code, fault.code in _CODES, f"one of {_CODES}"),
        ):
            if not fine:
                raise InputError(
                    "value_wrong",
                    where=where,
                    key=f"wire_faults.{key} (entry {n})",
                    given=given,
                    right=right,
                )


class Timetable:
    """Tells what becomes of answers, the same for the same seed and answers.

    Args:
        faults: see :class:`WireFault`. seed: what is hit and how.
    """

    def __init__(self, faults: Sequence[WireFault], seed: int) -> None:
        self._faults = tuple(faults)
        self._draw = stream(seed, _STREAM)
        self.hit: dict[str, int] = {}  # how often each kind was done

    @property
    def has_any(self) -> bool:
        """Tell whether there is any fault at all."""
        return bool(self._faults)

    def reboots(self) -> list[float]:
        """Return the rig times at which the device starts again."""
        return [f.begins.value_si for f in self._faults if f.kind == "reboot"]

    def is_down(self, t_s: float) -> bool:
        """Tell whether the device is starting again."""
        return any(f.kind == "reboot" for f in self._now(t_s))

    def is_mute(self, t_s: float) -> bool:
        """Tell whether no answer at all goes out."""
        return any(
            f.kind in ("silence", "reboot") and f.share == 1.0 for f in self._now(t_s)
        )

    def exception(self, t_s: float) -> int | None:
        """Return the code of the exception to answer with, or None."""
        for fault in self._now(t_s):
            if fault.kind == "exception" and self._draw.random() < fault.share:
                self._count("exception")
                return fault.code
        return None

    def pieces(self, request: bytes, answer: bytes, t_s: float) -> Pieces:
        """Return what of an answer goes out, and when."""
        pieces: list[tuple[float, bytes]] = [(0.0, answer)]
        for fault in self._now(t_s):
            if fault.kind == "exception" or self._draw.random() >= fault.share:
                continue
            self._count(fault.kind)
            pieces = self._done(fault, request, pieces)
        return pieces

    def _now(self, t_s: float) -> list[WireFault]:
        return [
            f
            for f in self._faults
            if f.begins.value_si <= t_s < f.begins.value_si + f.lasts.value_si
        ]

    def _count(self, kind: str) -> None:
        self.hit[kind] = self.hit.get(kind, 0) + 1

    def _done(
        self, fault: WireFault, request: bytes, pieces: list[tuple[float, bytes]]
    ) -> list[tuple[float, bytes]]:
        if fault.kind in ("silence", "reboot") or not pieces:
            return []
        delay, (at, answer) = fault.delay_s, pieces[0]
        somewhere = int(self._draw.integers(1, max(2, len(answer))))
        match fault.kind:
            case "late":
                return [(at + delay, answer)]
            case "duplicate":
                return [(at, answer), (at + delay, answer)]
            case "split":
                return [(at, answer[:somewhere]), (at + delay, answer[somewhere:])]
            case "partial":
                return [(at, answer[:somewhere])]
            case "bit_error":
                byte = int(self._draw.integers(0, len(answer)))
                bit = 1 << int(self._draw.integers(0, 8))
                wrong = bytes((answer[byte] ^ bit,))
                return [(at, answer[:byte] + wrong + answer[byte + 1 :])]
            case "stray":
                return [(at, self._draw.bytes(somewhere % 5 + 1) + answer)]
            case "echo":
                return [(at, request + answer)]
            case _:
                return pieces
