"""A Modbus RTU device on a pseudo terminal that takes the time of a real wire.

Run as a process of its own: `python -m benchmarks.paced_bus BAUD` prints the port's
name and answers until its standard input ends. A request counts as heard when its last
bit would have come; the answer begins a silent interval later and comes byte by byte,
handed over eight at a time as a receiver with a FIFO does.
"""

import os
import pty
import select
import sys
import time
import tty

BITS = 11  # a character on the wire (Modbus over serial line V1.02, 2.5)
REGISTERS = 8
REQUEST = 8
REPLY = 5 + 2 * REGISTERS
HANDED_OVER = 8


def gap_s(baud: int) -> float:
    """Return the silent interval (the same text, 2.5.1.1)."""
    return 0.00175 if baud > 19_200 else 3.5 * BITS / baud


def most_polls_per_s(baud: int) -> float:
    """Return how many polls of eight registers a second the wire allows."""
    return 1.0 / ((REQUEST + REPLY) * BITS / baud + 2.0 * gap_s(baud))


def crc(data: bytes) -> bytes:
    """Return the check of a frame, worked out bit by bit."""
    total = 0xFFFF
    for byte in data:
        total ^= byte
        for _ in range(8):
            total = (total >> 1) ^ (0xA001 if total & 1 else 0)
    return total.to_bytes(2, "little")


def wait_until(when: float) -> None:
    """Sleep, then spin: a late device would be taken for a slow client."""
    while (left := when - time.perf_counter()) > 0:
        if left > 0.0004:
            time.sleep(left - 0.0003)


def main(baud: int) -> None:
    """Answer until nobody is there any more."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    print(os.ttyname(theirs), flush=True)
    character = BITS / baud
    number = 0
    while True:
        ready, _, _ = select.select([ours, sys.stdin], [], [])
        if sys.stdin in ready:
            return
        at = time.perf_counter()
        request = os.read(ours, REQUEST)
        at += REQUEST * character + gap_s(baud)
        number = (number + 1) % 30_000
        words = [number] * REGISTERS
        body = request[:2] + bytes((2 * REGISTERS,))
        body += b"".join(word.to_bytes(2, "big") for word in words)
        reply = body + crc(body)
        for start in range(0, len(reply), HANDED_OVER):
            piece = reply[start : start + HANDED_OVER]
            at += len(piece) * character
            wait_until(at)
            os.write(ours, piece)


if __name__ == "__main__":
    main(int(sys.argv[1]))
