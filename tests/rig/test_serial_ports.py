"""Serial ports: which there are, who holds them, by identity, over the network."""

from __future__ import annotations

import select
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import serial
import serial.rfc2217
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from proofstand.words.sentences import trouble
from records.errors import RigError
from records.rig import SerialLine
from rig.wire.serial_port import SerialPort, is_frame, known_ports
from tests.rig.ptys import Port, rtu_link
from tests.rig.test_wire_rtu import reply_to

pytestmark = pytest.mark.serial


def a_port(device: str, vid: int | None, pid: int | None, number: str) -> ListPortInfo:
    info = ListPortInfo(device)
    info.vid, info.pid, info.serial_number = vid, pid, number
    return info


@pytest.fixture
def port(tmp_path: Path) -> Iterator[Port]:
    with Port(tmp_path / "ttyBench", lambda request: [reply_to(request)]) as made:
        yield made


def test_a_port_that_does_not_exist_lists_those_that_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    there = [a_port("/dev/ttyS7", None, None, ""), a_port("/dev/ttyUSB3", 1, 2, "A7")]
    monkeypatch.setattr(list_ports, "comports", lambda: there)
    assert known_ports() == ["/dev/ttyS7", "/dev/ttyUSB3 (usb:0001:0002:A7)"]
    for wanted in ("/dev/ttyUSB9", "usb:0403:6001", "usb:0001:0002:A8"):
        with pytest.raises(RigError) as caught:
            rtu_link(wanted).read("holding", 0, 1, 1)
        assert caught.value.id == "serial_port_missing"
        assert caught.value.facts["port"] == wanted
        assert "/dev/ttyUSB3 (usb:0001:0002:A7)" in caught.value.facts["known"]


def test_a_port_is_found_by_the_identity_of_its_adapter(
    port: Port, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = [
        a_port("/dev/ttyUSB0", 0x0403, 0x6001, "B1"),
        a_port(str(port.name), 0x0403, 0x6001, "B2"),
        a_port("/dev/ttyUSB1", 0x0404, 0x6001, "B2"),
    ]
    monkeypatch.setattr(list_ports, "comports", lambda: there)
    link = rtu_link("usb:0403:6001:B2")
    assert link.read("holding", 0, 1, 1) == (100,)
    link.close()
    with pytest.raises(RigError) as caught:
        rtu_link("usb:0403:6001").read("holding", 0, 1, 1)
    assert caught.value.id == "serial_port_ambiguous"
    assert str(port.name) in caught.value.facts["fitting"]


def test_the_adapter_may_come_back_under_another_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = ["one"]

    def there() -> list[ListPortInfo]:
        return [a_port(str(tmp_path / name[0]), 0x0403, 0x6001, "B2")]

    monkeypatch.setattr(list_ports, "comports", there)
    link = rtu_link("usb:0403:6001:B2")
    with Port(tmp_path / "one", lambda r: [reply_to(r, 1)]):
        assert link.read("holding", 0, 1, 1) == (1,)
    with pytest.raises(RigError):
        link.read("holding", 0, 1, 1)
    with Port(tmp_path / "two", lambda r: [reply_to(r, 2)]):
        name[0] = "two"
        assert link.read("holding", 0, 1, 1) == (2,)
        link.close()


def test_two_processes_wanting_one_port(port: Port) -> None:
    code = (
        "import sys\n"
        "from records.rig import SerialLine\n"
        "from rig.wire.serial_port import SerialPort\n"
        "port = SerialPort(SerialLine(port=sys.argv[1], baud=9600, frame='8N1'))\n"
        "port.open()\n"
        "print('open', flush=True)\n"
        "sys.stdin.read()\n"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(port.name)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "open\n"
        with pytest.raises(RigError) as caught:
            rtu_link(port).read("holding", 0, 1, 1)
        assert caught.value.id == "serial_port_in_use"
        assert caught.value.facts["port"] == str(port.name)
    finally:
        other.communicate(timeout=20)
    link = rtu_link(port)
    assert link.read("holding", 0, 1, 1) == (100,)
    link.close()


@pytest.mark.parametrize("name", ["plain", "", "/dev/null"])
def test_what_is_no_serial_port(tmp_path: Path, name: str) -> None:
    (tmp_path / "plain").write_text("x")
    path = str(tmp_path / name)  # a file, a folder, a device of another kind
    with pytest.raises(RigError) as caught:
        rtu_link(path).read("holding", 0, 1, 1)
    assert caught.value.id == "serial_port_other"
    told = trouble(caught.value)
    assert path in told.what
    assert "Ports of this computer" in told.do


class NoModem(serial.Serial):
    """A pseudo terminal has no modem lines to ask for."""

    cts = dsr = ri = cd = False

    def _update_rts_state(self) -> None:
        pass

    _update_dtr_state = _update_rts_state


@contextmanager
def gateway(link: Port, kind: str) -> Iterator[str]:
    """Put a serial port on the network: plain, or with settings by RFC 2217."""
    device: Any = NoModem(str(link.name), 115_200, timeout=0)
    listener = socket.create_server(("127.0.0.1", 0))
    stop = threading.Event()

    def serve() -> None:
        line, _ = listener.accept()
        with line:
            manager = None
            if kind == "rfc2217":
                out = type("Out", (), {"write": lambda _, data: line.sendall(data)})()
                manager = serial.rfc2217.PortManager(device, out)
            while not stop.is_set():
                ready, _, _ = select.select([line, device], [], [], 0.02)
                if line in ready:
                    data = line.recv(1024)
                    if not data:
                        return
                    if manager is not None:
                        data = b"".join(manager.filter(data))
                    device.write(data)
                if device in ready:
                    data = device.read(1024)
                    if manager is not None:
                        data = b"".join(manager.escape(data))
                    line.sendall(data)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield f"{kind}://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        stop.set()
        with suppress(OSError):
            listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join()
        device.close()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
@pytest.mark.parametrize("kind", ["socket", "rfc2217"])
def test_a_port_over_the_network(port: Port, kind: str) -> None:
    with gateway(port, kind) as url:
        link = rtu_link(url, timeout_s=1.0)
        for _ in range(3):
            assert link.read("holding", 0, 3, 9) == (100, 101, 102)
        link.close()


def test_a_gateway_that_is_not_there() -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        number = free.getsockname()[1]
    with pytest.raises(RigError) as caught:
        rtu_link(f"socket://127.0.0.1:{number}").read("holding", 0, 1, 1)
    assert caught.value.id == "serial_port_failed"
    assert str(number) in caught.value.facts["port"]


@pytest.mark.parametrize(
    ("frame", "good"),
    [("8E1", True), ("7O2", True), ("8N1", True), ("9N1", False), ("8X1", False)],
)
def test_frames_are_named_as_the_trade_does(frame: str, good: bool) -> None:
    # common practice, no source: data bits, parity, stop bits
    assert is_frame(frame) is good


def test_a_closed_port_says_so() -> None:
    port = SerialPort(SerialLine(port="/dev/none", baud=9600, frame="8N1"))
    assert not port.is_open
    port.close()
    assert port.character_s == pytest.approx(11 / 9600)
