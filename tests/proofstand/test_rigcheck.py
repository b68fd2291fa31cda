"""Rig check: what is declared is held against what comes."""

from __future__ import annotations

import dataclasses
import datetime
import json
import re
import socket
from pathlib import Path

import numpy as np
import pytest

from proofstand.bench.byteorder import ORDERS, orders_that_fit
from proofstand.bench.rigcheck import Row, check_rig
from proofstand.commands.main import main
from proofstand.words.sentences import words
from records.measure import parse_quantity
from records.rig import ByteOrder, Channel, Register
from rig.rigfile import parse_rig
from rig.simulator.devices import ServedRig, SimulatedRig
from rig.simulator.rigtext import rig_text
from rig.simulator.wirefaults import WireFault
from rig.wire.counts import KINDS
from rig.wire.registers import decode, encode

MULTIPLE = 20.0


def checked(text_change: dict[str, str] | None = None, seed: int = 1) -> dict[str, Row]:
    with ServedRig(SimulatedRig(seed), multiple=MULTIPLE) as served:
        text = rig_text(served.host, served.port, MULTIPLE)
        for old, new in (text_change or {}).items():
            assert old in text
            text = text.replace(old, new, 1)
        return {r.channel: r for r in check_rig(parse_rig(text, "rig"), 6.0).rows}


@pytest.mark.serial
def test_a_sound_rig_at_rest() -> None:
    rows = checked()
    for row in rows.values():
        assert row.faults == "none"
        assert row.flags == {}
        assert row.calibration_due is not None
        assert row.orders_that_fit == ()
        assert row.resolution_seen_si is not None
    for role in ("inlet", "outlet"):
        assert rows[role].zero_within is True, rows[role].zero
        assert "within" in rows[role].zero
        assert "gauge" in rows[role].value
        # a busy computer reads more slowly; that is no fault of the rig
        assert rows[role].look_at in ("", "slower than asked for")
    assert rows["outlet"].resolution_seen_si == pytest.approx(0.2, rel=1e-6)
    assert rows["ambient"].zero == "-"
    assert "absolute" in rows["ambient"].value


@pytest.mark.serial
def test_what_is_amiss_is_told() -> None:
    day = datetime.datetime.now(datetime.UTC).date()
    old = (day + datetime.timedelta(days=275)).isoformat()
    past = (day - datetime.timedelta(days=1)).isoformat()
    rows = checked(
        {
            f"due = {old}": f"due = {past}",
            'resolution = "0.2 Pa difference"': 'resolution = "0.02 Pa difference"',
            'period = "50 ms"': 'period = "1 ms"',
            'id = "outlet"': 'id = "outlet"\nisolating_valve = true',
        }
    )
    said = rows["outlet"].look_at
    assert "calibration expired" in said
    assert "coarser than declared" in said
    assert "slower than asked for" in said
    assert "is it open?" in said


@pytest.mark.serial
def test_a_zero_further_off_than_claimed_is_beyond_its_uncertainty() -> None:
    with ServedRig(SimulatedRig(1), multiple=MULTIPLE) as served:
        text = rig_text(served.host, served.port, MULTIPLE)
        # a calibration that claims much better than this transducer is
        low = re.sub(
            r'kind = "offset"\nu = "[^"]*difference"',
            'kind = "offset"\nu = "0.001 Pa difference"',
            text,
        )
        rows = {r.channel: r for r in check_rig(parse_rig(low, "rig"), 4.0).rows}
    assert rows["outlet"].zero_within is False
    assert "BEYOND" in rows["outlet"].zero


@pytest.mark.serial
def test_a_wrong_word_order_is_found_over_the_wire(tmp_path: Path) -> None:
    right = 'address = 14\ntable = "input"\ntype = "float32"\norder = "ABCD"'
    for wrong in ("CDAB", "BADC", "DCBA"):
        rows = checked({right: right.replace("ABCD", wrong)})
        row = rows["ambient"]
        assert row.orders_that_fit == ("ABCD",), (wrong, row)
        assert 'order = "ABCD" would fit' in row.look_at
        assert "missing" in row.faults or "outside the span" in row.faults
    with ServedRig(SimulatedRig(1), multiple=MULTIPLE) as served:
        text = rig_text(served.host, served.port, MULTIPLE)
        path = tmp_path / "rig.toml"
        path.write_text(text.replace(right, right.replace("ABCD", "DCBA")))
        assert main(["rig", "check", str(path), "--seconds", "4"]) == 4


@pytest.mark.serial
def test_the_table_and_its_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with ServedRig(SimulatedRig(1), multiple=MULTIPLE) as served:
        path = tmp_path / "rig.toml"
        path.write_text(rig_text(served.host, served.port, MULTIPLE))
        assert main(["rig", "check", str(path), "--seconds", "3"]) == 0
        text = capsys.readouterr().out
        assert main(["rig", "check", str(path), "--seconds", "3", "--json"]) == 0
        told = json.loads(capsys.readouterr().out)
    head = text.splitlines()[2]
    for word in ("channel", "value", "noise", "resolution", "resting zero", "rate"):
        assert word in head
    assert told["schema"] == "proofstand.rig-checked/1"
    assert {r["channel"] for r in told["channels"]} == {
        "outlet",
        "inlet",
        "ambient",
        "gas_temperature",
    }


DEAD = """
[[instruments]]
id = "dead"
protocol = "modbus-tcp"
host = "127.0.0.1"
port = {port}
period = "50 ms"
timeout = "300 ms"
clock = {{ address = 0, tick = "1 ms" }}

[[channels]]
id = "far"
role = "far"
station = "station-1"
instrument = "dead"
unit = "Pa gauge"
span = ["-1 Pa gauge", "100000 Pa gauge"]
resolution = "1 Pa difference"
register = {{ address = 10, type = "uint16" }}
"""


@pytest.mark.serial
def test_every_instrument_is_looked_at_and_what_fails_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as taken:
        # bound and never listening: nobody answers there, and nobody else gets it
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        path = tmp_path / "rig.toml"
        with ServedRig(SimulatedRig(1), multiple=MULTIPLE) as served:
            text = rig_text(served.host, served.port, MULTIPLE)
            # the dead one first: the others are read all the same
            head, rest = text.split("[[instruments]]", 1)
            path.write_text(head + DEAD.format(port=port) + "[[instruments]]" + rest)
            assert main(["rig", "check", str(path), "--seconds", "3"]) == 4
            text = capsys.readouterr().out
            assert main(["rig", "check", str(path), "--seconds", "3", "--json"]) == 4
            told = json.loads(capsys.readouterr().out)
        far = next(line for line in text.splitlines() if line.startswith("far "))
        assert "no good reading" in far
        assert "instrument no connection" in far
        assert f"127.0.0.1 port {port}" in text
        assert "Check its power, its cable and the address" in text
        outlet = next(line for line in text.splitlines() if line.startswith("outlet "))
        assert "gauge" in outlet
        assert told["good"] is False
        assert told["failed"]["dead"]["id"] == "instrument_no_connection"
        good = {row["channel"]: row["good_readings"] for row in told["channels"]}
        assert good.pop("far") == 0
        assert len(good) == 4
        assert all(good.values())


@pytest.mark.serial
def test_one_that_answers_nothing_does_not_hold_up_the_check() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:  # connects, says nothing
        with ServedRig(SimulatedRig(1), multiple=MULTIPLE) as served:
            text = rig_text(served.host, served.port, MULTIPLE)
            dead = DEAD.format(port=silent.getsockname()[1])
            checked = check_rig(parse_rig(text + dead, "rig"), 3.0)
    assert checked.failed.keys() == {"dead"}
    assert checked.failed["dead"].id == "instrument_silent"
    rows = {r.channel: r for r in checked.rows}
    assert rows["far"].good.startswith("0 of ")
    assert rows["far"].good != "0 of 0"
    assert rows["outlet"].good_readings > 0


@pytest.mark.serial
def test_a_rate_is_that_of_good_readings_and_counts_are_explained(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    second = parse_quantity("1 s"), parse_quantity("1000 s")
    fault = WireFault(kind="exception", begins=second[0], lasts=second[1], share=0.4)
    path = tmp_path / "rig.toml"
    with ServedRig(SimulatedRig(1), multiple=MULTIPLE, wire_faults=[fault]) as served:
        path.write_text(rig_text(served.host, served.port, MULTIPLE))
        assert main(["rig", "check", str(path), "--seconds", "12", "--json"]) == 0
        told = json.loads(capsys.readouterr().out)
        assert main(["rig", "check", str(path), "--seconds", "6"]) == 0
        text = capsys.readouterr().out
    # a request refused now and then says nothing of the order of bytes
    assert all(not row["look_at"].count("order =") for row in told["channels"])
    row = told["channels"][0]
    assert 0 < row["good_readings"] < row["readings"]
    assert row["good"] == f"{row['good_readings']} of {row['readings']}"
    missed = row["readings"] - row["good_readings"]
    assert row["flags"]["missing"] == missed
    assert row["rate_hz"] < row["asked_hz"]
    assert told["counted"]["rig-io"]["failed"] == str(missed)
    assert "slower than asked for" in row["look_at"]
    assert "  failed: requests without a usable answer" in text
    assert "  refused: the device answered with an exception" in text


def test_all_that_is_counted_has_words() -> None:
    said = words()["count"]
    assert set(said) == {"failed", "stale", "overrun", *KINDS}


def channel(type: str, order: ByteOrder, scale: float) -> Channel:
    rig = parse_rig(rig_text("127.0.0.1", 502, 1.0), "rig")
    ambient = rig.channel("ambient")
    assert ambient is not None
    register = Register(address=14, type=type, order=order)  # type: ignore[arg-type]
    return dataclasses.replace(ambient, register=register, scale=scale)


@pytest.mark.parametrize("type", ["float32", "float64", "int32", "uint16", "int64"])
@pytest.mark.parametrize("true", ORDERS)
@pytest.mark.parametrize("declared", ORDERS)
def test_the_order_is_found_for_every_type(
    type: str, true: ByteOrder, declared: ByteOrder
) -> None:
    scale = {"float32": 1.0, "float64": 1.0, "uint16": 0.01}.get(type, 1e-4)
    values = 101.2 + np.random.default_rng(4).normal(0.0, 0.02, 60)
    numbers = values / scale
    if not type.startswith("float"):
        numbers = np.round(numbers)
    ours = channel(type, declared, scale)
    raw = np.array(
        [
            float(decode(encode(n, type, true), type, declared))  # type: ignore[arg-type]
            for n in numbers.tolist()
        ]
    )
    found = orders_that_fit(ours, raw)
    # one word has no order of words: ABCD and CDAB are the same
    alike = {"ABCD": 0, "CDAB": 0, "BADC": 1, "DCBA": 1}
    same = alike[true] == alike[declared] if type == "uint16" else true == declared
    if same:
        assert found == ()
    elif type == "uint16":
        assert [alike[order] for order in found] == [alike[true]]
    else:
        assert found == (true,)


def test_nothing_is_suggested_where_nothing_or_too_much_fits() -> None:
    ours = channel("float32", "ABCD", 1.0)
    picks = np.random.default_rng(5)
    words = picks.integers(0, 2**16, (60, 2)).tolist()
    noise = np.array([float(decode(w, "float32", "ABCD")) for w in words])
    assert orders_that_fit(ours, noise) == ()
    assert orders_that_fit(ours, np.full(60, np.nan)) == ()
    bare = dataclasses.replace(ours, register=None)
    assert orders_that_fit(bare, noise) == ()


def test_a_wrong_order_that_looks_like_a_quiet_zero_is_found() -> None:
    # 5.123 kPa as BADC reads -1.04e-17 as ABCD: inside every span, and no noise
    rig = parse_rig(rig_text("127.0.0.1", 502, 1.0), "rig")
    outlet = rig.channel("outlet")
    assert outlet is not None
    register = Register(address=14, type="float32", order="ABCD")
    outlet = dataclasses.replace(
        outlet, register=register, unit="kPa gauge", scale=1.0, offset=0.0
    )
    words = encode(5.123, "float32", "BADC")
    raw = np.full(40, float(decode(words, "float32", "ABCD")))
    assert 0.0 < abs(raw[0]) < 1e-10
    assert orders_that_fit(outlet, raw) == ("BADC",)
    assert orders_that_fit(outlet, np.zeros(40)) == ()


def test_every_order_that_fits_is_told() -> None:
    # as whole numbers 50000 (CDAB) and 20675 (DCBA) both lie in a span of 101 kPa
    rig = parse_rig(rig_text("127.0.0.1", 502, 1.0), "rig")
    outlet = rig.channel("outlet")
    assert outlet is not None
    outlet = dataclasses.replace(
        outlet,
        register=Register(address=14, type="int32", order="ABCD"),
        unit="kPa gauge",
        scale=0.001,
        offset=0.0,
        span=(parse_quantity("-1 kPa gauge"), parse_quantity("100 kPa gauge")),
    )
    words = encode(50_000, "int32", "CDAB")
    raw = np.full(40, float(decode(words, "int32", "ABCD")))
    assert orders_that_fit(outlet, raw) == ("CDAB", "DCBA")
