"""Numbers in registers against the published byte orders of one float."""

import struct
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from records.rig import REGISTERS_OF, ByteOrder, RegisterType
from rig.wire.registers import decode, encode

ORDERS: tuple[ByteOrder, ...] = get_args(ByteOrder)
TYPES: tuple[RegisterType, ...] = get_args(RegisterType)
WHOLE = tuple(t for t in TYPES if not t.startswith("float"))


@pytest.mark.parametrize(
    ("order", "wire"),
    [
        ("ABCD", "42 F6 E9 79"),
        ("CDAB", "E9 79 42 F6"),
        ("BADC", "F6 42 79 E9"),
        ("DCBA", "79 E9 F6 42"),
    ],
)
def test_orders_of_123_456(order: ByteOrder, wire: str) -> None:
    # IEEE 754 single precision: 123.456 is 0x42F6E979, nearest 123.45600128173828.
    words = struct.unpack(">2H", bytes.fromhex(wire))
    assert decode(words, "float32", order) == 123.45600128173828
    assert encode(123.456, "float32", order) == words


def test_eleven() -> None:
    # IEEE 754 single precision: 11.0 is 0x41300000.
    assert encode(11.0, "float32", "ABCD") == (0x4130, 0x0000)


def test_a_wrong_order_is_far_off() -> None:
    words = encode(123.456, "float32", "ABCD")
    wrong = decode(words, "float32", "CDAB")
    assert isinstance(wrong, float)
    assert wrong == pytest.approx(-1.883367e25, rel=1e-6)


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ("ABCD", (0x0102, 0x0304, 0x0506, 0x0708)),
        ("CDAB", (0x0708, 0x0506, 0x0304, 0x0102)),
        ("BADC", (0x0201, 0x0403, 0x0605, 0x0807)),
        ("DCBA", (0x0807, 0x0605, 0x0403, 0x0201)),
    ],
)
def test_four_words(order: ByteOrder, words: tuple[int, ...]) -> None:
    assert decode(words, "uint64", order) == 0x0102030405060708
    assert encode(0x0102030405060708, "uint64", order) == words


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("type", WHOLE)
@given(data=st.data())
def test_whole_numbers_come_back(
    type: RegisterType, order: ByteOrder, data: st.DataObject
) -> None:
    bits = 16 * REGISTERS_OF[type]
    low, high = (0, 2**bits - 1) if type[0] == "u" else (-(2 ** (bits - 1)), 0)
    value = data.draw(st.integers(low, high))
    words = encode(value, type, order)
    assert len(words) == REGISTERS_OF[type]
    assert all(0 <= word <= 0xFFFF for word in words)
    assert decode(words, type, order) == value


@pytest.mark.parametrize("order", ORDERS)
@given(value=st.floats(allow_nan=False))
def test_doubles_come_back(order: ByteOrder, value: float) -> None:
    assert decode(encode(value, "float64", order), "float64", order) == value


def test_whole_numbers_are_rounded_not_cut() -> None:
    assert decode(encode(-2.6, "int16", "ABCD"), "int16", "ABCD") == -3


@pytest.mark.parametrize(
    ("value", "type"),
    [
        (70_000, "uint16"),
        (-1, "uint32"),
        (float("nan"), "int32"),
        (float("inf"), "int64"),
        (1e300, "float32"),
    ],
)
def test_what_does_not_fit_is_refused(value: float, type: RegisterType) -> None:
    with pytest.raises(ValueError, match="does not fit"):
        encode(value, type, "ABCD")


def test_wrong_number_of_words_is_refused() -> None:
    with pytest.raises(ValueError, match="float32 takes 2 registers, not 1"):
        decode((1,), "float32", "ABCD")
