"""Modbus RTU on real pseudo terminals: frames, timing, and everything that goes wrong.

Sources: Modbus over serial line specification V1.02 (2.5.1: frame, CRC, silent
intervals) and Modbus application protocol specification V1.1b3 (6.3, 6.4, section 7).
The frame of the ten registers from 0 stands in many public texts; the check value of
"123456789" is that of the catalogue of parametrised CRC algorithms (CRC-16/MODBUS).
"""

from __future__ import annotations

import struct
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from records.errors import RigError
from records.rig import SerialLine
from rig.wire.rtu import RtuBus, RtuLink
from rig.wire.rtu_frame import (
    fits,
    frames_in,
    gap_s,
    read_request,
    registers,
    with_check,
)
from rig.wire.serial_port import SerialPort
from tests.rig.ptys import Doing, Port, rtu_link

# --- frames and times, from the published text ----------------------------------------


@pytest.mark.parametrize(
    ("frame", "what"),
    [
        ("01 03 00 00 00 0A C5 CD", "ten holding registers from 0"),
        ("11 03 00 6B 00 03 76 87", "V1.1b3, 6.3, registers 108 to 110 of device 17"),
        ("01 04 00 00 00 02 71 CB", "two input registers"),
        ("01 83 02 C0 F1", "exception 2"),
        ("01 03 04 42 F6 E9 79 80 0B", "a reply, float 123.456"),
        ("01 03 04 41 30 00 00 EE 00", "a reply, float 11.0"),
    ],
)
def test_the_check_is_that_of_the_published_frames(frame: str, what: str) -> None:
    data = bytes.fromhex(frame)
    assert with_check(data[:-2]) == data, what
    assert fits(data)
    assert not fits(data[:-1] + bytes((data[-1] ^ 1,)))


def test_the_check_of_the_catalogue_of_crc_algorithms() -> None:
    assert with_check(b"123456789")[-2:] == bytes.fromhex("37 4B")  # 4B37, low first


def test_requests_are_those_of_the_specification() -> None:
    assert read_request(17, 3, 0x6B, 3) == bytes.fromhex("11 03 00 6B 00 03 76 87")
    assert read_request(1, 4, 0, 2) == bytes.fromhex("01 04 00 00 00 02 71 CB")


@pytest.mark.parametrize("function", [1, 2, 5, 6, 8, 15, 16, 22, 23, 43])
def test_there_is_no_request_but_for_reading(function: int) -> None:
    with pytest.raises(ValueError, match="does not read"):
        read_request(1, function, 0, 1)


@pytest.mark.parametrize(
    ("baud", "gap_ms"),
    [(9600, 4.010), (19200, 2.005), (38400, 1.75), (57600, 1.75), (115200, 1.75)],
)
def test_the_silence_between_frames(baud: int, gap_ms: float) -> None:
    # V1.02, 2.5.1.1: 3.5 characters of 11 bits; fixed 1.750 ms above 19200 baud.
    assert gap_s(baud) * 1e3 == pytest.approx(gap_ms, abs=0.001)


@given(
    before=st.binary(max_size=12),
    after=st.binary(max_size=12),
    words=st.lists(st.integers(0, 65535), min_size=1, max_size=20),
)
def test_a_reply_is_found_among_other_bytes(
    before: bytes, after: bytes, words: list[int]
) -> None:
    body = bytes((9, 3, 2 * len(words))) + struct.pack(f">{len(words)}H", *words)
    reply = with_check(body)
    found = frames_in(before + reply + after, b"")
    # Other bytes may by chance make a frame of their own, one time in 65536.
    ours = [one for one in found if one.frame == reply]
    assert ours
    assert registers(ours[0].frame) == tuple(words)


@given(data=st.binary(min_size=5, max_size=40), bit=st.integers(0, 7))
def test_one_turned_bit_is_never_a_frame(data: bytes, bit: int) -> None:
    words = data[: len(data) // 2 * 2]
    reply = with_check(bytes((9, 4, len(words))) + words)
    for place in range(len(reply)):
        wrong = bytes((reply[place] ^ (1 << bit),))
        assert not fits(reply[:place] + wrong + reply[place + 1 :])


# --- one device on a real port ------------------------------------------------------


def reply_to(request: bytes, first: int = 100) -> bytes:
    """Return a device's reply: registers that count up from a number."""
    device, function, _, count = struct.unpack(">BBHH", request[:6])
    words = [first + i for i in range(count)]
    return with_check(
        bytes((device, function, 2 * count)) + struct.pack(f">{count}H", *words)
    )


@pytest.fixture
def port(tmp_path: Path) -> Iterator[Port]:
    with Port(tmp_path / "ttyBench", lambda request: [reply_to(request)]) as made:
        yield made


def in_order(*doings: Doing) -> Doing:
    """Return a device that does one thing after another, then answers plainly."""
    left = list(doings)

    def do(request: bytes) -> list[bytes | float]:
        return left.pop(0)(request) if left else [reply_to(request, 900)]

    return do


@pytest.mark.serial
def test_registers_are_read(port: Port) -> None:
    link = rtu_link(port)
    assert link.read("holding", 0x6B, 3, 17) == (100, 101, 102)
    assert link.read("input", 0, 2, 1) == (100, 101)
    link.close()
    assert b"".join(port.heard) == bytes.fromhex(
        "11 03 00 6B 00 03 76 87 01 04 00 00 00 02 71 CB"
    )
    assert link.counts.told() == {}


@pytest.mark.serial
@pytest.mark.parametrize("frame", ["8E1", "8N1", "8N2", "8O1"])
def test_every_frame_can_be_declared(port: Port, frame: str) -> None:
    # A pseudo terminal has no parity bit to carry; what is checked is that the port
    # opens, also again after another program had it with another frame.
    for _ in range(2):
        link = rtu_link(port, frame=frame)
        assert link.read("holding", 0, 1, 1) == (100,)
        link.close()


@pytest.mark.serial
def test_only_reading_is_ever_sent(port: Port) -> None:
    port.device = in_order(
        lambda r: [r[:4]],
        lambda r: [],
        lambda r: [b"\xff" * 30],
        lambda r: [reply_to(r)[:-1] + b"x"],
    )
    link = rtu_link(port, timeout_s=0.1)
    for _ in range(6):
        for table in ("holding", "input"):
            try:
                link.read(table, 0, 125, 247)
            except RigError:
                continue
    link.close()
    sent = b"".join(port.heard)
    assert len(sent) % 8 == 0
    frames = [sent[i : i + 8] for i in range(0, len(sent), 8)]
    assert len(frames) >= 12
    assert all(fits(frame) for frame in frames)
    assert {frame[1] for frame in frames} == {3, 4}


def turned(request: bytes) -> list[bytes | float]:
    reply = reply_to(request, 111)
    return [reply[:4] + bytes((reply[4] ^ 0x10,)) + reply[5:]]


RIGHT = (100, 101)
HARMLESS: list[tuple[str, Doing, dict[str, str]]] = [
    ("split", lambda r: [reply_to(r)[:5], 0.08, reply_to(r)[5:]], {"split": "1"}),
    (
        "in single bytes",
        lambda r: [b for c in reply_to(r) for b in (bytes((c,)), 0.001)],
        {},
    ),
    ("stray before", lambda r: [b"\x00\xff" + reply_to(r)], {"stray": "2"}),
    ("echo", lambda r: [r + reply_to(r)], {"echo": "1"}),
    (
        "of another device first",
        lambda r: [with_check(b"\x02\x03\x04\x00\x07\x00\x08"), 0.01, reply_to(r)],
        {"wrong_device": "1"},
    ),
    (
        "of another function first",
        lambda r: [with_check(b"\x01\x04\x04\x00\x07\x00\x08"), 0.01, reply_to(r)],
        {"wrong_function": "1"},
    ),
    (
        "of another count first",
        lambda r: [with_check(b"\x01\x03\x02\x00\x07"), 0.01, reply_to(r)],
        {"wrong_count": "1"},
    ),
    ("a turned bit, then right", in_order(turned, lambda r: [reply_to(r)]), {}),
]


@pytest.mark.serial
@pytest.mark.parametrize(
    ("device", "counted"), [h[1:] for h in HARMLESS], ids=[h[0] for h in HARMLESS]
)
def test_what_comes_besides_the_answer_is_counted_not_decoded(
    port: Port, device: Doing, counted: dict[str, str]
) -> None:
    port.device = device
    link = rtu_link(port, timeout_s=0.5)
    assert link.read("holding", 0, 2, 1) == RIGHT
    told = link.counts.told()
    if counted:
        assert told == counted
    else:
        assert set(told) <= {"crc", "retried", "split"}
    link.close()


@pytest.mark.serial
def test_a_line_that_echoes_is_remembered(port: Port) -> None:
    port.device = lambda r: [r + reply_to(r)]
    link = rtu_link(port)
    for _ in range(5):
        assert link.read("holding", 0, 2, 1) == RIGHT
    assert link.counts.told() == {"echo": "5"}
    link.close()


WRONG: list[tuple[str, Doing, str, str]] = [
    ("silence", lambda r: [], "instrument_silent", "silent"),
    ("broken off", lambda r: [reply_to(r)[:4]], "instrument_wrong_answer", "partial"),
    ("turned bits", turned, "instrument_wrong_answer", "crc"),
    (
        "other count",
        lambda r: [with_check(b"\x01\x03\x02\x00\x07")],
        "instrument_wrong_answer",
        "wrong_count",
    ),
    (
        "other function",
        lambda r: [with_check(b"\x01\x04\x04\x00\x07\x00\x08")],
        "instrument_wrong_answer",
        "wrong_function",
    ),
    (
        "other device",
        lambda r: [with_check(b"\x02\x03\x04\x00\x07\x00\x08")],
        "instrument_wrong_answer",
        "wrong_device",
    ),
    ("rubbish", lambda r: [b"\x55\xaa\x00"], "instrument_wrong_answer", "stray"),
    ("only an echo", lambda r: [r], "instrument_silent", "echo"),
    (
        "exception 2",
        lambda r: [with_check(bytes((r[0], r[1] | 0x80, 2)))],
        "instrument_refused",
        "refused",
    ),
]


@pytest.mark.serial
@pytest.mark.parametrize(
    ("device", "id", "kind"), [w[1:] for w in WRONG], ids=[w[0] for w in WRONG]
)
def test_no_answer_is_said_and_the_next_one_is_right(
    port: Port, device: Doing, id: str, kind: str
) -> None:
    port.device = device
    link = rtu_link(port, timeout_s=0.15)
    with pytest.raises(RigError) as caught:
        link.read("holding", 0, 2, 1)
    assert caught.value.id == id
    assert caught.value.facts["instrument"] == "box"
    assert link.counts[kind] >= 1
    if id == "instrument_refused":
        assert caught.value.facts["code"] == "2"
    port.device = lambda r: [reply_to(r)]
    assert link.read("holding", 0, 2, 1) == RIGHT
    link.close()


@pytest.mark.serial
@pytest.mark.parametrize("delay_s", [0.15, 0.19])
def test_a_late_answer_is_never_taken_for_the_next(port: Port, delay_s: float) -> None:
    # The device answers after the request was given up, within the same time again.
    numbers = iter(range(1000, 9000, 1000))
    delays = iter([delay_s, 0.0, 0.0, delay_s, 0.0])
    port.device = lambda r: [next(delays, 0.0), reply_to(r, next(numbers))]
    link = rtu_link(port, timeout_s=0.1)
    got: list[int | None] = []
    for _ in range(5):
        try:
            got.append(link.read("holding", 0, 2, 1)[0])
        except RigError:
            got.append(None)
    link.close()
    assert got == [None, 2000, 3000, None, 5000]
    assert link.counts["late"] == 2


@pytest.mark.serial
def test_an_answer_too_late_to_wait_for_is_found_out_by_the_one_too_many(
    port: Port,
) -> None:
    numbers = iter(range(1000, 9000, 1000))
    first = [True]

    def device(request: bytes) -> list[bytes | float]:
        if first and first.pop():
            return []  # its answer, 1000, comes with the next
        return [reply_to(request, next(numbers)), reply_to(request, next(numbers))]

    port.device = device
    link = rtu_link(port, timeout_s=0.1)
    with pytest.raises(RigError):
        link.read("holding", 0, 2, 1)
    assert link.read("holding", 0, 2, 1)[0] == 1000
    assert not link.was_behind()
    time.sleep(0.05)  # the one too many is on its way
    port.device = lambda r: [reply_to(r, 7000)]
    assert link.read("holding", 0, 2, 1)[0] == 7000
    assert link.was_behind(), "the answer before this one was an older one"
    assert not link.was_behind()
    assert link.counts["late"] == 1
    link.close()


@pytest.mark.serial
@pytest.mark.parametrize("pause_s", [0.0, 0.03])
def test_a_doubled_answer_is_counted_and_harmless(port: Port, pause_s: float) -> None:
    numbers = iter(range(1000, 9000, 1000))

    def device(request: bytes) -> list[bytes | float]:
        reply = reply_to(request, next(numbers))
        return [reply, pause_s, reply]

    port.device = device
    link = rtu_link(port)
    got = []
    for _ in range(4):
        got.append(link.read("holding", 0, 2, 1)[0])
        time.sleep(0.05)
    assert got == [1000, 2000, 3000, 4000]
    assert link.counts.told() == {"duplicate": "3"}
    assert not link.was_behind()
    link.close()


@pytest.mark.serial
def test_two_devices_on_a_bus_and_one_of_them_late(port: Port) -> None:
    def device(request: bytes) -> list[bytes | float]:
        if request[0] == 1:
            return [reply_to(request, 10)]
        return [0.15, reply_to(request, 20)]

    port.device = device
    line = SerialLine(port=str(port.name), baud=115_200, frame="8N1")
    bus = RtuBus(SerialPort(line, "bus"))
    quick, slow = RtuLink(bus, 0.5, "quick"), RtuLink(bus, 0.1, "slow")
    for _ in range(3):
        with pytest.raises(RigError, match="instrument_silent"):
            slow.read("holding", 0, 2, 2)
        assert quick.read("holding", 0, 2, 1) == (10, 11)
    assert quick.counts["late"] + slow.counts["late"] == 3
    bus.port.close()


@pytest.mark.serial
def test_a_line_that_is_never_quiet_is_given_up(port: Port) -> None:
    port.device = lambda r: [b"\x55" * 3000]
    link = rtu_link(port, timeout_s=0.2)
    began = time.monotonic()
    with pytest.raises(RigError, match="instrument_wrong_answer"):
        link.read("holding", 0, 2, 1)
    # a bound on the work, not on the speed: it does not listen for ever
    assert time.monotonic() - began < 20.0
    link.close()


@pytest.mark.serial
def test_a_port_pulled_and_put_back(port: Port) -> None:
    link = rtu_link(port)
    assert link.read("holding", 0, 2, 1) == RIGHT
    port.pull()
    with pytest.raises(RigError) as caught:
        link.read("holding", 0, 2, 1)
    assert caught.value.id == "instrument_no_connection"
    with pytest.raises(RigError) as caught:
        link.read("holding", 0, 2, 1)
    assert caught.value.id == "serial_port_missing"
    port.put_back()
    assert link.read("holding", 0, 2, 1) == RIGHT
    assert link.counts.told() == {"reopened": "1"}
    link.close()
