"""What stands in registers becomes numbers and flags, as the rig file declares it.

Sources: byte orders of 123.456 as float32 (IEEE 754: 42 F6 E9 79); NAMUR NE 43 for the
bands of a 4 to 20 mA signal, as restated in transmitters' manuals; 12.34 mA on 0 to 250
psi is 130.3125 psi by (I - 4) / 16.
"""

from __future__ import annotations

import dataclasses
import math
import struct
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from proofstand.words.sentences import trouble
from records.errors import InputError, RigError
from records.rig import REGISTERS_OF, ByteOrder, RegisterTable, RegisterType, Rig
from records.run import channel_values
from records.trace import Flag
from rig.instruments.modbus import ModbusInstrument
from rig.instruments.reading import Ranges
from rig.rigfile import parse_rig
from rig.wire.modbus import TcpLink
from rig.wire.modbus_server import TcpServer
from rig.wire.registers import decode, encode, number_at

PSI = 6894.757293168

HEAD = """format = "proofstand.rig/1"
id = "bench"

[[stations]]
id = "A"

[[instruments]]
id = "io"
protocol = "modbus-tcp"
host = "192.0.2.10"
period = "50 ms"
timeout = "500 ms"
"""
CHANNEL = """
[[channels]]
id = "{id}"
role = "{id}"
station = "A"
instrument = "io"
unit = "psi gauge"
span = ["-3 psi gauge", "257 psi gauge"]
resolution = "0.01 psi difference"
{more}
"""


class Bank:
    """Registers that remember what was asked."""

    def __init__(self, words: dict[tuple[RegisterTable, int], int]) -> None:
        self.words = words
        self.asked: list[tuple[str, int, int]] = []

    def read(
        self, table: RegisterTable, address: int, count: int, device: int
    ) -> tuple[int, ...]:
        self.asked.append((table, address, count))
        return tuple(self.words.get((table, address + i), 0) for i in range(count))

    def close(self) -> None:
        pass


class Still:
    def monotonic_ns(self) -> int:
        return 0

    def utc_ns(self) -> int:
        return 0

    def wall_ns(self, elapsed_ns: int) -> int:
        return elapsed_ns

    def sleep_until_ns(self, monotonic_ns: int) -> None:
        pass


def rig_of(*channels: tuple[str, str]) -> Rig:
    text = HEAD + "".join(CHANNEL.format(id=id, more=more) for id, more in channels)
    return parse_rig(text, "rig.toml")


def instrument(rig: Rig, bank: Bank) -> ModbusInstrument:
    return ModbusInstrument(rig.instruments[0], rig.columns("io"), bank, Still())


TYPES: tuple[RegisterType, ...] = (
    "int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64",
)  # fmt: skip
ORDERS: tuple[ByteOrder, ...] = ("ABCD", "CDAB", "BADC", "DCBA")
HELD = {
    "int16": -12345, "uint16": 54321, "int32": -123456789, "uint32": 3123456789,
    "int64": -(2**52) - 1, "uint64": 2**52 + 5, "float32": 123.456, "float64": -1e-7,
}  # fmt: skip


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("type", TYPES)
def test_every_type_in_every_order(type: RegisterType, order: ByteOrder) -> None:
    words = encode(HELD[type], type, order)
    bank = Bank({("holding", 40 + i): word for i, word in enumerate(words)})
    more = (
        f'register = {{ address = 40, table = "holding", type = "{type}", '
        f'order = "{order}" }}'
    )
    reading = instrument(rig_of(("one", more)), bank).read()
    assert reading.raw[0] == pytest.approx(HELD[type], rel=1e-7)
    assert decode(words, type, order) == pytest.approx(HELD[type], rel=1e-7)


@pytest.mark.parametrize(
    ("order", "on_the_wire"),
    [
        ("ABCD", "42 F6 E9 79"),
        ("CDAB", "E9 79 42 F6"),
        ("BADC", "F6 42 79 E9"),
        ("DCBA", "79 E9 F6 42"),
    ],
)
def test_the_orders_of_a_known_number(order: ByteOrder, on_the_wire: str) -> None:
    data = bytes.fromhex(on_the_wire)
    exchanged, form = number_at("float32", order)
    turned = struct.pack("<2H", *struct.unpack(">2H", data))
    value = form.unpack_from(turned if exchanged else data, 0)[0]
    assert value == pytest.approx(123.456, rel=1e-7)


@given(
    st.sampled_from(TYPES),
    st.sampled_from(ORDERS),
    st.binary(min_size=8, max_size=8),
)
def test_both_ways_to_take_a_number_out_agree(
    type: RegisterType, order: ByteOrder, data: bytes
) -> None:
    words = struct.unpack(">4H", data)[: REGISTERS_OF[type]]
    exchanged, form = number_at(type, order)
    packed = struct.pack(f"{'<' if exchanged else '>'}{len(words)}H", *words)
    one, other = form.unpack_from(packed, 0)[0], decode(words, type, order)
    assert one == other or (math.isnan(one) and math.isnan(other))


def test_neighbours_are_fetched_in_one_request() -> None:
    rig = rig_of(
        ("a", 'register = { address = 0, type = "float32" }'),
        ("b", 'register = { address = 10, type = "float64" }'),
        ("c", 'register = { address = 200, type = "int16" }'),
        ("d", 'register = { address = 3, table = "holding", type = "int16" }'),
    )
    bank = Bank({})
    instrument(rig, bank).read()
    assert bank.asked == [("holding", 3, 1), ("input", 0, 14), ("input", 200, 1)]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("type", ["float32", "float64"])
def test_what_is_no_number_is_missing(type: RegisterType, value: float) -> None:
    words = encode(value, type, "ABCD")
    bank = Bank({("input", i): word for i, word in enumerate(words)})
    more = f'register = {{ address = 0, type = "{type}" }}'
    rig = rig_of(("one", more))
    raw = np.array([instrument(rig, bank).read().raw])
    assert flags_of(rig, raw[:, 0].tolist()) == [Flag.MISSING]


STATUS = (
    'register = { address = 0, type = "int16" }\n'
    'status = { register = { address = 1, type = "uint16" }, bad = 0x0006, '
    "good = 0x0100 }"
)


@pytest.mark.parametrize(
    ("bits", "sound"),
    [(0x0100, True), (0x0101, True), (0x0102, False), (0x0104, False), (0, False)],
)
def test_status_bits(bits: int, sound: bool) -> None:
    rig = rig_of(("one", STATUS), ("two", 'register = { address = 2, type = "int16" }'))
    bank = Bank({("input", 1): bits})
    reading = instrument(rig, bank).read()
    assert list(reading.flags) == [0 if sound else Flag.DEVICE, 0]
    assert bank.asked == [("input", 0, 3)]


LOOP = (
    'register = { address = 0, type = "uint16" }\nscale = 0.001\n'
    'loop = { low = "0 psi gauge", high = "250 psi gauge" }'
)


@pytest.mark.parametrize(
    ("milliampere", "flag"),
    [
        (0.0, Flag.DEVICE | Flag.SATURATED),  # a broken wire
        (3.5, Flag.DEVICE | Flag.SATURATED),
        (3.6, Flag.DEVICE | Flag.SATURATED),  # failure, from here down
        (3.7, Flag.SATURATED),  # neither failure nor measurement
        (3.85, Flag.GOOD),  # measurement below the live zero
        (4.0, Flag.GOOD),
        (12.34, Flag.GOOD),
        (20.0, Flag.GOOD),
        (20.4, Flag.GOOD),
        (20.6, Flag.SATURATED),
        (21.0, Flag.DEVICE | Flag.SATURATED),  # failure, from here up
        (22.5, Flag.DEVICE | Flag.SATURATED),
    ],
)
def test_live_zero_and_its_fault_bands(milliampere: float, flag: Flag) -> None:
    rig = rig_of(("one", LOOP))
    bank = Bank({("input", 0): round(milliampere * 1000)})
    raw = np.array([instrument(rig, bank).read().raw])
    assert flags_of(rig, raw[:, 0].tolist()) == [flag]


def test_the_current_becomes_the_reading() -> None:
    channel = rig_of(("one", LOOP)).channels[0]
    raw = np.array([4000.0, 12340.0, 20000.0, 3600.0, 20500.0])
    psi = channel_values(channel, raw) / PSI
    # -2.5 % and 103.125 % of the range at 3.6 and 20.5 mA
    np.testing.assert_allclose(psi, [0, 130.3125, 250, -6.25, 257.8125], atol=1e-9)


@pytest.mark.parametrize(
    ("good", "bad", "id", "key"),
    [
        ('low = "0 psi gauge"', 'low = "0 bar absolute"', "value_wrong", "loop.low"),
        ('high = "250 psi', 'high = "-1 psi', "value_wrong", "loop.high"),
        ("bad = 0x0006", "bad = 0x0106", "value_wrong", "status"),
        ("bad = 0x0006, good = 0x0100", "bad = 0", "key_missing", "status.bad"),
        ('1, type = "uint16"', '1, type = "float32"', "rig_register_type", ""),
        ('"257 psi', '"259 psi', "value_wrong", "span"),
    ],
)
def test_what_can_not_be_declared(good: str, bad: str, id: str, key: str) -> None:
    text = (
        HEAD
        + CHANNEL.format(id="one", more=LOOP)
        + CHANNEL.format(id="two", more=STATUS)
    )
    assert good in text
    with pytest.raises(InputError) as caught:
        parse_rig(text.replace(good, bad, 1), "rig.toml")
    assert caught.value.id == id
    assert key in " ".join(caught.value.facts.values())


def flags_of(rig: Rig, values: Sequence[float]) -> list[int]:
    flags = Ranges(rig.columns("io")).flags(np.array([[v] for v in values]))
    return [0] * len(values) if flags is None else flags[:, 0].tolist()


def test_the_ends_of_the_span_are_saturated() -> None:
    rig = rig_of(("one", 'register = { address = 0, type = "float32" }'))
    assert flags_of(rig, [-2.9, 0.0]) == [0, 0]
    assert flags_of(rig, [-3.0, -2.9, 256.9, 257.0, 300.0]) == [4, 0, 0, 4, 4]


class Sparse:
    """A device that has some registers only, behind a real port."""

    def __init__(self, *addresses: int) -> None:
        self.addresses = addresses
        self.asked: list[tuple[int, int]] = []

    def read(self, table: RegisterTable, address: int, count: int) -> tuple[int, ...]:
        self.asked.append((address, count))
        wanted = range(address, address + count)
        if table != "input" or not set(wanted) <= set(self.addresses):
            raise LookupError(address)
        return tuple(wanted)

    def write(self, address: int, words: Sequence[int]) -> None:
        raise LookupError(address)

    def tick(self) -> None:
        pass


def over_a_socket(bank: Sparse) -> tuple[TcpServer, ModbusInstrument]:
    at = 'register = {{ address = {}, table = "input", type = "uint16" }}'.format
    rig = rig_of(("one", at(10)), ("two", at(11)), ("three", at(14)))
    server = TcpServer(bank)
    link = TcpLink(server.host, server.port, 5.0, "io")
    declared = dataclasses.replace(
        rig.instruments[0], host=server.host, port=server.port
    )
    return server, ModbusInstrument(declared, rig.columns("io"), link, Still())


@pytest.mark.serial
def test_a_refused_address_is_told_with_its_channel() -> None:
    bank = Sparse(10, 14)
    server, read = over_a_socket(bank)
    try:
        with pytest.raises(RigError, match="instrument_refused") as caught:
            read.read()
        asked = len(bank.asked)
        with pytest.raises(RigError, match="instrument_refused"):
            read.read()
        # which one it is, is looked for once only
        assert len(bank.asked) == asked + 1
    finally:
        read.close()
        server.close()
    assert caught.value.facts["channels"] == "two"
    assert caught.value.facts["registers"] == "11"
    told = trouble(caught.value)
    assert "input registers 11 (of: two)" in told.what
    assert "2, illegal data address" in told.what
    for advice in ("counts from 0", '"holding"', "two registers"):
        assert advice in told.do


@pytest.mark.serial
def test_registers_that_are_not_there_are_not_read_along() -> None:
    bank = Sparse(10, 11, 14)
    server, read = over_a_socket(bank)
    try:
        with pytest.raises(RigError, match="instrument_refused") as caught:
            read.read()
        assert caught.value.facts["channels"] == "one, two, three"
        bank.asked.clear()
        assert list(read.read().raw) == [10, 11, 14]
    finally:
        read.close()
        server.close()
    assert bank.asked == [(10, 2), (14, 1)]


@pytest.mark.parametrize("code", [*range(1, 12), 99])
def test_every_exception_says_what_to_do(code: int) -> None:
    told = trouble(RigError("instrument_refused", instrument="io", code=code))
    assert f"exception {code}" in told.what
    assert "Check" in told.do or "device" in told.do
