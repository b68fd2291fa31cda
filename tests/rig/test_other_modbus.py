"""Our Modbus against that of others: a C library and two Python ones, both ways.

libmodbus (LGPL 2.1, as `libmodbus5` and through `mbpoll`), modbus-tk (LGPL) and
minimalmodbus (Apache 2.0); none shares code with ours or with each other.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import os
import re
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from typing import NoReturn

import minimalmodbus
import modbus_tk.defines as tk
import pytest
import serial
from modbus_tk import modbus_rtu, modbus_tcp

from records.errors import RigError
from records.rig import RegisterTable
from rig.simulator.devices import InProcessLink, ServedRig, SimulatedRig
from rig.simulator.doors import Door
from rig.simulator.registermap import CLOCK_ADDRESS, DEVICE, INPUT_COUNT
from rig.wire.modbus import RegisterLink, TcpLink
from rig.wire.registers import decode, encode
from tests.rig.ptys import Cable, rtu_link

pytestmark = pytest.mark.serial
Lacks = Callable[[str], NoReturn]

WORDS = (*encode(123.456, "float32", "ABCD"), 0xFFFF, 0, 7)
HOLDING = (*encode(-2.25, "float32", "CDAB"), 1, 2, 3)


class Still:
    """A clock that stands still, so that every answer is that of the first moment."""

    def __call__(self) -> float:
        return 1000.0


def served(protocol: str) -> ServedRig:
    door = Door(protocol=protocol)  # type: ignore[arg-type]
    return ServedRig(SimulatedRig(5), clock=Still(), door=door)


def expected() -> tuple[int, ...]:
    return InProcessLink(SimulatedRig(5)).read("input", 0, INPUT_COUNT, DEVICE)


# --- our servers, asked by others -----------------------------------------------------


def mbpoll(lacks: Lacks, *arguments: str) -> str:
    found = shutil.which("mbpoll")
    if found is None:
        lacks("mbpoll (Debian package mbpoll)")
    done = subprocess.run(
        [found, "-0", "-1", *arguments],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    return done.stdout + done.stderr


def polled(text: str) -> tuple[int, ...]:
    found = re.findall(r"\[(\d+)\]:\s+(\d+)", text)
    return tuple(int(value) for _, value in found)


def test_libmodbus_reads_our_tcp_server(lacks: Lacks) -> None:
    with served("modbus-tcp") as rig:
        where = ["-m", "tcp", "-p", str(rig.port), "-a", "1"]
        text = mbpoll(lacks, *where, "-r", "0", "-c", "18", "-t", "3", rig.host)
        assert polled(text) == expected(), text
        text = mbpoll(lacks, *where, "-r", "400", "-c", "2", "-t", "3", rig.host)
        assert "Illegal data address" in text
        text = mbpoll(lacks, *where, "-r", "0", "-c", "2", "-t", "0", rig.host)
        assert "Illegal function" in text


def test_libmodbus_reads_our_serial_server(lacks: Lacks) -> None:
    with served("modbus-rtu") as rig:
        where = ["-m", "rtu", "-b", "115200", "-P", "none", "-a", "1"]
        text = mbpoll(lacks, *where, "-r", "0", "-c", "18", "-t", "3", rig.serial)
        assert polled(text) == expected(), text
        text = mbpoll(lacks, *where, "-r", "400", "-c", "2", "-t", "3", rig.serial)
        assert "Illegal data address" in text
        # A device that is not there says nothing (serial line V1.02, 2.4.1).
        text = mbpoll(
            lacks, *where[:-1], "9", "-o", "0.2", "-r", "0", "-t", "3", rig.serial
        )
        assert "timed out" in text


def test_minimalmodbus_reads_our_serial_server() -> None:
    with served("modbus-rtu") as rig:
        device = minimalmodbus.Instrument(rig.serial, DEVICE)
        assert device.serial is not None
        device.serial.timeout = 1.0
        words = device.read_registers(0, INPUT_COUNT, functioncode=4)
        assert tuple(words) == expected()
        with pytest.raises(minimalmodbus.IllegalRequestError):
            device.read_registers(400, 2, functioncode=4)
        with pytest.raises(minimalmodbus.IllegalRequestError):
            device.write_register(0, 1, functioncode=6)
        device.serial.close()


def test_modbus_tk_reads_our_servers() -> None:
    with served("modbus-tcp") as rig:
        master = modbus_tcp.TcpMaster(rig.host, rig.port)
        master.set_timeout(2.0)
        got = master.execute(DEVICE, tk.READ_INPUT_REGISTERS, 0, INPUT_COUNT)
        assert tuple(got) == expected()
        master.close()
    with served("modbus-rtu") as rig:
        line = serial.Serial(rig.serial, 115_200)
        master = modbus_rtu.RtuMaster(line)
        master.set_timeout(1.0)
        got = master.execute(DEVICE, tk.READ_INPUT_REGISTERS, 0, INPUT_COUNT)
        assert tuple(got) == expected()
        assert decode(got[CLOCK_ADDRESS : CLOCK_ADDRESS + 4], "uint64", "ABCD") == 0
        master.close()


# --- others' servers, read by ours ----------------------------------------------------


def check_reading(link: RegisterLink) -> None:
    tables: dict[RegisterTable, tuple[int, ...]] = {"input": WORDS, "holding": HOLDING}
    for table, words in tables.items():
        assert link.read(table, 0, 5, 17) == words
        assert link.read(table, 2, 1, 17) == words[2:3]
    got = link.read("input", 0, 2, 17)
    assert decode(got, "float32", "ABCD") == pytest.approx(123.456, rel=1e-7)
    got = link.read("holding", 0, 2, 17)
    assert decode(got, "float32", "CDAB") == -2.25
    for address, count in ((4, 2), (300, 1)):
        with pytest.raises(RigError) as caught:
            link.read("input", address, count, 17)
        assert caught.value.id == "instrument_refused"
        assert caught.value.facts["code"] == "2"
    assert link.read("input", 0, 5, 17) == WORDS


# In a process of its own: it warns and leaves sockets open in its own manner.
MODBUS_TK = f"""
import sys, time, serial
import modbus_tk.defines as tk
from modbus_tk import modbus_rtu, modbus_tcp
where = sys.argv[1]
if where.isdigit():
    server = modbus_tcp.TcpServer(int(where), "127.0.0.1")
else:
    server = modbus_rtu.RtuServer(serial.Serial(where, 115200))
device = server.add_slave(17)
device.add_block("in", tk.ANALOG_INPUTS, 0, 5)
device.add_block("hold", tk.HOLDING_REGISTERS, 0, 5)
device.set_values("in", 0, {WORDS})
device.set_values("hold", 0, {HOLDING})
server.start()
time.sleep(0.5)
print("serving", flush=True)
sys.stdin.read()
"""


@contextmanager
def modbus_tk_at(where: str) -> Iterator[None]:
    process = subprocess.Popen(
        [sys.executable, "-c", MODBUS_TK, where],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "serving\n"
        yield
    finally:
        process.kill()
        process.communicate(timeout=20)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as free:
        return int(free.getsockname()[1])


def test_our_tcp_client_reads_modbus_tk() -> None:
    port = free_port()
    with (
        modbus_tk_at(str(port)),
        closing(TcpLink("127.0.0.1", port, 2.0)) as link,
    ):
        check_reading(link)


def test_our_serial_client_reads_modbus_tk() -> None:
    with (
        closing(Cable()) as cable,
        modbus_tk_at(cable.other),
        closing(rtu_link(cable.one, timeout_s=2.0)) as link,
    ):
        check_reading(link)
        assert link.counts.told() == {"refused": "2"}


class Mapping(ctypes.Structure):
    """modbus_mapping_t of libmodbus 3.1."""

    _fields_ = (
        ("nb_bits", ctypes.c_int),
        ("start_bits", ctypes.c_int),
        ("nb_input_bits", ctypes.c_int),
        ("start_input_bits", ctypes.c_int),
        ("nb_input_registers", ctypes.c_int),
        ("start_input_registers", ctypes.c_int),
        ("nb_registers", ctypes.c_int),
        ("start_registers", ctypes.c_int),
        ("tab_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_registers", ctypes.POINTER(ctypes.c_uint16)),
        ("tab_registers", ctypes.POINTER(ctypes.c_uint16)),
    )


class LibModbus:
    """A server made with the C library, serving from a thread."""

    def __init__(self, library: ctypes.CDLL) -> None:
        self.lib = library
        for name in ("modbus_new_tcp", "modbus_new_rtu"):
            getattr(library, name).restype = ctypes.c_void_p
        library.modbus_mapping_new.restype = ctypes.POINTER(Mapping)
        self.map = library.modbus_mapping_new(0, 0, 5, 5)
        for i in range(5):
            self.map.contents.tab_input_registers[i] = WORDS[i]
            self.map.contents.tab_registers[i] = HOLDING[i]
        self.requests: list[bytes] = []
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._context = ctypes.c_void_p()
        self._listener = -1
        self._open = True

    def tcp(self) -> int:
        self._context = ctypes.c_void_p(self.lib.modbus_new_tcp(b"127.0.0.1", 0))
        listener = self.lib.modbus_tcp_listen(self._context, 1)
        assert listener >= 0
        self._listener = listener
        with socket.socket(fileno=socket.dup(listener)) as same:
            port = int(same.getsockname()[1])

        def accept() -> None:
            here = ctypes.c_int(listener)
            self.lib.modbus_tcp_accept(self._context, ctypes.byref(here))

        self._start(accept)
        return port

    def rtu(self, name: str) -> None:
        new = self.lib.modbus_new_rtu
        self._context = ctypes.c_void_p(
            new(name.encode(), 115_200, ctypes.c_char(b"N"), 8, 1)
        )
        self.lib.modbus_set_slave(self._context, 17)
        assert self.lib.modbus_connect(self._context) == 0
        self._start(lambda: None)

    def _start(self, first: Callable[[], None]) -> None:
        self.lib.modbus_set_indication_timeout(self._context, 0, 100_000)

        def serve() -> None:
            first()
            request = (ctypes.c_uint8 * 260)()
            while not self._stop.is_set():
                size = self.lib.modbus_receive(self._context, request)
                if size > 0:
                    self.requests.append(bytes(request[:size]))
                    self.lib.modbus_reply(self._context, request, size, self.map)

        self._thread = threading.Thread(target=serve)
        self._thread.start()

    def close(self) -> None:
        if not self._open:
            return
        self._open = False
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        self.lib.modbus_close(self._context)
        if self._listener >= 0:
            os.close(self._listener)
        self.lib.modbus_free(self._context)
        self.lib.modbus_mapping_free(self.map)


@pytest.fixture
def library(lacks: Lacks) -> Iterator[LibModbus]:
    name = ctypes.util.find_library("modbus")
    if name is None:
        lacks("libmodbus (Debian package libmodbus5)")
    with closing(LibModbus(ctypes.CDLL(name))) as made:
        yield made


def test_our_tcp_client_reads_libmodbus(library: LibModbus) -> None:
    with closing(TcpLink("127.0.0.1", library.tcp(), 2.0)) as link:
        check_reading(link)
    assert {request[7] for request in library.requests} == {3, 4}


def test_our_serial_client_reads_libmodbus(library: LibModbus) -> None:
    with closing(Cable()) as cable:
        library.rtu(cable.other)
        with closing(rtu_link(cable.one, timeout_s=2.0)) as link:
            check_reading(link)
            assert link.counts.told() == {"refused": "2"}
        assert {request[1] for request in library.requests} == {3, 4}
        library.close()
