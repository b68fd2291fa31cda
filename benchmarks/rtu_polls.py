"""How much of what a serial wire allows the Modbus RTU client reaches."""

import statistics
import subprocess
import sys
import time

from rig.clock import HostClock
from rig.instruments.modbus import ModbusInstrument
from rig.rigfile import parse_rig
from rig.wire.rtu import RtuBus, RtuLink
from rig.wire.serial_port import SerialPort

from .paced_bus import most_polls_per_s
from .table import Row

RIG = """format = "proofstand.rig/1"
id = "bench"

[[stations]]
id = "A"

[[instruments]]
id = "box"
protocol = "modbus-rtu"
serial = {{ port = "{port}", baud = {baud}, frame = "8E1" }}
period = "1 ms"
timeout = "500 ms"
"""
CHANNEL = """
[[channels]]
id = "c{n}"
role = "c{n}"
station = "A"
instrument = "box"
unit = "Pa gauge"
span = ["-1 Pa gauge", "1e9 Pa gauge"]
resolution = "1 Pa difference"
register = {{ address = {address}, type = "int32" }}
"""


def rtu_polls(short: bool, baud: int, share: float) -> Row:
    """Compare the rate of polls of eight registers with what the wire allows."""
    device = subprocess.Popen(
        [sys.executable, "-m", "benchmarks.paced_bus", str(baud)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert device.stdout is not None
        port = device.stdout.readline().strip()
        text = RIG.format(port=port, baud=baud) + "".join(
            CHANNEL.format(n=n, address=2 * n) for n in range(4)
        )
        rig = parse_rig(text, "rig.toml")
        declared = rig.instruments[0]
        assert declared.serial is not None
        link = RtuLink(RtuBus(SerialPort(declared.serial)), 0.5)
        box = ModbusInstrument(declared, rig.columns("box"), link, HostClock())
        most = most_polls_per_s(baud)
        polls = round(most * (1.0 if short else 4.0))
        box.read()
        rates = []
        for _ in range(3):
            began = time.perf_counter()
            for _ in range(polls):
                box.read()
            rates.append(polls / (time.perf_counter() - began))
        box.close()
        failed = sum(link.counts.values())
    finally:
        device.communicate(timeout=20)
    rate = statistics.median(rates)
    return Row(
        what=f"RTU at {baud} baud: wire / polls",
        ratio=most / rate,
        goal=1.0 / share,
        how=f"{rate:.1f} of {most:.1f} polls/s = {rate / most:.1%}, goal {share:.0%}, "
        f"median of 3 x {polls}, {failed} wire faults",
    )
