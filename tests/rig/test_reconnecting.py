"""Instruments that go away and come back, on real sockets and pseudo terminals.

Whatever happens, the record says what was not read; nothing old stands in for it.
"""

from __future__ import annotations

import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from records.errors import RigError
from records.rig import Rig
from records.trace import Block, Flag
from rig.acquisition import Acquisition, open_instruments
from rig.clock import HostClock
from rig.rigfile import load_rig, parse_rig
from rig.wire.rtu_frame import with_check
from tests.rig.ptys import Port

pytestmark = pytest.mark.serial

HEAD = """format = "proofstand.rig/1"
id = "bench"

[[stations]]
id = "A"
"""
RTU = """
[[instruments]]
id = "{id}"
protocol = "modbus-rtu"
serial = {{ port = "{port}", baud = 115200, frame = "8N1" }}
device = {device}
period = "20 ms"
timeout = "100 ms"
patience = "{patience}"

[[channels]]
id = "{id}"
role = "{id}"
station = "A"
instrument = "{id}"
unit = "Pa gauge"
span = ["-1 Pa gauge", "100000 Pa gauge"]
resolution = "1 Pa difference"
register = {{ address = 0, type = "uint16" }}
"""


class Counter:
    """A device whose register counts its answers."""

    def __init__(self) -> None:
        self.answers = 0
        self.silent = False

    def __call__(self, request: bytes) -> list[bytes | float]:
        if self.silent:
            return []
        self.answers += 1
        words = struct.pack(">H", self.answers)
        return [with_check(request[:2] + b"\x02" + words)]


class Recorded:
    """Reads a rig in a thread until told to stop."""

    def __init__(self, rig: Rig, clock: HostClock | None = None) -> None:
        clock = clock or HostClock()
        self.instruments = open_instruments(rig, clock)
        self.acquisition = Acquisition(1, self.instruments, clock)
        self.blocks: list[Block] = []
        self.error: BaseException | None = None
        self._stop = False
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        try:
            for block in self.acquisition.blocks():
                self.blocks.append(block)
                if self._stop:
                    break
        except RigError as error:
            self.error = error

    def flags(self, instrument: str) -> list[int]:
        blocks = [b for b in self.blocks if b.instrument == instrument]
        return [int(f) for b in blocks for f in b.flags[:, 0]]

    def wait_for(self, what: Callable[[], bool], most_s: float = 30.0) -> None:
        until = time.monotonic() + most_s
        while not what():
            assert time.monotonic() < until, "it did not come about"
            assert self.error is None, self.error
            time.sleep(0.01)

    def good(self, instrument: str, n: int) -> None:
        """Wait for n more good samples."""
        had = self.flags(instrument).count(0)
        self.wait_for(lambda: self.flags(instrument).count(0) >= had + n)

    def missing(self, instrument: str, n: int) -> None:
        had = self.flags(instrument).count(int(Flag.MISSING))
        self.wait_for(
            lambda: self.flags(instrument).count(int(Flag.MISSING)) >= had + n
        )

    def saw(self, what: str) -> bool:
        """Tell whether something came about that nobody has asked for yet."""
        return any(i.what == what for i in list(self.acquisition._incidents))

    def close(self) -> None:
        self._stop = True
        self._thread.join()
        self.blocks += self.acquisition.flush()
        for instrument in self.instruments:
            instrument.close()

    def samples(self, instrument: str) -> tuple[np.ndarray, ...]:
        blocks = [b for b in self.blocks if b.instrument == instrument]
        return (
            np.concatenate([b.t_ns for b in blocks]),
            np.concatenate([b.raw[:, 0] for b in blocks]),
            np.concatenate([b.flags[:, 0] for b in blocks]),
        )


@pytest.fixture
def port(tmp_path: Path) -> Iterator[Port]:
    with Port(tmp_path / "ttyBench", Counter()) as made:
        yield made


def rtu(port: Port, id: str = "outlet", device: int = 1, patience: str = "60 s") -> str:
    return RTU.format(id=id, port=port.name, device=device, patience=patience)


def test_a_port_pulled_mid_run_and_put_back(port: Port) -> None:
    with closing(Recorded(parse_rig(HEAD + rtu(port), "r"))) as run:
        run.good("outlet", 10)
        port.pull()
        run.missing("outlet", 4)
        run.wait_for(lambda: bool(run.acquisition._incidents))
        port.put_back()
        run.good("outlet", 10)
    t, raw, flags = run.samples("outlet")
    assert np.all(np.diff(t) > 0)
    assert np.all(np.isnan(raw) == (flags == Flag.MISSING))
    good = raw[flags == 0]
    assert np.all(np.diff(good) >= 1.0), "no answer stands twice, none out of order"
    silent, back = run.acquisition.incidents()
    assert (silent.what, back.what) == ("silent", "back")
    assert float(back.data["after_s"]) >= 1.0
    told = run.acquisition.told()["outlet"]
    assert told["reopened"] == "1"
    assert int(told["failed"]) == int((flags == Flag.MISSING).sum())
    # the gap holds missing samples all along, never more than a quarter second apart
    assert np.diff(t).max() < 1e9


def test_one_that_stays_away_is_lost(port: Port) -> None:
    with closing(Recorded(parse_rig(HEAD + rtu(port, patience="0.5 s"), "r"))) as run:
        run.good("outlet", 5)
        port.pull()
        run._thread.join(30)
    assert isinstance(run.error, RigError)
    assert run.error.id == "instrument_lost"
    assert run.error.facts["at"] == str(port.name)
    assert run.error.facts["cause"] == "serial_port_missing"
    _, _, flags = run.samples("outlet")
    assert (flags == 0).sum() >= 5


def test_a_silent_instrument_does_not_hold_up_another_line(
    port: Port, tmp_path: Path
) -> None:
    silent = Counter()
    with Port(tmp_path / "ttyOther", silent) as other:
        text = HEAD + rtu(port) + rtu(other, "inlet")
        with closing(Recorded(parse_rig(text, "r"))) as run:
            run.good("outlet", 5)
            run.good("inlet", 5)
            silent.silent = True
            run.missing("inlet", 3)
            before = run.acquisition.counts.overrun
            run.good("outlet", 40)
            silent.silent = False
            run.good("inlet", 5)
    t, _, flags = run.samples("outlet")
    assert set(flags.tolist()) == {0}
    assert np.all(np.diff(t) > 0)
    assert run.acquisition.counts.overrun >= before
    _, _, flags = run.samples("inlet")
    assert int((flags == Flag.MISSING).sum()) >= 3
    assert run.acquisition.part.origins.keys() == {"outlet", "inlet"}


def test_two_devices_on_one_bus_share_its_port(port: Port) -> None:
    text = HEAD + rtu(port) + rtu(port, "inlet", device=2)
    with closing(Recorded(parse_rig(text, "r"))) as run:
        run.good("outlet", 10)
        run.good("inlet", 10)
    asked = b"".join(port.heard)
    frames = [asked[i : i + 8] for i in range(0, len(asked), 8)]
    assert {frame[0] for frame in frames} == {1, 2}
    assert {frame[1] for frame in frames} == {4}


def test_a_device_that_falls_one_answer_behind(port: Port) -> None:
    counter = port.device
    assert isinstance(counter, Counter)
    owed: list[bytes | float] = []

    def one_behind(request: bytes) -> list[bytes | float]:
        owed.extend(counter(request))
        # from the tenth on it answers with the one before, and catches up at the 20th
        if counter.answers == 10:
            return []
        if counter.answers == 20:
            out, owed[:] = owed[:], []
            return out
        return [owed.pop(0)]

    port.device = one_behind
    with closing(Recorded(parse_rig(HEAD + rtu(port), "r"))) as run:
        run.wait_for(lambda: run.acquisition.counts.read >= 40)
    _, raw, flags = run.samples("outlet")
    told = run.acquisition.told()["outlet"]
    assert int(told["late"]) >= 1
    good = raw[flags == 0]
    assert np.all(np.diff(good) > 0), "none of them is counted twice"


SIM = """format = "proofstand.sim/1"
seed = 3
protocol = "{protocol}"
port = {port}
{more}
"""


class Served:
    """`proofstand serve` in a process that can be killed and started again."""

    def __init__(
        self, folder: Path, protocol: str, port: int = 0, more: str = ""
    ) -> None:
        self.folder = folder
        self.sim = folder / "sim.toml"
        self.rig = folder / "rig.toml"
        self.sim.write_text(SIM.format(protocol=protocol, port=port, more=more))
        self.process = self.start()

    def start(self) -> subprocess.Popen[str]:
        self.rig.unlink(missing_ok=True)
        process = subprocess.Popen(
            [
                sys.executable, "-m", "proofstand", "serve", str(self.sim),
                "--write-rig", str(self.rig),
            ],
            stdout=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        assert process.stdout is not None
        for line in process.stdout:
            if line.startswith("rig file:"):
                return process
        raise AssertionError("it did not start")

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(20)
        assert self.process.stdout is not None
        self.process.stdout.close()

    def close(self) -> None:
        if self.process.poll() is None:
            self.kill()


def free_port() -> int:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as free:
        return int(free.getsockname()[1])


@pytest.mark.parametrize("protocol", ["modbus-tcp", "modbus-rtu", "ascii-stream"])
def test_a_server_killed_and_restarted(tmp_path: Path, protocol: str) -> None:
    more = f'link = "{tmp_path / "ttySim"}"' if protocol != "modbus-tcp" else ""
    with closing(Served(tmp_path, protocol, free_port(), more)) as server:
        with closing(Recorded(load_rig(server.rig))) as run:
            run.good("rig-io", 20)
            server.kill()
            run.missing("rig-io", 3)
            server.process = server.start()
            run.good("rig-io", 20)
    t, raw, flags = run.samples("rig-io")
    # The device's clock began at zero again; time on the record went on.
    good = t[flags == 0]
    assert np.all(np.diff(good) > 0)
    incidents = {i.what for i in run.acquisition.incidents()}
    assert "clock_set" in incidents
    assert not np.any((flags == 0) & np.isnan(raw))
    assert run.acquisition.told()["rig-io"]["reopened"]


def test_a_device_that_reboots(tmp_path: Path) -> None:
    # Again and again: a recorder that the computer itself kept from reading meanwhile
    # can't know of a reboot, and goes on by the device's clock.
    more = "".join(
        f'\n[[wire_faults]]\nkind = "reboot"\nbegins = "{at} s"\nlasts = "1.5 s"\n'
        for at in range(2, 90, 8)
    )
    with closing(Served(tmp_path, "modbus-rtu", more=more)) as server:
        with closing(Recorded(load_rig(server.rig))) as run:
            run.good("rig-io", 20)
            run.wait_for(lambda: run.saw("clock_set"), most_s=80.0)
            run.good("rig-io", 20)
    t, _, flags = run.samples("rig-io")
    good = t[flags == 0]
    assert np.all(np.diff(good) > 0)
    gap = np.diff(good).max() * 1e-9
    assert 1.0 < gap < 10.0, "about as long as it was away"
    shifts = [i for i in run.acquisition.incidents() if i.what == "clock_set"]
    assert shifts
    # At the first 2 s; at a later one the 8 s since the one before.
    assert 0.5e9 < int(shifts[0].data["shift_ns"]) < 10e9
