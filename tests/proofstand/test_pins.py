"""PINs: the slow hash against published values, what is refused, what is kept.

Published: RFC 7914 (scrypt), section 12, test vectors.
"""

from __future__ import annotations

import ast
import inspect
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from proofstand.signoff import pins
from proofstand.signoff.pins import COST, Cost, fits, kept, refuse_weak, scrypt
from records.errors import InputError

NAME = "I. Ferrand (invented)"


@pytest.mark.parametrize(
    ("password", "salt", "cost", "value"),
    [
        (
            b"",
            b"",
            Cost(16, 1, 1),
            "77d6576238657b203b19ca42c18a0497f16b4844e3074ae8dfdffa3fede21442"
            "fcd0069ded0948f8326a753a0fc81f17e8d3e0fb2e0d3628cf35e20c38d18906",
        ),
        (
            b"password",
            b"NaCl",
            Cost(1024, 8, 16),
            "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"
            "2eaf30d92e22a3886ff109279d9830dac727afb94a83ee6d8360cbdfa2cc0640",
        ),
        (
            b"pleaseletmein",
            b"SodiumChloride",
            Cost(16384, 8, 1),
            "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
            "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887",
        ),
    ],
    ids=["empty", "password", "pleaseletmein"],
)
def test_vectors_of_rfc_7914(
    password: bytes, salt: bytes, cost: Cost, value: str
) -> None:
    assert scrypt(password, salt, cost, 64).hex() == value


def test_what_is_kept_is_slow_salted_and_not_the_pin() -> None:
    first, second = kept("kelp-4417"), kept("kelp-4417")
    assert first != second
    told = json.loads(first)
    assert (told["n"], told["r"], told["p"]) == (COST.n, COST.r, COST.p)
    # 64 MiB for each guess (OWASP, password storage: N = 2^16, r = 8, p = 2)
    assert 128 * COST.n * COST.r == 64 << 20
    assert COST.p >= 2
    assert len(bytes.fromhex(told["salt"])) == 16
    assert b"kelp" not in first
    assert fits("kelp-4417", first)
    assert not fits("kelp-4418", first)


def test_each_pin_keeps_the_cost_that_it_was_made_with(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pins, "COST", Cost(16, 1, 1))
    early = kept("kelp-4417")
    monkeypatch.setattr(pins, "COST", Cost(64, 2, 1))
    assert fits("kelp-4417", early)


def test_the_same_letters_typed_on_another_keyboard_are_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pins, "COST", Cost(16, 1, 1))
    assert fits("re\u0301gulier7", kept("r\u00e9gulier7"))


def test_pins_are_compared_in_constant_time() -> None:
    tree = ast.parse(inspect.getsource(fits))
    calls = [ast.unparse(n.func) for n in ast.walk(tree) if isinstance(n, ast.Call)]
    assert "hmac.compare_digest" in calls
    compared = [ast.unparse(n) for n in ast.walk(tree) if isinstance(n, ast.Compare)]
    assert not [text for text in compared if "wanted" in text or "scrypt(" in text]


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"[]",
        b"{}",
        b'{"format": "proofstand.pin/1", "kdf": "scrypt", "n": 16}',
        b'{"format": "proofstand.pin/1", "kdf": "plain", "n": 16, "r": 1, "p": 1, '
        b'"salt": "00", "hash": "00"}',
        b'{"format": "proofstand.pin/1", "kdf": "scrypt", "n": 1099511627776, "r": 1, '
        b'"p": 1, "salt": "00", "hash": "00"}',
        b'{"format": "proofstand.pin/1", "kdf": "scrypt", "n": 16, "r": 1, "p": 1, '
        b'"salt": "00", "hash": ""}',
    ],
)
def test_what_is_no_kept_pin_lets_nobody_in(data: bytes) -> None:
    with pytest.raises(ValueError, match=r".*"):
        fits("", data)


@pytest.mark.parametrize(
    "pin",
    [
        *("", "12345", "a" * 65, "123456", "654321", "2345678", "abcdef", "qwerty"),
        *("000000", "111111", "121212", "123123", "abab12abab12", " 814902", "81\t902"),
        *("ferrand", "Ferrand1", "ferrand2026", "dnarref", "password", "159753"),
        *("20261126", "26112026", "11261999", "qwertz12", "12qwertz", "password1"),
        *("FERRAND", "\uff11\uff12\uff13\uff14\uff15\uff16", "112233", "iferrand"),
    ],
)
def test_a_pin_that_is_guessed_first_is_refused(pin: str) -> None:
    with pytest.raises(InputError) as refused:
        refuse_weak(pin, NAME)
    assert refused.value.id == "pin_weak"
    if len(pin) > 3:
        assert pin not in str(refused.value)


@pytest.mark.parametrize(
    "pin",
    [
        "814902",
        "73920518",
        "kelp-4417",
        "20261350",
        "asdf-kelp-1",
        "грань-55",
        "七つの海へ行く",
        "ferrand 48 kelp",
    ],
)
def test_any_other_is_taken(pin: str) -> None:
    refuse_weak(pin, NAME)


@given(st.text(max_size=70))
def test_whatever_is_typed_is_taken_or_refused(pin: str) -> None:
    try:
        refuse_weak(pin, NAME)
    except InputError:
        return
    assert 6 <= len(pin) <= 64
