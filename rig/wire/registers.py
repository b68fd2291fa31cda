"""Numbers in 16-bit registers: types, order of words and order of bytes.

An order is written as the bytes ABCD of a 32-bit number stand on the wire: ``ABCD``
high word first, ``CDAB`` low word first, ``BADC`` and ``DCBA`` the same with the two
bytes of every word exchanged. For 64 bits the words are taken the same way, highest or
lowest first.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

from records.rig import REGISTERS_OF, ByteOrder, RegisterType

_FORMATS: dict[str, str] = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "int64": ">q",
    "uint64": ">Q",
    "float32": ">f",
    "float64": ">d",
}
_LOW_WORD_FIRST = ("CDAB", "DCBA")
_BYTES_EXCHANGED = ("BADC", "DCBA")


def decode(words: Sequence[int], type: RegisterType, order: ByteOrder) -> int | float:
    """Return the number that registers hold.

    Args:
        words: the registers in the order of their addresses, 0 to 65535 each.
        type: what they hold.
        order: see the module.

    Raises:
        ValueError: the number of words does not fit the type.
    """
    if len(words) != REGISTERS_OF[type]:
        raise ValueError(
            f"{type} takes {REGISTERS_OF[type]} registers, not {len(words)}"
        )
    raw = struct.pack(f">{len(words)}H", *_arranged(words, order))
    value: int | float = struct.unpack(_FORMATS[type], raw)[0]
    return value


def encode(value: float, type: RegisterType, order: ByteOrder) -> tuple[int, ...]:
    """Return the registers that hold a number, in the order of their addresses.

    Raises:
        ValueError: the number does not fit the type.
    """
    whole = not type.startswith("float")
    try:
        raw = struct.pack(_FORMATS[type], round(value) if whole else value)
    except (struct.error, OverflowError, ValueError) as error:
        raise ValueError(f"{value!r} does not fit {type}") from error
    return _arranged(struct.unpack(f">{len(raw) // 2}H", raw), order)


def number_at(type: RegisterType, order: ByteOrder) -> tuple[bool, struct.Struct]:
    """Return how to take a number out of the bytes of many registers at once.

    Returns:
        True where the two bytes of every register are to be exchanged first, and the
        form to unpack: with both, low word first is the number read backwards.
    """
    low_first = order in _LOW_WORD_FIRST
    exchanged = order in ("BADC", "CDAB")
    form = _FORMATS[type]
    return exchanged, struct.Struct(form.replace(">", "<") if low_first else form)


def _arranged(words: Sequence[int], order: ByteOrder) -> tuple[int, ...]:
    # Both exchanges are their own inverse, so this serves both directions.
    placed = tuple(reversed(words)) if order in _LOW_WORD_FIRST else tuple(words)
    if order in _BYTES_EXCHANGED:
        return tuple((word >> 8) | ((word & 0xFF) << 8) for word in placed)
    return placed


def named(address: int, count: int) -> str:
    """Return registers as people say them: ``10 to 13``, or ``10``."""
    return str(address) if count == 1 else f"{address} to {address + count - 1}"
