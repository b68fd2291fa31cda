"""Frames on a real socket against the public protocol text, both ends.

Source of the frames: Modbus application protocol specification V1.1b3, examples of 6.3
(read holding registers), 6.4 (read input registers), 6.12 (write multiple registers)
and section 7 (exception responses); header as in Modbus messaging on TCP/IP
implementation guide V1.0b, 3.1.3.
"""

import socket
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence

import pytest

from records.errors import InputError, RigError
from records.rig import RegisterTable
from rig.wire.modbus import TcpLink
from rig.wire.modbus_server import TcpServer
from rig.wire.modbus_write import LoopbackWriter

pytestmark = pytest.mark.serial


def adu(transaction: int, device: int, pdu: str) -> bytes:
    body = bytes.fromhex(pdu)
    return struct.pack(">HHHB", transaction, 0, len(body) + 1, device) + body


def received(connection: socket.socket, size: int) -> bytes:
    data = b""
    while len(data) < size:
        more = connection.recv(size - len(data))
        if not more:
            break
        data += more
    return data


# --- our server, asked by a plain socket ----------------------------------------------


class Bank:
    """The registers of the specification's examples."""

    def __init__(self) -> None:
        self.holding = {0x6B: 0x022B, 0x6C: 0x0000, 0x6D: 0x0064, 1: 0, 2: 0}
        self.input = {8: 0x000A}
        self.reads: list[tuple[str, int, int]] = []
        self.ticks = 0
        self.fail: Exception | None = None

    def read(self, table: RegisterTable, address: int, count: int) -> tuple[int, ...]:
        if self.fail is not None:
            raise self.fail
        self.reads.append((table, address, count))
        bank = self.holding if table == "holding" else self.input
        return tuple(bank[address + i] for i in range(count))

    def write(self, address: int, words: Sequence[int]) -> None:
        if 0xFFFF in words:
            raise ValueError("not a position")
        for i, word in enumerate(words):
            if address + i not in self.holding:
                raise LookupError(address + i)
            self.holding[address + i] = word

    def tick(self) -> None:
        self.ticks += 1


@pytest.fixture
def bank() -> Bank:
    return Bank()


@pytest.fixture
def server(bank: Bank) -> Iterator[TcpServer]:
    server = TcpServer(bank, device=17)
    yield server
    server.close()


@pytest.mark.parametrize(
    ("request_pdu", "answer_pdu"),
    [
        ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),  # 6.3, registers 108 to 110
        ("04 00 08 00 01", "04 02 00 0A"),  # 6.4, input register 9
        ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),  # 6.12
        ("03 00 6E 00 01", "83 02"),  # illegal data address
        ("03 00 6B 00 04", "83 02"),  # its last register does not exist
        ("04 00 6B 00 03", "84 02"),  # the other table
        ("10 00 01 00 01 02 FF FF", "90 03"),  # illegal data value
        ("01 00 00 00 01", "81 01"),  # read coils: illegal function here
        ("02 00 00 00 01", "82 01"),
        ("05 00 01 FF 00", "85 01"),
        ("06 00 01 00 03", "86 01"),  # write single register
        ("17 00 6B 00 03 00 01 00 01 02 00 00", "97 01"),  # read and write
    ],
)
def test_server_answers_as_the_specification(
    server: TcpServer, request_pdu: str, answer_pdu: str
) -> None:
    wanted = adu(0x1501, 17, answer_pdu)
    with socket.create_connection((server.host, server.port), timeout=5) as line:
        line.sendall(adu(0x1501, 17, request_pdu))
        assert received(line, len(wanted)) == wanted


def test_server_asks_the_bank_and_takes_what_is_written(
    server: TcpServer, bank: Bank
) -> None:
    with socket.create_connection((server.host, server.port), timeout=5) as line:
        line.sendall(adu(1, 17, "10 00 01 00 02 04 00 0A 01 02"))
        received(line, 12)
        line.sendall(adu(2, 17, "03 00 01 00 02"))
        assert received(line, 13) == adu(2, 17, "03 04 00 0A 01 02")
    assert bank.reads == [("holding", 1, 2)]
    assert (bank.holding[1], bank.holding[2]) == (0x000A, 0x0102)


def test_another_device_is_not_there(server: TcpServer) -> None:
    # Section 7: exception 0B, the gateway's target device gave no response.
    with socket.create_connection((server.host, server.port), timeout=5) as line:
        line.sendall(adu(7, 18, "03 00 6B 00 03"))
        assert received(line, 9) == adu(7, 18, "83 0B")


def test_a_fault_of_the_bank_is_device_failure(server: TcpServer, bank: Bank) -> None:
    bank.fail = RuntimeError("planted")
    with socket.create_connection((server.host, server.port), timeout=5) as line:
        line.sendall(adu(7, 17, "03 00 6B 00 03"))
        assert received(line, 9) == adu(7, 17, "83 04")


def test_two_clients_at_once_and_a_frame_in_pieces(server: TcpServer) -> None:
    where = (server.host, server.port)
    with (
        socket.create_connection(where, timeout=5) as one,
        socket.create_connection(where, timeout=5) as two,
    ):
        frame = adu(1, 17, "03 00 6B 00 03")
        one.sendall(frame[:5])
        two.sendall(adu(2, 17, "04 00 08 00 01"))
        assert received(two, 11) == adu(2, 17, "04 02 00 0A")
        one.sendall(frame[5:])
        assert received(one, 15) == adu(1, 17, "03 06 02 2B 00 00 00 64")


def test_closing_ends_the_thread_and_frees_the_port(bank: Bank) -> None:
    before = threading.active_count()
    server = TcpServer(bank, device=17)
    port = server.port
    line = socket.create_connection((server.host, port), timeout=5)
    line.sendall(adu(1, 17, "04 00 08 00 01"))
    received(line, 11)
    server.close()
    assert line.recv(1) == b""
    line.close()
    assert threading.active_count() == before
    assert server.failed is None
    assert server.wait(0.0)
    again = TcpServer(bank, port=port)
    assert again.port == port
    again.close()


def test_a_taken_port_is_said(server: TcpServer, bank: Bank) -> None:
    with pytest.raises(RigError) as caught:
        TcpServer(bank, port=server.port)
    assert caught.value.id == "port_in_use"
    assert caught.value.facts["port"] == str(server.port)


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "", "rig.example"])
def test_only_this_computer_is_served(bank: Bank, host: str) -> None:
    with pytest.raises(InputError) as caught:
        TcpServer(bank, host=host)
    assert caught.value.id == "rig_not_loopback"


def test_a_failing_tick_stops_the_server(bank: Bank) -> None:
    class Failing(Bank):
        def tick(self) -> None:
            raise RuntimeError("planted")

    server = TcpServer(Failing())
    assert server.wait(5.0)
    assert str(server.failed) == "planted"
    server.close()


# --- our client, listened to by a plain socket ----------------------------------------


class Recorder:
    """A plain socket that keeps what it is sent and answers as it is told."""

    def __init__(self, answer: Callable[[bytes], bytes | None]) -> None:
        self.frames: list[bytes] = []
        self._answer = answer
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                line, _ = self._listener.accept()
            except OSError:
                return
            with line:
                while head := received(line, 6):
                    frame = head + received(line, struct.unpack(">H", head[4:])[0])
                    self.frames.append(frame)
                    answer = self._answer(frame)
                    if answer is None:
                        break
                    line.sendall(answer)

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join()

    def __enter__(self) -> "Recorder":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def answering(pdu: str) -> Callable[[bytes], bytes]:
    def answer(frame: bytes) -> bytes:
        return adu(struct.unpack(">H", frame[:2])[0], frame[6], pdu)

    return answer


def silent(frame: bytes) -> bytes:
    return b""


def hanging_up(frame: bytes) -> None:
    return None


def read_once(
    recorder: Recorder,
    table: RegisterTable = "holding",
    address: int = 0x6B,
    count: int = 3,
    timeout_s: float = 2.0,
) -> tuple[int, ...]:
    link = TcpLink("127.0.0.1", recorder.port, timeout_s, "gauge-box")
    try:
        return link.read(table, address, count, 17)
    finally:
        link.close()


def test_client_reads_holding_registers_as_the_specification() -> None:
    with Recorder(answering("03 06 02 2B 00 00 00 64")) as recorder:
        assert read_once(recorder) == (0x022B, 0, 0x64)
    (frame,) = recorder.frames
    # Transaction numbers are the client's to choose.
    assert frame == adu(struct.unpack(">H", frame[:2])[0], 17, "03 00 6B 00 03")


def test_client_reads_input_registers_as_the_specification() -> None:
    with Recorder(answering("04 02 00 0A")) as recorder:
        assert read_once(recorder, "input", 8, 1) == (0x0A,)
    (frame,) = recorder.frames
    assert frame == adu(struct.unpack(">H", frame[:2])[0], 17, "04 00 08 00 01")


def test_an_instrument_only_ever_reads() -> None:
    with Recorder(answering("84 02")) as recorder:
        link = TcpLink("127.0.0.1", recorder.port, 2.0)
        public = [
            name
            for name in dir(link)
            if not name.startswith("_") and callable(getattr(link, name))
        ]
        assert public == ["close", "read"]
        for table in ("holding", "input"):
            for address, count in ((0, 1), (65_535, 1), (10, 125)):
                with pytest.raises(RigError):
                    link.read(table, address, count, 1)
        link.close()
    assert len(recorder.frames) == 6
    assert {frame[7] for frame in recorder.frames} <= {1, 2, 3, 4}


def test_no_instrument_can_reach_the_writer() -> None:
    # A fresh interpreter: whatever an instrument loads, the writer is not in it.
    code = (
        "import sys, rig.acquisition, rig.instruments.modbus, rig.wire.modbus\n"
        "sys.exit('rig.wire.modbus_write' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, timeout=60)
    assert done.returncode == 0


def test_refused_is_said_with_its_code() -> None:
    with Recorder(answering("83 02")) as recorder:
        with pytest.raises(RigError) as caught:
            read_once(recorder)
    error = caught.value
    assert error.id == "instrument_refused"
    assert error.facts["code"] == "2"
    assert error.facts["instrument"] == "gauge-box"
    assert error.facts["port"] == str(recorder.port)
    assert error.facts["address"] == str(0x6B)


def test_silence_is_said_once_and_nothing_is_asked_twice() -> None:
    with Recorder(silent) as recorder:
        with pytest.raises(RigError) as caught:
            read_once(recorder, timeout_s=0.2)
    assert caught.value.id == "instrument_silent"
    assert float(caught.value.facts["waited_s"]) >= 0.2
    assert len(recorder.frames) == 1


def test_a_late_answer_is_not_taken_for_the_next() -> None:
    first = True

    def late(frame: bytes) -> bytes:
        nonlocal first
        if first:
            first = False
            return b""
        return answering("03 02 00 07")(frame)

    with Recorder(late) as recorder:
        link = TcpLink("127.0.0.1", recorder.port, 0.2)
        with pytest.raises(RigError):
            link.read("holding", 0, 1, 1)
        assert link.read("holding", 0, 1, 1) == (7,)
        link.close()


def test_answers_of_another_request_are_passed_over() -> None:
    def other(frame: bytes) -> bytes:
        number = struct.unpack(">H", frame[:2])[0]
        stale = adu(number + 500, frame[6], "03 02 00 63")
        return stale + adu(number, frame[6], "03 02 00 07")

    with Recorder(other) as recorder:
        assert read_once(recorder, count=1) == (7,)


def test_hanging_up_is_said() -> None:
    with Recorder(hanging_up) as recorder:
        with pytest.raises(RigError) as caught:
            read_once(recorder)
    assert caught.value.id == "instrument_no_connection"


@pytest.mark.parametrize(
    "answer",
    [
        "03 04 02 2B 00 00",  # two registers where three were asked for
        "04 06 02 2B 00 00 00 64",  # of the other table
        "03 06 02 2B 00 00",  # shorter than it says
        "7F 00 00",  # no such function
    ],
)
def test_wrong_answers_are_said(answer: str) -> None:
    with Recorder(answering(answer)) as recorder:
        with pytest.raises(RigError) as caught:
            read_once(recorder, timeout_s=0.3)
    assert caught.value.id == "instrument_wrong_answer"
    assert caught.value.facts["why"]
    assert caught.value.facts["host"] == "127.0.0.1"


def test_nobody_there_is_said() -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with pytest.raises(RigError) as caught:
        TcpLink("127.0.0.1", port, 0.5, "gauge-box")
    assert caught.value.id == "instrument_no_connection"
    assert set(caught.value.facts) >= {"instrument", "host", "port", "waited_s"}


def test_trouble_is_not_told_twice(capfd: pytest.CaptureFixture[str]) -> None:
    with Recorder(silent) as recorder, pytest.raises(RigError):
        read_once(recorder, timeout_s=0.1)
    out, err = capfd.readouterr()
    assert (out, err) == ("", "")


def test_more_registers_than_an_answer_holds() -> None:
    with Recorder(silent) as recorder:
        with pytest.raises(ValueError, match="126 registers"):
            read_once(recorder, count=126)
    assert recorder.frames == []


# --- the writer -----------------------------------------------------------------------


def test_the_writer_sends_function_16_as_the_specification() -> None:
    with Recorder(answering("10 00 01 00 02")) as recorder:
        writer = LoopbackWriter("127.0.0.1", recorder.port, 17)
        writer.write(1, (0x000A, 0x0102))
        writer.close()
    (frame,) = recorder.frames
    number = struct.unpack(">H", frame[:2])[0]
    assert frame == adu(number, 17, "10 00 01 00 02 04 00 0A 01 02")


def test_the_writer_says_refusals(server: TcpServer) -> None:
    writer = LoopbackWriter(server.host, server.port, 17)
    with pytest.raises(RigError) as caught:
        writer.write(0x200, (1, 2))
    writer.close()
    assert caught.value.id == "instrument_refused"
    assert caught.value.facts["code"] == "2"


@pytest.mark.parametrize("host", ["192.0.2.7", "10.0.0.5", "rig.example", "0.0.0.0"])
def test_the_writer_reaches_this_computer_only(host: str) -> None:
    with pytest.raises(InputError) as caught:
        LoopbackWriter(host, 502, 1)
    assert caught.value.id == "rig_not_loopback"
