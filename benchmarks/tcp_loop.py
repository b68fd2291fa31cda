"""What the recorder's loop costs on Modbus TCP, against the client library alone."""

import statistics
import subprocess
import sys
import time
from typing import Any

from pymodbus.client import ModbusTcpClient

from rig.acquisition import Acquisition, open_instruments
from rig.rigfile import parse_rig
from rig.simulator.registermap import DEVICE, INPUT_COUNT
from rig.simulator.rigtext import rig_text

from .table import Row

SERVER = f"""
from itertools import count
from rig.simulator.devices import SimulatedRig
from rig.simulator.registermap import DEVICE
from rig.wire.modbus_server import TcpServer
from rig.wire.registers import encode
number = count(1)
rest = SimulatedRig(1).read("input", 4, {INPUT_COUNT - 4})
class Bank:
    def read(self, table, address, n):
        return encode(next(number) * 50_000, "uint64", "ABCD") + rest
    def write(self, address, words): pass
    def tick(self): pass
server = TcpServer(Bank(), device=DEVICE)
print(server.port, flush=True)
server.wait()
"""


def tcp_loop(short: bool) -> Row:
    """Compare CPU time a poll: decoded, flagged, in blocks; and asked for only."""
    server = subprocess.Popen(
        [sys.executable, "-c", SERVER], stdout=subprocess.PIPE, text=True
    )
    try:
        assert server.stdout is not None
        port = int(server.stdout.readline())
        polls = 1000 if short else 4000
        bare, ours = [], []
        for _ in range(3 if short else 7):  # by turns: a busy moment hits both alike
            bare.append(_bare(port, polls))
            ours.append(_ours(port, polls))
    finally:
        server.kill()
        server.communicate()
    return Row(
        what="Modbus TCP loop / bare client, CPU",
        ratio=statistics.median(ours) / statistics.median(bare),
        goal=1.3,
        how=f"medians of {len(bare)} x {polls} polls of {INPUT_COUNT} registers; bare "
        f"{statistics.median(bare) * 1e6:.0f} us a poll",
    )


def _bare(port: int, polls: int) -> float:
    client: Any = ModbusTcpClient("127.0.0.1", port=port, retries=0)
    client.connect()
    client.read_input_registers(0, count=INPUT_COUNT, device_id=DEVICE)
    began = time.process_time()
    for _ in range(polls):
        client.read_input_registers(0, count=INPUT_COUNT, device_id=DEVICE)
    spent = time.process_time() - began
    client.close()
    return spent / polls


class _Eager:
    """A clock on which every reading is due when it is asked: no sleeping counted."""

    def __init__(self) -> None:
        self._ahead = 0

    def monotonic_ns(self) -> int:
        return time.monotonic_ns() + self._ahead

    def utc_ns(self) -> int:
        return time.time_ns()

    def wall_ns(self, elapsed_ns: int) -> int:
        """Return the same: time passes as fast here as on the wall."""
        return elapsed_ns

    def sleep_until_ns(self, monotonic_ns: int) -> None:
        self._ahead = max(self._ahead, monotonic_ns - time.monotonic_ns())


def _ours(port: int, polls: int) -> float:
    clock = _Eager()
    rig = parse_rig(rig_text("127.0.0.1", port, 1.0), "rig.toml")
    instruments = open_instruments(rig, clock)
    acquisition = Acquisition(1, instruments, clock)
    blocks = acquisition.blocks()
    next(blocks)
    read = acquisition.counts.read
    began = time.process_time()
    while acquisition.counts.read - read < polls:
        next(blocks)
    spent = time.process_time() - began
    done = acquisition.counts.read - read
    acquisition.stop()
    for instrument in instruments:
        instrument.close()
    return spent / done
