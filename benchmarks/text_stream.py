"""What a free-running instrument of 1000 lines a second costs."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from typing import IO

import numpy as np

from rig.acquisition import Acquisition, open_instruments
from rig.clock import HostClock
from rig.rigfile import parse_rig

from .table import Row

LINES_PER_S = 1000
DEVICE = f"""
import os, pty, sys, time, tty, select
ours, theirs = pty.openpty()
tty.setraw(theirs)
os.set_blocking(ours, False)
print(os.ttyname(theirs), flush=True)
sys.stdin.readline()
began, sent = time.perf_counter(), 0
while not select.select([sys.stdin], [], [], 0)[0]:
    due = int((time.perf_counter() - began) * {LINES_PER_S})
    lines = [f"{{n:08d}} 1234.5{{n % 10}} 68.94{{n % 10}} 101.3{{n % 10}} 20.1\\n"
             for n in range(sent, due)]
    os.write(ours, "".join(lines).encode())
    sent = due
    time.sleep(0.004)
print(sent, flush=True)
"""
RIG = """format = "proofstand.rig/1"
id = "bench"

[[stations]]
id = "A"

[[instruments]]
id = "box"
protocol = "ascii-stream"
serial = {{ port = "{port}", baud = 921600, frame = "8N1" }}
lines = {{ pattern = '(?P<n>\\d+) (?P<a>\\S+) (?P<b>\\S+) (?P<c>\\S+) (?P<d>\\S+)' }}
clock = {{ field = "n", tick = "1 ms" }}
period = "1 ms"
timeout = "1 s"
"""
CHANNEL = """
[[channels]]
id = "{id}"
role = "{id}"
station = "A"
instrument = "box"
unit = "Pa gauge"
span = ["-1 Pa gauge", "1e9 Pa gauge"]
resolution = "1 Pa difference"
field = "{id}"
"""


LOOKS_PER_S = 20  # of the bare reader: as often as ours looks


def text_stream(short: bool) -> Row:
    """Measure what 1000 lines of four channels a second take, against a bare reader."""
    seconds = 3.0 if short else 10.0
    bare, _ = _paced(partial(_bare, seconds))
    ours, how = _paced(partial(_ours, seconds))
    return Row(
        what="lines of text, 1 kHz x 4 / bare reader, CPU",
        ratio=ours / bare,
        goal=4.0,
        how=f"{1e5 * ours:.1f} % of a core, bare {1e5 * bare:.1f} %; {how}",
    )


def _paced(reader: Callable[[str, IO[str]], tuple[float, str]]) -> tuple[float, str]:
    """Let a reader have the port of a device that talks by itself once told to."""
    device = subprocess.Popen(
        [sys.executable, "-c", DEVICE],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert device.stdout is not None
        assert device.stdin is not None
        return reader(device.stdout.readline().strip(), device.stdin)
    finally:
        device.communicate(timeout=20)


def _begin(device: IO[str]) -> None:
    device.write("begin\n")
    device.flush()


def _bare(seconds: float, port: str, device: IO[str]) -> tuple[float, str]:
    """Return the CPU seconds a line, of splitting lines and turning them to numbers."""
    line = os.open(port, os.O_RDONLY | os.O_NONBLOCK)
    try:
        _begin(device)
        rest, count, kept = b"", 0, []
        time.sleep(1.0 / LOOKS_PER_S)
        os.read(line, 1 << 16)
        spent, began = time.process_time(), time.perf_counter()
        while time.perf_counter() - began < seconds:
            time.sleep(1.0 / LOOKS_PER_S)
            *lines, rest = (rest + os.read(line, 1 << 16)).split(b"\n")
            rows = [[float(text) for text in line.split()] for line in lines[1:]]
            kept.append(np.array(rows))
            count += len(lines)
        return (time.process_time() - spent) / count, ""
    finally:
        os.close(line)


def _ours(seconds: float, port: str, device: IO[str]) -> tuple[float, str]:
    """Return the CPU seconds a line of the recorder's own reading, and what was lost.

    A line, not a second: the paced device may fall behind on a busy computer.
    """
    text = RIG.format(port=port) + "".join(CHANNEL.format(id=c) for c in "abcd")
    clock = HostClock()
    instruments = open_instruments(parse_rig(text, "rig.toml"), clock)
    acquisition = Acquisition(1, instruments, clock)
    try:
        _begin(device)
        blocks = acquisition.blocks()
        next(blocks)
        read, first = acquisition.counts.read, next(blocks)
        spent, began = time.process_time(), time.perf_counter()
        while time.perf_counter() - began < seconds:
            last = next(blocks)
        spent = time.process_time() - spent
        read = acquisition.counts.read - read
        told = round((last.t_ns[-1] - first.t_ns[0]) / 1e6) + 1
        return spent / read, f"{read} lines read, {told - read} lost"
    finally:
        acquisition.stop()
        for instrument in instruments:
            instrument.close()
