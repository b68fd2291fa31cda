"""Which order of words and bytes makes sense of a channel's readings."""

from __future__ import annotations

import math

import numpy as np

from records.rig import REGISTERS_OF, ByteOrder, Channel
from records.run import reading_si
from records.trace import FloatArray
from rig.wire.registers import decode, encode

ORDERS: tuple[ByteOrder, ...] = ("ABCD", "CDAB", "BADC", "DCBA")
FITS = 0.95  # share of the readings inside the span
STEADY = 0.05  # of the span, standard deviation
# Of the resolution: a float so small, and not zero, is bytes in the wrong order.
TINY = 1e-6
_MOST = 200  # readings that are looked at


def orders_that_fit(channel: Channel, raw: FloatArray) -> tuple[str, ...]:
    """Return the other orders in which the readings are plausible.

    Args:
        channel: as declared.
        raw: numbers as they were made in the declared order.

    Returns:
        The orders; none where the declared one is plausible.
    """
    register = channel.register
    if register is None or _plausible(channel, raw):
        return ()
    words = [
        encode(
            value if register.type.startswith("float") else round(value),
            register.type,
            register.order,
        )
        for value in raw[np.isfinite(raw)][:_MOST].tolist()
    ]
    if not words:
        return ()
    single = REGISTERS_OF[register.type] == 1
    fitting: list[str] = []
    for order in ORDERS[::2] if single else ORDERS:
        if order == register.order:
            continue
        made = np.array([float(decode(w, register.type, order)) for w in words])
        if _plausible(channel, made):
            fitting.append(order)
    return tuple(fitting)


def _plausible(channel: Channel, raw: FloatArray) -> bool:
    """Tell whether numbers lie inside the channel's span and stay together there."""
    low, high = (q.value_si for q in channel.span)
    finite = np.isfinite(raw)
    if channel.register is not None and channel.register.type.startswith("float"):
        size = np.abs(reading_si(channel, raw) - reading_si(channel, np.zeros(1)))
        finite &= (raw == 0.0) | (size > TINY * channel.resolution.value_si)
    if not np.any(finite):
        return False
    values = reading_si(channel, raw[finite])
    inside = (values >= low) & (values <= high)
    if inside.sum() < math.ceil(FITS * raw.size):
        return False
    return float(np.std(values[inside])) <= STEADY * (high - low)
