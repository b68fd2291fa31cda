"""Frames of Modbus RTU: built, found among other bytes, and checked.

Source: Modbus over serial line specification V1.02 (frame, CRC, timing) and Modbus
application protocol specification V1.1b3 (functions 3 and 4, exceptions).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from pymodbus.framer import FramerRTU

REQUEST_SIZE = 8
EXCEPTION_SIZE = 5
OVERHEAD = 5  # device, function, byte count, CRC
LONGEST = 256  # V1.02, 2.5.1
_FAST_GAP_S = 0.00175  # V1.02, 2.5.1.1: fixed above 19200 baud
_FAST_BAUD = 19_200
_GAP_CHARACTERS = 3.5
_BITS = 11


def gap_s(baud: int) -> float:
    """Return the silence between two frames, seconds (V1.02, 2.5.1.1)."""
    return _FAST_GAP_S if baud > _FAST_BAUD else _GAP_CHARACTERS * _BITS / baud


def with_check(body: bytes) -> bytes:
    """Return device, function and data with their CRC, low byte first."""
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


def fits(frame: bytes) -> bool:
    """Tell whether a frame's CRC fits."""
    return len(frame) > 3 and with_check(frame[:-2]) == frame


def read_request(device: int, function: int, address: int, count: int) -> bytes:
    """Return the request for registers; there is none here that writes."""
    if function not in (3, 4):
        raise ValueError(f"function {function} does not read registers")
    return with_check(struct.pack(">BBHH", device, function, address, count))


@dataclass(frozen=True, slots=True)
class Found:
    """A whole frame with a fitting CRC among bytes.

    Attributes:
        kind: ``reply``, ``exception`` or ``echo``.
        start: number of bytes before it. frame: its bytes.
    """

    kind: str
    start: int
    frame: bytes


def frames_in(data: bytes, request: bytes) -> list[Found]:
    """Return the whole frames that some bytes hold, in order, none overlapping.

    Args:
        data: what came.
        request: what was sent last; its echo is told apart from replies.
    """
    found: list[Found] = []
    at = 0
    while at < len(data):
        kind, frame = _frame_at(data, at, request)
        if frame:
            found.append(Found(kind, at, frame))
            at += len(frame)
        else:
            at += 1
    return found


def _frame_at(data: bytes, at: int, request: bytes) -> tuple[str, bytes]:
    rest = data[at : at + LONGEST]
    if len(rest) >= EXCEPTION_SIZE and rest[1] in (3, 4):
        reply = rest[: OVERHEAD + rest[2]]
        whole = len(reply) == OVERHEAD + rest[2] and rest[2] and not rest[2] % 2
        if whole and fits(reply):
            return "reply", reply
    if request and rest.startswith(request):
        return "echo", request
    if len(rest) >= EXCEPTION_SIZE and rest[1] & 0x80:
        exception = rest[:EXCEPTION_SIZE]
        if fits(exception):
            return "exception", exception
    return "", b""


def registers(frame: bytes) -> tuple[int, ...]:
    """Return the registers of a reply."""
    return struct.unpack(f">{frame[2] // 2}H", frame[3:-2])
