"""What a free-running instrument of 1000 lines a second costs."""

import subprocess
import sys
import time

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


def text_stream(short: bool) -> Row:
    """Measure the share of a core that 1000 lines of four channels a second take."""
    device = subprocess.Popen(
        [sys.executable, "-c", DEVICE],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert device.stdout is not None
        assert device.stdin is not None
        port = device.stdout.readline().strip()
        text = RIG.format(port=port) + "".join(CHANNEL.format(id=c) for c in "abcd")
        clock = HostClock()
        instruments = open_instruments(parse_rig(text, "rig.toml"), clock)
        acquisition = Acquisition(1, instruments, clock)
        device.stdin.write("begin\n")
        device.stdin.flush()
        blocks = acquisition.blocks()
        next(blocks)
        seconds = 3.0 if short else 10.0
        read, first = acquisition.counts.read, next(blocks)
        spent, began = time.process_time(), time.perf_counter()
        while time.perf_counter() - began < seconds:
            last = next(blocks)
        spent = time.process_time() - spent
        took = time.perf_counter() - began
        read = acquisition.counts.read - read
        told = round((last.t_ns[-1] - first.t_ns[0]) / 1e6) + 1
        acquisition.stop()
        for instrument in instruments:
            instrument.close()
    finally:
        device.communicate(timeout=20)
    return Row(
        what="lines of text, 1 kHz x 4: % of a core",
        # of 1000 lines a second, whatever the paced device managed
        ratio=100.0 * spent * 1000.0 / read,
        goal=2.0,
        how=f"CPU over {took:.0f} s; {read} lines read, {told - read} lost",
    )
