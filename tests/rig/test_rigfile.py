"""Rig files: the documented one can be read; every fault is told with its line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from records.errors import InputError
from records.measure import Reference
from records.rig import LIVE_PROTOCOLS, Rig
from records.tomlfile import from_json, to_json
from rig.rigfile import load_rig, parse_rig

DOC = (Path(__file__).parents[2] / "docs" / "rig-file.md").read_text("utf-8")
_FOUND = re.search(r"```toml\n(.*?)```", DOC, re.S)
assert _FOUND is not None
TEXT = _FOUND[1]


def test_the_documented_rig_can_be_read() -> None:
    rig = parse_rig(TEXT, "rig.toml")
    channel = rig.channel("outlet")
    assert channel is not None
    assert channel.reference is Reference.GAUGE
    assert channel.measure_unit.name == "kPa"
    assert channel.calibration is not None
    assert channel.calibration.u_offset() == pytest.approx(2.0)
    assert channel.calibration.u_gain() == pytest.approx(5e-4)
    assert rig.instruments[0].clock is not None
    assert rig.instruments[0].clock.tick.value_si == pytest.approx(1e-6)
    assert rig.traits is not None
    assert rig.traits.volumes["outlet"].allowance.value_si == pytest.approx(60e-6)
    assert not rig.simulated


PAIR = 'as ["0 psi gauge", "15 psi gauge"]'
SPAN = 'span = ["-0.5 kPa gauge", "10 kPa gauge"]'
FAULTS = [
    (SPAN, 'span = ["-0.5 kPa gauge"]', "value_wrong_type", PAIR),
    (SPAN, 'span = "10 kPa gauge"', "value_wrong_type", PAIR),
    (SPAN, "span = []", "value_wrong_type", PAIR),
    ("date = 2026-03-02", 'dates = "x"', "key_unknown", "date"),
    ("coefficients = [0.0, 1.0]", "coefficients = 1.0", "value_wrong_type", "a list"),
    ("device = 1", "device = 256", "value_wrong", "0 to 255"),
    ("device = 1", "device = -1", "value_wrong", "0 to 255"),
    ("address = 10", "address = 65535", "value_wrong", "0 to 65534, for int32"),
    ("address = 10", "address = -1", "value_wrong", "0 to 65534"),
    ("address = 0", "address = 65533", "value_wrong", "0 to 65532, for uint64"),
    ('"modbus-tcp"', '"modbus"', "value_wrong", "modbus-tcp, modbus-rtu"),
    ('"modbus-tcp"', '"log"', "value_wrong", "modbus-tcp, modbus-rtu"),
    ('host = "192.0.2.10"', 'hots = "192.0.2.10"', "key_unknown", "host"),
    ('unit = "kPa gauge"', 'unit = "kPa"', "quantity_reference_missing", ""),
    ('unit = "kPa gauge"', 'unit = "kPs gauge"', "quantity_unit_unknown", "kPa"),
    ('type = "int32"', 'type = "int23"', "value_wrong_type", "int32"),
    ('instrument = "manifold"', 'instrument = "manifol"', "rig_instrument_unknown", ""),
    ('station = "A"', 'station = "B"', "rig_station_unknown", "A"),
    ('"10 kPa gauge"]', '"-10 kPa gauge"]', "rig_span_wrong", ""),
    ('overload = "50 kPa gauge"', 'overload = "5 kPa gauge"', "value_wrong", "span"),
    ('overload = "50 kPa gauge"', "overload = 50", "value_wrong_type", "string"),
    ('period = "50 ms"', 'period = "0 ms"', "value_wrong", "above zero"),
    ('period = "50 ms"', 'period = "50 psi gauge"', "quantity_kind_wrong", "time"),
    ("port = 502", "port = 70000", "value_wrong", "65535"),
    ("port = 502", 'port = "502"', "value_wrong_type", "integer"),
    ("port = 502", "port = true", "value_wrong_type", "integer"),
    ("scale = 0.0002", 'scale = "0.0002"', "value_wrong_type", "number"),
    ("due = 2027-03-02", 'due = "2027-03-02"', "value_wrong_type", "date"),
    ('id = "manifold"', "id = 7", "value_wrong_type", "text"),
    ("due = 2027-03-02", "due = 2026-03-01", "value_wrong", "2026-03-02"),
    ('u = "0.05 %"', 'u = "0.05 kPa difference"', "value_wrong", "share"),
    ('u = "2 Pa difference"', 'u = "2 K"', "value_wrong", "uncertainty"),
    ('kind = "gain"', 'kind = "span"', "value_wrong_type", "gain"),
    ('id = "outlet"\n', "", "key_missing", ""),
    ("scale = 0.0002", "scale = 0", "value_wrong", "other than 0"),
    ("scale = 0.0002", "scale = nan", "value_wrong", "other than 0"),
    ("device = 1", "device = 999", "value_wrong", "255"),
    ('volume = "100 cm3"', 'volume = "-100 cm3"', "value_wrong", "above zero"),
    ('id = "manifold"', 'id = "mani/fold"', "value_wrong", "letters"),
]


@pytest.mark.parametrize(("good", "bad", "id", "right"), FAULTS)
def test_a_fault_names_line_and_remedy(
    good: str, bad: str, id: str, right: str
) -> None:
    assert good in TEXT
    with pytest.raises(InputError) as caught:
        parse_rig(TEXT.replace(good, bad, 1), "rig.toml")
    assert caught.value.id == id
    assert re.match(r"rig\.toml:\d+", caught.value.where), caught.value.where
    assert right in " ".join(caught.value.facts.values())


def test_numbers_at_the_very_end_of_what_modbus_has() -> None:
    text = TEXT.replace("device = 1", "device = 255")
    text = text.replace("address = 10", "address = 65534")
    rig = parse_rig(text.replace("address = 0", "address = 65532"), "rig.toml")
    assert rig.instruments[0].device == 255
    assert rig.channels[0].register is not None
    assert rig.channels[0].register.address + rig.channels[0].register.count == 65536


def test_no_list_of_protocols_names_one_that_can_t_be_read() -> None:
    with pytest.raises(InputError) as caught:
        parse_rig(TEXT.replace('"modbus-tcp"', '"modbus"'), "rig.toml")
    told = caught.value.facts["right"].removeprefix("one of ").split(", ")
    assert told == list(LIVE_PROTOCOLS)
    assert "log" not in told


def test_two_channels_of_one_name_are_refused() -> None:
    channel = TEXT[TEXT.index("[[channels]]") :]
    with pytest.raises(InputError, match="rig_name_twice"):
        parse_rig(TEXT + "\n" + channel, "rig.toml")


def test_a_real_rig_does_not_run_faster_than_time() -> None:
    with pytest.raises(InputError, match="time_multiple"):
        parse_rig(TEXT.replace('id = "bench-2"', 'id = "b"\ntime_multiple = 20.0'), "r")


def test_a_simulated_rig_needs_its_own_clock() -> None:
    text = TEXT.replace(
        'id = "bench-2"', 'id = "b"\nsimulated = true\ntime_multiple = 9.0'
    )
    cut = text[: text.index("[instruments.clock]")] + text[text.index("[[channels]]") :]
    with pytest.raises(InputError, match="rig_clock_missing"):
        parse_rig(cut, "rig.toml")


def test_a_missing_rig_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="file_missing"):
        load_rig(tmp_path / "none.toml")


# --- instruments on serial lines ------------------------------------------------------

RTU = """[[instruments]]
id = "box"
protocol = "modbus-rtu"
serial = { port = "/dev/ttyUSB0", baud = 19200, frame = "8E1" }
device = 17
period = "50 ms"
timeout = "200 ms"
patience = "20 s"

[[instruments]]
id = "second"
protocol = "modbus-rtu"
serial = { port = "/dev/ttyUSB0", baud = 19200, frame = "8E1" }
device = 18
period = "50 ms"
timeout = "200 ms"
clock = { address = 0, type = "uint32", tick = "1 ms" }

[[instruments]]
id = "scale"
protocol = "ascii-polled"
serial = { port = "usb:0403:6001:A7", baud = 9600, frame = "7E1" }
lines = { send = "P", pattern = '(?P<p>\\S+)' }
period = "100 ms"
timeout = "200 ms"

[[channels]]
id = "scale-p"
role = "other"
station = "A"
instrument = "scale"
unit = "kPa gauge"
span = ["0 kPa gauge", "10 kPa gauge"]
resolution = "1 Pa difference"
field = "p"

"""
SERIAL = TEXT.replace("[[channels]]", RTU + "[[channels]]", 1)


def test_serial_instruments_can_be_declared() -> None:
    rig = parse_rig(SERIAL, "rig.toml")
    box, second, scale = rig.instruments[1:]
    assert box.serial is not None
    assert box.address == "/dev/ttyUSB0"
    assert box.patience_s == 20.0
    assert second.patience_s == 15.0
    assert second.clock is not None
    assert second.clock.wraps_ns == pytest.approx(2**32 * 1e6)
    assert scale.lines is not None
    assert from_json(to_json(rig), Rig) == rig


SERIAL_FAULTS = [
    (
        'frame = "8E1" }\ndevice = 17',
        'frame = "9E1" }\ndevice = 17',
        "value_wrong",
        "8N1",
    ),
    (
        'frame = "8E1" }\ndevice = 17',
        'frame = "7E1" }\ndevice = 17',
        "value_wrong",
        "RTU",
    ),
    ("baud = 9600", "baud = 9", "value_wrong", "serial.baud"),
    ("device = 17", "device = 0", "value_wrong", "1 to 247"),
    ("device = 17", "device = 250", "value_wrong", "1 to 247"),
    ("device = 17", "device = 300", "value_wrong", "1 to 247"),
    ('"/dev/ttyUSB0"', '"socket://192.0.2.1"', "value_wrong", "socket://HOST:PORT"),
    ('"/dev/ttyUSB0"', '"socket://192.0.2.1:x"', "value_wrong", "socket://HOST:PORT"),
    ('"/dev/ttyUSB0"', '"socket://:4001"', "value_wrong", "socket://HOST:PORT"),
    ('"/dev/ttyUSB0"', '"rfc2217://192.0.2.1"', "value_wrong", "rfc2217://HOST:PORT"),
    ('"/dev/ttyUSB0"', '"loop://"', "value_wrong", "rfc2217://HOST:PORT"),
    ('"usb:0403:6001:A7"', '"usb:403"', "value_wrong", "usb:VID:PID"),
    ("device = 18", "device = 17", "rig_port_shared", "same device number"),
    (
        'baud = 19200, frame = "8E1" }\ndevice = 18',
        'baud = 9600, frame = "8E1" }\ndevice = 18',
        "rig_port_shared",
        "not at one baud rate",
    ),
    ('"usb:0403:6001:A7"', '"/dev/ttyUSB0"', "rig_port_shared", "device numbers"),
    (', frame = "7E1" }', " }", "key_missing", "frame"),
    ('send = "P", ', "", "key_missing", "send"),
    (r"(?P<p>\S+)", r"(?P<p\S+)", "value_wrong", "regular expression"),
    (r"(?P<p>\S+)", r"(?P<q>\S+)", "rig_field_missing", "q"),
    (r"(?P<p>\S+)", r"(?P<p>\S+) (?P<check>..)", "value_wrong", "checked"),
    ('patience = "20 s"', 'patience = "-1 s"', "value_wrong", "zero or more"),
    ('patience = "20 s"', 'patience = "1 psi gauge"', "quantity_kind_wrong", "time"),
    ('tick = "1 ms"', 'tick = "0 ms"', "value_wrong", "above zero"),
    (
        'address = 0, type = "uint32", tick',
        'type = "uint32", tick',
        "key_missing",
        "clock",
    ),
    ('tick = "1 ms"', 'tick = "1 ms", wraps = 60', "value_wrong", "10 s"),
    (
        'protocol = "modbus-rtu"',
        'protocol = "modbus"',
        "value_wrong",
        "modbus-rtu",
    ),
    ('protocol = "ascii-polled"', 'protocol = "driver"', "key_missing", "driver"),
]


SPAN_FAULTS = [
    ('"10 kPa gauge"]', '"10 kPa absolute"]', "value_wrong", "gauge"),
    ('"10 kPa gauge"]', '"10 kPa difference"]', "value_wrong", "gauge"),
    ('"10 kPa gauge"]', '"100 °C"]', "rig_span_wrong", "100"),
    ('"1 Pa difference"', '"1 Pa gauge"', "value_wrong", "difference"),
    ('"1 Pa difference"', '"-1 Pa difference"', "value_wrong", "above zero"),
]


@pytest.mark.parametrize(("good", "bad", "id", "right"), [*SERIAL_FAULTS, *SPAN_FAULTS])
def test_a_fault_of_a_serial_instrument(
    good: str, bad: str, id: str, right: str
) -> None:
    assert good in SERIAL
    with pytest.raises(InputError) as caught:
        parse_rig(SERIAL.replace(good, bad, 1), "rig.toml")
    assert caught.value.id == id
    assert re.match(r"rig\.toml:\d+", caught.value.where), caught.value.where
    assert right in " ".join(caught.value.facts.values())


# --- what else the page shows -------------------------------------------------------

BLOCKS: list[str] = re.findall(r"```toml\n(.*?)```", DOC, re.S)[1:]
PLAIN = """
[[channels]]
id = "{id}"
role = "{id}"
station = "A"
instrument = "{instrument}"
{more}
"""
PSI = """unit = "psi gauge"
span = ["0 psi gauge", "250 psi gauge"]
resolution = "0.01 psi difference"
"""


def documented(part: str) -> str:
    return next(block for block in BLOCKS if part in block)


def head(more: str = "") -> str:
    return f'format = "proofstand.rig/1"\nid = "b"\n{more}\n[[stations]]\nid = "A"\n\n'


def test_the_documented_bus() -> None:
    register = 'register = { address = 0, type = "float32" }\n'
    channel = PLAIN.format(id="one", instrument="bus-1", more=PSI + register)
    rig = parse_rig(head() + documented("bus-1") + channel, "rig.toml")
    assert rig.instruments[0].device == 17


def test_the_documented_lines_of_text() -> None:
    block = documented('[[channels]]\nid = "reference"')
    block = block.replace(
        '[[channels]]\nid = "reference"\n',
        PLAIN.format(id="reference", instrument="scale", more=PSI).lstrip(),
    )
    rig = parse_rig(head() + block, "rig.toml")
    assert rig.channels[0].field == "p"
    lines = rig.instruments[0].lines
    assert lines is not None
    assert (lines.send, lines.end) == ("P\r\n", "\r\n")
    assert re.fullmatch(lines.pattern, "OK -1.25 kPa")


def test_the_documented_loop() -> None:
    register = 'register = { address = 0, type = "uint16" }\n'
    block = documented("loop =") + 'resolution = "0.1 psi difference"\n'
    channel = PLAIN.format(id="one", instrument="bus-1", more=register + block)
    rig = parse_rig(head() + documented("bus-1") + channel, "rig.toml")
    assert rig.channels[0].loop is not None


def test_the_documented_replay() -> None:
    top, instrument = documented("replay").split("[[instruments]]")
    channel = PLAIN.format(id="one", instrument="again", more=PSI)
    rig = parse_rig(head(top) + "[[instruments]]" + instrument + channel, "rig.toml")
    assert rig.instruments[0].stored is not None
    assert rig.time_multiple == 10.0


TWO = (
    TEXT.replace(
        '[[stations]]\nid = "A"\n',
        """[[stations]]
id = "A"
relief = { inlet = "150 psi gauge", outlet = "1 psi gauge" }

[[stations]]
id = "B"

[stations.traits]
tau_max = "60 s"
tail_amplitude = "2 K"

[stations.traits.volumes.outlet]
volume = "140 cm3"
u = "3 cm3"
allowance = "20 cm3"
""",
    )
    + """
[[channels]]
id = "outlet-b"
role = "outlet"
station = "B"
instrument = "manifold"
unit = "kPa gauge"
span = ["-0.5 kPa gauge", "10 kPa gauge"]
resolution = "0.2 Pa difference"
isolating_valve = true
register = { address = 20 }

[[channels]]
id = "supply"
role = "inlet"
stations = ["A", "B"]
instrument = "manifold"
unit = "kPa gauge"
kind = "sealed gauge"
sealed_at = "101.325 kPa absolute"
span = ["-10 kPa gauge", "900 kPa gauge"]
resolution = "10 Pa difference"
register = { address = 22 }
"""
)


def test_a_station_sees_its_own_channels_the_shared_ones_and_its_traits() -> None:
    rig = parse_rig(TWO, "rig.toml")
    a, b = rig.for_station("A"), rig.for_station("B")
    assert [c.id for c in a.channels] == ["outlet", "supply"]
    assert [c.id for c in b.channels] == ["outlet-b", "supply"]
    assert a.traits is not None
    assert b.traits is not None
    assert a.traits.tau_max.value_si == 30.0
    assert b.traits.tau_max.value_si == 60.0
    assert b.traits.volumes["outlet"].volume.value_si == pytest.approx(140e-6)
    relief = a.relief("outlet")
    assert relief is not None
    assert relief.value_si == pytest.approx(6894.757)
    assert b.relief("outlet") is None
    outlet = b.channel("outlet")
    assert outlet is not None
    assert outlet.isolating_valve
    supply = b.channel("inlet")
    assert supply is not None
    assert (supply.sensor, supply.zero_at_vent) == ("sealed gauge", False)


def test_a_rig_of_several_stations_wants_to_know_which() -> None:
    rig = parse_rig(TWO, "rig.toml")
    with pytest.raises(InputError, match="rig_station_wanted"):
        rig.for_station("")
    with pytest.raises(InputError, match="rig_station_unknown") as caught:
        rig.for_station("C")
    assert caught.value.facts["known"] == "A, B"
    assert parse_rig(TEXT, "r").for_station("").stations[0].id == "A"


STATION_FAULTS = [
    ('stations = ["A", "B"]', 'stations = ["A", "C"]', "rig_station_unknown", "A"),
    (
        'stations = ["A", "B"]',
        'stations = ["A"]\nstation = "B"',
        "value_wrong",
        "share",
    ),
    ('stations = ["A", "B"]', "stations = []", "value_wrong", "share"),
    (
        'id = "supply"\nrole = "inlet"',
        'id = "s"\nrole = "outlet"',
        "rig_name_twice",
        "",
    ),
    ('sealed_at = "101.325 kPa absolute"\n', "", "value_wrong", "sealed_at"),
    ('"101.325 kPa absolute"', '"101.325 kPa gauge"', "value_wrong", "absolute"),
    ('kind = "sealed gauge"', 'kind = "absolute"', "value_wrong", "gauge"),
    ('kind = "sealed gauge"', 'kind = "gauge"', "value_wrong", "sealed gauge"),
    ('kind = "sealed gauge"', 'kind = "vented"', "value_wrong_type", "sealed gauge"),
    ('outlet = "1 psi gauge" }', 'outlet = "1 psi absolute" }', "value_wrong", "gauge"),
    ('outlet = "1 psi gauge" }', 'outlet = "1 cm3" }', "quantity_kind_wrong", ""),
    ('outlet = "1 psi gauge" }', 'side = "1 psi gauge" }', "value_wrong", "interstage"),
    ("coefficients = [0.0, 1.0]", "coefficients = [0.0]", "value_wrong", "second"),
    ('volume = "140 cm3"', 'volume = "0 cm3"', "value_wrong", "above zero"),
]


@pytest.mark.parametrize(("good", "bad", "id", "right"), STATION_FAULTS)
def test_a_fault_of_a_station_names_line_and_remedy(
    good: str, bad: str, id: str, right: str
) -> None:
    assert good in TWO
    with pytest.raises(InputError) as caught:
        parse_rig(TWO.replace(good, bad, 1), "rig.toml")
    assert caught.value.id == id
    assert re.match(r"rig\.toml:\d+", caught.value.where), caught.value.where
    assert right in " ".join(caught.value.facts.values())


def test_the_documented_orifice() -> None:
    block = documented("N-3")
    text = TEXT + "\n" + block
    (orifice,) = parse_rig(text, "rig.toml").orifices
    assert orifice.conductance.value_si == pytest.approx(0.21e-8)
    assert orifice.u.value_si == 0.01
    for good, bad, right in (
        ('"0.21 dm3', '"0 dm3', "above zero"),
        ('u = "1 %"', 'u = "0 %"', "above 0 %"),
        ("critical_ratio = 0.45", "critical_ratio = 1.2", "below 1"),
        ('record = "C-0204"', 'record = " "', "calibration record"),
        ('id = "N-3"', 'id = "N 3"', "letters"),
    ):
        assert good in block
        with pytest.raises(InputError, match="value_wrong") as caught:
            parse_rig(TEXT + "\n" + block.replace(good, bad, 1), "r")
        assert right in caught.value.facts["right"]
    twice = text + "\n" + block
    with pytest.raises(InputError, match="rig_name_twice"):
        parse_rig(twice, "r")


def test_a_clean_status_as_documented() -> None:
    block = re.search(r"## Clean for oxygen\n\n```toml\n(.*?)```", DOC, re.S)
    assert block is not None
    receiving, _, clean = block[1].partition("\n")
    head, _, rest = TEXT.partition("\n")
    text = f"{head}\n{receiving}\n{rest}{clean}"
    rig = parse_rig(text, "rig.toml")
    assert rig.clean is not None
    assert rig.clean.until.isoformat() == "2026-12-01"
    assert not rig.receiving
    with pytest.raises(InputError, match="value_wrong") as caught:
        parse_rig(text.replace("until = 2026-12-01", "until = 2026-05-01"), "rig.toml")
    line = text[: text.index("[clean]")].count("\n") + 1
    assert caught.value.where == f"rig.toml:{line}"


_DOCUMENTED = re.findall(r"```toml\n(.*?)```", DOC, re.S)


def _standards() -> list[str]:
    found = []
    for block in _DOCUMENTED:
        _, heading, rest = block.partition("[check_standard]")
        if heading:
            found.append(heading + rest)
    return found


@pytest.mark.parametrize("standard", _standards())
def test_the_documented_check_standards_can_be_read(standard: str) -> None:
    rig = parse_rig(f"{TEXT}\n{standard}", "rig.toml")
    assert rig.check_standard is not None
    assert rig.check_standard.kind in ("reference leak", "regulator")
    assert rig.wants_shift_check, "a real rig"


LEAK, KEPT = _standards()


@pytest.mark.parametrize(
    ("standard", "old", "new", "id"),
    [
        (LEAK, 'certificate = "C-0311"', 'certificate = " "', "key_missing"),
        (LEAK, 'at = "12 in. w.c. gauge"', "", "key_missing"),
        (LEAK, '"12 in. w.c. gauge"', '"112 kPa absolute"', "value_wrong"),
        (LEAK, 'value = "0.25 std cm3/min"', 'value = "2 Pa gauge"', "value_wrong"),
        (LEAK, 'u = "0.002 std', 'u = "0 std', "value_wrong"),
        (LEAK, 'limit = "0.05 std', 'limit = "0.004 std', "value_wrong"),
        (LEAK, 'kind = "reference leak"', 'kind = "tank"', "value_wrong_type"),
        (LEAK, "due = 2027-03-01", "", "key_missing"),
        (KEPT, 'plan = "kept.toml"', "", "key_missing"),
        (KEPT, '"lockup_rise"', '"lockup_rice"', "value_wrong"),
        (KEPT, '"lockup_rise"', '"reference_leak"', "value_wrong"),
        (KEPT, 'u = "0.01 in. w.c. difference"', 'u = "1 %"', "value_wrong"),
        (
            LEAK,
            "[check_standard]",
            "[shift]\nhours = 25\n[check_standard]",
            "value_wrong",
        ),
        (
            LEAK,
            "[check_standard]",
            "[shift]\nhours = 0\n[check_standard]",
            "value_wrong",
        ),
    ],
)
def test_a_check_standard_that_shows_nothing_is_refused(
    standard: str, old: str, new: str, id: str
) -> None:
    assert old in standard
    with pytest.raises(InputError) as wrong:
        parse_rig(f"{TEXT}\n{standard.replace(old, new, 1)}", "rig.toml")
    assert wrong.value.id == id
    assert wrong.value.where.startswith("rig.toml:")
